"""Attribute bits as people write them."""

from __future__ import annotations

import stat
from functools import lru_cache

_68K_SET = ((0x80, "h"), (0x40, "s"), (0x20, "p"), (0x10, "a"))
_68K_CLEAR = ((0x08, "r"), (0x04, "w"), (0x02, "e"), (0x01, "d"))
_DOS = ((0x01, "r"), (0x02, "h"), (0x04, "s"), (0x20, "a"))


@lru_cache(1024)  # of thousands of members most have the same bits
def text(attributes: int | None, system: str) -> str | None:
    """The bits as letters; None where the member has none.

    `68k`: `hsparwed`, of which r, w, e and d are forbidden when their bit is set (the block-image FAQ 1.11, 4.4).
    `dos`: `rhsa` (read-only, hidden, system, archive). `unix`: as `ls -l` shows a mode.

    >>> text(0x00, "68k"), text(0x02, "68k"), text(0x40, "68k"), text(0x21, "dos"), text(0o644, "unix")
    ('----rwed', '----rw-d', '-s--rwed', 'r--a', '-rw-r--r--')
    """
    if attributes is None or not system:
        return None
    if system == "unix":
        # A tar's mode has no bits for the sort of member, which would be shown as a question mark.
        return stat.filemode(attributes if stat.S_IFMT(attributes) else stat.S_IFREG | attributes)
    if system == "dos":
        return "".join(letter if attributes & bit else "-" for bit, letter in _DOS)
    high = "".join(letter if attributes & bit else "-" for bit, letter in _68K_SET)
    return high + "".join("-" if attributes & bit else letter for bit, letter in _68K_CLEAR)

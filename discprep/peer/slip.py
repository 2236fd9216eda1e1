"""SLIP (RFC 1055): packets out of a stream of bytes. What goes the other way is `link.encapsulation.slip_encode`."""

from __future__ import annotations

import re

END = 0xC0
_ESCAPE = re.compile(rb"\xdb([\xdc\xdd])")
_MEANT = {b"\xdc": b"\xc0", b"\xdd": b"\xdb"}


class Unslip:
    """Cuts what arrives into packets. An escape before another byte than the two of the RFC stays as it is, as the RFC
    advises: the packet's own checksum decides.

    Args:
        most_bytes: a longer packet is dropped whole, so that memory stays flat
    """

    def __init__(self, most_bytes: int) -> None:
        self._most = 2 * most_bytes
        self._rest = bytearray()
        self._too_long = False
        self.dropped = 0

    def feed(self, data: bytes) -> list[bytes]:
        """The packets that `data` completes."""
        found = []
        *whole, rest = data.split(b"\xc0")
        for part in whole:
            self._add(part)
            raw, too_long = bytes(self._rest), self._too_long
            self._rest.clear()
            self._too_long = False
            if too_long:
                self.dropped += 1
            elif raw:
                found.append(_ESCAPE.sub(lambda match: _MEANT[match[1]], raw))
        self._add(rest)
        return found

    def _add(self, part: bytes) -> None:
        if len(self._rest) + len(part) > self._most:
            self._too_long = True
            self._rest.clear()
        if not self._too_long:
            self._rest += part

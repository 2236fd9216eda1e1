"""Sectors and lists of names as the reasons say them."""

from __future__ import annotations

from collections.abc import Sequence

from discprep.units import SECTOR_BYTES, format_bytes


def sectors(count: int) -> str:
    """A number of sectors with its size.

    >>> sectors(1513)
    '1,513 sectors (3.10 MB)'
    """
    return f"{count:,} sectors ({format_bytes(count * SECTOR_BYTES)})"


def listing(names: Sequence[str], most: int = 4) -> str:
    """Some names in one phrase.

    >>> listing(["a"]), listing(["a", "b", "c"]), listing(["a", "b", "c", "d", "e", "f"], 3)
    ('a', 'a, b and c', 'a, b, c and 3 more')
    """
    if len(names) > most:
        return f"{', '.join(names[:most])} and {len(names) - most} more"
    return " and ".join(filter(None, (", ".join(names[:-1]), names[-1] if names else "")))


def one_of(ids: Sequence[str]) -> str:
    """A set of alternatives.

    >>> one_of(["a"]), one_of(["a", "b"])
    ('a', 'one of a, b')
    """
    return ids[0] if len(ids) == 1 else f"one of {', '.join(ids)}" if ids else "something that nobody gives"

"""Figures as the reasons say them: two or three digits, no more than a reader can weigh."""

from __future__ import annotations

from collections.abc import Sequence

SECTOR_BYTES = 2048


def span(elapsed_s: float) -> str:
    """A time in words.

    >>> span(0.4), span(42.0), span(845), span(9000), span(200_000)
    ('under a second', '42 s', '14 min', '2 h 30 min', '2 d 8 h')
    """
    if elapsed_s < 0:
        return f"minus {span(-elapsed_s)}"
    if elapsed_s < 0.5:
        return "under a second"
    if elapsed_s < 119.5:
        return f"{elapsed_s:.0f} s"
    minutes = round(elapsed_s / 60)
    if minutes < 120:
        return f"{minutes} min"
    if minutes < 48 * 60:
        return f"{minutes // 60} h {minutes % 60:02d} min"
    hours = round(elapsed_s / 3600)
    return f"{hours // 24} d {hours % 24} h"


def amount(size_bytes: int) -> str:
    """A size in words, decimal units.

    >>> amount(950), amount(41_000), amount(3_100_000), amount(680_000_000)
    ('950 B', '41 KB', '3.1 MB', '680 MB')
    """
    if size_bytes < 1000:
        return f"{size_bytes} B"
    value, unit = (size_bytes / 1e3, "KB") if size_bytes < 999_500 else (size_bytes / 1e6, "MB")
    return f"{value:.0f} {unit}" if value >= 9.95 else f"{value:.1f} {unit}"


def sectors(count: int) -> str:
    """A number of sectors with its size.

    >>> sectors(1513)
    '1,513 sectors (3.1 MB)'
    """
    return f"{count:,} sectors ({amount(count * SECTOR_BYTES)})"


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

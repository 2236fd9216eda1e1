"""The date and time words of the DOS file system, which several containers store (ECMA-107 2nd ed., 11.2)."""

from __future__ import annotations

from datetime import UTC, datetime


def dos_time(date: int, time: int) -> int | None:
    """Seconds since 1970 of the wall clock in a DOS date and time; None for 0 and for moments that do not exist.

    >>> dos_time(0x5C64, 0x28C4)  # 2026-03-04 05:06:08
    1772600768
    """
    year, month, day = 1980 + (date >> 9), date >> 5 & 15, date & 31
    try:
        moment = datetime(year, month, day, time >> 11, time >> 5 & 63, (time & 31) * 2, tzinfo=UTC)
    except ValueError:
        return None
    return int(moment.timestamp())

"""Times as old containers store them, to seconds since 1970 of the same wall clock (see `discprep.model`)."""

from __future__ import annotations

from datetime import UTC, datetime

FILETIME_1970 = 0x019DB1DED53E8000  # 100 ns since 1601-01-01 ("LHa for UNIX", header.c)
_LATEST_S = 253_402_300_799  # 9999-12-31 23:59:59: what a calendar can still print


def dos_time(stamp: int) -> int | None:
    """Seconds from a DOS date (high 16 bits) and time (low 16 bits); None for none and for impossible dates.

    >>> dos_time(0x5C6428C4)  # 2026-03-04 05:06:08
    1772600768
    """
    date, time = stamp >> 16, stamp & 0xFFFF
    try:
        moment = datetime(
            1980 + (date >> 9), date >> 5 & 15, date & 31, time >> 11, time >> 5 & 63, (time & 31) * 2, tzinfo=UTC
        )
    except ValueError:
        return None
    return int(moment.timestamp())


def filetime(stamp: int) -> int | None:
    """Seconds from a count of 100 ns since 1601-01-01; None for none and beyond the year 9999.

    >>> filetime(FILETIME_1970)
    0
    """
    seconds = (stamp - FILETIME_1970) // 10_000_000
    return seconds if stamp and -11_644_473_600 < seconds <= _LATEST_S else None


def iso_text(time_s: int | None) -> str | None:
    """`2026-03-04T05:06:08`: the wall clock as stored, without a zone; None for none."""
    if time_s is None:
        return None
    try:
        return datetime.fromtimestamp(time_s, UTC).replace(tzinfo=None).isoformat()
    except (ValueError, OverflowError, OSError):
        return None

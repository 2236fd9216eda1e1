"""Numbers, dates and text fields of ECMA-119. Pure."""

from __future__ import annotations

import calendar
import time
from functools import lru_cache

from discprep.units import SECTOR_BYTES

SECTOR = SECTOR_BYTES
FIRST_DESCRIPTOR = 16  # sectors 0 to 15 are the system area (ECMA-119 §6.2.1)
IDENTIFIER = b"CD001"

_FIRST_S = calendar.timegm((1900, 1, 1, 0, 0, 0))
_LAST_S = calendar.timegm((2155, 12, 31, 23, 59, 59))


def both16(value: int) -> bytes:
    """A 16-bit number in both byte orders (§7.2.3).

    >>> both16(2048).hex()
    '00080800'
    """
    return value.to_bytes(2, "little") + value.to_bytes(2, "big")


def both32(value: int) -> bytes:
    """A 32-bit number in both byte orders (§7.3.3).

    >>> both32(0x12345678).hex()
    '7856341212345678'
    """
    return value.to_bytes(4, "little") + value.to_bytes(4, "big")


def sectors_of(size_bytes: int) -> int:
    """Sectors that so many bytes take; none for an empty file.

    >>> [sectors_of(n) for n in (0, 1, 2048, 2049)]
    [0, 1, 1, 2]
    """
    return -(-size_bytes // SECTOR)


def little(data: bytes, offset: int, length: int) -> int:
    """The little-endian number of `length` bytes at an offset."""
    return int.from_bytes(data[offset : offset + length], "little")


def big(data: bytes, offset: int, length: int) -> int:
    """The big-endian number of `length` bytes at an offset."""
    return int.from_bytes(data[offset : offset + length], "big")


def agree(data: bytes, offset: int, length: int) -> bool:
    """True where a number in both byte orders (`length` bytes in each) has one value."""
    return little(data, offset, length) == big(data, offset + length, length)


@lru_cache(maxsize=1024)
def short_date(time_s: int) -> bytes:
    """The 7-byte date of a directory record (§9.1.5) in UTC, of seconds since 1970; its years are 1900 to 2155, others
    become the nearest.

    >>> short_date(1_700_000_000).hex()
    '7b0b0e160d1400'
    """
    t = time.gmtime(min(max(time_s, _FIRST_S), _LAST_S))
    return bytes([t.tm_year - 1900, t.tm_mon, t.tm_mday, t.tm_hour, t.tm_min, t.tm_sec, 0])


def long_date(time_s: int | None) -> bytes:
    """The 17-byte date of a volume descriptor (§8.4.26.1) in UTC; None: not specified.

    >>> long_date(1_700_000_000)
    b'2023111422132000\\x00'
    """
    if time_s is None:
        return b"0" * 16 + b"\0"
    return time.strftime("%Y%m%d%H%M%S00", time.gmtime(min(max(time_s, _FIRST_S), _LAST_S))).encode() + b"\0"


@lru_cache(maxsize=1024)
def read_short_date(data: bytes) -> int | None:
    """The wall clock of a 7-byte date as seconds since 1970; None: not specified, or no date."""
    if len(data) < 7 or not any(data[:6]):
        return None
    return _wall_clock(1900 + data[0], *data[1:6])


def read_long_date(data: bytes) -> int | None:
    """The wall clock of a 17-byte date as seconds since 1970; None: not specified, or no date."""
    digits = data[:14]
    if len(data) < 17 or not digits.isdigit() or digits == b"0" * 14:
        return None
    numbers = [int(digits[:4]), *(int(digits[i : i + 2]) for i in range(4, 14, 2))]
    return _wall_clock(*numbers)


def _wall_clock(year: int, month: int, day: int, hour: int, minute: int, second: int) -> int | None:
    if not (year >= 1 and 1 <= month <= 12 and 1 <= day <= calendar.monthrange(year, month)[1]):
        return None  # ECMA-119 8.4.26.1: years are 1 to 9999
    if hour > 23 or minute > 59 or second > 59:
        return None
    return calendar.timegm((year, month, day, hour, minute, second))

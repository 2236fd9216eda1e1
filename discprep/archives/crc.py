"""CRC-16/ARC, the checksum of LHA (RevEng catalogue of parametrised CRC algorithms, entry CRC-16/ARC)."""

from __future__ import annotations

import sys
from array import array
from collections.abc import Callable
from functools import cache


@cache
def _table() -> array[int]:
    """The CRC of each pair of bytes, as two bytes at once are taken."""
    table = array("H", range(65_536))
    for pair in range(65_536):
        value = pair
        for _ in range(16):
            value = (value >> 1) ^ (0xA001 if value & 1 else 0)
        table[pair] = value
    return table


def pure_crc16(data: bytes, value: int = 0) -> int:
    """CRC-16/ARC of `data`, going on from `value`. Some 40 MB/s: for hosts without a wheel of fastcrc.

    >>> hex(pure_crc16(b"123456789"))
    '0xbb3d'
    """
    table = _table()
    pairs = array("H", data[: len(data) & ~1])
    if sys.byteorder == "big":
        pairs.byteswap()
    for pair in pairs:
        value = table[value ^ pair]
    if len(data) & 1:
        value ^= data[-1]
        for _ in range(8):
            value = (value >> 1) ^ (0xA001 if value & 1 else 0)
    return value


def _fastest() -> Callable[[bytes, int], int]:
    try:
        from fastcrc import crc16 as library
    except ImportError:
        return pure_crc16
    arc: Callable[[bytes, int], int] = library.arc
    return arc


crc16: Callable[[bytes, int], int] = _fastest()
"""crc16(data, value): CRC-16/ARC of `data`, going on from `value` (0 at the start)."""

"""CRC-16/ARC, the checksum of LHA (RevEng catalogue of parametrised CRC algorithms, entry CRC-16/ARC)."""

from __future__ import annotations

from collections.abc import Callable

from fastcrc import crc16 as _library

crc16: Callable[[bytes, int], int] = _library.arc
"""crc16(data, value): CRC-16/ARC of `data`, going on from `value` (0 at the start)."""

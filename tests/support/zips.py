"""ZIP archives byte by byte, so that each field can be wrong, and encoders for two methods no packer writes any more.

Layout and methods: PKWARE APPNOTE.TXT 6.3 (4.3 records, 5.1 shrink, 5.3 implode).
"""

import struct
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

DOS_DATE, DOS_TIME = 0x5C64, 0x28C4  # 2026-03-04 05:06:08
FIELDS = ("version", "flags", "method", "time", "date", "crc", "packed", "size", "name", "extra")


@dataclass
class Put:
    """A member to write. `local` and `central` override single fields of the two records."""

    name: bytes
    data: bytes = b""
    method: int = 0
    packed: bytes | None = None  # the packed bytes, if not made from `data` here
    flags: int = 0
    made_by: int = 0x0014
    external: int = 0x20
    comment: bytes = b""
    extra: bytes = b""
    local: Mapping[str, Any] = field(default_factory=dict)
    central: Mapping[str, Any] = field(default_factory=dict)
    offset: int | None = None  # the central record points here instead
    write_local: bool = True

    def stream(self) -> bytes:
        if self.packed is not None:
            return self.packed
        return deflated(self.data) if self.method == 8 else self.data

    def fields(self) -> dict[str, Any]:
        sizes = {"crc": zlib.crc32(self.data), "packed": len(self.stream()), "size": len(self.data)}
        moment = {"time": DOS_TIME, "date": DOS_DATE}
        plain = {"version": 20, "flags": self.flags, "method": self.method, "name": self.name, "extra": self.extra}
        return {**plain, **sizes, **moment}


def deflated(data: bytes, level: int = 9) -> bytes:
    """Raw deflate, as members hold it."""
    packer = zlib.compressobj(level, zlib.DEFLATED, -15)
    return packer.compress(data) + packer.flush()


def _common(values: Mapping[str, Any]) -> bytes:
    numbers = [values[key] for key in FIELDS[:8]]
    return struct.pack("<5H3L2H", *numbers, len(values["name"]), len(values["extra"]))


def local(put: Put) -> bytes:
    """A local header with the data behind it (4.3.7)."""
    values = {**put.fields(), **put.local}
    return b"PK\3\4" + _common(values) + values["name"] + values["extra"] + put.stream()


def central(put: Put, offset: int) -> bytes:
    """A record of the central directory (4.3.12)."""
    values = {**put.fields(), **put.central}
    head = b"PK\1\2" + struct.pack("<H", put.made_by) + _common(values)
    tail = struct.pack("<3H2L", len(put.comment), 0, 0, put.external, offset)
    return head + tail + values["name"] + values["extra"] + put.comment


def end(count: int, size: int, offset: int, comment: bytes = b"") -> bytes:
    """An end record (4.3.16)."""
    return b"PK\5\6" + struct.pack("<4H2LH", 0, 0, count, count, size, offset, len(comment)) + comment


def archive(*puts: Put, stub: bytes = b"", comment: bytes = b"", tail: bytes = b"") -> bytes:
    """A whole archive. Offsets do not count the stub, as self-extractors made by copying have it."""
    body, directory = b"", b""
    for put in puts:
        offset = len(body) if put.offset is None else put.offset
        body += local(put) if put.write_local else b""
        directory += central(put, offset)
    return stub + body + directory + end(len(puts), len(directory), len(body), comment) + tail


# ------------------------------------------------------------------------------------------- old methods


class Bits:
    """Bits in the order in which both old methods store them: from the lowest of each byte on."""

    def __init__(self) -> None:
        self._value = self._count = 0
        self._done = bytearray()

    def put(self, value: int, width: int) -> None:
        """The bits of a number, lowest first."""
        self._value |= value << self._count
        self._count += width
        while self._count >= 8:
            self._done.append(self._value & 0xFF)
            self._value >>= 8
            self._count -= 8

    def put_code(self, value: int, width: int) -> None:
        """The bits of a code, highest first."""
        self.put(int(f"{value:0{width}b}"[::-1], 2), width)

    def bytes(self) -> bytes:
        return bytes(self._done) + self._value.to_bytes((self._count + 7) // 8, "little")


def shrunk(data: bytes) -> bytes:
    """Shrink (5.1): dynamic LZW with codes of 9 to 13 bits; code 256 and 1 widens, 256 and 2 clears the leaves.

    The table is cleared only right after a single byte's code: so the code that the next entry hangs on is never
    one of those that are cleared. An unpacker makes an entry for every code, even one it has already.
    """
    bits, width = Bits(), 9
    table: dict[tuple[int, int], int] = {}
    parents: dict[int, int] = {}  # of every code in use
    free = list(range(8191, 256, -1))
    at = 0
    while at < len(data):
        code, stop = data[at], at + 1
        while len(free) > 1 and stop < len(data) and (code, data[stop]) in table:
            code, stop = table[code, data[stop]], stop + 1
        while code >> width:
            bits.put(256, width)
            bits.put(1, width)
            width += 1
        bits.put(code, width)
        if stop < len(data):
            if len(free) <= 1:
                bits.put(256, width)
                bits.put(2, width)
                parents = {kept: parents[kept] for kept in set(parents.values()) & set(parents)}
                table = {key: kept for key, kept in table.items() if kept in parents}
                free = sorted(set(range(257, 8192)) - set(parents), reverse=True)
            parents[free[-1]] = code
            table[code, data[stop]] = free.pop()
        at = stop
    return bits.bytes()


IMPLODE_8K, IMPLODE_LITERALS = 2, 4  # general flags (4.4.4)


def imploded(data: bytes, flags: int = 0) -> bytes:
    """Implode (5.3): matches in a window of 4 or 8 KiB, with two or three trees whose codes are all as long.

    A flat tree is the simplest that the format knows: n symbols of one length, numbered from the last on.
    """
    bits = Bits()
    low_bits = 7 if flags & IMPLODE_8K else 6
    shortest = 3 if flags & IMPLODE_LITERALS else 2
    trees = ([256] if flags & IMPLODE_LITERALS else []) + [64, 64]
    for symbols in trees:
        bits.put(symbols // 16 - 1, 8)
        for _ in range(symbols // 16):
            bits.put(0xF0 | (7 if symbols == 256 else 5), 8)
    at = 0
    latest: dict[bytes, int] = {}
    while at < len(data):
        length, distance = _match(data, at, latest, shortest, 1 << 6 + low_bits)
        if length:
            bits.put(0, 1)
            bits.put(distance - 1 & (1 << low_bits) - 1, low_bits)
            bits.put_code(63 - (distance - 1 >> low_bits), 6)
            bits.put_code(63 - min(length - shortest, 63), 6)
            if length - shortest >= 63:
                bits.put(length - shortest - 63, 8)
        else:
            bits.put(1, 1)
            if flags & IMPLODE_LITERALS:
                bits.put_code(255 - data[at], 8)
            else:
                bits.put(data[at], 8)
        for place in range(at, at + max(length, 1)):
            latest[data[place : place + 3]] = place
        at += max(length, 1)
    return bits.bytes()


def _match(data: bytes, at: int, latest: Mapping[bytes, int], shortest: int, window: int) -> tuple[int, int]:
    start = latest.get(data[at : at + 3], -1)
    if start < 0 or at - start > window:
        return 0, 0
    length = 0
    while length < shortest + 63 + 255 and at + length < len(data) and data[start + length] == data[at + length]:
        length += 1
    return (length, at - start) if length >= shortest else (0, 0)

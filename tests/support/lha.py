"""LHA archives made by hand, in every header level, with any extended headers and any fault.

Written from the published header document ("LHa for UNIX", header.doc.md), not from the reader under test.
"""

import struct
from dataclasses import dataclass, field

HELLO = b"hello world\n"
DOS_2026 = 0x5C6428C4  # 2026-03-04 05:06:08
UNIX_2026 = 1_772_600_768  # the same wall clock


def crc16(data: bytes) -> int:
    """CRC-16/ARC bit by bit, from its definition: polynomial 8005 reflected, start 0."""
    value = 0
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = (value >> 1) ^ (0xA001 if value & 1 else 0)
    return value


@dataclass
class Made:
    """One member to be written; `bytes()` gives header and packed data."""

    name: bytes = b"hello.txt"
    data: bytes = HELLO  # unpacked
    packed: bytes | None = None  # None: as `data`
    method: bytes = b"-lh0-"
    level: int = 1
    os_id: bytes = b"U"
    stamp: int | None = None
    attribute: int = 0x20
    extensions: list[tuple[int, bytes]] = field(default_factory=list)
    header_crc: bool = False
    crc: int | None = None
    size: int | None = None
    packed_size: int | None = None
    area: bytes = b""  # level 0: the extended area
    no_crc: bool = False  # level 0: as the oldest packers wrote it
    padding: bytes = b""  # level 2

    @property
    def _packed(self) -> bytes:
        return self.data if self.packed is None else self.packed

    def __bytes__(self) -> bytes:
        make = (self._level_0, self._level_1, self._level_2, self._level_3)[self.level]
        return make() + self._packed

    def _numbers(self, packed: int, stamp: int) -> bytes:
        size = len(self.data) if self.size is None else self.size
        packed = packed if self.packed_size is None else self.packed_size
        stamp = stamp if self.stamp is None else self.stamp
        return self.method + struct.pack("<IIIBB", packed, size, stamp, self.attribute, self.level)

    @property
    def _crc(self) -> bytes:
        return struct.pack("<H", crc16(self.data) if self.crc is None else self.crc)

    def _level_0(self) -> bytes:
        rest = self._numbers(len(self._packed), DOS_2026) + bytes([len(self.name)]) + self.name
        rest += b"" if self.no_crc else self._crc + self.area
        return bytes([len(rest), sum(rest) & 0xFF]) + rest

    def _level_1(self) -> bytes:
        chain, first = _chain(self._all_extensions(), 2)
        rest = self._numbers(len(self._packed) + len(chain), DOS_2026) + bytes([len(self.name)]) + self.name
        rest += self._crc + self.os_id + first
        return self._sealed(bytes([len(rest), sum(rest) & 0xFF]) + rest + chain)

    def _level_2(self) -> bytes:
        chain, first = _chain(self._all_extensions(), 2)
        rest = self._numbers(len(self._packed), UNIX_2026) + self._crc + self.os_id + first + chain + self.padding
        return self._sealed(struct.pack("<H", len(rest) + 2) + rest)

    def _level_3(self) -> bytes:
        chain, first = _chain(self._all_extensions(), 4)
        rest = self._numbers(len(self._packed), UNIX_2026) + self._crc + self.os_id
        total = 2 + len(rest) + 4 + len(first) + len(chain)
        return self._sealed(b"\4\0" + rest + struct.pack("<I", total) + first + chain)

    def _all_extensions(self) -> list[tuple[int, bytes]]:
        named = [(0x01, self.name)] if self.level >= 2 and not any(t == 0x01 for t, _ in self.extensions) else []
        return ([(0x00, b"\0\0")] if self.header_crc else []) + named + self.extensions

    def _sealed(self, header: bytes) -> bytes:
        """The header CRC, computed with its own bytes as zero and put in its place."""
        if not self.header_crc:
            return header
        word = 4 if self.level == 3 else 2
        start = header[0] + 2 if self.level == 1 else {2: 26, 3: 32}[self.level]
        at = start + 1
        assert header[start] == 0 and header[at : at + 2] == b"\0\0", word
        return header[:at] + struct.pack("<H", crc16(header)) + header[at + 2 :]


def _chain(extensions: list[tuple[int, bytes]], word: int) -> tuple[bytes, bytes]:
    """The extended headers, and the size of the first: each is type, data, size of the next."""
    code = {2: "<H", 4: "<I"}[word]
    sizes = [struct.pack(code, 1 + len(data) + word) for _, data in extensions] + [struct.pack(code, 0)]
    pieces = [bytes([t]) + data + after for (t, data), after in zip(extensions, sizes[1:], strict=True)]
    return b"".join(pieces), sizes[0]


def archive(*members: Made | bytes, end: bytes = b"\0") -> bytes:
    """Members one after the other and the end mark."""
    return b"".join(bytes(member) for member in members) + end


def resum(header: bytes) -> bytes:
    """A level-0 or level-1 archive whose first header's sum is made right again after a change."""
    total = header[0] + 2
    return header[:1] + bytes([sum(header[2:total]) & 0xFF]) + header[2:]


# Whole archives of HELLO, one for each level, made for these tests and accepted by lhasa and two others.
LEVEL_0 = bytes.fromhex(
    "23462d6c68302d0c0000000c000000c428645c20000d5355425c48454c4c4f2e545854789768656c6c6f20776f726c640a00"
)
LEVEL_1 = bytes.fromhex(
    "27ee2d6c68302d180000000c000000c428645c02010e68656c6c6f2e747874006e6f7465789741070002737562ff050000f73d0000"
    "68656c6c6f20776f726c640a00"
)
LEVEL_2 = bytes.fromhex(
    "39002d6c68302d0c0000000c000000c0bda76902027897410500008be10c000168656c6c6f2e747874070002737562ff0700716e6f74"
    "65000068656c6c6f20776f726c640a00"
)
LEVEL_3 = bytes.fromhex(
    "04002d6c68302d0c0000000c000000c0bda76920037897323e000000070000000018040e0000000168656c6c6f2e747874090000000273"
    "7562ff0000000068656c6c6f20776f726c640a00"
)
# Packed data only; two independent decoders agree on what they hold.
HELLO_20 = HELLO * 20
LH5_HELLO_20 = bytes.fromhex("000d3a6d6d78a3fa01f45ea0c0c1c182daaa099611f4d297b0")  # -lh4- too
LH7_HELLO_20 = bytes.fromhex("000d3a6d6d78a3fa01f45ea0c0c1c182daaa0265847d34a5ec")  # -lh6- too
BOMB = bytes.fromhex("ffff00001fd00ffff00001fd00")  # -lh5-: 33,553,920 spaces, CRC 8CD5
BOMB_BYTES = 33_553_920

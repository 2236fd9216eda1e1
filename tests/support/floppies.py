"""Floppy images written from the published structures: the 880 KiB block file system and FAT12.

Sources: the public block-image format FAQ 1.11 (2005); ECMA-107 2nd ed. Nothing here is shared with the readers.
"""

import struct
from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import pairwise

BLOCK = 512


# -------------------------------------------------------------------------------------------- block file system


def balanced(block: bytes, at: int = 20) -> bytes:
    """The block with the integer at `at` chosen so that all 128 add up to 0 modulo 2^32 (FAQ 4.2)."""
    cleared = block[:at] + bytes(4) + block[at + 4 :]
    return cleared[:at] + struct.pack(">L", -sum(struct.unpack(">128L", cleared)) & 0xFFFFFFFF) + cleared[at + 4 :]


def boot_sum(boot: bytes) -> int:
    """Checksum of the two boot blocks: 256 integers with end-around carry, inverted (FAQ 4.1)."""
    total = 0
    for at in range(0, 1024, 4):
        if at != 4:
            total += struct.unpack_from(">L", boot, at)[0]
        total = (total & 0xFFFFFFFF) + (total >> 32)
    return total ^ 0xFFFFFFFF


def hash_slot(name: bytes, international: bool) -> int:
    """Slot of a name (FAQ 4.2.1): in Latin-1, where the international variants know capitals with accents."""
    lower = b"abcdefghijklmnopqrstuvwxyz"
    if international:
        lower += "àáâãäåæçèéêëìíîïðñòóôõöøùúûüýþ".encode("latin-1")
    upper = lower.decode("latin-1").upper().encode("latin-1")
    value = len(name)
    for byte in name.translate(bytes.maketrans(lower, upper)):
        value = (value * 13 + byte) % 2048
    return value % 72


@dataclass
class BlockDisk:
    """A disk under construction. `blocks` holds all of them; numbers of headers are given back by each call."""

    flag: int = 0
    total: int = 1760
    label: bytes = b"Reading Room"
    blocks: list[bytearray] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.blocks = [bytearray(BLOCK) for _ in range(self.total)]
        self.root = self.total // 2
        self.bitmap = self.root + 1
        self.free = [*range(self.root + 2, self.total), *range(2, self.root)]
        self.put(0, 0, b"DOS" + bytes([self.flag]))
        self.put(0, 8, struct.pack(">L", self.root))
        root = {0: 2, 12: 72, 312: 0xFFFFFFFF, 316: self.bitmap, 508: 1}
        for at, value in root.items():
            self.long(self.root, at, value)
        self.put(self.root, 432, bytes([len(self.label)]) + self.label)

    @property
    def fast(self) -> bool:
        return bool(self.flag & 1)

    def put(self, number: int, at: int, data: bytes) -> None:
        self.blocks[number][at : at + len(data)] = data

    def long(self, number: int, at: int, value: int) -> None:
        self.put(number, at, struct.pack(">L", value & 0xFFFFFFFF))

    def read_long(self, number: int, at: int) -> int:
        return int(struct.unpack_from(">L", self.blocks[number], at)[0])

    def _header(
        self, name: bytes, parent: int, second: int, protection: int, comment: bytes, date: tuple[int, int, int]
    ) -> int:
        number = self.free.pop(0)
        for at, value in {0: 2, 4: number, 320: protection, 500: parent, 508: second}.items():
            self.long(number, at, value)
        self.put(number, 328, bytes([len(comment)]) + comment)
        self.put(number, 420, struct.pack(">3L", *date))
        self.put(number, 432, bytes([len(name)]) + name)
        self._chain(number, name, parent)
        return number

    def _chain(self, number: int, name: bytes, parent: int) -> None:
        """Hangs an entry at the end of its chain."""
        place, at = parent, 24 + 4 * hash_slot(name, self.flag >= 2)
        while self.read_long(place, at):
            place, at = self.read_long(place, at), 496
        self.long(place, at, number)

    def folder(self, name: bytes, parent: int = 0, comment: bytes = b"") -> int:
        """A folder; `parent` 0 is the root."""
        return self._header(name, parent or self.root, 2, 0, comment, (17_594, 306, 400))

    def file(
        self, name: bytes, data: bytes = b"", parent: int = 0, protection: int = 0, comment: bytes = b"",
        date: tuple[int, int, int] = (17_594, 306, 400),
    ) -> int:  # fmt: skip
        """A file with all its blocks."""
        header = self._header(name, parent or self.root, -3, protection, comment, date)
        self.long(header, 324, len(data))
        step = 512 if self.fast else 488
        parts = [data[at : at + step] for at in range(0, len(data), step)]
        holder, taken = header, []
        for k, part in enumerate(parts):
            if k and k % 72 == 0:
                holder = self._extension(holder, header)
            number = self.free.pop(0)
            taken.append(number)
            self.long(holder, 8, k % 72 + 1)
            self.long(holder, 24 + 4 * (71 - k % 72), number)
            self._data(number, header, k, part)
        if taken:
            self.long(header, 16, taken[0])
        for number, following in pairwise(taken):
            if not self.fast:
                self.long(number, 16, following)
        return header

    def _extension(self, holder: int, header: int) -> int:
        number = self.free.pop(0)
        self.long(holder, 504, number)
        for at, value in {0: 16, 4: number, 500: header, 508: -3}.items():
            self.long(number, at, value)
        return number

    def _data(self, number: int, header: int, k: int, part: bytes) -> None:
        if self.fast:
            self.put(number, 0, part)
            return
        self.put(number, 0, struct.pack(">4L", 8, header, k + 1, len(part)))
        self.put(number, 24, part)

    def hard_link(self, name: bytes, target: int, parent: int = 0, folder: bool = False) -> int:
        """A second name of a file or folder."""
        number = self._header(name, parent or self.root, 4 if folder else -4, 0, b"", (0, 0, 0))
        self.long(number, 468, target)
        return number

    def soft_link(self, name: bytes, target: bytes, parent: int = 0) -> int:
        """A name that leads to another path."""
        number = self._header(name, parent or self.root, 3, 0, b"", (0, 0, 0))
        self.put(number, 24, target + b"\0")
        return number

    def rebalance(self, number: int) -> None:
        """Mends the sum of one block."""
        self.blocks[number] = bytearray(balanced(bytes(self.blocks[number])))

    def image(self) -> bytes:
        """The whole disk, every sum and the bitmap in order."""
        for number in range(2, self.total):
            kind = self.read_long(number, 0)
            if number not in self.free and kind in (2, 8, 16) and not (self.fast and kind == 8):
                headers = self.read_long(number, 508) in (1, 2, 3, 4, 0xFFFFFFFD, 0xFFFFFFFC)
                if headers or kind == 8:
                    self.rebalance(number)
        self._write_bitmap()
        return b"".join(self.blocks)

    def _write_bitmap(self) -> None:
        bits = [0] * 127
        for number in self.free:
            bits[(number - 2) // 32] |= 1 << (number - 2) % 32
        self.put(self.bitmap, 0, bytes(4) + struct.pack(">127L", *bits))
        self.blocks[self.bitmap] = bytearray(balanced(bytes(self.blocks[self.bitmap]), 0))


# ------------------------------------------------------------------------------------------------------- FAT12


@dataclass
class Fat12:
    """A FAT12 disk with files in its root and in folders one level down. `fields` are those of the boot sector."""

    sector: int = 512
    per_cluster: int = 2
    reserved: int = 1
    copies: int = 2
    root_entries: int = 112
    sectors: int = 1440
    media: int = 0xF9
    per_fat: int = 3
    boot: bytes = b"\xeb\x3c\x90READROOM"  # the first eleven bytes: a jump and the maker's name, on DOS-class machines
    entries: list[int] = field(default_factory=list)
    data: bytearray = field(default_factory=bytearray)

    def __post_init__(self) -> None:
        self.entries = [0xF00 | self.media, 0xFFF] + [0] * self.clusters
        self.data = bytearray(self.clusters * self.cluster)

    @property
    def cluster(self) -> int:
        return self.sector * self.per_cluster

    @property
    def data_start(self) -> int:
        root_sectors = (self.root_entries * 32 + self.sector - 1) // self.sector
        return (self.reserved + self.copies * self.per_fat + root_sectors) * self.sector

    @property
    def clusters(self) -> int:
        return (self.sectors * self.sector - self.data_start) // self.cluster

    def store(self, content: bytes, clusters: list[int] | None = None) -> int:
        """Puts bytes into clusters, the first free ones or those named; the first cluster's number, 0 for none."""
        need = -(-len(content) // self.cluster)
        chain = clusters or [n for n in range(2, self.clusters + 2) if not self.entries[n]][:need]
        for k, number in enumerate(chain):
            part = content[k * self.cluster : (k + 1) * self.cluster]
            at = (number - 2) * self.cluster
            self.data[at : at + len(part)] = part
            self.entries[number] = chain[k + 1] if k + 1 < len(chain) else 0xFFF
        return chain[0] if chain else 0

    def image(self, root: bytes) -> bytes:
        """The whole disk with these root entries."""
        boot = bytearray(self.sector)
        boot[: len(self.boot)] = self.boot
        fields = (self.sector, self.per_cluster, self.reserved, self.copies, self.root_entries)
        struct.pack_into("<HBHBHHBHHH", boot, 11, *fields, self.sectors, self.media, self.per_fat, 9, 2)
        fat = packed12(self.entries).ljust(self.per_fat * self.sector, b"\0")
        root_room = self.data_start - (self.reserved + self.copies * self.per_fat) * self.sector
        head = bytes(boot) + bytes((self.reserved - 1) * self.sector) + fat * self.copies + root.ljust(root_room, b"\0")
        return (head + bytes(self.data)).ljust(self.sectors * self.sector, b"\xf6")


def packed12(entries: list[int]) -> bytes:
    """Pairs of 12-bit entries in three bytes (ECMA-107 8.4)."""
    packed = bytearray()
    for even, odd in zip(entries[::2], [*entries[1::2], 0], strict=False):
        packed += bytes([even & 255, even >> 8 | (odd & 15) << 4, odd >> 4])
    return bytes(packed)


def entry12(name: bytes, first: int, size: int, attributes: int = 0x20) -> bytes:
    """A directory entry (ECMA-107 11) of 2026-03-04 05:06:08; `name` is the eleven bytes."""
    return name + bytes([attributes]) + bytes(10) + struct.pack("<3HL", 0x28C4, 0x5C64, first, size)


def small_disk(contents: Mapping[bytes, bytes], **fields: int | bytes) -> tuple[Fat12, bytes]:
    """A disk with these files in its root, by their eleven-byte names; the disk and its root entries."""
    disk = Fat12(**fields)  # type: ignore[arg-type]
    root = b"".join(entry12(name, disk.store(data), len(data)) for name, data in contents.items())
    return disk, root

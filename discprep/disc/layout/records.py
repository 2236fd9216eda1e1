"""Directory records, path table records and volume descriptors of ECMA-119, as bytes and as values. Pure."""

from __future__ import annotations

import re
import struct
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from discprep.disc.layout.fields import SECTOR, big, little

FOLDER, ASSOCIATED, MORE = 0x02, 0x04, 0x80
SELF, PARENT = b"\0", b"\1"
JOLIET_ESCAPES = (b"%/@", b"%/C", b"%/E")  # levels 1, 2, 3
_PLAIN_RECORD = b"\0\0\1\0\0\1"  # not interleaved, and on the first volume
_PLACE = struct.Struct("<xBI4xI")
EXTENT_LIMIT = 0xFFFFF800  # bytes of one extent: the largest whole sectors that the 32-bit length holds


@dataclass(slots=True)
class Record:
    """One directory record (§9.1). `offset` is its place in the directory; `raw` its bytes."""

    offset: int
    raw: bytes

    @property
    def place(self) -> tuple[int, int]:
        """The first sector of the data, behind an extended attribute record, and its bytes."""
        attributes, extent, size_bytes = _PLACE.unpack_from(self.raw)
        return extent + attributes, size_bytes

    @property
    def extent(self) -> int:
        return self.place[0]

    @property
    def size_bytes(self) -> int:
        return self.place[1]

    @property
    def date(self) -> bytes:
        return bytes(self.raw[18:25])

    @property
    def flags(self) -> int:
        return self.raw[25]

    @property
    def folder(self) -> bool:
        return bool(self.raw[25] & FOLDER)

    @property
    def identifier(self) -> bytes:
        raw = self.raw
        return raw[33 : 33 + raw[32]]

    @property
    def system_use(self) -> bytes:
        return self.raw[self.system_use_offset :]

    @property
    def system_use_offset(self) -> int:
        """Where the System Use area begins: after the identifier and its pad byte."""
        length = self.raw[32]
        return 33 + length + (1 - length % 2)

    def faults(self) -> Iterable[str]:
        """What this record alone has wrong; with thousands of records it counts that most have nothing."""
        raw = self.raw
        agrees = raw[2:6] == raw[9:5:-1] and raw[10:14] == raw[17:13:-1]
        return () if agrees and raw[26:32] == _PLAIN_RECORD and not len(raw) % 2 else self._faults(raw)

    def _faults(self, raw: bytes) -> Iterator[str]:
        if raw[2:6] != raw[9:5:-1] or raw[10:14] != raw[17:13:-1] or raw[28:30] != raw[31:29:-1]:
            yield "its numbers differ between the two byte orders"
        if len(raw) % 2:
            yield f"its length {len(raw)} is odd"
        if raw[26] or raw[27]:
            yield "it is interleaved"
        if raw[28:30] != b"\1\0":
            yield f"it lies on volume {little(self.raw, 28, 2)} of the set"


def record_bytes(identifier_bytes: int, system_use_bytes: int = 0) -> int:
    """Length of a directory record: 33 + identifier + pad to even + System Use, padded to even (§9.1).

    >>> [record_bytes(n) for n in (1, 12, 14)]
    [34, 46, 48]
    """
    length = 33 + identifier_bytes + (1 - identifier_bytes % 2) + system_use_bytes
    return length + length % 2


def split_directory(data: bytes) -> tuple[list[Record], list[str]]:
    """The records of a directory's bytes, and what keeps some from being read; none crosses a sector (§6.8.1.1)."""
    records: list[Record] = []
    faults = []
    for start in range(0, len(data), SECTOR):
        end = min(start + SECTOR, len(data))
        offset = start
        while offset < end and data[offset]:
            length = data[offset]
            if length < 34 or offset + length > end or 33 + data[offset + 32] > length:
                faults.append(f"a record of {length} bytes at byte {offset} does not fit its sector or its identifier")
                offset = end
                break
            records.append(Record(offset, data[offset : offset + length]))
            offset += length
        if any(data[offset:end]):
            faults.append(f"bytes after the last record of sector {start // SECTOR} are not zero")
    return records, faults


def iso_parts(identifier: bytes) -> tuple[bytes, bytes, int]:
    """NAME, EXT and version of a file identifier, 0 where it has none."""
    name, _, version = identifier.partition(b";")
    stem, _, extension = name.partition(b".")
    return stem, extension, int(version) if version.isdigit() and len(version) < 6 else 0


def iso_order(identifier: bytes) -> tuple[bytes, bytes, int]:
    """Sort key of a primary tree's directory (§9.3): NAME and EXT padded with spaces, version descending.

    >>> sorted([b"F.1;1", b"F.;1", b"X.;1", b"X.;2"], key=iso_order)
    [b'F.;1', b'F.1;1', b'X.;2', b'X.;1']
    """
    if identifier in (SELF, PARENT):
        return identifier, b"", 0
    stem, extension, version = iso_parts(identifier)
    return stem.ljust(255, b" "), extension.ljust(255, b" "), -version


def raw_order(identifier: bytes) -> tuple[bool, bytes]:
    """Sort key of a Joliet directory: whole identifiers as bytes, as every common writer orders them."""
    return identifier not in (SELF, PARENT), identifier


@dataclass(frozen=True, slots=True)
class PathRecord:
    """One path table record (§9.4). `parent` counts from 1."""

    identifier: bytes
    extent: int
    parent: int


def split_path_table(data: bytes, order: str) -> list[PathRecord] | None:
    """The records of an L ("little") or M ("big") path table; None where they cannot be read."""
    read = little if order == "little" else big
    records, offset = [], 0
    while offset < len(data):
        length = data[offset]
        if not length or offset + 8 + length > len(data):
            return None
        identifier = bytes(data[offset + 8 : offset + 8 + length])
        records.append(PathRecord(identifier, read(data, offset + 2, 4), read(data, offset + 6, 2)))
        offset += path_record_bytes(length)
    return records


def path_record_bytes(identifier_bytes: int) -> int:
    """Length of a path table record: 8 + identifier, padded to even (§9.4).

    >>> path_record_bytes(1)
    10
    """
    return 8 + identifier_bytes + identifier_bytes % 2


@dataclass(frozen=True, slots=True)
class Descriptor:
    """A volume descriptor's sector: `kind` 0 boot record, 1 primary, 2 supplementary, 3 partition, 255 terminator."""

    sector: int
    raw: bytes

    @property
    def kind(self) -> int:
        return self.raw[0]

    @property
    def version(self) -> int:
        return self.raw[6]

    @property
    def joliet_level(self) -> int:
        """1 to 3 for a Joliet descriptor, else 0."""
        escapes = bytes(self.raw[88:91])
        return JOLIET_ESCAPES.index(escapes) + 1 if self.kind == 2 and escapes in JOLIET_ESCAPES else 0

    @property
    def volume_id(self) -> str:
        return self.text(40, 32)

    @property
    def space_sectors(self) -> int:
        return little(self.raw, 80, 4)

    @property
    def root(self) -> Record:
        return Record(0, self.raw[156:190])

    @property
    def path_table_bytes(self) -> int:
        return little(self.raw, 132, 4)

    @property
    def path_tables(self) -> tuple[int, int]:
        """Sectors of the L and the M path table."""
        return little(self.raw, 140, 4), big(self.raw, 148, 4)

    def text(self, offset: int, length: int) -> str:
        """A text field without its padding."""
        field = bytes(self.raw[offset : offset + length])
        charset = "utf-16-be" if self.joliet_level else "latin-1"
        return re.sub(r"[\x00-\x1f\x7f]", "", field.decode(charset, "replace")).rstrip(" ")

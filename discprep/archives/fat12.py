"""FAT12 floppy images as folders of files, recognised by their content alone.

Sources: ECMA-107 2nd ed. (boot fields 9.2, FAT 8.4 and 10.2, directory entries 11), Microsoft "FAT: General Overview
of On-Disk Format" 1.03 (cluster counts, long names). Boot code, its jump and the mark at 510 are not looked at: disks
of machines other than DOS-class ones often lack them.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import takewhile

from discprep.archives.base import Format, Options, Source, enforced
from discprep.archives.floppy import PATH_MAX, Found, ImageReader, without_shared
from discprep.archives.times import dos_time
from discprep.errors import ArchiveError
from discprep.members import Member

ENTRY = 32
FOLDER, LABEL, LONG = 0x10, 0x08, 0x0F
BAD, LAST = 0xFF7, 0xFF8
CLUSTERS_MAX = 4084  # from 4085 on it is no FAT12 (Microsoft 1.03)
NAME_CHARSET = "cp437"
DISK_MAX = 2**26  # [B]; beyond any floppy
FOLDER_MAX = 65_536 * ENTRY  # [B] (Microsoft 1.03)
LONG_MAX = 20  # pieces of a long name: 255 characters at 13 each

# Disks formatted before the boot sector had fields: the FAT's first byte tells the geometry (sectors/cluster, root
# entries, sectors/FAT, sectors). The values are those that mformat writes for these sizes.
EARLY: Mapping[int, tuple[int, int, int, int]] = {
    0xFE: (1, 64, 1, 320), 0xFC: (1, 64, 2, 360), 0xFF: (2, 112, 1, 640), 0xFD: (2, 112, 2, 720),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Geometry:
    """Where things lie, from the boot sector's fields."""

    sector: int  # [B]
    per_cluster: int  # sectors
    reserved: int  # sectors
    copies: int
    root_entries: int
    sectors: int
    per_fat: int  # sectors

    @property
    def root(self) -> int:
        """Offset of the root folder [B]."""
        return (self.reserved + self.copies * self.per_fat) * self.sector

    @property
    def data(self) -> int:
        """Offset of cluster 2 [B]: the root folder fills whole sectors."""
        return self.root + -(-self.root_entries * ENTRY // self.sector) * self.sector

    @property
    def cluster(self) -> int:
        """Size of a cluster [B]."""
        return self.sector * self.per_cluster

    @property
    def clusters(self) -> int:
        """How many clusters there are; they are numbered from 2."""
        return (self.sectors * self.sector - self.data) // self.cluster

    @property
    def plausible(self) -> bool:
        """Whether such a disk can exist."""
        powers = self.sector in (128, 256, 512, 1024, 2048, 4096) and self.per_cluster.bit_count() == 1
        counts = 1 <= self.copies <= 4 and self.reserved and self.per_fat and 0 < self.root_entries <= 4096
        if not (powers and counts):
            return False
        room = self.per_fat * self.sector * 2 // 3 - 2
        return 0 < self.clusters <= min(CLUSTERS_MAX, room + 1) and self.sectors * self.sector <= DISK_MAX


def geometry(source: Source) -> Geometry | None:
    """The disk's geometry if boot sector and FAT agree that it is FAT12, else None."""
    head = source.head
    if len(head) < 36:
        return None
    sector, per_cluster, reserved, copies, entries, sectors, _, per_fat = struct.unpack_from("<HBHBHHBH", head, 11)
    (wide,) = struct.unpack_from("<L", head, 32)
    found = Geometry(sector, per_cluster, reserved, copies, entries, sectors or wide, per_fat)
    if found.plausible and _fat_begins(source, reserved * sector):
        return found
    early = EARLY.get(head[512]) if len(head) > 512 else None
    if early and _fat_begins(source, 512) and source.size_bytes == early[3] * 512:
        return Geometry(512, early[0], 1, 2, early[1], early[3], early[2])
    return None


def _fat_begins(source: Source, at: int) -> bool:
    """Whether entries 0 and 1 stand at `at`: the media byte (F0, F8..FF; F7 on some machines), then ones (10.2)."""
    first = source.at(at, 3)
    return len(first) == 3 and first[0] >= 0xF0 and first[1:] == b"\xff\xff"


def entries12(raw: bytes) -> list[int]:
    """The 12-bit entries that are packed as pairs in three bytes (8.4).

    >>> [hex(entry) for entry in entries12(bytes.fromhex("236145"))]
    ['0x123', '0x456']
    """
    found = []
    for at in range(0, len(raw) - 2, 3):
        low, middle, high = raw[at : at + 3]
        found += [low | (middle & 15) << 8, middle >> 4 | high << 4]
    return found


class Fat12Reader(ImageReader):
    format = "fat12"

    def __init__(self, source: Source, options: Options) -> None:
        shape = geometry(source)
        if shape is None:
            raise ArchiveError("not a FAT12 image: boot sector and FAT do not agree")
        super().__init__(source, options)
        self._shape = shape
        self._charset = options.charset or NAME_CHARSET
        self._fat = self._read_fat()
        self._entered: set[int] = set()  # clusters read as folders
        self._chains: dict[int, tuple[tuple[int, ...], str]] = {}
        self._found = without_shared(self._walk(), "clusters")

    def read(self, member: Member) -> Iterator[bytes]:
        return enforced(self._content(self._found[member.index].chain, member.size_bytes), member.size_bytes)

    def _read_fat(self) -> list[int]:
        """The first copy's entries; remarks on other copies and on the image's length."""
        shape, source = self._shape, self._source
        length = shape.per_fat * shape.sector
        copies = [source.at((shape.reserved + n * shape.per_fat) * shape.sector, length) for n in range(shape.copies)]
        if any(copy != copies[0] for copy in copies):
            self.notices.append("the copies of the file allocation table differ; the first was used")
        self._check_length(shape.sectors * shape.sector)
        return entries12(copies[0])[: shape.clusters + 2]

    def _chain(self, first: int) -> tuple[tuple[int, ...], str]:
        """The clusters from `first` on as far as they are sound, and what ends them if not the mark of the end."""
        if first not in self._chains:
            chain: dict[int, None] = {}
            cluster, fault = first, ""
            while cluster < LAST and not fault:
                fault = self._cluster_fault(cluster, chain)
                if not fault:
                    chain[cluster] = None
                    cluster = self._fat[cluster]
            self._chains[first] = tuple(chain), fault
        return self._chains[first]

    def _cluster_fault(self, cluster: int, chain: Mapping[int, None]) -> str:
        if not 2 <= cluster < len(self._fat):
            what = {0: "a free", BAD: "a bad"}.get(cluster, "an impossible")
            return f"its chain of clusters runs into {what} one ({cluster})"
        if cluster in chain:
            return f"its chain of clusters loops at cluster {cluster}"
        return "the image ends inside it" if self._offset(cluster) >= self._source.size_bytes else ""

    def _offset(self, cluster: int) -> int:
        return self._shape.data + (cluster - 2) * self._shape.cluster

    def _content(self, chain: Sequence[int], size_bytes: int) -> Iterator[bytes]:
        return self._runs(chain, self._shape.cluster, size_bytes, self._offset)

    def _walk(self) -> list[Found]:
        """Every file and folder, a folder before what it holds."""
        shape, found = self._shape, list[Found]()
        stack = [self._listed(self._source.chunks(shape.root, shape.root_entries * ENTRY), b"", "")]
        while stack and len(found) < self._most:
            entry = next(stack[-1], None)
            if entry is None:
                stack.pop()
                continue
            entry = replace(entry, member=replace(entry.member, index=len(found)))
            if entry.member.kind == "folder":
                inside = self._enter(entry)
                if isinstance(inside, str):
                    entry = entry.hurt_by(inside)
                else:
                    stack.append(inside)
            found.append(entry)
        return found

    def _enter(self, folder: Found) -> Iterator[Found] | str:
        """What a folder holds, or why it is not looked at. No cluster is read as a folder twice."""
        member = folder.member
        if not self._entered.isdisjoint(folder.chain):
            return "its clusters are another folder's, too"
        if len(member.name) > PATH_MAX:
            return "its path is too long; what it holds was not read"
        self._entered.update(folder.chain)
        content = self._content(folder.chain, min(len(folder.chain) * self._shape.cluster, FOLDER_MAX))
        return self._listed(content, member.raw_name + b"/", member.name + "/")

    def _listed(self, chunks: Iterable[bytes], above_raw: bytes, above: str) -> Iterator[Found]:
        """The entries of one folder, in order; deleted ones and the label are passed over."""
        pieces: list[bytes] = []
        entries = (chunk[at : at + ENTRY] for chunk in chunks for at in range(0, len(chunk) - ENTRY + 1, ENTRY))
        for entry in takewhile(lambda entry: entry[0], entries):
            if entry[0] != 0xE5 and entry[11] & 0x3F == LONG:
                pieces = [*pieces[-LONG_MAX:], entry]
                continue
            if entry[0] != 0xE5 and entry[11] & LABEL:
                self.notices.append(f"the disk's label: {entry[:11].decode(self._charset, 'replace').rstrip()}")
            elif entry[0] != 0xE5 and entry[:11].rstrip() not in (b".", b".."):
                yield self._entry(entry, pieces, above_raw, above)
            pieces = []

    def _entry(self, entry: bytes, pieces: list[bytes], above_raw: bytes, above: str) -> Found:
        time, date, first, size_bytes = struct.unpack_from("<3HL", entry, 22)
        folder = bool(entry[11] & FOLDER)
        raw = short_name(entry)
        name = long_name(pieces, entry) or in_case(raw, entry[12], self._charset)
        chain, problem = self._chain(first) if first or folder else ((), "")
        count = len(chain)
        if not folder:
            count = -(-size_bytes // self._shape.cluster)
            problem = self._size_fault(name, size_bytes, len(chain), problem)
        member = Member(
            0, above + name, above_raw + raw, "folder" if folder else "file", 0 if folder else size_bytes,
            time_s=dos_time(date << 16 | time), attributes=entry[11], attribute_system="dos",
            problem="its name holds a /" if "/" in name else problem,
        )  # fmt: skip
        return Found(member, chain, chain, count)

    def _size_fault(self, name: str, size_bytes: int, clusters: int, fault: str) -> str:
        """Why a file's chain cannot hold its bytes; a chain that goes on, or breaks, behind them is remarked."""
        step = self._shape.cluster
        if clusters * step < size_bytes:
            return fault or f"it is said to be {size_bytes} bytes long, but its chain holds only {clusters * step}"
        if fault or (clusters - 1) * step >= max(size_bytes, 1):
            self.notices.append(f"{name}: its chain of clusters goes on behind its end")
        return ""


def short_name(entry: bytes) -> bytes:
    """`NAME.EXT` from the eleven bytes; a first byte 05 stands for E5 (11)."""
    stem, extension = entry[:8].rstrip(b" "), entry[8:11].rstrip(b" ")
    if stem[:1] == b"\5":
        stem = b"\xe5" + stem[1:]
    return stem + b"." + extension if extension else stem


def in_case(raw: bytes, flags: int, charset: str) -> str:
    """The short name as text; bits 3 and 4 of byte 12 say that stem and extension are in small letters (common
    practice of the systems that also write long names)."""
    stem, dot, extension = raw.decode(charset, "replace").partition(".")
    if flags & ~0x18:
        return stem + dot + extension
    return (stem.lower() if flags & 8 else stem) + dot + (extension.lower() if flags & 16 else extension)


def long_name(pieces: Sequence[bytes], entry: bytes) -> str:
    """The long name in the pieces in front of an entry, last piece first; empty if they do not belong to it."""
    if not pieces or not pieces[0][0] & 0x40:
        return ""
    expected = [*range(pieces[0][0] & 0x3F, 0, -1)]
    if [piece[0] & 0x3F for piece in pieces] != expected or any(piece[13] != name_sum(entry[:11]) for piece in pieces):
        return ""
    units = b"".join(piece[1:11] + piece[14:26] + piece[28:32] for piece in reversed(pieces))
    return units.decode("utf-16-le", "replace").split("\0")[0]


def name_sum(name: bytes) -> int:
    """The sum of a short name that its long name's pieces carry (Microsoft 1.03)."""
    total = 0
    for byte in name:
        total = ((total & 1) << 7 | total >> 1) + byte & 0xFF
    return total


def recognise(source: Source) -> bool:
    """Whether boot sector and FAT agree on a FAT12 disk."""
    return geometry(source) is not None


FORMATS = (Format("fat12", 1, recognise, Fat12Reader),)

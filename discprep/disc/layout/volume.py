"""Reads any image's descriptors and trees, within bounds: a hostile image costs bounded time and memory."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO, Protocol

from discprep.disc.layout import susp
from discprep.disc.layout.faults import Faults
from discprep.disc.layout.fields import FIRST_DESCRIPTOR, IDENTIFIER, SECTOR, read_short_date, sectors_of
from discprep.disc.layout.records import FOLDER, MORE, PARENT, SELF, Descriptor, Record, split_directory
from discprep.fetch.host import size_bytes

MAX_DESCRIPTORS = 64
MAX_ENTRIES = 250_000
MAX_DIRECTORY_BYTES = 64 << 20  # of one directory
MAX_ALL_DIRECTORY_BYTES = 256 << 20
MAX_DEPTH = 64  # Joliet sets no limit of its own
BLOCK_SECTORS = 512


class Sectors(Protocol):
    """Something with sectors of 2,048 bytes."""

    size_bytes: int

    def read(self, sector: int, count: int = 1) -> bytes:
        """`count` sectors from `sector`; fewer bytes where the end comes first."""


class ImageFile:
    """The sectors of an image file or a device node. A context manager."""

    def __init__(self, path: Path) -> None:
        self._file: BinaryIO = path.open("rb", buffering=0)
        self.size_bytes = size_bytes(self._file)

    def __enter__(self) -> ImageFile:
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()

    def read(self, sector: int, count: int = 1) -> bytes:
        self._file.seek(sector * SECTOR)
        data = self._file.read(count * SECTOR)
        if len(data) == count * SECTOR or not data:
            return data
        return data + self._rest(count * SECTOR - len(data))

    def _rest(self, wanted: int) -> bytes:
        """A raw file may give less than was asked for, before its end."""
        pieces = []
        while wanted and (piece := self._file.read(wanted)):
            pieces.append(piece)
            wanted -= len(piece)
        return b"".join(pieces)


@dataclass(slots=True)
class Found:
    """One file or folder of a tree. `path` has the tree's names (no version), `identifier` is as stored, `extents` are
    (sector, bytes) pieces, `date` is the record's. The record itself is not kept: there may be a hundred thousand."""

    path: tuple[str, ...]
    identifier: bytes
    folder: bool
    date: bytes
    extents: tuple[tuple[int, int], ...]
    rock_ridge: susp.RockRidge

    @property
    def size_bytes(self) -> int:
        return sum(size for _, size in self.extents)

    @property
    def time_s(self) -> int | None:
        return self.rock_ridge.time_s if self.rock_ridge.time_s is not None else read_short_date(self.date)


@dataclass(slots=True)
class Directory:
    """One directory of a tree with its records as stored, `.` and `..` first, while it is read; `number` in the path
    tables' order."""

    path: tuple[str, ...]
    identifier: bytes
    extent: int
    size_bytes: int
    parent: Directory | None
    records: list[Record] = field(default_factory=list)
    number: int = 0


@dataclass(slots=True)
class Tree:
    """One descriptor's tree. `rock_ridge` is True where the root begins with the sharing protocol's SP; `kind` is
    `primary`, `joliet` or `enhanced` (ISO 9660:1999).
    """

    descriptor: Descriptor
    directories: list[Directory] = field(default_factory=list)
    found: list[Found] = field(default_factory=list)
    rock_ridge: bool = False
    continuation_sectors: set[int] = field(default_factory=set)
    kind: str = field(init=False)

    def __post_init__(self) -> None:
        other = "joliet" if self.descriptor.joliet_level else "enhanced"
        self.kind = "primary" if self.descriptor.kind == 1 else other

    def name(self, identifier: bytes) -> str:
        """An identifier as text, a file's version left off."""
        if self.kind == "joliet":
            text = identifier.decode("utf-16-be", "replace")
            return text[:-2] if text.endswith(";1") else text
        return identifier.decode("latin-1").partition(";")[0]


def read_descriptors(image: Sectors, faults: Faults) -> list[Descriptor]:
    """The volume descriptors, the terminator left out (ECMA-119 §6.7.1)."""
    found: list[Descriptor] = []
    for sector in range(FIRST_DESCRIPTOR, FIRST_DESCRIPTOR + MAX_DESCRIPTORS):
        raw = image.read(sector)
        if len(raw) < SECTOR or raw[1:6] != IDENTIFIER:
            faults.add("descriptors", f"sector {sector} has no volume descriptor; the list has no terminator")
            return found
        if raw[0] == 255:
            return found
        found.append(Descriptor(sector, raw))
    faults.add("descriptors", f"more than {MAX_DESCRIPTORS} volume descriptors")
    return found


Visit = Callable[[Tree, Directory], None]


class _Walk:
    """Reads one tree from its root down, breadth first."""

    def __init__(self, image: Sectors, tree: Tree, faults: Faults, visit: Visit) -> None:
        self.image = image
        self.tree = tree
        self.faults = faults
        self.visit = visit
        self.seen: set[int] = set()
        self.bytes_left = MAX_ALL_DIRECTORY_BYTES
        self.dates: dict[bytes, bytes] = {}  # each once
        self.numbers: dict[int | None, int | None] = {}  # likewise modes and times
        self.skip = 0

    def run(self) -> None:
        root = self.tree.descriptor.root
        waiting = [Directory((), SELF, root.extent, root.size_bytes, None)]
        self.seen.add(root.extent)
        while waiting:
            following: list[Directory] = []
            for directory in waiting:
                self._read(directory)
                self.tree.directories.append(directory)
                following += self._children(directory)
                self.visit(self.tree, directory)
                directory.records = []  # of all directories they are the greater part of a tree's memory
                if len(self.tree.found) > MAX_ENTRIES:
                    self.faults.add("bounds", f"more than {MAX_ENTRIES} files: the rest was not read")
                    return
            waiting = following

    def _read(self, directory: Directory) -> None:
        where = "/".join(directory.path) or "(root)"
        size_bytes = min(directory.size_bytes, MAX_DIRECTORY_BYTES, self.bytes_left)
        if size_bytes < directory.size_bytes:
            self.faults.add("bounds", f"a folder of {directory.size_bytes} bytes was read only in part", where)
        self.bytes_left -= size_bytes
        data = self.image.read(directory.extent, sectors_of(size_bytes))[:size_bytes]
        if len(data) < size_bytes:
            self.faults.add("range", f"the folder at sector {directory.extent} passes the end of the image", where)
        directory.records, problems = split_directory(data)
        for problem in problems:
            self.faults.add("records", problem, where)
        if not directory.path and directory.records:
            self._root_entries(directory.records[0])

    def _root_entries(self, record: Record) -> None:
        """The first entry of the root's own record says whether, and where, System Use entries are."""
        area = record.system_use
        if self.tree.kind == "primary" and area[:2] == b"SP" and area[4:6] == b"\xbe\xef":
            self.tree.rock_ridge = True
            self.skip = area[6]
            self._entries(record, skip=0)

    def _children(self, directory: Directory) -> Iterator[Directory]:
        pieces: tuple[tuple[int, int], ...] = ()
        for record in directory.records:
            identifier, flags = record.identifier, record.flags
            if identifier in (SELF, PARENT):
                continue
            pieces = (*pieces, record.place)
            if flags & MORE:
                continue
            path, folder = (*directory.path, self.tree.name(identifier)), bool(flags & FOLDER)
            date = self.dates.setdefault(record.date, record.date)
            self.tree.found.append(Found(path, identifier, folder, date, pieces, self._entries(record)))
            pieces = ()
            if folder:
                yield from self._descend(path, record, directory)
        if pieces:
            self.faults.add("records", "the last file's further extents are missing", "/".join(directory.path))

    def _descend(self, path: tuple[str, ...], record: Record, parent: Directory) -> Iterator[Directory]:
        where = "/".join(path)
        if record.extent in self.seen:
            self.faults.add("loop", f"its sector {record.extent} is another folder's too; it was not entered", where)
        elif len(path) > MAX_DEPTH:
            self.faults.add("bounds", f"folders more than {MAX_DEPTH} deep were not entered", where)
        else:
            self.seen.add(record.extent)
            yield Directory(path, record.identifier, record.extent, record.size_bytes, parent)

    def _entries(self, record: Record, skip: int | None = None) -> susp.RockRidge:
        if not self.tree.rock_ridge:
            return susp.NOTHING
        facts = susp.RockRidge()
        try:
            area = susp.entries(record.system_use, self._continuation, self.skip if skip is None else skip)
            facts = susp.rock_ridge(area)
            facts.mode = self.numbers.setdefault(facts.mode, facts.mode)
            facts.time_s = self.numbers.setdefault(facts.time_s, facts.time_s)
        except susp.BrokenEntries as error:
            self.faults.add("system-use", str(error), self.tree.name(record.identifier))
        return facts

    def _continuation(self, sector: int) -> bytes:
        self.tree.continuation_sectors.add(sector)
        return self.image.read(sector)


def read_tree(
    image: Sectors, descriptor: Descriptor, faults: Faults, visit: Visit = lambda tree, directory: None
) -> Tree:
    """A descriptor's whole tree; what cannot be read becomes a fault and the rest goes on.

    Args:
        visit: judges each directory's records, which are not kept
    """
    tree = Tree(descriptor)
    _Walk(image, tree, faults, visit).run()
    return tree

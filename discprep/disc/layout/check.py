"""What is wrong with an image: every rule of ECMA-119 that readers rely on, then each file's bytes.

Written from the standard; it shares with the writer only the byte layouts of `records` and the sort key.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from itertools import chain
from pathlib import Path
from typing import Any, NamedTuple

from discprep.disc.layout import boot
from discprep.disc.layout.digest import Digester, Span
from discprep.disc.layout.faults import Fault, Faults
from discprep.disc.layout.fields import FIRST_DESCRIPTOR, SECTOR, agree, little, sectors_of
from discprep.disc.layout.records import (
    ASSOCIATED,
    PARENT,
    SELF,
    Descriptor,
    Record,
    iso_order,
    iso_parts,
    raw_order,
    split_path_table,
)
from discprep.disc.layout.volume import (
    BLOCK_SECTORS,
    Directory,
    Found,
    ImageFile,
    Sectors,
    Tree,
    read_descriptors,
    read_tree,
)
from discprep.disc.name_rules import D_CHARACTERS
from discprep.manifest.media import FLOPPY_BYTES
from discprep.model import Progress, Silent

MAX_PATH_TABLE_BYTES = 16 << 20
JOLIET_BYTES = 128  # 64 characters (Joliet specification), the version left off
D_BYTES = "".join(sorted(D_CHARACTERS)).encode()


@dataclass(frozen=True, slots=True)
class Expected:
    """A file that must be there: its path in the primary tree (no version), first sector, size and SHA-256."""

    path: tuple[str, ...]
    extent: int
    size_bytes: int
    sha256: str


@dataclass(slots=True)
class Structure:
    """An image's structures as read."""

    descriptors: list[Descriptor]
    trees: list[Tree]
    boot_entries: list[boot.BootEntry] = field(default_factory=list)
    catalogue_sector: int | None = None

    @property
    def primary(self) -> Tree | None:
        return next((tree for tree in self.trees if tree.kind == "primary"), None)


@dataclass(frozen=True, slots=True)
class Checked:
    """The result of a check. `sha256` is the whole image's; `hashes` are those of byte spans (offset, size)."""

    faults: tuple[Fault, ...]
    structure: Structure
    sha256: str
    size_bytes: int
    hashes: dict[Span, str]


@dataclass(frozen=True, slots=True)
class Hashed:
    """The SHA-256 of a whole image and of its spans, as read back from the file."""

    whole: str
    spans: dict[Span, str]


def check_image(
    path: Path,
    expected: Sequence[Expected] | None = None,
    progress: Progress | None = None,
    key: str = "check",
    hashed: Callable[[], Hashed] | None = None,
) -> Checked:
    """Checks an image file: its structures, and with `expected` every file's place, size and bytes.

    Without `expected` (a stranger's image) all files are hashed as they are found, and bytes after the volume's end
    are no fault. Reads the image once, apart from its structures. Time and memory are bounded by its size.

    Args:
        hashed: gives what `hash_image` read for these `expected`, where it read behind the writer; asked last

    Raises:
        OSError: the image cannot be read
    """
    progress = progress or Silent()
    faults = Faults()
    with ImageFile(path) as image:
        structure = check_structure(image, faults, exact=expected is not None)
        if hashed:
            found = hashed()
        else:
            spans = _wanted_spans(structure, expected, image.size_bytes, faults)
            found = _hash_blocks(_blocks(image), spans, lambda count: progress.advance(key, count))
        if expected is not None:
            _compare(structure, expected, found.spans, faults)
        return Checked(faults.all(), structure, found.whole, image.size_bytes, found.spans)


def hash_image(
    path: Path, spans: Iterable[Span], ready: Callable[[int], None], wanted: Mapping[Span, str] | None = None
) -> Hashed:
    """Hashes an image file of its final length while it is being written.

    Args:
        spans: what is hashed one by one, such as the bytes of each file
        ready: returns once the image's bytes before an offset stand in the file
        wanted: the hashes that should come out, as far as they are known

    Raises:
        OSError: the image cannot be read
    """
    with ImageFile(path) as image:
        return _hash_blocks(_blocks(image, ready), spans, lambda count: None, wanted)


def _hash_blocks(
    blocks: Iterable[bytes], spans: Iterable[Span], told: Callable[[int], None],
    wanted: Mapping[Span, str] | None = None,
) -> Hashed:  # fmt: skip
    with Digester(spans, wanted) as digester:
        for block in blocks:
            digester.feed(block)
            told(len(block))
        return Hashed(digester.whole(), digester.hashes)


def _blocks(image: Sectors, ready: Callable[[int], None] | None = None) -> Iterator[bytes]:
    for sector in range(0, sectors_of(image.size_bytes), BLOCK_SECTORS):
        if ready:
            ready(min((sector + BLOCK_SECTORS) * SECTOR, image.size_bytes))
        if not (block := image.read(sector, BLOCK_SECTORS)):
            return
        yield block


def file_spans(found: Found) -> list[Span]:
    """A file's bytes as spans; extents that follow each other are one."""
    spans: list[Span] = []
    for sector, size_bytes in found.extents:
        if spans and sum(spans[-1]) == sector * SECTOR:
            spans[-1] = (spans[-1][0], spans[-1][1] + size_bytes)
        else:
            spans.append((sector * SECTOR, size_bytes))
    return spans


def _wanted_spans(
    structure: Structure, expected: Sequence[Expected] | None, image_bytes: int, faults: Faults
) -> set[Span]:
    if expected is not None:
        return {(file.extent * SECTOR, file.size_bytes) for file in expected}
    spans = {span for tree in structure.trees for found in tree.found if not found.folder for span in file_spans(found)}
    if sum(size for _, size in spans) > 2 * image_bytes:
        # Only a made-up image lays so many files over the same bytes.
        faults.add("bounds", "the files claim more than twice the image's bytes: they were not hashed")
        return set()
    return spans


# ------------------------------------------------------------------------------------------- structures


def check_structure(image: Sectors, faults: Faults, *, exact: bool) -> Structure:
    """Reads and checks descriptors, trees, path tables, boot catalogue and the places of everything.

    Args:
        exact: bytes after the volume's end are a fault
    """
    descriptors = read_descriptors(image, faults)
    structure = Structure(descriptors, [])
    if not descriptors or descriptors[0].kind != 1:
        faults.add("descriptors", f"sector {FIRST_DESCRIPTOR} has no primary volume descriptor")
    for descriptor in descriptors:
        if descriptor.kind in (1, 2):
            _check_descriptor(image, descriptor, faults, exact)
            tree = read_tree(image, descriptor, faults, partial(_check_directory, faults=faults))
            structure.trees.append(tree)
            _check_tree(image, tree, faults)
    _check_one_size(descriptors, faults)
    _check_boot(image, structure, faults)
    _check_places(image, structure, faults)
    return structure


_BOTH_ENDIAN = ((80, 4, "volume size"), (120, 2, "volume set size"), (124, 2, "volume number"),
                (128, 2, "block size"), (132, 4, "path table size"))  # fmt: skip


def _check_descriptor(image: Sectors, descriptor: Descriptor, faults: Faults, exact: bool) -> None:
    where = f"descriptor in sector {descriptor.sector}"
    for offset, length, name in _BOTH_ENDIAN:
        if not agree(descriptor.raw, offset, length):
            faults.add("both-endian", f"its {name} differs between the two byte orders", where)
    if little(descriptor.raw, 128, 2) != SECTOR:
        faults.add("descriptors", f"its blocks have {little(descriptor.raw, 128, 2)} bytes, expected {SECTOR}", where)
    if descriptor.raw[881] not in (1, 2):
        faults.add("descriptors", f"its file structure version is {descriptor.raw[881]}, expected 1", where)
    if descriptor.raw[156] != 34 or not descriptor.root.folder:
        faults.add("descriptors", "its root record is no folder's", where)
    if descriptor.kind == 1:
        _check_volume_size(image, descriptor, faults, exact)


def _check_volume_size(image: Sectors, descriptor: Descriptor, faults: Faults, exact: bool) -> None:
    volume_bytes = descriptor.space_sectors * SECTOR
    missing = volume_bytes - image.size_bytes
    if missing > 0:
        faults.add("volume-size", f"the image ends {sectors_of(missing)} sectors before the volume of "
                   f"{descriptor.space_sectors} sectors does")  # fmt: skip
    elif missing < 0 and exact:
        faults.add("volume-size", f"{-missing} bytes follow the end of the volume")


def _check_one_size(descriptors: Sequence[Descriptor], faults: Faults) -> None:
    """All descriptors of the volume tell one size."""
    sizes = {descriptor.space_sectors for descriptor in descriptors if descriptor.kind in (1, 2)}
    if len(sizes) > 1:
        faults.add("volume-size", f"the descriptors tell different volume sizes: {sorted(sizes)} sectors")


def _check_directory(tree: Tree, directory: Directory, faults: Faults) -> None:
    order: Callable[[bytes], Any] = raw_order if tree.kind == "joliet" else iso_order
    _check_dots(directory, faults)
    _check_order(tree, directory, order, faults)
    _check_records(tree, directory, faults)


def _check_tree(image: Sectors, tree: Tree, faults: Faults) -> None:
    _check_path_tables(image, tree, faults)
    _check_paths(tree, faults)
    if tree.rock_ridge:
        _check_rock_ridge_names(tree, faults)


def _where(directory: Directory) -> str:
    return "/".join(directory.path) or "(root)"


def _check_dots(directory: Directory, faults: Faults) -> None:
    """The first two records are the directory's own and its parent's, with their places and lengths (§6.8.2.2)."""
    parent = directory.parent or directory
    for index, (identifier, target, word) in enumerate(((SELF, directory, "."), (PARENT, parent, ".."))):
        record = directory.records[index] if index < len(directory.records) else None
        if record is None or record.identifier != identifier or not record.folder:
            faults.add("dots", f"the record {word!r} is missing", _where(directory))
        elif (record.extent, record.size_bytes) != (target.extent, target.size_bytes):
            faults.add(
                "dots",
                f"its record {word!r} says sector {record.extent} and {record.size_bytes} bytes, "
                f"expected {target.extent} and {target.size_bytes}",
                _where(directory),
            )
    if directory.size_bytes % SECTOR or not directory.size_bytes:
        faults.add("records", f"its length {directory.size_bytes} is no multiple of {SECTOR}", _where(directory))


def _check_order(tree: Tree, directory: Directory, order: Callable[[bytes], Any], faults: Faults) -> None:
    """Identifiers are unique and ascend (§9.3); a file of several extents has one record for each."""
    before: Record | None = None
    key_before: Any = None
    for record in directory.records[2:]:
        key = order(record.identifier)
        if before is None or key_before < key:
            pass  # in order, and another name: with thousands of records it counts that this is nearly all
        elif not _continues(before, record):
            if record.identifier == before.identifier and not (before.flags ^ record.flags) & ASSOCIATED:
                faults.add("duplicate", "two records have this name", _path(tree, directory, record))
            elif key < key_before:
                faults.add("order", f"it stands after {tree.name(before.identifier)!r}", _path(tree, directory, record))
        elif before.extent * SECTOR + before.size_bytes != record.extent * SECTOR:
            faults.add("duplicate", "two records have this name, and they are not one file's extents",
                       _path(tree, directory, record))  # fmt: skip
        before, key_before = record, key


def _continues(before: Record, record: Record) -> bool:
    return bool(before.flags & 0x80) and before.identifier == record.identifier


def _path(tree: Tree, directory: Directory, record: Record) -> str:
    return "/".join((*directory.path, tree.name(record.identifier)))


def _check_records(tree: Tree, directory: Directory, faults: Faults) -> None:
    for index, record in enumerate(directory.records):
        named = index > 1  # `.` and `..` have no names
        for text in record.faults():
            rule = "both-endian" if "byte orders" in text else "records"
            faults.add(rule, text, _path(tree, directory, record) if named else _where(directory))
        for text in _name_faults(record, tree.kind) if named else ():
            faults.add("names", text, _path(tree, directory, record))


def _name_faults(record: Record, kind: str) -> Iterable[str]:
    if kind == "primary":
        return identifier_faults(record.identifier, record.folder)
    if kind == "joliet" and _joliet_forbidden(record):
        return ("its Joliet name has a character that is not allowed, or more than 64",)
    return ()


def identifier_faults(identifier: bytes, folder: bool) -> Iterable[str]:
    """What a primary identifier has that ECMA-119 §7.5 and §7.6 do not allow, at any level."""
    usual = not folder and _USUAL.fullmatch(identifier)
    return () if usual else _identifier_faults(identifier, folder)


_USUAL = re.compile(rb"[A-Z0-9_]{1,15}\.[A-Z0-9_]{0,15};1")


def _identifier_faults(identifier: bytes, folder: bool) -> Iterator[str]:
    if folder:
        if identifier.translate(None, D_BYTES):
            yield "its folder name has characters other than A-Z, 0-9 and _"
        if len(identifier) > 31:
            yield f"its folder name has {len(identifier)} characters, at most 31 are allowed"
        return
    stem, extension, version = iso_parts(identifier)
    if (stem + extension).translate(None, D_BYTES):
        yield "its file name has characters other than A-Z, 0-9 and _"
    if not stem and not extension:
        yield "its file name is empty"
    if b"." not in identifier or not 1 <= version <= 32767:
        yield "its file name lacks the dot or a version of 1 to 32767"
    if len(stem) + len(extension) > 30:
        yield f"its file name has {len(stem) + len(extension)} characters, at most 30 are allowed"


_JOLIET_FORBIDDEN = re.compile(r"[*/:;?\\\x00-\x1f]")


def _joliet_forbidden(record: Record) -> bool:
    bare = record.identifier.removesuffix(b"\0;\0001")
    return len(bare) > JOLIET_BYTES or _JOLIET_FORBIDDEN.search(bare.decode("utf-16-be", "replace")) is not None


def _check_paths(tree: Tree, faults: Faults) -> None:
    """Eight levels, and the sums of path lengths (§6.8.2.1; Joliet: 240)."""
    sums: dict[tuple[str, ...], int] = {(): 0}
    most = 240 if tree.kind == "joliet" else 255
    for found in tree.found:
        length = sums.get(found.path[:-1], 0) + len(found.identifier)
        sums[found.path] = length + 1
        if length > most and tree.kind != "enhanced":
            faults.add("path", f"its path has a length of {length}, at most {most} is allowed", "/".join(found.path))
        if found.folder and len(found.path) > 7 and tree.kind == "primary":
            faults.add("depth", f"it lies at level {len(found.path) + 1}, at most 8 are allowed", "/".join(found.path))


def _check_rock_ridge_names(tree: Tree, faults: Faults) -> None:
    seen: set[tuple[tuple[str, ...], bytes]] = set()
    for found in tree.found:
        name = found.rock_ridge.name
        if name is None:
            faults.add("rock-ridge", "it has no Rock Ridge name", "/".join(found.path))
        elif (found.path[:-1], name) in seen:
            faults.add("rock-ridge", f"two entries have the Rock Ridge name {name!r}", "/".join(found.path))
        else:
            seen.add((found.path[:-1], name))


# -------------------------------------------------------------------------------------------- path tables


def _check_path_tables(image: Sectors, tree: Tree, faults: Faults) -> None:
    """Both tables list every folder by level, parent and name, and say the same (§6.9, §9.4)."""
    where = f"path tables of the {tree.kind} tree"
    size_bytes = tree.descriptor.path_table_bytes
    if size_bytes > MAX_PATH_TABLE_BYTES:
        faults.add("path-table", f"they claim {size_bytes} bytes and were not read", where)
        return
    wanted = _path_table(tree)
    for sector, byte_order in zip(tree.descriptor.path_tables, ("little", "big"), strict=True):
        data = image.read(sector, sectors_of(size_bytes))[:size_bytes]
        table = split_path_table(data, byte_order)
        if table is None or len(data) < size_bytes:
            faults.add("path-table", f"the {byte_order}-endian table cannot be read", where)
        elif [(r.identifier, r.extent, r.parent) for r in table] != wanted:
            faults.add("path-table", f"the {byte_order}-endian table does not list the folders as they are", where)


def _path_table(tree: Tree) -> list[tuple[bytes, int, int]]:
    """The records a tree's path tables must have, in their order."""
    pad = b"\0" if tree.kind == "joliet" else b" "
    levels: dict[int, list[Directory]] = {}
    for directory in tree.directories:
        levels.setdefault(len(directory.path), []).append(directory)
    number, result = 0, []
    for level in sorted(levels):
        for directory in sorted(levels[level], key=lambda d: (_parent(d), d.identifier.ljust(255, pad))):
            number += 1
            directory.number = number
            result.append((directory.identifier, directory.extent, _parent(directory)))
    return result


def _parent(directory: Directory) -> int:
    return directory.parent.number if directory.parent else 1


# ---------------------------------------------------------------------------------------------- booting


def _check_boot(image: Sectors, structure: Structure, faults: Faults) -> None:
    record = next((d for d in structure.descriptors if d.kind == 0 and d.raw[7:30] == boot.SYSTEM), None)
    if record is None:
        return
    if record.sector != boot.BOOT_SECTOR:
        faults.add("boot", f"the boot record is in sector {record.sector}, firmware looks in {boot.BOOT_SECTOR}")
    structure.catalogue_sector = little(record.raw, 71, 4)
    data = image.read(structure.catalogue_sector)
    if len(data) < SECTOR:
        faults.add("boot", f"the boot catalogue's sector {structure.catalogue_sector} lies outside the image")
        return
    structure.boot_entries, problems = boot.read_catalogue(data)
    for problem in problems:
        faults.add("boot", problem)
    for entry in structure.boot_entries:
        size_bytes = FLOPPY_BYTES.get(entry.media, entry.load_sectors * 512)
        if entry.extent * SECTOR + size_bytes > image.size_bytes:
            faults.add("boot", f"the boot image at sector {entry.extent} passes the end of the image")


# ---------------------------------------------------------------------------------------------- places


class _Place(NamedTuple):
    """A run of sectors and what lies there; runs of one `sharing` kind may be the very same."""

    first: int
    end: int
    kind: str
    path: tuple[str, ...]  # in one tree; joined only for those with a fault

    def __str__(self) -> str:
        return f"its sectors {self.first} to {self.end - 1}"


def _check_places(image: Sectors, structure: Structure, faults: Faults) -> None:
    """Everything lies inside the volume, and nothing on anything else; whole files may share their sectors."""
    limit = min((d.space_sectors for d in structure.descriptors if d.kind == 1), default=image.size_bytes // SECTOR)
    places = sorted((*set(_places(structure)), *_file_places(structure)))
    reach: _Place | None = None
    for place in places:
        if place.end > limit:
            faults.add("range", f"{place} pass the volume's end at {limit}", "/".join(place.path))
        if reach and place.first < reach.end and not _shared(reach, place):
            faults.add("overlap", f"{place} overlap {'/'.join(reach.path)}", "/".join(place.path))
        if reach is None or place.end > reach.end:
            reach = place


def _shared(one: _Place, other: _Place) -> bool:
    same = (one.first, one.end) == (other.first, other.end)
    return same and one.kind == other.kind and one.kind in ("file", "continuation", "path table")


def _places(structure: Structure) -> Iterator[_Place]:
    last = max((d.sector for d in structure.descriptors), default=FIRST_DESCRIPTOR) + 1
    yield _Place(0, last + 1, "descriptors", ("(volume descriptors)",))
    for tree in structure.trees:
        sectors = sectors_of(tree.descriptor.path_table_bytes)
        for first in tree.descriptor.path_tables:
            yield _Place(first, first + sectors, "path table", (f"(path table of the {tree.kind} tree)",))
        for sector in tree.continuation_sectors:
            yield _Place(sector, sector + 1, "continuation", ("(Rock Ridge continuation)",))
        if tree.kind != "enhanced":
            # An enhanced tree is the primary one seen through another descriptor.
            for directory in tree.directories:
                first = directory.extent
                yield _Place(first, first + sectors_of(directory.size_bytes), "folder", directory.path or ("(root)",))


def _file_places(structure: Structure) -> Iterator[_Place]:
    """Once where several files, or one in several trees, have the very same place: they may."""
    found: dict[tuple[int, int], tuple[str, ...]] = {}
    for entry in chain.from_iterable(tree.found for tree in structure.trees):
        if not entry.folder and not entry.rock_ridge.child:
            for extent in entry.extents:
                found.setdefault(extent, entry.path)
    for (sector, size_bytes), path in found.items():
        if size_bytes:
            yield _Place(sector, sector + sectors_of(size_bytes), "file", path)


# ------------------------------------------------------------------------------------------- the files


def _compare(structure: Structure, expected: Sequence[Expected], hashes: dict[Span, str], faults: Faults) -> None:
    """Every expected file stands in the primary tree with its place, size and bytes, and no other file does."""
    primary = structure.primary
    found = {entry.path: entry for entry in primary.found if not entry.folder} if primary else {}
    for file in expected:
        entry, where = found.pop(file.path, None), "/".join(file.path)
        if entry is None:
            faults.add("missing", "this file is not on the disc", where)
            continue
        if entry.size_bytes != file.size_bytes or (file.size_bytes and entry.extents[0][0] != file.extent):
            faults.add("place", f"it has {entry.size_bytes} bytes at sector {entry.extents[0][0]}, expected "
                       f"{file.size_bytes} at {file.extent}", where)  # fmt: skip
        if file.size_bytes and hashes.get((file.extent * SECTOR, file.size_bytes)) != file.sha256:
            faults.add("bytes", "its bytes are not the ones that were written", where)
    for path, entry in found.items():
        if entry.extents[0][0] != structure.catalogue_sector:
            faults.add("missing", "this file is on the disc, but not in its record", "/".join(path))
    _compare_trees(structure, faults)


def _compare_trees(structure: Structure, faults: Faults) -> None:
    """The other trees show the same files: as many, of the same places and sizes."""
    primary = structure.primary
    for tree in structure.trees:
        if primary and tree is not primary and _shown(tree) != _shown(primary):
            faults.add("trees", f"the {tree.kind} tree does not show the same files as the primary one")


def _shown(tree: Tree) -> list[tuple[tuple[int, int], ...]]:
    return sorted(entry.extents for entry in tree.found if not entry.folder)

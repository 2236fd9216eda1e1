"""Where everything on a disc will lie: exactly, before a byte is written; and bounds that add up item by item. Pure.

    sectors = 16 + descriptors + 1 + path tables + directories + [Rock Ridge 1] + [boot catalogue 1] + data + padding

The sector after the descriptors is left empty, as writers do that put their own mark there; a path table of `n` bytes
has 2 * ceil(n / 4096) sectors in each byte order. Directory records fill sectors in the standard's order and none
crosses a sector (ECMA-119 §6.8.1.1, §9.3).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from discprep.disc.layout import susp
from discprep.disc.layout.fields import FIRST_DESCRIPTOR, SECTOR, sectors_of
from discprep.disc.layout.options import MIN_TRACK_SECTORS, ImageOptions
from discprep.disc.layout.records import (
    EXTENT_LIMIT,
    SELF,
    iso_order,
    path_record_bytes,
    raw_order,
    record_bytes,
)
from discprep.errors import CapacityError, DiscprepError, NameRuleError, raise_all
from discprep.model import Content, Named, Placed

Path = tuple[str, ...]
CATALOGUE = "BOOT.CAT"
MAX_FOLDERS = 65_535  # a path table numbers parents with 16 bits (ECMA-119 §9.4)


@dataclass(frozen=True, slots=True)
class Node:
    """One file or folder of the image, in every tree. `named` is None for what the layout itself adds."""

    iso: Path
    joliet: Path
    rock_ridge: Path
    content: Content | None = None
    time_s: int | None = None
    named: Named | None = None
    second: bool = False
    catalogue: bool = False

    @property
    def folder(self) -> bool:
        return self.content is None and not self.catalogue

    @property
    def size_bytes(self) -> int:
        return SECTOR if self.catalogue else self.content.size_bytes if self.content else 0

    @property
    def link(self) -> str:
        """A symbolic link's text; "" of anything else."""
        return self.named.link if self.named and not self.second else ""

    def path(self, joliet: bool) -> Path:
        return self.joliet if joliet else self.iso

    def identifier(self, joliet: bool) -> bytes:
        """As it stands in a directory record."""
        if joliet:
            return self.joliet[-1].encode("utf-16-be")
        return (self.iso[-1] if self.folder else self.iso[-1] + ";1").encode("ascii")


@dataclass(frozen=True, slots=True)
class Folder:
    """One directory of one tree. `parent` is its parent's number in the path tables, from 1; the root's is its own."""

    path: Path
    identifier: bytes
    parent: int
    sector: int
    sectors: int
    children: tuple[Node, ...]  # in the order of their records


@dataclass(frozen=True, slots=True)
class Tree:
    """One descriptor's tree: its folders in the order of the path tables, and these tables' first sectors."""

    joliet: bool
    folders: tuple[Folder, ...]
    little_table: int
    big_table: int
    table_bytes: int


@dataclass(frozen=True, slots=True)
class Chunk:
    """Bytes to write at a sector, and the first file that has them."""

    extent: int
    content: Content
    named: Named


@dataclass(frozen=True, slots=True)
class Layout:
    """The whole image before it is written. `data_sector` is the first after the structures."""

    nodes: tuple[Node, ...]
    trees: tuple[Tree, ...]  # the primary one, then Joliet's
    data_sector: int
    chunks: tuple[Chunk, ...]  # in the order of their extents
    extents: dict[Path, int]  # first sector of each file that has bytes, by `iso` path
    sectors: int
    placed: tuple[Placed, ...]
    areas: dict[Path, tuple[int, bytes]]  # where a link's record goes on [B], and with what
    headers: tuple[tuple[int, bytes], ...] = ()  # of a tar archive: what stands where [B] besides the files' bytes


# --------------------------------------------------------------------------------------------- the nodes


def disc_nodes(named: Sequence[Named], options: ImageOptions) -> tuple[Node, ...]:
    """Every file and folder of the image: the named ones, folders on the way, second copies, the boot catalogue."""
    nodes: dict[Path, Node] = {}
    for entry in named:
        for depth in range(len(entry.iso) - 1, 0, -1):
            if entry.iso[:depth] in nodes:
                break
            nodes[entry.iso[:depth]] = Node(entry.iso[:depth], entry.joliet[:depth], entry.rock_ridge[:depth])
    errors: list[DiscprepError] = []
    for entry in named:
        if entry.iso in nodes and (nodes[entry.iso].named or entry.staged.content):
            errors.append(_twice(entry))
            continue
        trees = (entry.iso, entry.joliet, entry.rock_ridge)
        nodes[entry.iso] = Node(*trees, entry.staged.content, entry.staged.time_s, entry)
    raise_all(errors)
    for node in [*_second_nodes(named, options), *_catalogue_node(nodes, options)]:
        nodes.setdefault(node.iso, node)
    return tuple(nodes.values())


def _twice(entry: Named) -> NameRuleError:
    return NameRuleError(
        f"two files have the name {'/'.join(entry.iso)} on the disc",
        where="/".join(entry.staged.name),
        item=entry.staged.item,
        hint="Give one of them another name with `rename`.",
    )


def _in_all_trees(path: Path, options: ImageOptions) -> tuple[Path, Path, Path]:
    bare = tuple(part.removesuffix(".") for part in path)
    return path, bare if options.joliet else (), bare if options.rock_ridge else ()


def _second_nodes(named: Sequence[Named], options: ImageOptions) -> Iterator[Node]:
    for entry in named:
        if entry.second:
            yield Node(*_in_all_trees(entry.second[:1], options))
            trees = _in_all_trees(entry.second, options)
            yield Node(*trees, entry.staged.content, entry.staged.time_s, entry, second=True)


def _catalogue_node(nodes: dict[Path, Node], options: ImageOptions) -> Iterator[Node]:
    if options.boot:
        trees = (tree for node in nodes.values() for tree in (node.iso, node.joliet, node.rock_ridge))
        used = {tree[0].casefold() for tree in trees if tree}
        candidates = [CATALOGUE, *(f"BOOT{n}.CAT" for n in range(1, len(used) + 2))]
        name = next(name for name in candidates if name.casefold() not in used)
        yield Node(*_in_all_trees((name,), options), catalogue=True)


# ------------------------------------------------------------------------------------- directory sizes


def _pieces(size_bytes: int) -> int:
    """Directory records a file takes: one for each extent."""
    return max(1, -(-size_bytes // EXTENT_LIMIT))


def inner_entries(node: Node, options: ImageOptions) -> bytes:
    """Rock Ridge's name of a file or folder, and a link's text."""
    name = susp.name_entry(node.rock_ridge[-1].encode(options.charset))
    return name + susp.link_entries(node.link.encode(options.charset)) if node.link else name


def _iso_record_bytes(node: Node, options: ImageOptions, whole: bool = False) -> int:
    """Of a node's record in the primary tree; `whole`: as if nothing went on elsewhere."""
    extra = 0
    if options.rock_ridge:
        elsewhere = not whole and _goes_on(node, options)
        inner = susp.CE_BYTES if elsewhere else len(inner_entries(node, options))
        extra = susp.PLAIN_BYTES + inner
    return record_bytes(len(node.iso[-1]) + (0 if node.folder else 2), extra)


def _goes_on(node: Node, options: ImageOptions) -> bool:
    """Whether a link's record would be longer than any other's: its entries stand in a continuation area then."""
    return bool(node.link) and _iso_record_bytes(node, options, whole=True) > _longest_iso_record(options)


def _areas(nodes: Iterable[Node], options: ImageOptions, sector: int) -> dict[Path, tuple[int, bytes]]:
    """The continuation areas from a sector on, none crossing a sector (SUSP §5.1)."""
    areas, at = {}, sector * SECTOR
    for node in nodes if options.rock_ridge else ():
        if _goes_on(node, options):
            area = inner_entries(node, options)
            at += -at % SECTOR if -at % SECTOR < len(area) else 0
            areas[node.iso] = at, area
            at += len(area)
    return areas


def _area_sectors(areas: Mapping[Path, tuple[int, bytes]], sector: int) -> int:
    return max((sectors_of(at + len(area)) for at, area in areas.values()), default=sector) - sector


def dot_bytes(options: ImageOptions, joliet: bool, root: bool) -> tuple[int, int]:
    """Lengths of a directory's records for itself and its parent."""
    if joliet or not options.rock_ridge:
        return 34, 34
    first = susp.PLAIN_BYTES + (susp.SP_BYTES + susp.CE_BYTES if root else 0)
    return record_bytes(1, first), record_bytes(1, susp.PLAIN_BYTES)


def packed_sectors(lengths: Iterable[int]) -> int:
    """Sectors that records of these lengths take in this order, none crossing a sector.

    >>> packed_sectors([34, 34] + [46] * 10_000)
    228
    """
    sectors, used = 1, 0
    for length in lengths:
        if used + length > SECTOR:
            sectors, used = sectors + 1, 0
        used += length
    return sectors


def _folders(nodes: Iterable[Node], joliet: bool) -> dict[Path, list[Node]]:
    """Children of each folder of one tree, the root and empty folders included."""
    folders: dict[Path, list[Node]] = {(): []}
    for node in nodes:
        path = node.joliet if joliet else node.iso
        folders.setdefault(path[:-1], []).append(node)
        if node.folder:
            folders.setdefault(path, [])
    return folders


def _lengths(children: Iterable[Node], joliet: bool, options: ImageOptions) -> Iterator[int]:
    for node in children:
        length = record_bytes(2 * len(node.joliet[-1])) if joliet else _iso_record_bytes(node, options)
        for _ in range(_pieces(node.size_bytes)):
            yield length


def _table_sectors(table_bytes: int) -> int:
    """Sectors of one path table in one byte order."""
    return 2 * -(-table_bytes // 4096)


def _all_path_table_sectors(nodes: Sequence[Node], options: ImageOptions) -> int:
    folders = [node for node in nodes if node.folder]
    return sum(2 * _table_sectors(_table_bytes(folders, joliet)) for joliet in options.trees)


def _table_bytes(folders: Iterable[Node], joliet: bool) -> int:
    """Length of one tree's path table, the root's record included."""
    return path_record_bytes(1) + sum(path_record_bytes(len(node.identifier(joliet))) for node in folders)


def _descriptor_sectors(options: ImageOptions) -> int:
    """The descriptors, their terminator and the empty sector after them."""
    return 1 + (options.boot is not None) + options.joliet + 1 + 1


def _fixed_sectors(options: ImageOptions) -> int:
    """Sectors before the path tables, Rock Ridge's own and the catalogue's."""
    return FIRST_DESCRIPTOR + _descriptor_sectors(options) + options.rock_ridge + (options.boot is not None)


# --------------------------------------------------------------------------------------------- the trees


def _lay_out_trees(nodes: Sequence[Node], options: ImageOptions) -> tuple[tuple[Tree, ...], int]:
    """All path tables, then all directories, tree by tree; and the first sector after them."""
    table = FIRST_DESCRIPTOR + _descriptor_sectors(options)
    sector = table + _all_path_table_sectors(nodes, options)
    trees = []
    for joliet in options.trees:
        folders = _lay_out_folders(nodes, joliet, sector, options)
        sector = folders[-1].sector + folders[-1].sectors
        table_bytes = sum(path_record_bytes(len(folder.identifier)) for folder in folders)
        second = table + _table_sectors(table_bytes)
        trees.append(Tree(joliet, folders, table, second, table_bytes))
        table = second + _table_sectors(table_bytes)
    return tuple(trees), sector


def _lay_out_folders(nodes: Sequence[Node], joliet: bool, sector: int, options: ImageOptions) -> tuple[Folder, ...]:
    """The folders of one tree by level, parent and identifier (§6.9.1), one behind the other from `sector` on."""
    inside = _folders(nodes, joliet)
    order: Callable[[bytes], Any] = raw_order if joliet else iso_order
    waiting: list[tuple[Path, bytes, int]] = [((), SELF, 1)]
    folders: list[Folder] = []
    for path, identifier, parent in waiting:  # grows while it is read
        children = sorted(inside[path], key=lambda node: order(node.identifier(joliet)))
        sectors = packed_sectors((*dot_bytes(options, joliet, not path), *_lengths(children, joliet, options)))
        folders.append(Folder(path, identifier, parent, sector, sectors, tuple(children)))
        sector += sectors
        waiting += [(node.path(joliet), node.identifier(joliet), len(folders)) for node in children if node.folder]
    if len(folders) > MAX_FOLDERS:
        raise CapacityError(
            f"the disc would have {len(folders)} folders, its path tables can number {MAX_FOLDERS}",
            hint="Keep items with many folders packed.",
        )
    return tuple(folders)


# ------------------------------------------------------------------------------------------- the layout


def lay_out(named: Sequence[Named], options: ImageOptions) -> Layout:
    """Places every byte: equal content once, in the order of `named`; second copies after everything else.

    Raises:
        NameRuleError: two files of one name
        CapacityError: a file too large for one extent at levels 1 and 2, too many sectors or folders for their numbers
    """
    _check_sizes(named, options)
    nodes = disc_nodes(named, options)
    trees, end = _lay_out_trees(nodes, options)
    areas = _areas(nodes, options, end)
    data_sector = end + _area_sectors(areas, end) + options.rock_ridge + (options.boot is not None)
    chunks, first = _place(named, data_sector)
    end = max(_end(chunks, data_sector), options.second_from_sector if any(n.second for n in named) else 0)
    copies, second = _place([n for n in named if n.second], end)
    chunks += copies
    end = _end(chunks, data_sector)
    sectors = max(end + options.pad_sectors, MIN_TRACK_SECTORS) if options.pad_sectors else end
    if sectors >= 2**32:
        raise CapacityError("the image would have more sectors than their numbers can count", hint="Burn fewer items.")
    extents = {}
    for node in nodes:
        if node.content and node.content.size_bytes:
            extents[node.iso] = (second if node.second else first)[_key(node.content)]
    placed = tuple(_placed(entry, first, second) for entry in named)
    return Layout(nodes, trees, data_sector, tuple(chunks), extents, sectors, placed, areas)


def _key(content: Content) -> tuple[str, int]:
    return content.sha256, content.size_bytes


def _place(named: Iterable[Named], start: int) -> tuple[list[Chunk], dict[tuple[str, int], int]]:
    chunks: list[Chunk] = []
    extents: dict[tuple[str, int], int] = {}
    at = start
    for entry in named:
        content = entry.staged.content
        if content and content.size_bytes and _key(content) not in extents:
            extents[_key(content)] = at
            chunks.append(Chunk(at, content, entry))
            at += sectors_of(content.size_bytes)
    return chunks, extents


def _end(chunks: Sequence[Chunk], start: int) -> int:
    return chunks[-1].extent + sectors_of(chunks[-1].content.size_bytes) if chunks else start


def _placed(entry: Named, first: dict[tuple[str, int], int], second: dict[tuple[str, int], int]) -> Placed:
    content = entry.staged.content
    if content is None or not content.size_bytes:
        return Placed(entry, 0, 0)
    copy = second[_key(content)] if entry.second else None
    return Placed(entry, first[_key(content)], sectors_of(content.size_bytes), copy)


def _check_sizes(named: Sequence[Named], options: ImageOptions) -> None:
    raise_all(
        [
            CapacityError(
                f"it has {entry.staged.content.size_bytes} bytes; at level {options.level} a file has one extent of at "
                f"most {EXTENT_LIMIT}",
                where="/".join(entry.staged.name),
                item=entry.staged.item,
                hint='If the machine reads it, set name_rules to "iso-level-3"; else keep the file off the disc.',
            )
            for entry in named
            if entry.staged.content and entry.staged.content.size_bytes > EXTENT_LIMIT and options.level < 3
        ]
    )


def image_sectors(named: Sequence[Named], options: ImageOptions) -> int:
    """Sectors of the whole image, padding included: exactly what `image.write_image` writes. Raises as `lay_out`."""
    return lay_out(named, options).sectors


# ------------------------------------------------------------------------------------ bounds for the plan


def item_sectors(named: Sequence[Named], options: ImageOptions) -> int:
    """Sectors one item adds at most: its distinct bytes and all its folders below the root, laid out alone.

    For any set of items: image_sectors(of them and the tool's files) <= constant_sectors(everything, options) +
    the sum of their item_sectors. Path tables, the root and the tool's files are in the constant.
    """
    nodes = disc_nodes(named, options)
    return _data_sectors(named) + _folder_bounds(nodes, options) + _area_sectors(_areas(nodes, options, 0), 0)


def constant_sectors(everything: Sequence[Named], options: ImageOptions) -> int:
    """Sectors that stand whatever is burned, as if everything were: descriptors, path tables, the root with all
    its entries, the tool's own files (those of no item) with their folders, padding. Second copies are not in it.

    Args:
        everything: the names of all items in every form that may be burned, and of the tool's own files
    """
    nodes = disc_nodes(everything, options)
    own = [entry for entry in everything if not entry.staged.item]
    root = [node for node in nodes if len(node.iso) == 1]
    total = _fixed_sectors(options) + _all_path_table_sectors(nodes, options) + options.pad_sectors
    total += _folder_bounds(root, options, with_root=True) + _data_sectors(own)
    total += _folder_bounds(disc_nodes(own, options), options)
    return max(total, MIN_TRACK_SECTORS)


def _data_sectors(named: Iterable[Named]) -> int:
    contents = {_key(n.staged.content): n.staged.content.size_bytes for n in named if n.staged.content}
    return sum(map(sectors_of, contents.values()))


def _folder_bounds(nodes: Sequence[Node], options: ImageOptions, with_root: bool = False) -> int:
    """Sectors of the folders below the root, or of the root alone, in whatever order their records come."""
    total = 0
    for joliet in options.trees:
        longest = record_bytes(128) if joliet else _longest_iso_record(options)
        for path, children in _folders(nodes, joliet).items():
            if with_root == (not path):
                size_bytes = sum(dot_bytes(options, joliet, not path)) + sum(_lengths(children, joliet, options))
                total += _most_sectors(size_bytes, longest)
    return total


def _longest_iso_record(options: ImageOptions) -> int:
    extra = susp.NM_BYTES + 100 + susp.PLAIN_BYTES if options.rock_ridge else 0
    return record_bytes(14 if options.level == 1 else 33, extra)


def _most_sectors(size_bytes: int, longest: int) -> int:
    """Most sectors that records of so many bytes in all can take: every sector but the last holds more than
    2048 - longest bytes, and lengths are even. For two such sums a and b: most(a + b) <= most(a) + most(b).
    """
    return 1 + (size_bytes - 1) // (SECTOR - longest + 2)

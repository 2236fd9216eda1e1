"""The bytes of an image before those of its files: system area, descriptors, path tables, directories, boot catalogue.

Written from ECMA-119, the Joliet specification, Rock Ridge 1.09 and El Torito, at the places that `sizes` laid out.
Pure.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Literal

from discprep.disc.layout import boot, susp
from discprep.disc.layout.fields import (
    FIRST_DESCRIPTOR,
    IDENTIFIER,
    SECTOR,
    both16,
    both32,
    long_date,
    short_date,
)
from discprep.disc.layout.options import BootImage, ImageOptions
from discprep.disc.layout.records import EXTENT_LIMIT, FOLDER, JOLIET_ESCAPES, MORE, PARENT, SELF
from discprep.disc.layout.sizes import Folder, Layout, Node, Path, Tree, inner_entries
from discprep.errors import DiscError

MAX_RECORD_BYTES = 254  # one byte tells a record's length, which is even (§9.1.1)
OUR_FAULT = "This is a fault of discprep: please report it."
FIRST_VOLUME = both16(1)
FOLDER_MODE, FILE_MODE = 0o040555, 0o100444  # all may read, nobody may write


def head_bytes(layout: Layout, options: ImageOptions) -> bytes:
    """The image's bytes before `layout.data_sector`.

    Raises:
        DiscError: they do not fit the places that were laid out for them
    """
    head = bytearray(layout.data_sector * SECTOR)
    for sector, room, data in _pieces(layout, options):
        if len(data) > room * SECTOR:
            raise DiscError(f"{len(data)} bytes do not fit the {room} sectors from {sector} on", hint=OUR_FAULT)
        head[sector * SECTOR : sector * SECTOR + len(data)] = data
    for at, area in layout.areas.values():
        head[at : at + len(area)] = area
    if len(head) != layout.data_sector * SECTOR:
        end = len(head) // SECTOR
        raise DiscError(f"the structures end at sector {end}, expected sector {layout.data_sector}", hint=OUR_FAULT)
    return bytes(head)


def _pieces(layout: Layout, options: ImageOptions) -> Iterator[tuple[int, int, bytes]]:
    """Sector, sectors of room, bytes."""
    yield 0, FIRST_DESCRIPTOR, options.system_area
    for sector, descriptor in enumerate(_descriptors(layout, options), FIRST_DESCRIPTOR):
        yield sector, 1, descriptor
    for tree in layout.trees:
        room = tree.big_table - tree.little_table
        yield tree.little_table, room, _path_table(tree, "little")
        yield tree.big_table, room, _path_table(tree, "big")
        for folder, data in _Directories(tree, layout, options).all():
            yield folder.sector, folder.sectors, data
    if options.rock_ridge:
        yield layout.data_sector - 1 - bool(options.boot), 1, susp.RRIP_1991A
    if options.boot:
        yield layout.data_sector - 1, 1, _catalogue(layout, options.boot)


# ------------------------------------------------------------------------------------------- descriptors


def _descriptors(layout: Layout, options: ImageOptions) -> Iterator[bytes]:
    primary, *joliet = layout.trees
    yield _volume_descriptor(primary, layout, options)
    if options.boot:
        yield boot.boot_record(layout.data_sector - 1)
    for tree in joliet:
        yield _volume_descriptor(tree, layout, options)
    yield b"\xff" + IDENTIFIER + b"\1"


def _volume_descriptor(tree: Tree, layout: Layout, options: ImageOptions) -> bytes:
    """A primary volume descriptor (§8.4), or Joliet's."""
    root = tree.folders[0]
    made, never = long_date(options.epoch_s), long_date(None)

    def text(value: str, length: int) -> bytes:
        data = value.encode("utf-16-be" if tree.joliet else "ascii")
        if len(data) > length:
            raise DiscError(f"{value!r} has {len(data)} bytes, its field in the descriptor has {length}")
        return (data + (b"\0 " if tree.joliet else b" ") * length)[:length]

    return b"".join([
        b"\2" if tree.joliet else b"\1", IDENTIFIER, b"\1\0",
        text("", 32), text(options.volume, 32), bytes(8), both32(layout.sectors),
        (JOLIET_ESCAPES[2] if tree.joliet else b"").ljust(32, b"\0"),
        FIRST_VOLUME, FIRST_VOLUME, both16(SECTOR), both32(tree.table_bytes),
        tree.little_table.to_bytes(4, "little"), bytes(4), tree.big_table.to_bytes(4, "big"), bytes(4),
        _record(SELF, root.sector, root.sectors * SECTOR, short_date(options.epoch_s), FOLDER),
        text("", 128), text(options.publisher, 128), text(options.preparer, 128), text(options.application, 128),
        text("", 37), text("", 37), text("", 37),
        # Created, modified, expires, effective: a date of expiry or effect would hide the volume from a careful system.
        made, made, never, never,
        b"\1\0", b" " * 512,
    ])  # fmt: skip


def _path_table(tree: Tree, order: Literal["little", "big"]) -> bytes:
    """All folders of a tree (§9.4), an identifier of odd length padded."""
    return b"".join(
        bytes((len(folder.identifier), 0))
        + folder.sector.to_bytes(4, order)
        + folder.parent.to_bytes(2, order)
        + folder.identifier
        + bytes(len(folder.identifier) % 2)
        for folder in tree.folders
    )


def _catalogue(layout: Layout, image: BootImage) -> bytes:
    entry = boot.BootEntry(True, image.media, image.load_segment, image.loaded_sectors, layout.extents[image.path])
    return boot.validation_entry() + boot.initial_entry(entry)


# ------------------------------------------------------------------------------------------- directories


def _record(identifier: bytes, sector: int, size_bytes: int, date: bytes, flags: int, system_use: bytes = b"") -> bytes:
    """One directory record (§9.1)."""
    body = b"".join((
        b"\0", both32(sector), both32(size_bytes), date, bytes((flags, 0, 0)), FIRST_VOLUME,
        bytes((len(identifier),)), identifier, bytes(1 - len(identifier) % 2), system_use,
    ))  # fmt: skip
    length = len(body) + 2 - len(body) % 2
    if length > MAX_RECORD_BYTES:
        raise DiscError(f"the directory record of {identifier!r} has {length} bytes, at most {MAX_RECORD_BYTES} fit")
    return (bytes((length,)) + body).ljust(length, b"\0")


def _packed(records: Iterable[bytes]) -> bytes:
    """A directory's records, none crossing a sector (§6.8.1.1), the rest of each sector zero."""
    data = bytearray()
    for record in records:
        room = -len(data) % SECTOR
        if len(record) > room:
            data += bytes(room)
        data += record
    return bytes(data)


@dataclass(slots=True)
class _Directories:
    """Writes the directories of one tree."""

    tree: Tree
    layout: Layout
    options: ImageOptions

    def all(self) -> Iterator[tuple[Folder, bytes]]:
        folders = {folder.path: folder for folder in self.tree.folders}
        for folder in self.tree.folders:
            yield folder, _packed(self._records(folder, folders))

    def _records(self, folder: Folder, folders: dict[Path, Folder]) -> Iterator[bytes]:
        yield self._folder_record(SELF, folder)
        yield self._folder_record(PARENT, self.tree.folders[folder.parent - 1])
        for node in folder.children:
            if node.folder:
                yield self._folder_record(node.identifier(self.tree.joliet), folders[node.path(self.tree.joliet)], node)
            else:
                yield from self._file_records(node)

    def _folder_record(self, identifier: bytes, folder: Folder, node: Node | None = None) -> bytes:
        """Its own record (no node), its parent's `..`, or the one in its parent."""
        date = short_date(self.options.epoch_s)
        extra = b""
        if self._rock_ridge:
            links = 2 + sum(child.folder for child in folder.children)
            inner = inner_entries(node, self.options) if node else b""
            extra = susp.plain_entries(FOLDER_MODE, links, date, inner, named=bool(node))
            if identifier == SELF and not folder.path:
                area = self.layout.data_sector - 1 - bool(self.options.boot)
                extra = susp.SHARING + extra + susp.continued(area, len(susp.RRIP_1991A))
        return _record(identifier, folder.sector, folder.sectors * SECTOR, date, FOLDER, extra)

    def _file_records(self, node: Node) -> Iterator[bytes]:
        """One for each extent; all but the last say that more follow (§9.1.6)."""
        identifier, date = node.identifier(self.tree.joliet), short_date(self._time(node))
        sector = self.layout.data_sector - 1 if node.catalogue else self.layout.extents.get(node.iso, 0)
        extra = self._file_entries(node, date) if self._rock_ridge else b""
        left = node.size_bytes
        while left > EXTENT_LIMIT:
            yield _record(identifier, sector, EXTENT_LIMIT, date, MORE, extra)
            sector, left = sector + EXTENT_LIMIT // SECTOR, left - EXTENT_LIMIT
        yield _record(identifier, sector, left, date, 0, extra)

    @property
    def _rock_ridge(self) -> bool:
        return self.options.rock_ridge and not self.tree.joliet

    def _file_entries(self, node: Node, date: bytes) -> bytes:
        mode = susp.LINK_MODE | 0o777 if node.link else FILE_MODE
        if node.iso not in self.layout.areas:
            return susp.plain_entries(mode, 1, date, inner_entries(node, self.options))
        at, area = self.layout.areas[node.iso]
        return susp.plain_entries(mode, 1, date) + susp.continued(at // SECTOR, len(area), at % SECTOR)

    def _time(self, node: Node) -> int:
        """A file's own time, never later than the volume's; the volume's for all else."""
        if node.content is None or node.time_s is None:
            return self.options.epoch_s
        return min(node.time_s, self.options.epoch_s)

"""Finishes the structures that the library wrote: own extents, dates, `..` lengths, the standard's record order,
names in the machine's charset, boot catalogue, system area, volume size. Works on the bytes before the file data. Pure.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from discprep.disc.layout import boot, susp
from discprep.disc.layout.fields import FIRST_DESCRIPTOR, SECTOR, both32, little, long_date, short_date
from discprep.disc.layout.options import ImageOptions
from discprep.disc.layout.records import (
    FOLDER,
    PARENT,
    SELF,
    Descriptor,
    Record,
    iso_order,
    raw_order,
    split_directory,
)
from discprep.disc.layout.sizes import Layout, Node, Path
from discprep.errors import DiscError


@dataclass(frozen=True, slots=True)
class _Directory:
    """One directory while it is sealed. `parent_bytes` is the length its `..` must state."""

    path: Path
    extent: int
    size_bytes: int
    parent_bytes: int


def seal(head: bytearray, layout: Layout, options: ImageOptions) -> None:
    """Finishes `head`, the image's bytes before `layout.data_sector`, in place.

    Raises:
        DiscError: the library laid the structures out in a way that is not expected
    """
    head[: len(options.system_area)] = options.system_area
    for descriptor in _descriptors(head):
        if descriptor.kind in (1, 2):
            _seal_descriptor(head, descriptor, layout, options)
            _seal_tree(head, descriptor, layout, options)
    if options.boot:
        _seal_boot(head, layout, options)


def _descriptors(head: bytearray) -> Iterator[Descriptor]:
    for sector in range(FIRST_DESCRIPTOR, len(head) // SECTOR):
        descriptor = Descriptor(sector, bytes(head[sector * SECTOR : (sector + 1) * SECTOR]))
        if descriptor.kind == 255:
            return
        yield descriptor


def _seal_descriptor(head: bytearray, descriptor: Descriptor, layout: Layout, options: ImageOptions) -> None:
    start = descriptor.sector * SECTOR
    head[start + 80 : start + 88] = both32(layout.sectors)
    made = long_date(options.epoch_s)
    # Created, modified, expires, effective: a date of expiry or effect would hide the volume from a careful system.
    head[start + 813 : start + 881] = made + made + long_date(None) + long_date(None)
    head[start + 156 + 18 : start + 156 + 25] = short_date(options.epoch_s)


def _seal_tree(head: bytearray, descriptor: Descriptor, layout: Layout, options: ImageOptions) -> None:
    joliet = bool(descriptor.joliet_level)
    nodes = {(node.joliet if joliet else node.iso): node for node in layout.nodes}
    root = descriptor.root
    waiting = [_Directory((), root.extent, root.size_bytes, root.size_bytes)]
    while waiting:
        directory = waiting.pop()
        waiting += _seal_directory(head, directory, nodes, layout, options, joliet)


def _seal_directory(
    head: bytearray,
    directory: _Directory,
    nodes: Mapping[Path, Node],
    layout: Layout,
    options: ImageOptions,
    joliet: bool,
) -> Iterator[_Directory]:
    """Rewrites one directory and yields those below it."""
    start, end = directory.extent * SECTOR, directory.extent * SECTOR + directory.size_bytes
    records, faults = split_directory(bytes(head[start:end]))
    if faults or len(records) < 2 or end > len(head):
        raise DiscError(f"a directory was not written as expected: {'; '.join(faults) or 'records are missing'}")
    sealed = []
    done: dict[Path, int] = {}
    for record in records:
        dot = record.identifier in (SELF, PARENT)
        path = directory.path if dot else (*directory.path, _name(record, joliet))
        node = None if dot else nodes[path]
        raw = _seal_record(record, node, directory, layout, options, done.get(path, 0))
        if node:
            done[path] = done.get(path, 0) + record.size_bytes
        if options.rock_ridge and not joliet:
            _seal_rock_ridge(head, raw, node, options)
        sealed.append(Record(record.offset, bytes(raw)))
        if record.flags & FOLDER and node:
            yield _Directory(path, record.extent, record.size_bytes, directory.size_bytes)
    head[start:end] = pack(sealed, raw_order if joliet else iso_order, directory.size_bytes)


def _name(record: Record, joliet: bool) -> str:
    if joliet:
        return record.identifier.decode("utf-16-be", "surrogatepass")
    return record.identifier.decode("latin-1").partition(";")[0]


def _seal_record(
    record: Record, node: Node | None, directory: _Directory, layout: Layout, options: ImageOptions, before_bytes: int
) -> bytearray:
    """The record with its date, extent and `..` length; `before_bytes` of the file lie in earlier extents."""
    raw = bytearray(record.raw)
    raw[18:25] = short_date(_time(node, options))
    if record.identifier == PARENT:
        raw[10:18] = both32(directory.parent_bytes)
    elif node and node.content:
        extent = layout.extents.get(node.iso, 0)
        raw[2:10] = both32(extent + before_bytes // SECTOR)
    return raw


def _time(node: Node | None, options: ImageOptions) -> int:
    """A file's own time, never later than the volume's; the volume's for all else."""
    if node is None or node.content is None or node.time_s is None:
        return options.epoch_s
    return min(node.time_s, options.epoch_s)


def _seal_rock_ridge(head: bytearray, raw: bytearray, node: Node | None, options: ImageOptions) -> None:
    """Dates of TF in place, and the name's bytes in the machine's charset."""
    date = short_date(_time(node, options))
    base = Record(0, bytes(raw)).system_use_offset
    area = bytes(raw[base:])

    def read(sector: int) -> bytes:
        return bytes(head[sector * SECTOR : (sector + 1) * SECTOR])

    for entry in susp.entries(area, read):
        inside = entry.sector is None
        target, at = (raw, base + entry.offset) if inside else (head, (entry.sector or 0) * SECTOR + entry.offset)
        if entry.signature == "TF":
            stamps = len(entry.data) // len(date)
            target[at + 5 : at + 5 + stamps * len(date)] = date * stamps
        elif entry.signature == "NM" and node:
            name = node.rock_ridge[-1].encode(options.charset)
            if len(name) != len(entry.data) - 1:
                raise DiscError("a Rock Ridge name was not written in one piece", where="/".join(node.rock_ridge))
            target[at + 5 : at + 5 + len(name)] = name


def pack(records: list[Record], order: Callable[[bytes], Any], size_bytes: int) -> bytes:
    """A directory's bytes: the records in an order, none crossing a sector, the rest zero.

    Raises:
        DiscError: they need more than `size_bytes`
    """
    data = bytearray()
    for record in sorted(records, key=lambda r: order(r.identifier)):
        room = -len(data) % SECTOR or SECTOR
        if len(record.raw) > room:
            data += bytes(room)
        data += record.raw
    if len(data) > size_bytes:
        raise DiscError("the standard's order of a folder's records needs a sector more", hint="`rename` a file there.")
    return bytes(data).ljust(size_bytes, b"\0")


def _seal_boot(head: bytearray, layout: Layout, options: ImageOptions) -> None:
    assert options.boot
    start = boot.BOOT_SECTOR * SECTOR
    catalogue = little(bytes(head[start : start + SECTOR]), 71, 4) * SECTOR
    # A floppy's image is started from its first sector; the firmware reads the rest as a drive (El Torito §2.2).
    sectors = options.boot.load_sectors if options.boot.media == "none" else 1
    entry = boot.BootEntry(
        True, options.boot.media, options.boot.load_segment, sectors, layout.extents[options.boot.path]
    )
    whole = boot.validation_entry() + boot.initial_entry(entry)
    head[catalogue : catalogue + SECTOR] = whole.ljust(SECTOR, b"\0")



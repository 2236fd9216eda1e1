"""Runs in a process of its own: opens an image with pycdlib and tells every tree that it sees. Imports no other part.

An order is one line of JSON, {"path": …, "udf": …}. The answer is a line of facts, with the SHA-256 of the line that
would tell each of `facts["trees"]`: most often nothing more is asked. Another line of orders has those lines told: a
tree's entries, sorted, each [path, first sector, bytes, kind]. Paths are joined by "/"; those
of the primary and the Rock Ridge tree are bytes, shown as Latin-1. A file in several sections has one entry where they
follow each other. With "udf" comes the UDF tree too, with first bytes in place of sectors, -1 where a file's bytes do
not lie together. Instead of all that: {"fault": …}, in pycdlib's words.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import os
import stat
import struct
import sys
from collections.abc import Iterable, Iterator
from itertools import groupby, pairwise
from typing import Any

import pycdlib

MOST_CPU_S = 120  # fifty times what 50,000 files take
MOST_BYTES = 4 << 30  # of address space
MOST_FOLDERS = 65_535
SECTOR = 2048
SYSTEM_AREA_BYTES = 16 * SECTOR  # ECMA-119 §6.2.1
RECOGNITION = (b"BEA01", b"BOOT2", b"NSR02", b"NSR03", b"TEA01")  # ECMA-167 2/9.2, 2/9.4, 3/9.1, 2/9.3
MOST_MARKS = 16  # sectors that are looked through for them
FOLDER_FLAG, MORE_FLAG = 0x02, 0x80  # ECMA-119 §9.1.6
KINDS = {0: "file", FOLDER_FLAG: "folder"}
Entry = tuple[str, int, int, str]


def main() -> None:
    sys.stdout.reconfigure(encoding="ascii", newline="\n")  # type: ignore[union-attr]
    order = json.loads(sys.stdin.readline() or "null")
    if order is None:
        return
    _limit()
    iso = pycdlib.PyCdlib()
    try:
        with _Image(order["path"]) as image:
            iso.open_fp(image)
            facts, *trees = seen(iso, order["udf"])
        told = [json.dumps(tree) for tree in trees]
        facts["sha256"] = [hashlib.sha256(tree.encode()).hexdigest() for tree in told]
    except Exception as error:  # of a broken image the library may raise anything
        facts, told = {"fault": f"{error or type(error).__name__}"}, []
    sys.stdout.write(json.dumps(facts) + "\n")
    sys.stdout.flush()
    if sys.stdin.readline():
        sys.stdout.write("\n".join(told) + "\n")


class _Image(io.FileIO):
    """An image whose system area reads as zeros: what starts a machine there is its own affair, and no tree's. One of
    UDF alone, which the library does not open, begins as a disc with an empty tree of ISO 9660 besides."""

    def __init__(self, path: str) -> None:
        super().__init__(path)
        self.front = bytes(SYSTEM_AREA_BYTES)
        self.seek(SYSTEM_AREA_BYTES)
        marks = [super(_Image, self).read(SECTOR) or b"" for _ in range(MOST_MARKS)]
        if marks[0][1:6] == RECOGNITION[0]:
            kept = [mark for mark in marks if mark[1:6] in RECOGNITION]
            self.front = _empty_disc(self.seek(0, os.SEEK_END) // SECTOR) + b"".join(kept)
        self.seek(0)

    def read(self, size: int | None = -1) -> bytes:
        at = self.tell()
        data = super().read(-1 if size is None else size) or b""
        front = self.front[at : at + len(data)]
        return front + data[len(front) :]


def _empty_disc(sectors: int) -> bytes:
    """Sectors 0 to 17 of a disc of so many sectors without a file: path tables and root in the system area, then the
    primary descriptor and the terminator (ECMA-119 §8.3, §8.4, §9.1, §9.4)."""
    made, iso = io.BytesIO(), pycdlib.PyCdlib()
    iso.new()
    iso.write_fp(made)
    iso.close()
    whole = made.getvalue()
    front = bytearray(SYSTEM_AREA_BYTES) + whole[16 * SECTOR : 18 * SECTOR]
    pvd = 16 * SECTOR
    (root,) = struct.unpack_from("<I", front, pvd + 158)
    for sector, order, field in ((1, "<I", 140), (2, ">I", 148)):
        (table,) = struct.unpack_from(order, front, pvd + field)
        front[sector * SECTOR : (sector + 1) * SECTOR] = whole[table * SECTOR : (table + 1) * SECTOR]
        struct.pack_into(order, front, pvd + field, sector)
        struct.pack_into(order, front, sector * SECTOR + 2, 3)
    front[3 * SECTOR : 4 * SECTOR] = whole[root * SECTOR : (root + 1) * SECTOR]
    for record in (pvd + 156, 3 * SECTOR, 3 * SECTOR + 34):
        front[record + 2 : record + 10] = struct.pack("<I", 3) + struct.pack(">I", 3)
    front[pvd + 80 : pvd + 88] = struct.pack("<I", sectors) + struct.pack(">I", sectors)
    return bytes(front)


def _limit() -> None:
    """A stranger's image must not cost this computer more than that."""
    if sys.platform == "win32":
        return
    import resource

    with contextlib.suppress(ValueError, OSError):  # a limit that is lower already
        resource.setrlimit(resource.RLIMIT_CPU, (MOST_CPU_S, MOST_CPU_S))
        resource.setrlimit(resource.RLIMIT_AS, (MOST_BYTES, MOST_BYTES))


def seen(iso: Any, udf: bool) -> Iterator[Any]:
    """The facts, then the trees."""
    trees = {"iso": (iso.pvd, _iso_name)}
    if iso.joliet_vd is not None:
        trees["joliet"] = (iso.joliet_vd, _joliet_name)
    if iso.rock_ridge:
        trees["rock-ridge"] = (iso.pvd, _rock_ridge_name)
    yield {
        "reader": f"pycdlib {_version()}",
        "trees": [*trees, *(["udf"] if udf else [])],
        "volumes": [_volume(iso.pvd, "ascii")] + ([_volume(iso.joliet_vd, "utf-16-be")] if iso.joliet_vd else []),
        "boot": _boot(iso.eltorito_boot_catalog),
        "udf_volume": _udf_volume(iso) if udf else "",
    }
    for tree, (descriptor, name) in trees.items():
        yield sorted(_entries(descriptor.root_directory_record(), name, tree == "rock-ridge"))
    if udf:
        yield sorted(_udf_entries(iso))


def _udf_volume(iso: Any) -> str:
    """The logical volume's name, a string of OSTA's compressed Unicode: its kind first, its length last (UDF 2.1.1)."""
    field = bytes(iso.udf_main_descs.logical_volumes[0].logical_vol_ident)
    return field[1 : field[-1]].decode("utf-16-be" if field[0] == 16 else "latin-1", "replace")


def _version() -> str:
    """The installed library's. Its folder's name tells it thirty milliseconds sooner than the standard library does."""
    for name in os.listdir(os.path.dirname(os.path.dirname(pycdlib.__file__))):  # noqa: PTH120, PTH208
        if name.startswith("pycdlib-") and name.endswith(".dist-info"):
            return name.removeprefix("pycdlib-").removesuffix(".dist-info")
    from importlib.metadata import version

    return version("pycdlib")


def _volume(descriptor: Any, charset: str) -> list[Any]:
    return [descriptor.volume_identifier.decode(charset, "replace").rstrip(" \0"), descriptor.space_size]


def _boot(catalogue: Any) -> list[int] | None:
    """What the firmware is told: bootable, medium, segment, sectors of 512 bytes, first sector (El Torito §2.2)."""
    if catalogue is None:
        return None
    entry = catalogue.initial_entry
    return [entry.boot_indicator, entry.boot_media_type, entry.load_segment, entry.sector_count, entry.load_rba]


def _iso_name(record: Any) -> str:
    return str(record.file_ident.decode("latin-1"))


def _joliet_name(record: Any) -> str:
    return str(record.file_ident.decode("utf-16-be", "surrogatepass"))


def _rock_ridge_name(record: Any) -> str:
    return str(record.rock_ridge.name().decode("latin-1")) if record.rock_ridge else ""


def _entries(root: Any, name: Any, posix: bool) -> Iterator[Entry]:
    waiting = [("", root)]
    yield "", root.extent_location(), root.data_length, "folder"
    while waiting:
        path, folder = waiting.pop()
        children = (child for child in folder.children if not (child.is_dot() or child.is_dotdot()))
        for _, records in groupby(children, lambda child: child.file_ident):
            first, *more = records
            own = path + name(first)
            yield from _places(own, [first, *more], posix) if more else [_entry(own, first, first.data_length, posix)]
            if first.isdir:
                waiting.append((own + "/", first))


def _places(path: str, records: Iterable[Any], posix: bool) -> Iterator[Entry]:
    """The sections of a file as one entry, if each follows the one before and says so (ECMA-119 §6.5.1)."""
    sections = sorted(records, key=lambda record: int(record.extent_location()))
    for one, other in pairwise(sections):
        if one.extent_location() * SECTOR + one.data_length != other.extent_location() * SECTOR:
            yield from (_entry(path, record, record.data_length, posix) for record in sections)
            return
    yield _entry(path, sections[-1], sum(record.data_length for record in sections), posix, sections[0])


def _entry(path: str, record: Any, size_bytes: int, posix: bool, first: Any = None) -> Entry:
    sector = (first or record).extent_location() if size_bytes else 0
    return path, sector, size_bytes, _kind(record, posix)


def _kind(record: Any, posix: bool) -> str:
    """As the flags tell it, or Rock Ridge's mode; a hidden file is one that is not shown."""
    kind = KINDS.get(record.file_flags, f"flags {record.file_flags}")
    if posix and kind in KINDS.values():
        mode = record.rock_ridge.get_file_mode()
        if kind == "file" and record.rock_ridge.is_symlink() and stat.S_ISLNK(mode):
            return f"link to {record.rock_ridge.symlink_path().decode('latin-1')}"
        posix_kind = "folder" if stat.S_ISDIR(mode) else "file" if stat.S_ISREG(mode) else f"mode {mode:o}"
        return kind if kind == posix_kind else f"{kind}, {posix_kind}"
    return kind


def _udf_entries(iso: Any) -> Iterator[Entry]:
    for count, (folder, folders, files) in enumerate(iso.walk(udf_path="/")):
        if count > MOST_FOLDERS:
            raise ValueError(f"more than {MOST_FOLDERS} folders")
        place = folder.strip("/") + "/" if folder != "/" else ""
        yield from ((place + name, 0, 0, "folder") for name in folders)
        for name in files:
            runs = iso.get_file_byte_extents(udf_path=f"/{place}{name}")
            together = all(sum(one) == other[0] for one, other in pairwise(runs))
            yield place + name, (runs[0][0] if together else -1) if runs else 0, sum(run[1] for run in runs), "file"


if __name__ == "__main__":
    main()

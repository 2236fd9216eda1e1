"""Reads a burned disc, an image or a mounted folder against the record: identical, or what is hurt and where.

A disc is read sector by sector, past those that cannot be read. A file is judged by the SHA-256 of its bytes; where
the built image is at hand too, the sectors that differ are named one by one.
"""

from __future__ import annotations

import hashlib
import os
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache, partial
from pathlib import Path
from typing import Literal

from discprep.disc.contents import checksum_line
from discprep.disc.layout.digest import Digester, Span
from discprep.disc.layout.faults import Faults
from discprep.disc.layout.fields import FIRST_DESCRIPTOR, IDENTIFIER, SECTOR, sectors_of
from discprep.disc.layout.records import Descriptor
from discprep.disc.layout.volume import ImageFile, Sectors, read_descriptors, read_tree
from discprep.disc.record import Record, RecordFile
from discprep.errors import DiscError
from discprep.model import Progress, Silent

BLOCK_SECTORS = 256
RETRIES = 3  # more reads of a sector that failed, before it is given up
MOST_RUNS = 2000  # runs of sectors kept in a result
Run = tuple[int, int]  # first and last sector
RecordPath = tuple[str, ...]  # of the primary tree
Names = Literal["rock-ridge", "joliet", "iso", "lower"]
State = Literal["whole", "hurt", "missing"]


@dataclass(frozen=True, slots=True)
class FileState:
    """What became of one file. `runs` are the sectors at fault, the whole file's where none can be told apart.

    `second` is the state of its second copy, None when it has none; `second_runs` are that copy's sectors.
    """

    file: RecordFile
    state: State
    runs: tuple[Run, ...] = ()
    second: State | None = None
    second_runs: tuple[Run, ...] = ()

    @property
    def whole(self) -> bool:
        """True when every copy is."""
        return self.state == "whole" and self.second in (None, "whole")

    @property
    def lost(self) -> bool:
        """True when no whole copy is on the disc."""
        return self.state != "whole" and self.second != "whole"


@dataclass(frozen=True, slots=True)
class HurtSpace:
    """Bytes of no file that should be zero and are not, or cannot be read: after the end of the file (or second copy)
    `after`, in sectors where they can be told apart.
    """

    after: tuple[str, ...]
    runs: tuple[Run, ...]


@dataclass(frozen=True, slots=True)
class ReadBack:
    """The result. `identical`: every byte of the image, or of every file in a folder, is as it was built."""

    kind: Literal["sectors", "folder"]
    identical: bool
    files: tuple[FileState, ...]
    structures_whole: bool | None  # descriptors, path tables, folders; None: a folder does not show them
    structure_runs: tuple[Run, ...] = ()  # their sectors at fault, where they can be told apart
    unreadable: tuple[Run, ...] = ()
    different: tuple[Run, ...] = ()  # sectors that differ from the built image, where that is at hand
    missing_sectors: int = 0  # the target ends so many sectors early
    padding_whole: bool = True
    spaces: tuple[HurtSpace, ...] = ()  # hurt ones between whole files
    burned_as_file: str = ""  # the name of the image, when it was burned as a file on the disc
    volume: str = ""  # the volume id found, "" where none can be read
    strange: tuple[str, ...] = ()  # files of a folder that the record does not know
    read_bytes: int = 0
    elapsed_s: float = 0.0

    @property
    def hurt(self) -> tuple[FileState, ...]:
        """The files of which some copy is not whole."""
        return tuple(state for state in self.files if not state.whole)

    @property
    def rate_bytes_s(self) -> float:
        return self.read_bytes / self.elapsed_s if self.elapsed_s > 0 else 0.0


def read_back(
    record: Record,
    target: Path,
    progress: Progress | None = None,
    *,
    image: Path | None = None,
    clock: Callable[[], float] = time.monotonic,
) -> ReadBack:
    """Compares a device, an image file or a mounted folder with a record.

    Args:
        record: from `record.load_record`
        target: the device, file or folder
        progress: told of bytes, key "readback"
        image: the image as built, to name the sectors that differ; used only where it is whole in size

    Raises:
        DiscError: the target is empty (no disc in the drive)
        OSError: it cannot be opened
    """
    progress = progress or Silent()
    if target.is_dir():
        return _read_folder(record, target, progress, clock)
    with ImageFile(target) as sectors:
        if not sectors.size_bytes:
            hint = "Is a disc in the drive, and ready?"
            raise DiscError("there is nothing to read here", where=str(target), hint=hint)
        if image and image.is_file() and image.stat().st_size == record.image_sectors * SECTOR:
            with ImageFile(image) as built:
                return read_sectors(record, sectors, progress, built=built, clock=clock)
        return read_sectors(record, sectors, progress, clock=clock)


# ------------------------------------------------------------------------------------------- sector by sector


@dataclass(slots=True)
class _Pass:
    """One pass over the sectors: what could not be read, and what differs from the built image."""

    unreadable: list[int] = field(default_factory=list)
    different: list[int] = field(default_factory=list)
    read_bytes: int = 0


def read_sectors(
    record: Record,
    sectors: Sectors,
    progress: Progress,
    *,
    built: Sectors | None = None,
    clock: Callable[[], float] = time.monotonic,
) -> ReadBack:
    """`read_back` of anything that has sectors."""
    begun = clock()
    total = record.image_sectors
    passed = _Pass()
    head = (0, record.head_sectors * SECTOR)
    end = _data_end(record)
    padding = (end * SECTOR, (total - end) * SECTOR)
    spans = [(file.extent * SECTOR, file.size_bytes) for file in record.expected]
    # What stands between the files of an archive are its headers: the whole tells of them.
    spaces = dict(_spaces(record, end * SECTOR)) if record.layout == "iso" else {}
    progress.begin("readback", "reading back", total * SECTOR)
    try:
        with Digester([head, padding, *spaces, *spans]) as digester:
            for first, block in _blocks(sectors, total * SECTOR):
                if block is None:
                    passed.unreadable.append(first)
                    digester.skip(SECTOR)
                else:
                    passed.read_bytes += len(block)
                    digester.feed(block)
                    passed.different += _different(first, block, built)
                progress.advance("readback", SECTOR if block is None else len(block))
            whole, hashes = digester.whole(), digester.hashes
    finally:
        progress.end("readback")
    states = tuple(_judged(file, partial(_copy_state, file, hashes, passed)) for file in record.files if file.sha256)
    identical = whole == record.image_sha256 and not passed.unreadable
    structures = hashes.get(head) == record.head_sha256
    if record.layout == "tar" and all(state.whole for state in states):
        structures = structures and (identical or hashes.get(padding) != _zeros_sha256(padding[1]))
    return ReadBack(
        kind="sectors",
        identical=identical,
        files=states,
        structures_whole=structures,
        structure_runs=() if structures else _inside(0, record.head_sectors - 1, passed),
        unreadable=runs(passed.unreadable),
        different=runs(passed.different),
        missing_sectors=max(0, total - sectors.size_bytes // SECTOR),
        padding_whole=not padding[1] or hashes.get(padding) == _zeros_sha256(padding[1]),
        spaces=tuple(_hurt_spaces(spaces, states, hashes, passed)),
        burned_as_file="" if structures or record.layout == "tar" else _burned_as_file(record, sectors),
        volume=_volume(sectors),
        read_bytes=passed.read_bytes,
        elapsed_s=clock() - begun,
    )


def _data_end(record: Record) -> int:
    """The sector after the last file's."""
    ends = [file.extent + sectors_of(file.size_bytes) for file in record.expected if file.size_bytes]
    return max(ends, default=record.head_sectors)


def _spaces(record: Record, end_bytes: int) -> Iterator[tuple[Span, RecordPath]]:
    """The bytes between the files' up to the last one's sector, and the file that each follows."""
    places = sorted((file.extent * SECTOR, file.size_bytes, file.path) for file in record.expected if file.size_bytes)
    for (begin, size_bytes, path), following in zip(places, [*places[1:], (end_bytes, 0, ())], strict=True):
        if begin + size_bytes < following[0]:
            yield (begin + size_bytes, following[0] - begin - size_bytes), path


def _hurt_spaces(
    spaces: dict[Span, RecordPath], states: Iterable[FileState], hashes: dict[Span, str], passed: _Pass
) -> Iterator[HurtSpace]:
    """Those behind whole copies: a hurt file's own error tells of its last sector."""
    hurt = {state.file.iso for state in states if state.state != "whole"}
    hurt |= {state.file.second for state in states if state.second not in (None, "whole")}
    for span, path in spaces.items():
        if path not in hurt and hashes.get(span) != _zeros_sha256(span[1]):
            first, last = span[0] // SECTOR, (sum(span) - 1) // SECTOR
            yield HurtSpace(path, _inside(first, last, passed) or ((first, last),))


@lru_cache(maxsize=SECTOR)
def _zeros_sha256(size_bytes: int) -> str:
    digest = hashlib.sha256()
    for _ in range(size_bytes >> 20):
        digest.update(bytes(1 << 20))
    digest.update(bytes(size_bytes & (1 << 20) - 1))
    return digest.hexdigest()


def _blocks(sectors: Sectors, size_bytes: int) -> Iterator[tuple[int, bytes | None]]:
    """So many bytes in blocks, each with its first sector; where one cannot be read, sector by sector: None for those
    that fail after some tries, or are not there."""
    quiet = _Quiet(sectors)
    for first in range(0, sectors_of(size_bytes), BLOCK_SECTORS):
        wanted = min(BLOCK_SECTORS * SECTOR, size_bytes - first * SECTOR)
        block = quiet.read(first, BLOCK_SECTORS)[:wanted]
        if len(block) == wanted:
            yield first, block
            continue
        for sector in range(first, first + sectors_of(wanted)):
            length = min(SECTOR, size_bytes - sector * SECTOR)
            there = sector * SECTOR + length <= sectors.size_bytes
            tries = (quiet.read(sector)[:length] for _ in range((1 + RETRIES) * there))
            yield sector, next((data for data in tries if len(data) == length), None)


def _different(first: int, block: bytes, built: Sectors | None) -> Iterator[int]:
    """The sectors of a block that differ from the built image."""
    right = built.read(first, len(block) // SECTOR) if built else block
    for offset in range(0, len(block), SECTOR) if right != block else ():
        if block[offset : offset + SECTOR] != right[offset : offset + SECTOR]:
            yield first + offset // SECTOR


def _judged(file: RecordFile, judge: Callable[[int], tuple[State, tuple[Run, ...]]]) -> FileState:
    """A file by its copies, each by its first sector."""
    state, found = judge(file.extent)
    if file.second_extent is None:
        return FileState(file, state, found)
    return FileState(file, state, found, *judge(file.second_extent))


def _copy_state(
    file: RecordFile, hashes: dict[tuple[int, int], str], passed: _Pass, extent: int
) -> tuple[State, tuple[Run, ...]]:
    if not file.size_bytes or hashes.get((extent * SECTOR, file.size_bytes)) == file.sha256:
        return "whole", ()
    last = extent + file.sectors - 1
    return "hurt", _inside(extent, last, passed) or ((extent, last),)


def _inside(first: int, last: int, passed: _Pass) -> tuple[Run, ...]:
    """The sectors at fault from `first` to `last`."""
    return runs(sorted({s for s in (*passed.unreadable, *passed.different) if first <= s <= last}))


def runs(sectors: Iterable[int]) -> tuple[Run, ...]:
    """Ascending sectors as runs of first and last; the last run swallows what passes 2,000 runs.

    >>> runs([3, 4, 5, 9])
    ((3, 5), (9, 9))
    """
    found: list[Run] = []
    for sector in sectors:
        if found and (sector == found[-1][1] + 1 or len(found) == MOST_RUNS):
            found[-1] = (found[-1][0], sector)
        else:
            found.append((sector, sector))
    return tuple(found)


# ------------------------------------------------------------------------------ an image burned as a file


class _Quiet:
    """Sectors of which the unreadable ones come back empty."""

    def __init__(self, sectors: Sectors) -> None:
        self._sectors = sectors
        self.size_bytes = sectors.size_bytes

    def read(self, sector: int, count: int = 1) -> bytes:
        try:
            return self._sectors.read(sector, count)
        except OSError:
            return b""


def _volume(sectors: Sectors) -> str:
    raw = _Quiet(sectors).read(FIRST_DESCRIPTOR)
    return Descriptor(FIRST_DESCRIPTOR, raw).volume_id if len(raw) == SECTOR and raw[1:6] == IDENTIFIER else ""


def _burned_as_file(record: Record, sectors: Sectors) -> str:
    """The name of a file on this disc that is a whole image of the recorded size, or begins as the recorded one."""
    quiet, faults = _Quiet(sectors), Faults()
    for descriptor in read_descriptors(quiet, faults):
        if descriptor.kind in (1, 2):
            for entry in read_tree(quiet, descriptor, faults).found:
                inner = quiet.read(entry.extents[0][0] + FIRST_DESCRIPTOR) if not entry.folder else b""
                if entry.size_bytes == record.image_sectors * SECTOR and _is_volume(inner, record):
                    return "/".join(entry.path)
    return ""


def _is_volume(raw: bytes, record: Record) -> bool:
    return raw[1:6] == IDENTIFIER and Descriptor(FIRST_DESCRIPTOR, raw).volume_id == record.volume


# ------------------------------------------------------------------------------------------ a mounted folder


def _read_folder(record: Record, target: Path, progress: Progress, clock: Callable[[], float]) -> ReadBack:
    begun = clock()
    index = _index(target)
    total = sum(file.size_bytes for file in record.expected)
    progress.begin("readback", "reading back", total)
    passed = _Pass()
    states, known = [], set()
    try:
        for file in record.files:
            if file.sha256:
                path = _find(index, _shown_paths(record, file))
                second = _find(index, [file.second]) if file.second else None
                known |= {path, second}
                link = _link_state(record, file, target) if file.link else None
                copies = {file.second_extent: second, file.extent: path}
                states.append(link or _judged(file, partial(_path_state, file, copies, passed, progress)))
    finally:
        progress.end("readback")
    strange = sorted({str(path.relative_to(target)) for path in index.values() if path not in known})
    return ReadBack(
        kind="folder",
        identical=all(state.whole for state in states),
        files=tuple(states),
        structures_whole=None,
        unreadable=runs(sorted(set(passed.unreadable))),
        burned_as_file=_image_in_folder(record, index.values()),
        strange=tuple(strange[:MOST_RUNS]),
        read_bytes=passed.read_bytes,
        elapsed_s=clock() - begun,
    )


def _index(target: Path) -> dict[tuple[str, ...], Path]:
    """Regular files below a folder by their path, and by the path that a person compares; links are not followed."""
    index = {}
    for root, folders, files in os.walk(target, followlinks=False):
        folders.sort()
        for name in sorted(files):
            path = Path(root) / name
            if path.is_file() and not path.is_symlink():
                index[path.relative_to(target).parts] = path
    return {_compared(parts): path for parts, path in index.items()} | index


def _compared(path: Sequence[str]) -> tuple[str, ...]:
    """Systems show a primary name with or without its version, its last dot and its capitals."""
    return tuple(part.casefold().partition(";")[0].rstrip(".") for part in path)


def _shown_paths(record: Record, file: RecordFile) -> list[tuple[str, ...]]:
    return [path for path in (record.mounted(file), file.rock_ridge, file.joliet, file.iso) if path]


def _find(index: dict[tuple[str, ...], Path], candidates: Iterable[tuple[str, ...]]) -> Path | None:
    wanted = [path for candidate in candidates for path in (candidate, _compared(candidate))]
    return next((index[path] for path in wanted if path in index), None)


def _link_state(record: Record, file: RecordFile, target: Path) -> FileState | None:
    """What became of a symbolic link; None where a tree is shown that has a file without bytes in its place."""
    found = [path for parts in _shown_paths(record, file) if (path := target.joinpath(*parts)).is_symlink()]
    if not found and record.layout == "iso":
        return None
    return FileState(file, "whole" if found and found[0].readlink().as_posix() == file.link else "missing")


def _path_state(
    file: RecordFile, copies: Mapping[int | None, Path | None], passed: _Pass, progress: Progress, extent: int
) -> tuple[State, tuple[Run, ...]]:
    if (path := copies[extent]) is None:
        return "missing", ()
    digest, bad = hashlib.sha256(), []
    with ImageFile(path) as sectors:
        for first, block in _blocks(sectors, min(file.size_bytes, sectors.size_bytes)):
            if block is None:
                bad.append(extent + first)
            else:
                digest.update(block)
                passed.read_bytes += len(block)
            progress.advance("readback", SECTOR if block is None else len(block))
        size_bytes = sectors.size_bytes
    passed.unreadable += bad
    if not bad and size_bytes == file.size_bytes and digest.hexdigest() == file.sha256:
        return "whole", ()
    return "hurt", runs(bad) or ((extent, extent + max(1, file.sectors) - 1),)


def _image_in_folder(record: Record, paths: Iterable[Path]) -> str:
    for path in paths:
        if path.stat().st_size == record.image_sectors * SECTOR:
            with ImageFile(path) as image:
                if _is_volume(_Quiet(image).read(FIRST_DESCRIPTOR), record):
                    return path.name
    return ""


# --------------------------------------------------------------------------------------------- sha256sum -c


def checksum_list(record: Record, names: Names | None = None) -> str:
    """Lines that `sha256sum -c` takes in the folder where the disc is mounted; bytes that are no UTF-8 stand in them as
    `surrogateescape` has them.

    Args:
        names: which tree's names the system shows; "iso" are the primary ones without their last dot, "lower" the
            same in small letters, as many systems show them. None: Rock Ridge, else Joliet, else "lower"
    """
    rules = record.name_rules
    names = names or ("rock-ridge" if "rock-ridge" in rules else "joliet" if "joliet" in rules else "lower")
    lines = []
    for file in record.files:
        if file.sha256 and not file.link:
            paths = [_listed(record, file, names), *([_cased(file.second, names)] if file.second else [])]
            lines += [checksum_line(file.sha256, "/".join(path)) for path in paths]
    return "".join(lines)


def _listed(record: Record, file: RecordFile, names: Names) -> tuple[str, ...]:
    if names in ("iso", "lower"):
        return _cased(file.iso, names)
    return record.mounted(file) if names == "rock-ridge" else file.joliet


def _cased(path: tuple[str, ...], names: Names) -> tuple[str, ...]:
    bare = tuple(part.rstrip(".") for part in path)
    return tuple(part.lower() for part in bare) if names == "lower" else bare

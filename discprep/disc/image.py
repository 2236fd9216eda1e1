"""Writes the image of a disc: the structures of `layout.structures`, then the bytes of the files.

The file is read back behind the writer, each block once its bytes are written, and hashed; the finished structures are
checked against the standard, and what was read back against the hashes. Meanwhile a second reader, which shares no code
with either, opens the image in a process of its own and must see what was laid out.
"""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import threading
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from discprep import __version__
from discprep.disc.contents import as_staged, changed
from discprep.disc.layout.check import Expected, check_image, hash_image
from discprep.disc.layout.digest import Span
from discprep.disc.layout.faults import Fault, Faults
from discprep.disc.layout.fields import SECTOR
from discprep.disc.layout.options import BootImage, ImageOptions
from discprep.disc.layout.sizes import Chunk, Layout, lay_out
from discprep.disc.layout.structures import OUR_FAULT, head_bytes
from discprep.disc.layout.tape import lay_out_tar
from discprep.disc.second_reader.reader import SecondReader, compare
from discprep.disc.tape import write_tape
from discprep.errors import (
    CapacityError,
    DiscError,
    DiscprepError,
    NameRuleError,
    StorageError,
    raise_all,
)
from discprep.fetch.files import BINARY
from discprep.fetch.host import occupied_bytes, read_at, write_at
from discprep.manifest.media import system_area_problem
from discprep.model import Named, Placed, Progress, Silent

__all__ = ["BootImage", "ImageOptions", "ImageWritten", "write_image"]

BLOCK_BYTES = 1 << 20
ZEROS = bytes(BLOCK_BYTES)


@dataclass(frozen=True, slots=True)
class ImageWritten:
    """An image that stands, checked, at `path`. `placed` is in the order of the names given; `head` are
    the structures before the first file's bytes. `readers` agree on every file's names, place and size.
    """

    path: Path
    placed: tuple[Placed, ...]
    sectors: int
    size_bytes: int
    sha256: str
    head_sectors: int
    head_sha256: str
    readers: tuple[str, ...] = ()


def write_image(
    named: Sequence[Named],
    path: Path,
    options: ImageOptions,
    progress: Progress | None = None,
    layout: Layout | None = None,
) -> ImageWritten:
    """Writes and checks an image at `path`, a part file that the caller then gives its final name.

    The data lies in the order of `named`, equal content once, second copies (`Named.second`) after everything else.
    Every byte is read back from the file, close behind the writer, which never goes back to a place it has passed:
    each file's bytes are compared with the hash it was staged with, and the finished structures with the standard, so
    that a source that changed is noticed and no further check is needed before the rename.

    Args:
        named: from `names.map_names`
        path: where to write; a file there is replaced. Nothing is left there after an error
        options: the volume's settings
        progress: told of the bytes written, key "image"; they are read back meanwhile
        layout: of these names and options, where it is known already

    Raises:
        NameRuleError, CapacityError: what cannot be laid out; nothing was written
        StorageError: the host's disk has no room for it; nothing was written
        IntegrityError: a source file is no longer what it was when it was staged
        DiscError: the finished image breaks the standard, or a second reader sees another disc (our fault)
        ToolError: the second reader did not run
    """
    progress = progress or Silent()
    _check_options(options)
    layout = layout or (lay_out_tar if options.tar else lay_out)(named, options)
    _check_room(path, layout.sectors * SECTOR)
    progress.begin("image", "writing the image", layout.sectors * SECTOR)
    try:
        path.unlink(missing_ok=True)  # what an earlier run left must not show through the places never written
        if options.tar:
            sha256, head_sha256, reader = write_tape(path, layout, options.charset, progress)
        else:
            sha256, head_sha256, reader = _write(path, layout, options, progress)
    except BaseException:
        path.unlink(missing_ok=True)
        raise
    finally:
        progress.end("image")
    return ImageWritten(
        path=path,
        placed=layout.placed,
        sectors=layout.sectors,
        size_bytes=layout.sectors * SECTOR,
        sha256=sha256,
        head_sectors=layout.data_sector,
        head_sha256=head_sha256,
        readers=(f"discprep {__version__}", reader),
    )


def expected_files(layout: Layout) -> tuple[Expected, ...]:
    """What a check of the image must find: every file with its bytes' place, size and hash."""
    return tuple(
        Expected(node.iso, layout.extents.get(node.iso, 0), node.content.size_bytes, node.content.sha256)
        for node in layout.nodes
        if node.content
    )


# -------------------------------------------------------------------------------------- before a byte is written


def _check_options(options: ImageOptions) -> None:
    most = 16 if options.joliet else 32
    problems: list[DiscprepError] = []
    if not re.fullmatch(rf"[A-Z0-9_]{{1,{most}}}", options.volume):
        problems.append(
            NameRuleError(
                f"{options.volume!r} is no volume name: 1 to {most} of A-Z, 0-9 and _",
                hint="Change `volume` under [medium].",
            )
        )
    problem, hint = system_area_problem(len(options.system_area))
    if problem:
        problems.append(CapacityError(f"the system area {problem}", hint=hint))
    raise_all(problems)


def _check_room(path: Path, size_bytes: int) -> None:
    free = shutil.disk_usage(path.parent).free
    if free + occupied_bytes(path) < size_bytes:
        raise StorageError(
            f"the image needs {size_bytes} bytes and the host's disk has {free} free; nothing was written",
            where=str(path.parent),
            hint="Make room there, or build into a folder on another disk.",
        )


# ------------------------------------------------------------------------------------------- writing, reading


class _Written:
    """How far the image stands in its file, told by the writer to the thread that reads it back."""

    def __init__(self) -> None:
        self._condition = threading.Condition()
        self._end = 0

    def reached(self, end: int) -> None:
        """The bytes before `end` are written."""
        with self._condition:
            self._end = end
            self._condition.notify()

    def wait(self, end: int) -> None:
        """Returns once the bytes before `end` are written."""
        with self._condition:
            self._condition.wait_for(lambda: self._end >= end)


def _write(path: Path, layout: Layout, options: ImageOptions, progress: Progress) -> tuple[str, str, str]:
    """Writes and reads back everything; the SHA-256 of the whole and of the structures, and the second reader."""
    with SecondReader() as second, path.open("xb", buffering=0) as file:
        head_sha256 = _write_head(file.fileno(), layout, options)
        file.truncate(layout.sectors * SECTOR)
        second.read(path)
        progress.advance("image", layout.data_sector * SECTOR)
        sha256, read_sha256, own = _write_behind_head(file.fileno(), path, layout, progress)
        faults = Faults()
        # It read the structures before the data was written: they must still be those.
        if read_sha256 != head_sha256:
            faults.add("bytes", "the disc's structures changed after they were written")
        reader = compare(second, layout, options, faults)
    if found := (*own, *faults.all()):
        raise_all(_changed_sources(layout) or [DiscError(str(fault), hint=OUR_FAULT) for fault in found])
    return sha256, head_sha256, reader


def _head(layout: Layout) -> Span:
    return 0, layout.data_sector * SECTOR


def _write_head(target: int, layout: Layout, options: ImageOptions) -> str:
    """Writes the structures, which are megabytes with thousands of files; keeps only their SHA-256."""
    head = head_bytes(layout, options)
    _write_at(target, head, 0)
    return hashlib.sha256(head).hexdigest()


def _write_behind_head(
    target: int, path: Path, layout: Layout, progress: Progress
) -> tuple[str, str, tuple[Fault, ...]]:
    """Writes the data while a thread reads the image back, then checks the structures while it reads the rest. Returns
    the SHA-256 of the whole and of the structures, and the faults: the trees as read, thousands of records, go."""
    written, expected = _Written(), expected_files(layout)
    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(1) as pool:
        wanted = {(file.extent * SECTOR, file.size_bytes): file.sha256 for file in expected}
        reading = pool.submit(hash_image, path, [_head(layout), *wanted], written.wait, wanted)
        try:
            _write_data(target, layout, progress, written)
        finally:
            # After an error too: the reader must come to its end.
            written.reached(layout.sectors * SECTOR)
        checked = check_image(path, expected, hashed=reading.result)
    return checked.sha256, checked.hashes[_head(layout)], checked.faults


# ---------------------------------------------------------------------------------------------------- data


def _write_data(target: int, layout: Layout, progress: Progress, written: _Written) -> None:
    """Copies every distinct content to its place; blocks of zeros are left as holes."""
    with _Sources() as sources:
        for at, block in _blocks(layout.chunks, sources):
            if block != ZEROS:
                _write_at(target, block, at)
            written.reached(at + len(block))
            progress.advance("image", len(block))


def _write_at(target: int, block: bytes | bytearray, at: int) -> None:
    view = memoryview(block)
    while view:
        done = write_at(target, view, at)
        view, at = view[done:], at + done


def _blocks(chunks: Iterable[Chunk], sources: _Sources) -> Iterator[tuple[int, bytearray]]:
    """The contents gathered into blocks with their places, zeros between them; a block is good until the next one.

    Thousands of small files would else be as many writes, each of which wakes the thread that reads back.
    """
    block = bytearray(BLOCK_BYTES)
    room = memoryview(block)
    begin = end = 0  # the image's bytes that the block holds
    for chunk in chunks:
        at, left = chunk.extent * SECTOR, chunk.content.size_bytes
        if end > begin and at >= begin + BLOCK_BYTES:
            yield begin, block[: end - begin]
            begin = end
        if begin == end:
            begin = end = at
        block[end - begin : at - begin] = bytes(at - end)
        end = at
        while left:
            offset = chunk.content.size_bytes - left
            done = sources.read(chunk, offset, room[end - begin :][:left])
            end, left = end + done, left - done
            if end == begin + BLOCK_BYTES:
                yield begin, block
                begin = end
    if end > begin:
        yield begin, block[: end - begin]


class _Sources:
    """Reads contents; the file read last stays open, since many contents lie in one."""

    def __init__(self) -> None:
        self._path: Path | None = None
        self._file = -1

    def __enter__(self) -> _Sources:
        return self

    def __exit__(self, *_: object) -> None:
        self._close()

    def read(self, chunk: Chunk, offset: int, room: memoryview) -> int:
        """Reads bytes of a content from an offset in it into `room`; returns how many, at least one."""
        if self._path != chunk.content.path:
            self._open(chunk)
        done = read_at(self._file, room, chunk.content.offset_bytes + offset)
        if not done:
            raise changed(chunk.named)
        return done

    def _open(self, chunk: Chunk) -> None:
        self._close()
        try:
            self._file = os.open(chunk.content.path, os.O_RDONLY | BINARY)
        except FileNotFoundError as error:
            raise changed(chunk.named) from error
        self._path = chunk.content.path

    def _close(self) -> None:
        if self._path:
            os.close(self._file)
            self._path = None


def _changed_sources(layout: Layout) -> list[DiscprepError]:
    """The contents that are no longer what they were when they were staged: asked only when the image is not right."""
    return [changed(chunk.named) for chunk in layout.chunks if not as_staged(chunk.content)]

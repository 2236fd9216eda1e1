"""Unpacks an archive or an image into a folder: only whole members, only safe names, nothing overwritten."""

from __future__ import annotations

import os
import sys
from collections.abc import Collection, Iterable, Iterator
from datetime import UTC, datetime
from fnmatch import fnmatchcase
from io import FileIO
from pathlib import Path

from discprep.archives import lacking, read_content
from discprep.archives.host import HostNames
from discprep.errors import ArchiveError, DiscprepError, StorageError, UsageError
from discprep.fetch.files import scratch
from discprep.fetch.host import file_sha256, move
from discprep.job.inspect import NO_INSIDE, open_file
from discprep.members import LACKED
from discprep.model import Content, Limits, Notice, Opened, Progress, Silent, Unpacked
from discprep.report.unpack import Extracted, State, Unpacking
from discprep.units import parse_size

KEY = "unpack"


def unpack(
    path: Path,
    folder: Path,
    *,
    only: Iterable[str] = (),
    charset: str | None = None,
    nested: int = 0,
    limits: Limits | None = None,
    progress: Progress | None = None,
) -> Unpacking:
    """Unpacks the members whose stored path matches one of `only` (all when there is none).

    A file that is there already with the same bytes is left; one with other bytes is never touched.

    Raises:
        UsageError: no such file, the folder is a file, or nothing matches `only`
        StorageError: the host's disk failed
    """
    if folder.exists() and not folder.is_dir():
        raise UsageError("it is not a folder", where=str(folder))
    progress = progress or Silent()
    made = not folder.exists()
    folder.mkdir(parents=True, exist_ok=True)
    try:
        # Beside the final names, so that the space is asked of the disk it will be taken from.
        with scratch(folder, ".unpacking-") as store:
            opened = open_file(
                path, charset=charset, nested=nested, limits=limits or Limits(), store=store, progress=progress
            )
            wanted = [entry for entry in opened.members if _matches(entry, tuple(only))]
            if not wanted and opened.members:
                raise UsageError(f"no member matches {' or '.join(only)}", where=str(path))
            files = tuple(Writer(folder, store / "part", progress).all(wanted))
    finally:
        if made and not any(folder.iterdir()):
            folder.rmdir()
    notices = tuple(Notice(notice, where=str(path)) for notice in opened.notices)
    return Unpacking(opened, folder, files, tuple(_errors(opened, path, files)), notices)


def limits_of(max_size: str | None) -> Limits:
    """The usual limits, or with members up to a size that the user allows, whatever their ratio.

    Raises:
        UsageError: it is no size
    """
    if max_size is None:
        return Limits()
    try:
        size = parse_size(max_size)
    except ValueError as error:
        raise UsageError(str(error)) from None
    return Limits(member_bytes=size, total_bytes=max(size, Limits().total_bytes), ratio=0)


def _matches(entry: Unpacked, only: tuple[str, ...]) -> bool:
    return not only or any(fnmatchcase(entry.member.name, pattern) for pattern in only)


def _errors(opened: Opened, path: Path, files: Collection[Extracted]) -> Iterator[DiscprepError]:
    for problem in opened.problems:
        hint = _hint(problem, " What was unpacked is right." * bool(files))
        yield ArchiveError(problem, where=str(path), hint=NO_INSIDE if opened.format == "file" else hint)
    yield from lacking(opened, where=str(path))
    for file in files:
        place = f"{path}: {file.entry.member.name}"
        if file.entry.problem == LACKED:
            continue
        if file.state == "refused":
            yield ArchiveError(
                f"{file.entry.member.problem}; it was not unpacked",
                where=place,
                hint="A well-made archive has no such member: ask where this one comes from.",
            )
        elif file.state == "damaged":
            problem = file.entry.problem
            yield ArchiveError(f"{problem}; it was not unpacked", where=place, hint=_hint(problem))
        elif file.state == "blocked":
            yield StorageError(
                f"something else is there already as {file.path}; it was left alone",
                where=place,
                hint="Unpack into an empty folder, or move that file away.",
            )


def _hint(problem: str, more: str = "") -> str:
    """What was refused for its size is not damaged: the user may allow it."""
    refused = "limit of" in problem or "grow" in problem
    return ("If you trust it, allow its size with --max-size." if refused else "Get another copy.") + more


class Writer:
    """Writes members below one folder, each first as `part`. Names are mapped to what this host can hold."""

    def __init__(self, folder: Path, part: Path, progress: Progress) -> None:
        self._folder = folder
        self._part = part  # one place for all, so that a kill leaves it where the next run tidies
        self._progress = progress
        windows = os.name == "nt"
        self._names = HostNames(windows, case_sensitive=not windows and sys.platform != "darwin")
        self._entered: set[str] = set()  # folders known to be there

    def all(self, entries: list[Unpacked]) -> list[Extracted]:
        """Every entry in order. Folder times are left alone: they change as files come."""
        sizes = sum(entry.content.size_bytes for entry in entries if entry.content)
        self._progress.begin(KEY, "Writing files", sizes)
        try:
            return [self._one(entry) for entry in entries]
        finally:
            self._progress.end(KEY)

    def _one(self, entry: Unpacked) -> Extracted:
        member = entry.member
        if not entry.reads:
            return Extracted(entry, "damaged")
        if member.problem:
            return Extracted(entry, "refused")
        if member.kind == "folder":
            path = self._names.folder(member.name)
            return Extracted(entry, "folder" if self._enter(path) else "blocked", path)
        if entry.content is None:
            return Extracted(entry, "skipped")
        return self._file(entry, entry.content)

    def _file(self, entry: Unpacked, content: Content) -> Extracted:
        path = self._names.path(entry.member.name)
        above = path.rpartition("/")[0]
        if not self._enter(above):
            return Extracted(entry, "blocked", path)
        target = self._folder / path
        if os.path.lexists(target):
            state: State = "there" if _same(target, content) else "blocked"
            return Extracted(entry, state, path)
        self._write(content, target, entry.member.time_s)
        return Extracted(entry, "written", path)

    def _enter(self, path: str) -> bool:
        """Makes the folders of `path`; False when something else, a link too, stands in their place."""
        if path in self._entered:
            return True
        here = self._folder
        for part in path.split("/"):
            here = here / part
            if here.is_symlink() or (here.exists() and not here.is_dir()):
                return False
            here.mkdir(exist_ok=True)
        self._entered.add(path)
        return True

    def _write(self, content: Content, target: Path, time_s: int | None) -> None:
        part = self._part
        try:
            with part.open("xb", buffering=0) as file:
                for piece in read_content(content):
                    _all_written(file, piece)
                    self._progress.advance(KEY, len(piece))
            # Not synced: thousands of small files would wait for the disk one by one, and all can be made again.
            _set_time(part, time_s)
            move(part, target)
        except BaseException:
            part.unlink(missing_ok=True)
            raise


def _all_written(file: FileIO, piece: bytes) -> None:
    """A write may take only a part, as before a disk is full."""
    view = memoryview(piece)
    while view:
        view = view[file.write(view) :]


def _set_time(path: Path, time_s: int | None) -> None:
    """The member's wall clock, read in this host's zone."""
    if time_s is None:
        return
    try:
        stamp = datetime.fromtimestamp(time_s, UTC).replace(tzinfo=None).timestamp()
        os.utime(path, (stamp, stamp))
    except (ValueError, OverflowError, OSError):
        return  # a time this host cannot hold: the file keeps today's


def _same(target: Path, content: Content) -> bool:
    """Whether a plain file with the content's bytes stands there already."""
    plain = target.is_file() and not target.is_symlink()
    return plain and target.stat().st_size == content.size_bytes and file_sha256(target) == content.sha256

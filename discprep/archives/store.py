"""Decoded archives at rest: one file an archive, named by what it comes from.

The file holds the members' bytes one after the other, then the listing as JSON, then a footer: the length and the
SHA-256 of the listing, in hexadecimal. So one rename puts all of it in place, and a damaged listing is noticed and the
archive decoded again. Nothing is synced to the disc: what a power failure spoils is found by those hashes and the
members' own, and nothing stands here that cannot be made again.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import threading
from collections.abc import Iterator, Sequence
from dataclasses import astuple, replace
from itertools import count
from pathlib import Path
from typing import BinaryIO

from discprep.archives.pool import Decoded, Pool
from discprep.archives.task import Entry, OpenTask, Order, Summary, written
from discprep.errors import StorageError
from discprep.fetch.files import scratch, storage
from discprep.fetch.host import move
from discprep.members import Remarks
from discprep.model import Content, Limits, Opened, Progress, Silent, Unpacked

LISTING_VERSION = 2
SUFFIX = ".unpacked"
FOOTER_BYTES = 80
BATCH_BYTES = 2**19  # small archives go to a worker together
BATCH_TASKS = 32
KEY = "archives"


class Store:
    """A folder of decoded archives."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder.absolute()  # a worker runs in a folder of its own
        folder.mkdir(parents=True, exist_ok=True)

    def path(self, key: str) -> Path:
        return self.folder / f"{key}{SUFFIX}"

    def load(self, key: str) -> tuple[list[Entry], Summary] | None:
        """A listing that is whole; None otherwise."""
        try:
            with self.path(key).open("rb") as file:
                body = _listing(file)
        except OSError:
            return None
        if body is None:
            return None
        head, entries = json.loads(body)
        del body
        entries.reverse()  # each goes once it is taken: thousands, twice, are megabytes
        return [Entry.of(entries.pop()) for _ in range(len(entries))], Summary.of(head)

    def save(self, key: str, part: Path, entries: Sequence[Entry], summary: Summary) -> Path:
        """Adds the listing to the members' bytes in `part` and gives the file its final name."""
        size, digest = 0, hashlib.sha256()
        with storage("keeping what was decoded", self.folder):
            with part.open("ab") as file:
                for piece in _listed(summary, entries):
                    size += file.write(piece)
                    digest.update(piece)
                file.write(f"{size:016x}{digest.hexdigest()}".encode())
            return move(part, self.path(key))


def forget(path: Path) -> None:
    """Spoils the footer of a file in a store, so that the next run decodes again; its bytes stay for this one. A file
    from elsewhere is left alone."""
    if path.suffix == SUFFIX:
        with contextlib.suppress(OSError), path.open("ab") as file:
            file.write(b"\n")


def _listed(summary: Summary, entries: Sequence[Entry]) -> Iterator[bytes]:
    """A listing as JSON, a member at a time: thousands as one text are megabytes."""
    yield b"[" + written(summary.values())
    for number, entry in enumerate(entries):
        yield (b"," if number else b",[") + written(entry.values())
    yield b"]]\n" if entries else b",[]]\n"


def _listing(file: BinaryIO) -> bytes | None:
    """The listing at the end of a file, if footer and listing agree."""
    end = file.seek(0, os.SEEK_END)
    file.seek(max(end - FOOTER_BYTES, 0))
    footer = file.read()
    if not re.fullmatch(rb"[0-9a-f]{80}", footer):
        return None
    size = int(footer[:16], 16)
    if size > end - FOOTER_BYTES:
        return None
    file.seek(end - FOOTER_BYTES - size)
    body = file.read(size)
    return body if hashlib.sha256(body).hexdigest().encode() == footer[16:] else None


def key_of(sha256: str, order: Order) -> str:
    """Names an archive's files in the store: its hash, then a hash of all that decides how it is read."""
    task = order.task
    options = json.dumps([LISTING_VERSION, task.charset, task.nested > 0, task.name, astuple(order.limits)])
    return f"{sha256}-{hashlib.sha256(options.encode()).hexdigest()[:12]}"


def open_tasks(
    tasks: list[OpenTask], store: Store | None, limits: Limits, workers: int | None, progress: Progress | None
) -> Iterator[Opened]:
    """See `discprep.archives.open_all`. Without a store members are only hashed; their contents have no path."""
    sizes = [_size(task.path) for task in tasks]
    batches = _batches(tasks, sizes)
    progress = progress or Silent()
    told = Told(progress, sum(sizes))
    sessions = min(workers or os.cpu_count() or 1, max(len(batches), 1))
    with contextlib.ExitStack() as held, Pool(sessions, told.more) as pool:
        opener = Opener(pool, store, limits, held)
        try:
            opened = pool.map(lambda batch: opener.open([task for task, _ in batch]), batches)
            for batch, results in zip(batches, opened, strict=True):
                told.done(sum(size for _, size in batch))
                yield from results
        finally:
            progress.end(KEY)


def _batches(tasks: list[OpenTask], sizes: list[int]) -> list[list[tuple[OpenTask, int]]]:
    """Tasks that go to a worker together, with the bytes of their files."""
    batches: list[list[tuple[OpenTask, int]]] = []
    room = 0
    for task, size in zip(tasks, sizes, strict=True):
        if not batches or size > room or len(batches[-1]) >= BATCH_TASKS:
            batches.append([])
            room = BATCH_BYTES
        batches[-1].append((task, size))
        room = max(room - size, 0)
    return batches


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError as error:
        raise StorageError(f"it cannot be read ({error.strerror})", where=str(path)) from error


class Told:
    """Archive bytes read, for the progress bar; what a batch did not report while it ran is added when it ends."""

    def __init__(self, progress: Progress, total_bytes: int) -> None:
        self._progress = progress
        self._lock = threading.Lock()
        self._ahead = 0
        progress.begin(KEY, "Reading archives", total_bytes)

    def more(self, amount: int) -> None:
        with self._lock:
            self._ahead += amount
        self._progress.advance(KEY, amount)

    def done(self, size_bytes: int) -> None:
        """A batch is over."""
        with self._lock:
            known = min(self._ahead, size_bytes)
            self._ahead -= known
        self._progress.advance(KEY, size_bytes - known)


class Opener:
    """Opens batches of tasks: from the store where it can, by a worker where it must."""

    def __init__(self, pool: Pool, store: Store | None, limits: Limits, held: contextlib.ExitStack) -> None:
        self._pool = pool
        self._held = held
        self._folder: Path | None = None if store else pool.scratch
        self._lock = threading.Lock()
        self._store = store
        self._limits = limits
        self._parts = count()

    def open(self, batch: list[OpenTask]) -> list[Opened]:
        """The archives of one batch, in order."""
        depth = self._limits.depth
        orders = [Order(replace(task, nested=min(task.nested, depth)), self._limits) for task in batch]
        return [self._opened(found, Spare(found.order)) for found in self._find(orders)]

    def _find(self, orders: list[Order]) -> list[Decoded]:
        known = [self._known(order) for order in orders]
        todo = [order for order, found in zip(orders, known, strict=True) if found is None]
        decoded = iter(self._decode(todo) if todo else [])
        return [found or next(decoded) for found in known]

    def _known(self, order: Order) -> Decoded | None:
        if not self._store or not order.task.sha256:
            return None
        key = key_of(order.task.sha256, order)
        loaded = self._store.load(key)
        return Decoded(replace(order, data=str(self._store.path(key))), *loaded) if loaded else None

    def _decode(self, orders: list[Order]) -> list[Decoded]:
        orders = [self._with_data(order) for order in orders]
        try:
            return [self._keep(result) for result in self._pool.session().decode(orders)]
        finally:
            for order in orders:
                if self._store and order.data:
                    Path(order.data).unlink(missing_ok=True)

    def _with_data(self, order: Order) -> Order:
        if not self._store and not order.task.nested:
            return order
        return replace(order, data=str(self._beside() / f"{next(self._parts)}.data"))

    def _beside(self) -> Path:
        """Where members' bytes go first: on the store's disk, for the last rename; made once something is decoded, so
        that a store that cannot be written serves whom it has enough for."""
        with self._lock:
            if self._folder is None:
                assert self._store
                self._folder = self._held.enter_context(scratch(self._store.folder, "run-"))
            return self._folder

    def _keep(self, result: Decoded) -> Decoded:
        """Gives the data file its final name and writes the listing, unless another run may fare better."""
        order, summary, data = result.order, result.ended, result.data
        if self._store and summary.sha256:
            key = key_of(summary.sha256, order)
            if result.lasting:
                data = self._store.save(key, data, result.entries, summary)
            elif summary.data_bytes:
                data = move(data, self._store.path(key))  # without a listing: the next run decodes again
        result.order = replace(order, data=str(data))
        return result

    def _opened(self, found: Decoded, spare: Spare) -> Opened:
        """As the rest of discprep sees it, with the archives inside opened in their members' places."""
        task, summary = found.order.task, found.ended
        if summary.format == "file":
            members = [
                Unpacked(one.member, Content(task.path, found.order.offset_bytes, one.member.size_bytes, one.sha256))
                for one in found.entries
            ]
            return Opened(task.path, summary.sha256, "file", tuple(members), summary.problems, summary.notices)
        spare.take(found)
        merge = Merge()
        for entry in found.entries:
            unpacked = entry.unpacked(found.data)
            opens = bool(entry.inner and task.nested) and spare.allows(entry.member.name, merge.problems)
            inner = self._inside(found, entry, spare) if opens else None
            merge.add(unpacked, inner)
        problems, notices = (*summary.problems, *merge.problems), (*summary.notices, *merge.notices)
        lacks = tuple(dict.fromkeys((*summary.lacks, *merge.lacks)))
        return Opened(task.path, summary.sha256, summary.format, tuple(merge.members), problems, notices, lacks=lacks)

    def _inside(self, found: Decoded, entry: Entry, spare: Spare) -> Opened:
        task, member = found.order.task, entry.member
        inner = OpenTask(found.data, entry.sha256, task.charset, task.nested - 1, member.name.rpartition("/")[2])
        order = Order(inner, spare.limits, entry.offset_bytes, member.size_bytes)
        return self._opened(self._find([order])[0], spare)


class Spare:
    """What archives inside archives may still hold. All levels share the limits of the outermost, since the bytes of
    each of them lie on the disk at once; its ratio bounds them all together, else each level could multiply."""

    def __init__(self, order: Order) -> None:
        """`order`: the outermost archive's, of which nothing was taken yet."""
        limits, self._told = order.limits, False
        self._limits, self._members, self._bytes = limits, limits.members, limits.total_bytes
        if limits.ratio:
            self._bytes = min(self._bytes, max(limits.ratio_bytes, limits.ratio * _size(order.task.path)))

    def take(self, found: Decoded) -> None:
        """Counts the members of one archive, at whatever level."""
        self._members -= len(found.entries)
        self._bytes -= sum(entry.member.size_bytes for entry in found.entries)

    def allows(self, name: str, problems: list[str]) -> bool:
        """Whether one more archive may be opened; the first that may not is told."""
        if self._bytes > 0 and self._members > 0:
            return True
        if not self._told:
            problems.append(f"{name}: not opened, nor any archive after it: those before it reach the limits of all")
        self._told = True
        return False

    @property
    def limits(self) -> Limits:
        """The limits of the next archive inside."""
        return replace(self._limits, members=max(self._members, 0), total_bytes=max(self._bytes, 0))


class Merge:
    """Members of an archive and of those inside it, in one list."""

    def __init__(self) -> None:
        self.members: list[Unpacked] = []
        self.problems, self.notices = Remarks(), Remarks()
        self.lacks: list[tuple[str, str]] = []

    def add(self, unpacked: Unpacked, inner: Opened | None) -> None:
        """A member; with `inner`, the archive that it is: it becomes a folder with that archive's members."""
        name = unpacked.member.name
        if inner is not None:
            self.problems.extend(f"{name}: {problem}" for problem in inner.problems)
            self.notices.extend(f"{name}: {notice}" for notice in inner.notices)
            self.lacks += inner.lacks
        if inner is None or not inner.members:
            self._append(unpacked)
            return
        folder = replace(unpacked.member, kind="folder", size_bytes=0, checksum="")
        self._append(Unpacked(folder))
        for entry in inner.members:
            self._append(replace(entry, member=replace(entry.member, name=f"{name}/{entry.member.name}")))

    def _append(self, unpacked: Unpacked) -> None:
        if unpacked.member.index != len(self.members):
            unpacked = replace(unpacked, member=replace(unpacked.member, index=len(self.members)))
        self.members.append(unpacked)

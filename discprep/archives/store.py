"""Decoded archives at rest: one data file an archive, a listing beside it, both named by what they come from.

A listing is JSON with a checksum of its own, so a damaged one is noticed and the archive decoded again. Neither
file is synced to the disc: what a power failure spoils is found by those checksums, and the store holds nothing that
cannot be made again.
"""

from __future__ import annotations

import hashlib
import json
import os
import threading
from collections.abc import Iterable, Iterator
from dataclasses import astuple, dataclass, replace
from itertools import count
from pathlib import Path

from discprep.archives.pool import Decoded, Pool
from discprep.archives.task import Entry, OpenTask, Order, Summary, written
from discprep.errors import IntegrityError, StorageError
from discprep.model import Content, Limits, Opened, Progress, Silent, Unpacked

LISTING_VERSION = 1
BATCH_BYTES = 2**19  # small archives go to a worker together
BATCH_TASKS = 32
READ_BYTES = 2**20
KEY = "archives"


class Store:
    """A folder of data files and listings."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder.absolute()  # a worker runs in a folder of its own
        folder.mkdir(parents=True, exist_ok=True)

    def data(self, key: str) -> Path:
        """The data file of an archive."""
        return self.folder / f"{key}.data"

    def part(self, number: int | str) -> Path:
        """Where a worker writes; the number is one of this run."""
        return self.folder / f"{os.getpid()}-{number}.part"

    def load(self, key: str) -> tuple[list[Entry], Summary] | None:
        """A listing that is whole and whose data file is there in full; None otherwise."""
        try:
            body, _, checksum = self._listing(key).read_bytes().partition(b"\n")
            if hashlib.sha256(body).hexdigest().encode() != checksum.strip():
                return None
            head, entries = json.loads(body)
            summary = Summary.of(head)
            if summary.data_bytes and self.data(key).stat().st_size != summary.data_bytes:
                return None
        except OSError:
            return None
        return [Entry.of(values) for values in entries], summary

    def save(self, key: str, entries: Iterable[Entry], summary: Summary) -> None:
        """Writes a listing; its data file stands already."""
        body = written([astuple(summary), [entry.values() for entry in entries]])
        part = self.part(key[:80])
        part.write_bytes(body + hashlib.sha256(body[:-1]).hexdigest().encode() + b"\n")
        part.replace(self._listing(key))

    def forget(self, key: str) -> None:
        """The archive is decoded again next time."""
        self._listing(key).unlink(missing_ok=True)

    def _listing(self, key: str) -> Path:
        return self.folder / f"{key}.listing"


def key_of(sha256: str, place: Place) -> str:
    """Names an archive's files in the store: its hash, then a hash of all that decides how it is read."""
    task = place.task
    options = json.dumps([LISTING_VERSION, task.charset, task.nested > 0, task.name, astuple(place.limits)])
    return f"{sha256}-{hashlib.sha256(options.encode()).hexdigest()[:12]}"


def open_tasks(
    tasks: list[OpenTask], store: Store | None, limits: Limits, workers: int | None, progress: Progress | None
) -> Iterator[Opened]:
    """See `discprep.archives.open_all`. Without a store members are only hashed; their contents have no path."""
    told = Told(progress or Silent(), tasks)
    batches = list(_batches(tasks))
    with Pool(min(workers or os.cpu_count() or 1, max(len(batches), 1)), told.more) as pool:
        opener = Opener(pool, store, limits)
        try:
            for batch, results in zip(batches, pool.map(opener.open, batches), strict=True):
                told.done(batch)
                yield from results
        finally:
            told.end()


def _batches(tasks: list[OpenTask]) -> Iterator[list[OpenTask]]:
    batch: list[OpenTask] = []
    size = 0
    for task in tasks:
        size += _size(task.path)
        if batch and (size > BATCH_BYTES or len(batch) >= BATCH_TASKS):
            yield batch
            batch, size = [], _size(task.path)
        batch.append(task)
    if batch:
        yield batch


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError as error:
        raise StorageError(f"it cannot be read ({error.strerror})", where=str(path)) from error


class Told:
    """Archive bytes read, for the progress bar; what a batch did not report while it ran is added when it ends."""

    def __init__(self, progress: Progress, tasks: list[OpenTask]) -> None:
        self._progress = progress
        self._lock = threading.Lock()
        self._ahead = 0
        progress.begin(KEY, "Reading archives", sum(_size(task.path) for task in tasks))

    def more(self, amount: int) -> None:
        """Bytes read just now."""
        with self._lock:
            self._ahead += amount
        self._progress.advance(KEY, amount)

    def done(self, batch: list[OpenTask]) -> None:
        """A batch is over."""
        total = sum(_size(task.path) for task in batch)
        with self._lock:
            known = min(self._ahead, total)
            self._ahead -= known
        self._progress.advance(KEY, total - known)

    def end(self) -> None:
        """All is over."""
        self._progress.end(KEY)


@dataclass(frozen=True, slots=True)
class Place:
    """What is to be opened: a task's whole file, or a member of an archive, which is a part of a data file."""

    task: OpenTask
    limits: Limits
    offset_bytes: int = 0
    size_bytes: int | None = None


@dataclass(frozen=True, slots=True)
class Found:
    """An archive as listed, and where its bytes are."""

    data: Path
    entries: list[Entry]
    summary: Summary


class Opener:
    """Opens batches of tasks: from the store where it can, by a worker where it must."""

    def __init__(self, pool: Pool, store: Store | None, limits: Limits) -> None:
        self._pool = pool
        self._store = store
        self._limits = limits
        self._parts = count()

    def open(self, batch: list[OpenTask]) -> list[Opened]:
        """The archives of one batch, in order."""
        depth = self._limits.depth
        places = [Place(replace(task, nested=min(task.nested, depth)), self._limits) for task in batch]
        return [self._opened(place, found) for place, found in zip(places, self._find(places), strict=True)]

    def _find(self, places: list[Place]) -> list[Found]:
        known = [self._known(place) for place in places]
        todo = [place for place, found in zip(places, known, strict=True) if found is None]
        decoded = iter(self._decode(todo) if todo else [])
        return [found or next(decoded) for found in known]

    def _known(self, place: Place) -> Found | None:
        if not self._store or not place.task.sha256:
            return None
        key = key_of(place.task.sha256, place)
        loaded = self._store.load(key)
        return Found(self._store.data(key), *loaded) if loaded else None

    def _decode(self, places: list[Place]) -> list[Found]:
        orders = [self._order(place) for place in places]
        try:
            results = self._pool.session().decode(orders)
            return [self._keep(place, result) for place, result in zip(places, results, strict=True)]
        finally:
            for order in orders:
                if self._store and order.data:
                    Path(order.data).unlink(missing_ok=True)

    def _order(self, place: Place) -> Order:
        task, data = place.task, None
        if self._store:
            data = self._store.part(next(self._parts))
        elif task.nested:
            data = self._pool.scratch / f"{next(self._parts)}.data"
        return Order(
            str(task.path.absolute()), task.name, task.sha256, task.charset, place.limits,
            place.offset_bytes, place.size_bytes, str(data) if data else None, mark_inner=task.nested > 0,
        )  # fmt: skip

    def _keep(self, place: Place, result: Decoded) -> Found:
        """Gives the data file its final name and writes the listing, unless another run may fare better."""
        order, summary = result.order, result.summary
        assert summary is not None
        data = Path(order.data or "")
        if self._store and summary.sha256:
            key = key_of(summary.sha256, place)
            if summary.data_bytes:
                data = data.replace(self._store.data(key))
            if result.lasting:
                self._store.save(key, result.entries, summary)
        return Found(data, result.entries, summary)

    def _opened(self, place: Place, found: Found) -> Opened:
        """As the rest of discprep sees it, with the archives inside opened in their members' places."""
        task, summary = place.task, found.summary
        if summary.format == "file":
            members = [self._whole_file(place, entry) for entry in found.entries]
            return Opened(task.path, summary.sha256, "file", tuple(members), summary.problems, summary.notices)
        merge = Merge(place.limits)
        for entry in found.entries:
            unpacked = entry.unpacked(found.data)
            inner = self._inside(place, found, entry, merge) if entry.inner and task.nested else None
            merge.add(unpacked, inner)
        problems, notices = (*summary.problems, *merge.problems), (*summary.notices, *merge.notices)
        return Opened(task.path, summary.sha256, summary.format, tuple(merge.members), problems, notices)

    def _whole_file(self, place: Place, entry: Entry) -> Unpacked:
        content = Content(place.task.path, place.offset_bytes, entry.member.size_bytes, entry.sha256)
        return Unpacked(entry.member, content)

    def _inside(self, place: Place, found: Found, entry: Entry, merge: Merge) -> Opened:
        task, member = place.task, entry.member
        inner = OpenTask(found.data, entry.sha256, task.charset, task.nested - 1, member.name.rpartition("/")[2])
        inner_place = Place(inner, merge.left(), entry.offset_bytes, member.size_bytes)
        return self._opened(inner_place, self._find([inner_place])[0])


class Merge:
    """Members of an archive and of those inside it, in one list; all of them count against the same limits."""

    def __init__(self, limits: Limits) -> None:
        self._limits = limits
        self._bytes = 0
        self.members: list[Unpacked] = []
        self.problems: list[str] = []
        self.notices: list[str] = []

    def left(self) -> Limits:
        """What archives inside may still hold."""
        limits = self._limits
        return replace(
            limits,
            members=max(limits.members - len(self.members), 0),
            total_bytes=max(limits.total_bytes - self._bytes, 0),
        )

    def add(self, unpacked: Unpacked, inner: Opened | None) -> None:
        """A member; with `inner`, the archive that it is: it becomes a folder with that archive's members."""
        name = unpacked.member.name
        if inner is not None:
            self.problems += [f"{name}: {problem}" for problem in inner.problems]
            self.notices += [f"{name}: {notice}" for notice in inner.notices]
        if inner is None or not inner.members:
            self._append(unpacked)
            return
        folder = replace(unpacked.member, kind="folder", size_bytes=0, checksum="")
        self._append(Unpacked(folder))
        for entry in inner.members:
            self._append(replace(entry, member=replace(entry.member, name=f"{name}/{entry.member.name}")))

    def _append(self, unpacked: Unpacked) -> None:
        self._bytes += unpacked.member.size_bytes
        member = replace(unpacked.member, index=len(self.members))
        self.members.append(replace(unpacked, member=member))


def read_content(content: Content) -> Iterator[bytes]:
    """See `discprep.archives.read_content`."""
    digest = hashlib.sha256()
    try:
        with content.path.open("rb") as file:
            file.seek(content.offset_bytes)
            left = content.size_bytes
            while left > 0 and (piece := file.read(min(left, READ_BYTES))):
                digest.update(piece)
                left -= len(piece)
                yield piece
    except OSError as error:
        raise StorageError(f"it cannot be read ({error.strerror})", where=str(content.path)) from error
    if digest.hexdigest() != content.sha256:
        if content.path.suffix == ".data":
            Store(content.path.parent).forget(content.path.stem)
        raise IntegrityError(
            f"expected sha256 {content.sha256}, got {digest.hexdigest()}: the copy on this host is damaged",
            where=str(content.path),
            hint="Run the same command again: the archive is unpacked anew.",
        )

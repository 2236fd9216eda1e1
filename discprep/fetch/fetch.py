"""All items at once: from the cache, from a folder at hand, from their sources; pinned; what is missing is listed."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

from discprep.errors import DiscprepError, IntegrityError, ManifestError, StorageError
from discprep.fetch.cache import Cache, Known
from discprep.fetch.digest import Digests, differs, key_of
from discprep.fetch.download import Changed, Downloader, Got, Meter, Wanted
from discprep.fetch.files import storage
from discprep.fetch.look import LookIn
from discprep.fetch.outcome import Looked, Outcome, changed_error, missing_error, pin_for, remark_first
from discprep.fetch.part import drop_part
from discprep.fetch.pins import merge_pins
from discprep.fetch.settings import FetchSettings
from discprep.fetch.source import host, shown
from discprep.fetch.transport import Run, SourceFault, Stopped
from discprep.model import WHOLE, Fetched, Item, Notice, Pin, Progress, Silent

_LET_GO_S = 3.0  # how long an interrupted run waits for its transfers
_LOCK_POLL_S = 0.05
_DAY_S = 86400
_BORN_S = 1_767_225_600  # 2026-01-01 UTC: this program is no older, so a clock that shows less is wrong
_CUT_SHORT = "not tried to the end: the run was stopped"

TryNew = Callable[[Item, Path], Sequence[DiscprepError]]
"""Given an item and the path of its new bytes: what would go wrong with them (edits that no longer match)."""


@dataclass(frozen=True, slots=True)
class FetchReport:
    """What became of every item, in the order given."""

    items: tuple[Fetched, ...]
    errors: tuple[DiscprepError, ...]
    notices: tuple[Notice, ...]
    elapsed_s: float

    @property
    def moved_bytes(self) -> int:
        """What crossed the network [B]."""
        return sum(entry.moved_bytes for entry in self.items)

    def path(self, item_id: str) -> Path | None:
        """Where an item's verified bytes are; None while it is missing. Raises KeyError for an unknown id."""
        return {entry.item: entry.path for entry in self.items}[item_id]


def fetch_items(
    items: Sequence[Item],
    pins: Mapping[str, Pin],
    cache: Cache,
    settings: FetchSettings = FetchSettings(),  # noqa: B008  a frozen record
    progress: Progress | None = None,
    *,
    pins_path: Path | None = None,
    look_in: LookIn | None = None,
    renew: Iterable[str] = (),
    try_new: TryNew | None = None,
    sleep: Callable[[float], None] | None = None,
) -> FetchReport:
    """Brings every item into the cache, verified, and writes the pins of what is new.

    Goes on past whatever fails. A full disk, or one that refuses, ends it early; what is whole by then is kept.

    Arguments:
        pins: the pins known so far by item id
        pins_path: where new pins are written; an item's own `pins_file` comes first; None: nowhere
        look_in: a folder of files got by hand
        renew: ids whose pin is to move to what their source has now
        try_new: tries an item's new bytes before its pin moves; its faults keep the pin where it is
        sleep: waits between attempts [s]; the run's own when None

    Returns: a report; its `errors` say what is missing and why, `notices` what deserves a look.

    Raises:
        ManifestError: a pins file was damaged meanwhile
        StorageError: the pins cannot be written
        KeyboardInterrupt: after what came so far was put on the disk and pinned
    """
    run = _Fetch(items, pins, cache, settings, progress or Silent(), set(renew), try_new, Run(settings, sleep=sleep))
    return run.go(pins_path, look_in)


@dataclass(eq=False)
class _Fetch:
    """One run over all items. Each worker fills the outcome of its own item only."""

    items: Sequence[Item]
    pins: Mapping[str, Pin]
    cache: Cache
    settings: FetchSettings
    progress: Progress
    renew: set[str]
    try_new: TryNew | None
    run: Run

    def __post_init__(self) -> None:
        self.outcomes = {item.id: Outcome(item) for item in self.items}
        self.notices: list[Notice] = []
        self.looked: Looked | None = None
        self.bugs: list[BaseException] = []
        self.ending = threading.Lock()

    def go(self, pins_path: Path | None, look_in: LookIn | None) -> FetchReport:
        started_s = time.monotonic()
        self.cache.sweep(self.settings.part_age_max_days)
        try:
            pending = [item for item in self.items if not self._settled(self.outcomes[item.id])]
            self._drop_leftovers({item.id for item in pending})
            if look_in and pending:
                pending = self._adopt(pending, look_in)
            if pending:
                self._fetch(pending)
                self.notices += _clock_notices()
        finally:
            self._write_pins(pins_path)
        outcomes = [self.outcomes[item.id] for item in self.items]
        return FetchReport(
            items=tuple(outcome.record() for outcome in outcomes),
            errors=tuple(error for outcome in outcomes for error in outcome.errors),
            notices=(*self.notices, *(notice for outcome in outcomes for notice in outcome.notices)),
            elapsed_s=time.monotonic() - started_s,
        )

    # -- what is at hand

    def _settled(self, outcome: Outcome) -> bool:
        """Whether an item needs nothing more: it is in the cache, or contradicts its pin."""
        item = outcome.item
        if item.id in self.renew:
            return False
        pin = self.pins.get(item.id)
        if pin and item.hashes.sha256 not in (None, pin.sha256):
            outcome.state = "changed"
            outcome.errors.append(
                ManifestError(
                    f"the manifest says SHA-256 {item.hashes.sha256}, its pin {pin.sha256}; neither was used",
                    where=item.where,
                    item=item.id,
                    hint=f"--renew {item.id} moves the pin to what the manifest says.",
                )
            )
            return True
        return self._cached(outcome)

    def _drop_leftovers(self, pending: set[str]) -> None:
        """Parts of items that are settled: what a run left that was cut off right after it kept one."""
        sources = {source for item in self.items if item.id not in pending for source in item.sources}
        self.cache.drop_parts(key_of("source", source) for source in sources)

    def _cached(self, outcome: Outcome) -> bool:
        """Takes the item from the cache by its hash; one without any, if it came just before a run was cut off."""
        item, pin = outcome.item, self.pins.get(outcome.item.id)
        sha256 = item.hashes.sha256 or (pin.sha256 if pin else None)
        recent = None if sha256 else next(filter(None, map(self.cache.recent, map(shown, item.sources))), None)
        sha256 = recent.sha256 if recent else sha256
        path = self.cache.find(sha256) if sha256 else None
        known = self.cache.known(sha256) if sha256 else None
        if path is None or known is None or self._wrong(item, known, path):
            return False
        outcome.state, outcome.path, outcome.pin = "cached", path, pin or pin_for(item, known)
        if pin is None:
            remark_first(outcome, known.source)
        return True

    def _wrong(self, item: Item, known: Known, path: Path) -> str:
        """What a cached object lacks to be this item: its size, or a weak hash that nothing stronger stands for."""
        if item.size_bytes not in (None, known.size_bytes):
            return f"expected {item.size_bytes:,} bytes, got {known.size_bytes:,}"
        if item.hashes.sha256 or not item.hashes.any or item.id in self.pins:
            return ""
        digests = Digests(item.hashes)
        with storage("reading the cache", path):
            digests.read(path)
        return differs(item.hashes, digests.hashes)

    def _adopt(self, pending: Sequence[Item], look_in: LookIn) -> list[Item]:
        """Takes what the folder holds, and returns what is still wanted."""
        found = look_in.find(pending, {item.id: self._wanted(item) for item in pending}, self.progress)
        self.notices += found.notices
        self.looked = Looked(look_in.folder, frozenset(notice.item for notice in found.notices))
        for item_id, path in found.matches.items():
            outcome = self.outcomes[item_id]
            known = self.cache.adopt(path, expected=self._wanted(outcome.item).strong)
            outcome.note(f"taken from {path}")
            self._accept(outcome, known, path.name, "adopted")
        return [item for item in pending if item.id not in found.matches]

    def _wanted(self, item: Item) -> Wanted:
        pin = None if item.id in self.renew or item.hashes.sha256 else self.pins.get(item.id)
        return Wanted(item.hashes, item.size_bytes, pin.sha256 if pin else None, pin.size_bytes if pin else None)

    # -- over the network

    def _fetch(self, pending: list[Item]) -> None:
        downloader = Downloader(self.run)
        sizes = [self._wanted(item).likely_bytes for item in pending]
        total_bytes = None if None in sizes else sum(filter(None, sizes))
        self.progress.begin(WHOLE, f"fetching {len(pending)} items", total_bytes)
        queue = _Queue(pending, self.run)
        crew = _Crew(min(self.settings.workers, len(pending)), lambda: self._work(queue, downloader))
        try:
            crew.wait(None)
        except BaseException:
            self.run.stop.set()
            crew.wait(_LET_GO_S)
            raise
        finally:
            self.progress.end(WHOLE)
            downloader.close()
        if self.bugs:
            raise self.bugs[0]

    def _work(self, queue: _Queue, downloader: Downloader) -> None:
        """One worker: item after item, until none is left or the run stops."""
        while item := queue.take():
            outcome = self.outcomes[item.id]
            try:
                self._one(outcome, downloader)
            except Stopped:
                outcome.tried.append(_CUT_SHORT)
            except StorageError as error:
                self._disk_refuses(outcome, error)
            except DiscprepError as error:
                outcome.errors.append(error)
                outcome.state = "failed"
            except BaseException as error:  # handed to the thread that waits
                self.bugs.append(error)
                self.run.stop.set()
            finally:
                queue.done()

    def _disk_refuses(self, outcome: Outcome, error: StorageError) -> None:
        """Ends the run: the other items would meet the same. Said once, with what was kept."""
        with self.ending:
            if self.run.stop.is_set():
                outcome.tried.append(_CUT_SHORT)
                return
            self.run.stop.set()
        whole = sum(each.path is not None for each in self.outcomes.values())
        kept = f"{whole} of {len(self.items)} items are whole and kept, the rest was not fetched"
        told = StorageError(error.message, where=error.where, item=outcome.item.id, hint=error.hint, kept=kept)
        outcome.state = "failed"
        outcome.errors.append(told)

    def _one(self, outcome: Outcome, downloader: Downloader) -> None:
        item, wanted = outcome.item, self._wanted(outcome.item)
        key = wanted.strong or key_of("item", *(item.sources or (item.id,)))
        with self.cache.lock(key).held(self._waiter(item)) as waited:
            if waited:
                self.cache.reload()
            if item.id not in self.renew and self._cached(outcome):
                return
            faults: list[tuple[str, SourceFault]] = []
            for source in item.sources:
                try:
                    self._from(outcome, source, wanted, downloader)
                except SourceFault as fault:
                    faults.append((source, fault))
                    outcome.tried.append(f"{shown(source)}: {fault.message}")
                    continue
                self._remark_dead(outcome, faults)
                return
            self._nothing(outcome, faults)

    def _from(self, outcome: Outcome, source: str, wanted: Wanted, downloader: Downloader) -> None:
        """Fetches from one source, keeps it and drops what other sources left half-done. Raises SourceFault."""
        item, key = outcome.item, f"fetch {outcome.item.id}"
        part = self._part(source)
        meter = Meter(lambda size_bytes: self.progress.advance(key, size_bytes))
        self.progress.begin(key, item.id, wanted.likely_bytes)
        try:
            with self.cache.lock(part.name).held(self._waiter(item)):
                got = downloader.get(source, wanted, part, meter)
                known = self.cache.keep(got.path, got.digests, date_s=_sane_date(got), source=shown(source))
                for other in item.sources:
                    drop_part(self._part(other))
        finally:
            self.progress.end(key)
            outcome.moved_bytes += meter.network_bytes
        self._accept(outcome, known, got.source, "fetched")

    def _part(self, source: str) -> Path:
        return self.cache.parts / key_of("source", source)

    def _waiter(self, item: Item) -> Callable[[], None]:
        """Waits for another run's lock, saying so once."""
        started_s, said = time.monotonic(), False

        def wait() -> None:
            nonlocal said
            if not said and time.monotonic() - started_s > 1:
                said = True
                self.progress.say(f"{item.id}: another run is fetching it; waiting")
            self.run.stop.wait(_LOCK_POLL_S)
            self.run.check()

        return wait

    def _nothing(self, outcome: Outcome, faults: Sequence[tuple[str, SourceFault]]) -> None:
        """No source gave it. That a source has another file than was pinned matters most."""
        pin = self.pins.get(outcome.item.id)
        changed = next(((s, f) for s, f in faults if isinstance(f, Changed)), None)
        if pin and changed:
            source, fault = changed
            outcome.state = "changed"
            outcome.errors.append(changed_error(outcome.item, pin, fault.sha256, fault.size_bytes, source))
            return
        outcome.state = "failed" if faults else "missing"
        outcome.errors.append(missing_error(outcome.item, faults, self.looked))

    def _remark_dead(self, outcome: Outcome, faults: Sequence[tuple[str, SourceFault]]) -> None:
        for source, fault in faults:
            outcome.note(f"{shown(source)}: {fault.message}; another source gave it")

    # -- what is new

    def _accept(self, outcome: Outcome, known: Known, came_from: str, state: Literal["fetched", "adopted"]) -> None:
        """Pins what came, or moves the pin if that was asked for."""
        item, old = outcome.item, self.pins.get(outcome.item.id)
        new = pin_for(item, known)
        moves = item.id in self.renew and old is not None and old.sha256 != new.sha256
        if old and moves and not self._may_move(outcome, old, new):
            return
        outcome.state, outcome.path = state, self.cache.path_of(known.sha256)
        outcome.pin = new if old is None or moves else old
        if old is None or moves:
            remark_first(outcome, came_from)
        elif item.id in self.renew:
            outcome.note(f"unchanged at its source: SHA-256 {old.sha256}; the pin stays")

    def _may_move(self, outcome: Outcome, old: Pin, new: Pin) -> bool:
        """Tries the new bytes; says old and new."""
        item = outcome.item
        change = f"pinned SHA-256 {old.sha256} ({old.size_bytes:,} bytes), now {new.sha256} ({new.size_bytes:,} bytes)"
        faults = self.try_new(item, self.cache.path_of(new.sha256)) if self.try_new else ()
        if not faults:
            outcome.note(f"{change}; the pin was moved, the old bytes stay in the cache")
            return True
        outcome.state, outcome.path, outcome.pin = "changed", self.cache.find(old.sha256), old
        outcome.errors += faults
        outcome.errors.append(
            IntegrityError(
                f"{change}; the new one does not pass, so the pin stays where it was",
                where=item.where,
                item=item.id,
                hint="Change the item's edits to fit the new one, then renew again; or keep the old one.",
            )
        )
        return False

    def _write_pins(self, pins_path: Path | None) -> None:
        """All new pins, each into the file it belongs to."""
        files: dict[Path, list[Pin]] = {}
        for outcome in self.outcomes.values():
            path = outcome.item.pins_file or pins_path
            if path and outcome.pin and outcome.path and outcome.pin != self.pins.get(outcome.item.id):
                files.setdefault(path, []).append(outcome.pin)
        for path, pins in files.items():
            merge_pins(path, pins)


class _Crew:
    """Threads that do one work together. They end with the process, and are waited for by an event: a join that
    Ctrl-C breaks into takes a running thread for a finished one (CPython 3.11 and older)."""

    def __init__(self, size: int, work: Callable[[], None]) -> None:
        self._left = size
        self._lock = threading.Lock()
        self._over = threading.Event()
        for number in range(size):
            threading.Thread(target=self._run, args=(work,), name=f"fetch-{number}", daemon=True).start()

    def wait(self, seconds: float | None) -> None:
        """Until all are done, at most so long."""
        until_s = None if seconds is None else time.monotonic() + seconds
        while not self._over.wait(0.5) and (until_s is None or time.monotonic() < until_s):
            pass

    def _run(self, work: Callable[[], None]) -> None:
        try:
            work()
        finally:
            with self._lock:
                self._left -= 1
                if self._left == 0:
                    self._over.set()


class _Queue:
    """Pending items; the next is the first whose host has a connection free, so that no host holds up another."""

    def __init__(self, items: Sequence[Item], run: Run) -> None:
        self._items = list(items)
        self._run = run
        self._turn = threading.Condition()

    def take(self) -> Item | None:
        """The next item, after a wait if need be; None when there is none or the run stops."""
        with self._turn:
            while self._items and not self._run.stop.is_set():
                for index, item in enumerate(self._items):
                    if self._run.has_room(host(item.sources[0]) if item.sources else ""):
                        return self._items.pop(index)
                self._turn.wait(0.2)
            return None

    def done(self) -> None:
        """An item is over: its connection is free."""
        with self._turn:
            self._turn.notify_all()


def _clock_notices() -> Iterator[Notice]:
    shown_s = int(time.time())
    if shown_s < _BORN_S:
        yield Notice(
            f"the clock of this computer shows {datetime.fromtimestamp(shown_s, UTC):%Y-%m-%d}, before this program "
            f"was made: what came without a date of its own is dated {datetime.fromtimestamp(_BORN_S, UTC):%Y-%m-%d}",
            hint="Set the clock. Certificates of servers are judged by it too.",
        )


def _sane_date(got: Got) -> int:
    """The server's date for the file, unless it lies in the future or before 1970; then now, or what is surely past."""
    now_s = max(int(time.time()), _BORN_S)
    return got.date_s if got.date_s is not None and 0 <= got.date_s <= now_s + _DAY_S else now_s

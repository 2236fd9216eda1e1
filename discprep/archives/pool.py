"""Worker processes: started when needed, used for many archives, watched, and replaced when they die or hang.

A worker is a fresh interpreter that imports only what decoding needs (no fork: this process may hold threads, locks
and open files), and speaks lines over pipes. Members are decoded straight into the data file, so that isolation
costs no copying. When a worker dies, the order is repeated from the first unreported member with every member
announced; dying again blames the member that was announced, and a fresh worker goes on with the next.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor, wait
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, TypeVar

from discprep.archives.task import Entry, Order, Summary, written
from discprep.errors import DiscprepError, StorageError
from discprep.fetch.files import scratch

DEATHS_MAX = 8  # workers that one archive may cost before its other members are only listed
WATCH_S = 0.2
GRACE_S = 2.0  # for a worker to end by itself once its pipes are closed
START_S = 60.0
ERRORS = "errors.txt"
READY = b"ready\n"
_PACKAGES = str(Path(__file__).resolve().parent.parent.parent)
# Collecting garbage while modules are imported finds none and takes a twentieth of the time.
_START = "import gc, sys; gc.disable(); sys.path[:] = sys.argv[2:]; from discprep.archives.worker import main; main()"

T = TypeVar("T")
R = TypeVar("R")


@dataclass
class Decoded:
    """What became of one order: its members and the summary."""

    order: Order
    entries: list[Entry] = field(default_factory=list)
    summary: Summary | None = None
    deaths: int = 0
    announced: Entry | None = None  # the member being decoded

    @property
    def data(self) -> Path:
        """Where the members' bytes are."""
        return Path(self.order.data or "")

    @property
    def ended(self) -> Summary:
        """The summary, once there is one."""
        assert self.summary
        return self.summary

    @property
    def lasting(self) -> bool:
        """Whether another run would come out the same: nothing died, no library was missing."""
        lacks = self.summary.lacks if self.summary else ()
        return not self.deaths and not lacks and all(entry.lasting for entry in self.entries)

    def rest(self) -> Order:
        """The order for what is still to do."""
        ends = [e.offset_bytes + e.member.size_bytes for e in self.entries if e.sha256]
        return replace(
            self.order,
            start=len(self.entries),
            data_bytes=max(ends, default=0),
            careful=self.deaths > 0,
            decode=self.deaths < DEATHS_MAX,
        )

    def died(self, why: str) -> None:
        """A worker died over this order. In careful mode whatever was announced is to blame."""
        self.deaths += 1
        if self.deaths == 1:
            return
        if self.announced:
            self.entries.append(replace(self.announced, problem=why, lasting=False))
        elif self.deaths > 2:
            # Not over a member: the archive's own structure ended the worker.
            self.summary = Summary("file", self.order.task.sha256, 0, (f"reading its structure: {why}",))
        self.announced = None


class Died(Exception):
    """The worker is gone, in words."""


class Session:
    """One worker process after the other, and the orders given to it. Used by one thread; killed from any."""

    def __init__(self, scratch: Path, tell: Callable[[int], None]) -> None:
        self._scratch = scratch
        self._tell = tell
        self._process: subprocess.Popen[bytes] | None = None
        self._deadline_s = float("inf")
        self._allowed_s = 0.0
        self._timed_out = False
        self.closed = False

    def decode(self, orders: list[Order]) -> list[Decoded]:
        """Carries out the orders, whatever happens to the workers.

        Raises:
            StorageError: this host's disk failed
        """
        results = [Decoded(order) for order in orders]
        waiting = deque(results)
        while waiting:
            try:
                self._exchange(waiting)
            except Died as death:
                if self.closed:
                    raise StorageError("the work was stopped") from None
                waiting[0].died(str(death))
                if waiting[0].summary:
                    waiting.popleft()
        return results

    def watch(self, now_s: float) -> None:
        """Kills a worker whose time is up."""
        if now_s > self._deadline_s:
            self._timed_out = True
            self._kill()

    def close(self) -> None:
        """Ends the worker, at once."""
        self.closed = True
        self._kill()

    # ---------------------------------------------------------------------------------------- one exchange

    def _exchange(self, waiting: deque[Decoded]) -> None:
        process = self._running()
        batch = [result.rest().values() for result in waiting]
        self._allow(waiting[0].order.limits.floor_s)
        try:
            assert process.stdin is not None
            process.stdin.write(written(batch))
            process.stdin.flush()
        except OSError:
            raise self._death() from None
        while waiting:
            for kind, *values in self._answers(process):
                self._take(waiting[0], kind, values)
                if waiting[0].summary:
                    waiting.popleft()
        self._deadline_s = float("inf")

    def _answers(self, process: subprocess.Popen[bytes]) -> list[Any]:
        assert process.stdout is not None
        line = process.stdout.readline()
        if not line.endswith(b"\n"):
            raise self._death()
        return json.loads(line)  # type: ignore[no-any-return]

    def _take(self, result: Decoded, kind: str, values: list[Any]) -> None:
        if kind == "x":
            self._kill()
            hint = "Make room or change the rights, then run it again."
            raise StorageError(values[0], where=values[1], hint=hint)
        if kind == "b":
            self._allow(values[1])
            result.announced = Entry.of(values[2]) if values[2] else None
        elif kind == "p":
            self._tell(values[1])
        else:
            self._allow(result.order.limits.floor_s)
            result.announced = None
            if kind == "m":
                result.entries.append(Entry.of(values))
            else:
                result.summary = Summary.of(values)

    def _allow(self, allowed_s: float) -> None:
        self._allowed_s = allowed_s
        self._deadline_s = time.monotonic() + allowed_s

    # ---------------------------------------------------------------------------------------- the process

    def _running(self) -> subprocess.Popen[bytes]:
        if self._process is None:
            self._timed_out = False
            self._process = start_worker(self._scratch)
            if self.closed:
                self._kill()
            self._meet(self._process)
        return self._process

    def _meet(self, process: subprocess.Popen[bytes]) -> None:
        """Waits until the worker is ready: one that is not cannot blame the archive for ending."""
        assert process.stdout is not None
        self._allow(START_S)
        if process.stdout.readline() == READY:
            return
        self._death()
        if self.closed:
            raise StorageError("the work was stopped")
        said = (self._scratch / ERRORS).read_text("utf-8", "replace").strip().splitlines()
        raise DiscprepError(f"a worker process did not start: {said[-1] if said else 'it said nothing'}")

    def _death(self) -> Died:
        """Why the worker is gone; the next exchange starts another."""
        process, self._process = self._process, None
        self._deadline_s = float("inf")
        code = _ended(process)
        if self._timed_out:
            return Died(f"it took longer than {self._allowed_s:.0f} s to decode and was stopped")
        if code < 0:
            return Died(f"the decoder broke down on these bytes ({_signal_name(-code)})")
        return Died(f"the decoder ended on these bytes (code {code})")

    def _kill(self) -> None:
        process = self._process
        if process is not None:
            process.kill()


def _awaited(future: Future[R]) -> R:
    """The result, waited for in short turns: Windows tells of Ctrl-C only between two of them."""
    while not future.done():
        wait([future], WATCH_S)
    return future.result()


def _ended(process: subprocess.Popen[bytes] | None) -> int:
    if process is None:
        return 0
    for pipe in (process.stdin, process.stdout):
        try:
            if pipe is not None:
                pipe.close()
        except OSError:
            pass
    try:
        return process.wait(timeout=GRACE_S)
    except subprocess.TimeoutExpired:
        process.kill()
        return process.wait()


def _signal_name(number: int) -> str:
    try:
        return signal.Signals(number).name
    except ValueError:
        return f"signal {number}"


def start_worker(scratch: Path) -> subprocess.Popen[bytes]:
    """A worker process. It gets this process's import path instead of searching for site packages itself."""
    paths = [_PACKAGES, *[path for path in sys.path if path]]
    with (scratch / ERRORS).open("wb") as errors:
        return subprocess.Popen(
            [sys.executable, "-I", "-S", "-c", _START, str(scratch), *paths],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=errors,
            cwd=scratch,
        )


class Pool:
    """Sessions for some threads, a folder for temporary files, and the watch over the workers' time.

    A context manager: leaving it, however that happens, ends all workers and removes the folder.
    """

    def __init__(self, workers: int | None = None, tell: Callable[[int], None] = lambda done: None) -> None:
        self.workers = max(workers or os.cpu_count() or 1, 1)
        self._tell = tell
        self._sessions: list[Session] = []
        self._local = threading.local()
        self._lock = threading.Lock()
        self._over = threading.Event()

    def __enter__(self) -> Pool:
        self._held = scratch()
        self.scratch = self._held.__enter__()
        self._threads = ThreadPoolExecutor(self.workers, "archives")
        self._watcher = threading.Thread(target=self._watch, daemon=True)
        self._watcher.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        for session in list(self._sessions):
            session.close()
        self._threads.shutdown(wait=True, cancel_futures=True)
        for session in self._sessions:
            _ended(session._process)
        self._watcher.join()
        self._held.__exit__(None, None, None)

    def session(self) -> Session:
        """The session of the calling thread, with a scratch folder of its own."""
        session: Session | None = getattr(self._local, "session", None)
        if session is None:
            with self._lock:
                scratch = self.scratch / str(len(self._sessions))
                scratch.mkdir()
                session = self._local.session = Session(scratch, self._tell)
                self._sessions.append(session)
        return session

    def map(self, function: Callable[[T], R], things: Iterable[T]) -> Iterator[R]:
        """function(thing) for each, in the pool's threads; results in order, a few worked ahead."""
        ahead: deque[Future[R]] = deque()
        for thing in things:
            ahead.append(self._threads.submit(function, thing))
            if len(ahead) > 4 * self.workers:
                yield _awaited(ahead.popleft())
        while ahead:
            yield _awaited(ahead.popleft())

    def _watch(self) -> None:
        while not self._over.wait(WATCH_S):
            now_s = time.monotonic()
            for session in list(self._sessions):
                session.watch(now_s)

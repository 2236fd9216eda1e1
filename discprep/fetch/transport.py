"""What every way of getting bytes shares: one answer to one request, its faults, and the watch over its time."""

from __future__ import annotations

import socket
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, suppress
from dataclasses import dataclass, field
from typing import Protocol

from discprep.errors import FetchError
from discprep.fetch.settings import FetchSettings
from discprep.units import format_bytes, format_rate, format_seconds


class SourceFault(FetchError):
    """One source failed. The next may do; this one again only if `again`, after `pause_s` if the server said so.
    `unlike`: it has a file, which is not the one that the manifest's hash or size describes."""

    def __init__(
        self, message: str, *, again: bool = False, pause_s: float | None = None, kind: str = "", unlike: bool = False
    ) -> None:
        super().__init__(message)
        self.unlike = unlike
        self.again = again
        self.pause_s = pause_s
        self.kind = kind  # "content": it delivered, but not what was expected; "restart": only the resuming failed


class Stopped(Exception):
    """The run is ending: whoever waits or reads lets go."""


@dataclass(frozen=True, slots=True)
class Validators:
    """What a server said that tells one version of a file from another."""

    size_bytes: int | None = None
    etag: str = ""
    last_modified: str = ""
    date_s: int | None = None  # `last_modified` as seconds since 1970
    encoding: str = ""  # Content-Encoding of the bytes as they come

    @property
    def strong(self) -> str:
        """A validator good enough to join two parts (RFC 9110 13.1.5); empty if there is none."""
        if self.etag and not self.etag.startswith("W/"):
            return self.etag
        return ""


@dataclass(frozen=True, slots=True)
class Resume:
    """Go on from `offset_bytes` of what `validators` describe."""

    offset_bytes: int
    validators: Validators


@dataclass(slots=True)
class Answer:
    """A server that is about to send. `read(n)` gives what is there, at most n bytes, and b"" at the end."""

    offset_bytes: int  # of the first byte that comes: 0 or what was asked for
    validators: Validators
    read: Callable[[int], bytes]
    source: str  # where it came from in the end


class Run:
    """One run of fetching: its settings, hosts in use and whether it is to stop. Thread-safe."""

    def __init__(self, settings: FetchSettings, *, sleep: Callable[[float], None] | None = None) -> None:
        self.settings = settings
        self.stop = threading.Event()
        self._sleep = sleep
        self._hosts: dict[str, int] = {}
        self._changed = threading.Condition()

    def pause(self, seconds: float) -> None:
        """Waits, unless the run ends meanwhile. Raises Stopped."""
        if self._sleep:
            self._sleep(seconds)
        else:
            self.stop.wait(seconds)
        self.check()

    def check(self) -> None:
        """Raises Stopped when the run is to end."""
        if self.stop.is_set():
            raise Stopped

    def has_room(self, host: str) -> bool:
        """Whether a connection to `host` may start now."""
        return not host or self._hosts.get(host, 0) < self.settings.connections_per_host

    @contextmanager
    def connection(self, host: str) -> Iterator[None]:
        """Holds one of the few connections to `host`, waiting for its turn."""
        with self._changed:
            while not self.has_room(host):
                self._changed.wait(0.2)
                self.check()
            self._hosts[host] = self._hosts.get(host, 0) + 1
        try:
            yield
        finally:
            with self._changed:
                self._hosts[host] -= 1
                self._changed.notify_all()


class Transport(Protocol):
    """Opens a source, or asks what it holds; faults while opening and while reading are SourceFault."""

    def open(
        self, source: str, resume: Resume | None, run: Run, watch: Watch, hops: int
    ) -> AbstractContextManager[Answer]: ...

    def head(self, source: str, run: Run, watch: Watch) -> Validators: ...

    def close(self) -> None: ...


class Redirected(Exception):
    """The source sends to another, whose scheme this transport does not speak."""

    def __init__(self, source: str, hops: int) -> None:
        super().__init__(source)
        self.source = source
        self.hops = hops


@dataclass(eq=False, slots=True)
class Watch:
    """The time of one transfer: no silence, no trickle, no transfer without end.

    `read` calls into sockets can block in ways no socket timeout covers (a head or a trailer that comes a byte a
    second), so a `Guard` also looks from outside and calls `abort`, which shuts them.
    """

    settings: FetchSettings
    heard_s: float = 0.0
    aborted: bool = False
    _sockets: tuple[socket.socket, ...] = ()
    _started_s: float = 0.0
    _window: deque[tuple[float, int]] = field(default_factory=deque)
    _in_window: int = 0

    def __post_init__(self) -> None:
        self._started_s = self.heard_s = time.monotonic()

    def note(self, size_bytes: int) -> None:
        """Some bytes came. Raises SourceFault when they come too slowly."""
        now_s = self.heard_s = time.monotonic()
        if now_s - self._started_s > self.settings.transfer_max_s:
            raise SourceFault(f"it was not done after {format_seconds(self.settings.transfer_max_s)}; given up")
        self._window.append((now_s, size_bytes))
        self._in_window += size_bytes
        window_s, least = self.settings.rate_window_s, self.settings.rate_min_bytes_s
        if now_s - self._started_s < window_s:
            return
        while self._window and now_s - self._window[0][0] > window_s:
            self._in_window -= self._window.popleft()[1]
        if self._in_window < least * window_s:
            raise SourceFault(
                f"it delivered {format_bytes(self._in_window)} in {format_seconds(window_s)}, "
                f"less than {format_rate(round(least))}; given up"
            )

    def over(self, *sockets: socket.socket | None) -> None:
        """By which sockets the transfer goes now."""
        self._sockets = tuple(each for each in sockets if each)

    def abort(self) -> None:
        """Ends it, from another thread."""
        self.aborted = True
        for each in self._sockets:
            with suppress(OSError):
                each.shutdown(socket.SHUT_RDWR)

    @property
    def overdue(self) -> bool:
        """Whether nothing was heard for longer than any honest wait takes."""
        limit_s = self.settings.stall_timeout_s + self.settings.connect_timeout_s
        return time.monotonic() - self.heard_s > limit_s


@contextmanager
def translated(
    run: Run, watch: Watch, kinds: tuple[type[Exception], ...], fault: Callable[[Exception, Run], SourceFault]
) -> Iterator[None]:
    """Whatever a transport's libraries raise, in words: those of `fault`, unless the run or the watch ended it."""
    try:
        yield
    except kinds as error:
        run.check()
        if not watch.aborted:
            raise fault(error, run) from None
    if watch.aborted:  # the socket was shut, which can also look like an orderly end
        run.check()
        raise SourceFault("the server kept us waiting without sending; given up")


class Guard:
    """A thread that ends transfers which are overdue, and all of them when the run stops."""

    def __init__(self, run: Run) -> None:
        self._run = run
        self._watches: set[Watch] = set()
        self._lock = threading.Lock()
        self._done = threading.Event()
        self._thread = threading.Thread(target=self._look, name="fetch-guard", daemon=True)
        self._thread.start()

    @contextmanager
    def over(self, watch: Watch) -> Iterator[Watch]:
        """Looks after `watch` meanwhile."""
        with self._lock:
            self._watches.add(watch)
        try:
            yield watch
        finally:
            with self._lock:
                self._watches.discard(watch)

    def close(self) -> None:
        self._done.set()
        self._thread.join()

    def _look(self) -> None:
        while not self._done.wait(0.1):
            with self._lock:
                watches = list(self._watches)
            for watch in watches:
                if self._run.stop.is_set() or watch.overdue:
                    watch.abort()

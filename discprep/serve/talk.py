"""A machine's connection to the shelf over the own TCP: requests in, replies out, each transfer measured.

Nothing here waits: a reply is made in a thread of its own, and until it is there nothing is to be sent.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, field

from discprep.serve import http
from discprep.serve.exchange import Answers, Exchange, Moving, Stream, exchange, refusal
from discprep.serve.http import Refused

MOST_REQUESTS = 1000  # on one connection


@dataclass(eq=False)
class Talk:
    """One connection, as the `Application` of `peer.tcp`.

    Args:
        answers: who decides what a request gets
        client: the machine's address; `local`: the address and port of ours that it came to
        number: of the connection, for the keys of transfers
        began_s: when the machine's first packet set out
        wake: called from another thread when there is something to pull
    """

    answers: Answers
    client: str
    local: tuple[str, int]
    number: int
    began_s: float
    wake: Callable[[], None]
    _in: bytes = b""
    _requests: int = 0
    _request_s: float | None = None
    _busy: bool = False  # a reply is made or goes out
    _made: Exchange | None = None
    _stream: Stream | None = None
    _files: ExitStack = field(default_factory=ExitStack)
    _pulled: int = 0  # bytes of the whole connection, as the next two
    _reached: int = 0
    _first: int = 0  # before the transfer
    _moving: Moving | None = None
    _last_after: bool = False  # what goes out is the last
    _last: bool = False  # nothing comes after what goes out
    _gone: bool = False

    @property
    def busy(self) -> bool:
        """A reply is made, goes out, or is not acknowledged yet."""
        return not self._gone and (self._busy or self._moving is not None)

    @property
    def gone(self) -> bool:
        return self._gone

    def received(self, data: bytes) -> None:
        if self._last or self._gone:
            return
        self._request_s = time.monotonic() if self._request_s is None else self._request_s
        if len(self._in) <= http.HEAD_BYTES:
            self._in += data
        self._next_request()

    def _next_request(self) -> None:
        """Starts on the next whole request, one at a time."""
        if self._busy or self._last:
            return
        try:
            end = http.head_end(self._in)
        except Refused as error:
            refused, self._busy = error, True
            self._make(lambda: refusal(refused, self.answers, int(time.time())))
            return
        if end is None:
            return
        head, self._in = self._in[:end], self._in[end:]
        if not head.strip():
            return
        self._busy = True
        self._requests += 1
        goes_on = self._requests < MOST_REQUESTS
        self._make(lambda: exchange(head, self.answers, self.local, int(time.time()), may_go_on=goes_on))

    def _make(self, make: Callable[[], Exchange]) -> None:
        """In a thread: a reply may read a whole file, or wait for one that is being fetched."""

        def work() -> None:
            try:
                self._made = make()
            except Exception as error:
                self.answers.trouble(f"a request from {self.client} failed: {type(error).__name__}: {error}")
                self._last = True
            self.wake()

        threading.Thread(target=work, daemon=True).start()

    # ---- replies

    def pull(self, most_bytes: int) -> bytes:
        if self._stream is None and self._made is not None:
            self._open(self._made)
        if self._stream is None:
            return b""
        try:
            piece = self._stream.read(most_bytes)
        except OSError as error:
            self.answers.trouble(f"a file could not be read: {error}")
            self._last, self._stream = True, None
            return b""
        self._pulled += len(piece)
        if self._moving:
            self._moving.moved(len(piece))
        if not self._stream.left_bytes:
            self._close_stream()
        return piece

    def _open(self, made: Exchange) -> None:
        self._made = None
        try:
            self._stream = self._files.enter_context(made.stream())
        except OSError as error:
            self.answers.trouble(f"a file could not be opened: {error}")
            self._last = True
            return
        self._last_after = not made.keep_alive
        if made.moves_file:
            self._begin(made)

    def _begin(self, made: Exchange) -> None:
        now, fresh = time.monotonic(), self._requests == 1
        began_s = self.began_s if fresh or self._request_s is None else self._request_s
        at_s, key = int(time.time() - (now - began_s)), f"{self.number}.{self._requests}"
        self._first = self._pulled
        self._moving = Moving(self.answers, key, made, self.client, began_s, at_s, fresh)

    def _close_stream(self) -> None:
        self._files.close()
        self._files = ExitStack()
        self._stream = None
        self._busy = False
        self._request_s = None
        if self._last_after:
            self._last = True
        elif self._moving is None:
            self._next_request()

    @property
    def finished(self) -> bool:
        return self._last and self._stream is None and self._made is None

    def acknowledged(self, total_bytes: int) -> None:
        self._reached = total_bytes
        if self._moving and total_bytes >= self._first + self._moving.handed_bytes and self._stream is None:
            self._told()
            self._next_request()

    def _told(self) -> None:
        """The transfer is over, whole or not. The log is written in a thread: the line does not wait for a disk."""
        over, self._moving = self._moving, None
        assert over
        threading.Thread(target=over.over, args=(self._reached - self._first, time.monotonic())).start()

    def ended(self) -> None:
        """The machine sends nothing more: what was asked for still goes out (RFC 9293 3.6 allows it)."""
        if not self._busy:
            self._last = True

    def closed(self) -> None:
        self._gone = self._last = True
        self._files.close()
        self._stream = self._made = None
        if self._moving:
            self._told()

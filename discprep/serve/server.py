"""The sockets of the shelf: one thread a connection, everything bounded, the time of each transfer measured.

A thread a connection keeps a slow client from holding up another; when all places are taken, the client that has kept
the server waiting longest for a request loses its own, and whoever holds more than half of them gives one up.
"""

from __future__ import annotations

import contextlib
import math
import os
import select
import socket
import threading
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass

from discprep.serve import http
from discprep.serve.exchange import Answers, Exchange, Moving, created, exchange, refusal
from discprep.serve.gate import Gate
from discprep.serve.http import Put, Refused
from discprep.serve.kernel import await_request, limit_segments, unacknowledged
from discprep.serve.pusher import CHUNK_BYTES, Pusher
from discprep.serve.take_in import TakeIn, Taken


@dataclass(frozen=True, slots=True)
class Bounds:
    """What one client may take. Times suit a line of 1,200 bit/s, where a request alone takes seconds."""

    connections: int = 128
    leaving: int = 128  # that lost their places, and whose threads have not ended: they may wait for an item to come
    head_s: float = 60.0  # from a request's first byte to its last
    idle_s: float = 120.0  # between the requests of one connection
    stall_s: float = 300.0  # without one byte moving
    evict_waiting_s: float = 2.0  # when all places are taken: who has sent no request for so long makes room
    evict_stalled_s: float = 30.0  # then: whose transfer has not moved for so long
    requests: int = 1000  # on one connection


@dataclass(eq=False)
class Connection:
    """One client's connection and what it is doing; shared between its thread and the acceptor."""

    sock: socket.socket
    client: str
    accepted: float
    number: int
    waiting_since: float | None  # None while a reply is under way
    pusher: Pusher
    requests: int = 0

    def close(self) -> None:
        """Ends it from another thread: a blocked read or write returns."""
        with contextlib.suppress(OSError):
            self.sock.shutdown(socket.SHUT_RDWR)


class Server:
    """Accepts clients until told to stop.

    Args:
        host, port: where to listen; port 0 takes any free one
        answers: who decides
        bounds: what a client may take
        takes: the folder for files that clients put here (PUT, RFC 9110 9.3.4); None: none is taken
        gate: the line that clients may be on; None: every client is as fast as the system's TCP makes it
    """

    def __init__(
        self,
        host: str,
        port: int,
        answers: Answers,
        bounds: Bounds | None = None,
        gate: Gate | None = None,
        takes: TakeIn | None = None,
    ) -> None:
        self._answers = answers
        self._bounds = bounds or Bounds()
        self._open: set[Connection] = set()
        self._lock = threading.Lock()
        self._stopping = False
        self._count = self._threads = 0
        self.gate = gate
        self._takes = takes
        self._listener = _listen(host, port)
        if gate:
            limit_segments(self._listener, gate.segment_bytes)
            await_request(self._listener, int(self._bounds.idle_s))
        self.port: int = self._listener.getsockname()[1]
        self._wake_read, self._wake_write = socket.socketpair()

    # ---- the acceptor

    def run(self) -> None:
        """Accepts until `stop`; a KeyboardInterrupt passes through with running transfers untouched."""
        while not self._stopping:
            ready, _, _ = select.select([self._listener, self._wake_read], [], [], 1.0)
            if self._listener in ready:
                self._accept()

    def stop(self) -> None:
        """Ends accepting, from any thread; running transfers go on."""
        self._stopping = True
        with contextlib.suppress(OSError):
            self._wake_write.send(b"x")

    def drain(self) -> int:
        """Waits for the running transfers. Returns how many there were."""
        self.stop()
        self._listener.close()
        with self._lock:
            running = [c for c in self._open if c.waiting_since is None]
            idle = [c for c in self._open if c.waiting_since is not None]
        for connection in idle:
            connection.close()
        while self.running:
            time.sleep(0.05)
        self._close_wakers()
        return len(running)

    def abort(self) -> None:
        """Ends everything at once."""
        self.stop()
        self._listener.close()
        with self._lock:
            connections = list(self._open)
        for connection in connections:
            connection.close()
        limit = time.monotonic() + 2.0
        while self.connections and time.monotonic() < limit:
            time.sleep(0.01)
        self._close_wakers()

    def _close_wakers(self) -> None:
        self._wake_read.close()
        self._wake_write.close()

    @property
    def connections(self) -> int:
        """Open connections."""
        with self._lock:
            return len(self._open)

    @property
    def running(self) -> int:
        """Connections with a reply under way."""
        with self._lock:
            return sum(connection.waiting_since is None for connection in self._open)

    def _accept(self) -> None:
        try:
            sock, address = self._listener.accept()
        except OSError:
            return  # the client was gone before we came to it, or we are out of descriptors
        connection = self._connection(sock, str(address[0]))
        if not self._make_room(connection.client):
            _say_busy(sock)
            return
        with self._lock:
            self._open.add(connection)
            self._threads += 1
        try:
            threading.Thread(target=self._serve, args=(connection,), daemon=True).start()
        except RuntimeError:  # the host has no thread left to give
            self._gone(connection)
            _say_busy(sock)

    def _connection(self, sock: socket.socket, client: str) -> Connection:
        with contextlib.suppress(OSError):
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        self._count += 1
        now, pusher = time.monotonic(), Pusher(sock, self.gate, self._bounds.stall_s)
        return Connection(sock, client, now, self._count, now, pusher)

    def _make_room(self, client: str) -> bool:
        """Frees a place if none is left: who has kept us waiting longest goes, else whose transfer stands still, else
        the oldest of another client that holds more than half of them."""
        with self._lock:
            if self._threads >= self._bounds.connections + self._bounds.leaving:
                return False
            if len(self._open) < self._bounds.connections:
                return True
            loser = self._longest_waiting() or self._longest_stalled() or self._greedy(client)
            if loser is None:
                return False
            self._open.discard(loser)
        loser.close()
        return True

    def _longest_waiting(self) -> Connection | None:
        limit = time.monotonic() - self._bounds.evict_waiting_s
        late = [(c.waiting_since, c.number, c) for c in self._open if c.waiting_since is not None]
        return min((entry for entry in late if entry[0] <= limit), default=(0, 0, None))[2]

    def _longest_stalled(self) -> Connection | None:
        limit = time.monotonic() - self._bounds.evict_stalled_s
        stalled = ((c.pusher.moved, c.number, c) for c in self._open if c.pusher.moved <= limit)
        return min(stalled, default=(0, 0, None))[2]

    def _greedy(self, client: str) -> Connection | None:
        (most, held), *_ = Counter(c.client for c in self._open).most_common(1)
        if most == client or held <= self._bounds.connections // 2:
            return None
        return min((c for c in self._open if c.client == most), key=lambda c: c.number)

    # ---- one connection

    def _serve(self, connection: Connection) -> None:
        try:
            received = b""
            while not self._stopping or connection.requests == 0:
                received, again = self._one_request(connection, received)
                if not again:
                    break
        except OSError:
            pass  # the client went away, or took longer than it may
        except Exception as error:
            self._answers.trouble(f"a request from {connection.client} failed: {type(error).__name__}: {error}")
        finally:
            connection.waiting_since = -math.inf  # it lingers, and still holds its place: the first to lose it
            linger(connection.sock)
            self._gone(connection)
            connection.pusher.leave()
            connection.sock.close()

    def _gone(self, connection: Connection) -> None:
        with self._lock:
            self._open.discard(connection)
            self._threads -= 1

    def _one_request(self, connection: Connection, received: bytes) -> tuple[bytes, bool]:
        """Reads and answers one request. Returns the bytes left over and whether the connection goes on."""
        connection.waiting_since = time.monotonic()
        try:
            head, rest, began = self._read_head(connection, received)
        except Refused as refused:
            connection.waiting_since = None
            _push(connection, refusal(refused, self._answers, int(time.time())))
            return b"", False
        if not head:
            return b"", False
        connection.waiting_since = None
        connection.requests += 1
        if self._takes and http.is_put(head):
            _push(connection, self._taken(connection, self._takes, head, rest))
            return b"", False
        local = connection.sock.getsockname()[:2]
        may_go_on = not self._stopping and connection.requests < self._bounds.requests
        made = exchange(head, self._answers, local, int(time.time()), may_go_on=may_go_on)
        if not made.moves_file:
            _push(connection, made)
            return rest, made.keep_alive
        return rest, self._transfer(connection, made, began) and made.keep_alive

    def _taken(self, connection: Connection, takes: TakeIn, head: bytes, rest: bytes) -> Exchange:
        """Takes a file in. Returns what the client hears of it."""
        now_s = int(time.time())
        try:
            put = http.put_of(head)
            if put.size_bytes > takes.limits.file_bytes:
                raise Refused(413, f"{takes.limits.file_bytes:,} bytes are the most for a file")
            taken = self._receive(connection, takes, put, rest)
        except Refused as refused:
            return refusal(refused, self._answers, now_s)
        words = f"{taken.name}: {taken.size_bytes} bytes, SHA-256 {taken.sha256}\r\n"
        return created(words, now_s)

    def _receive(self, connection: Connection, takes: TakeIn, put: Put, rest: bytes) -> Taken:
        """A file's bytes, as many as were told. Raises Refused: they did not all come, or there is no room."""
        if put.asks_first and not rest:
            connection.sock.sendall(b"HTTP/1.1 100 Continue\r\n\r\n")
        left, piece = put.size_bytes, rest[: put.size_bytes]
        connection.sock.settimeout(self._bounds.head_s)
        try:
            with contextlib.closing(takes.begin(put.name, connection.client)) as coming:
                while True:
                    coming.write(piece)
                    left -= len(piece)
                    if not left:
                        return coming.finish()
                    piece = connection.sock.recv(min(left, CHUNK_BYTES))
                    connection.pusher.moved = time.monotonic()
                    if not piece:
                        raise Refused(400, f"{left} bytes are missing")
        except TimeoutError:
            raise Refused(408, "the file did not come in time") from None
        except OSError as error:
            raise Refused(507, error.strerror or "it could not be kept") from error

    def _read_head(self, connection: Connection, received: bytes) -> tuple[bytes, bytes, float]:
        """One head, what came after it, and when its first byte came; an empty head when the client is done."""
        began = time.monotonic()
        limit = began + self._bounds.idle_s
        while (end := http.head_end(received)) is None:
            connection.sock.settimeout(max(0.01, limit - time.monotonic()))
            try:
                more = connection.sock.recv(4096)
            except TimeoutError:
                if received.strip():
                    raise Refused(408, "the request did not come in time") from None
                raise
            if not more:
                return b"", b"", began
            if not received:
                began = time.monotonic()
                limit = began + self._bounds.head_s
            received += more
            if time.monotonic() > limit:
                raise Refused(408, "the request did not come in time")
        return received[:end], received[end:], began

    def _transfer(self, connection: Connection, made: Exchange, began: float) -> bool:
        """Sends a file; the transfer is measured and told of. Returns whether all of it went."""
        fresh = connection.requests == 1
        start = self._start(connection, began, fresh=fresh)
        at_s = int(time.time() - (time.monotonic() - start))
        key = f"{connection.number}.{connection.requests}"
        moving = Moving(self._answers, key, made, connection.client, start, at_s, fresh)
        return moving.over(self._send_file(connection, made, moving), time.monotonic())

    def _start(self, connection: Connection, began: float, *, fresh: bool) -> float:
        """When the transfer began for the client: for the first on a connection that is its first packet, one
        handshake before we accepted. A client that connected ahead of time starts with its request."""
        handshake_s = connection.pusher.handshake_s
        if fresh and began - connection.accepted < 1.0 + 4 * handshake_s:
            return connection.accepted - handshake_s
        return began

    def _send_file(self, connection: Connection, made: Exchange, moving: Moving) -> int:
        """Sends head and bytes. Returns how many of them the other side acknowledged."""
        ending = 0
        try:
            _push(connection, made, moving.moved)
            if not made.keep_alive:
                # Old fetchers read until the end: it goes with the last bytes, not a round trip after them. It counts
                # as one byte in the queue.
                connection.sock.shutdown(socket.SHUT_WR)
                ending = 1
            connection.pusher.wait_acknowledged()
        except OSError:
            pass  # the client went away: what it acknowledged counts
        return moving.handed_bytes - max(0, unacknowledged(connection.sock) - ending)


def _push(connection: Connection, made: Exchange, moved: Callable[[int], None] = lambda amount: None) -> None:
    """Sends head and body; `moved` is told what the system took."""
    with made.stream() as stream:
        connection.pusher.push(stream, ends=not made.keep_alive, moved=moved)


def _listen(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listener = socket.socket(family, socket.SOCK_STREAM)
    try:
        if os.name == "posix":
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((host, port))
        listener.listen(64)
    except OSError:
        listener.close()
        raise
    return listener


def _say_busy(sock: socket.socket) -> None:
    with contextlib.suppress(OSError):
        sock.setblocking(False)
        with contextlib.suppress(BlockingIOError):
            sock.recv(http.HEAD_BYTES)  # closing over unread bytes would reset the connection, and the words with it
        headers = {"Retry-After": "10", "Content-Length": "0"}
        sock.send(http.reply_head(503, int(time.time()), headers, keep_alive=False))
    sock.close()


def linger(sock: socket.socket, patience_s: float = 2.0) -> None:
    """Ends so that the last bytes arrive: our side first, then what the client still sends is read away for a while
    (RFC 9112 9.6: closing over unread bytes resets the connection and can take the reply with it)."""
    try:
        sock.shutdown(socket.SHUT_WR)
        limit = time.monotonic() + patience_s
        while (left := limit - time.monotonic()) > 0:
            sock.settimeout(left)
            if not sock.recv(65_536):
                break
    except OSError:
        pass

"""An HTTP server on loopback that serves files well, and does wrong whatever a test asks of it.

with FaultServer() as server:
    server.files["/tools.lha"] = data                 # ranges, ETag, Last-Modified, as a good server does
    server.faults["/cut.lha"] = cut(data, 1000)       # a function of the Exchange
    fetch(server.url("/tools.lha"))
    server.asked                                      # every request: path and headers
"""

from __future__ import annotations

import contextlib
import email.utils
import hashlib
import re
import socket
import ssl
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field

MODIFIED = "Sat, 03 Feb 1996 10:20:30 GMT"
"""The Last-Modified of every file; 823342830 s since 1970."""
MODIFIED_S = 823342830


@dataclass
class Exchange:
    """One request and the way to answer it."""

    server: FaultServer
    connection: socket.socket
    method: str
    path: str
    headers: dict[str, str]
    nth: int  # of the requests for this path, from 1

    def send(self, data: bytes) -> None:
        self.connection.sendall(data)
        with self.server.lock:
            self.server.sent_bytes += len(data)

    def head(self, status: str = "200 OK", **headers: object) -> None:
        """A status line and header lines; `content_length=5` becomes `content-length: 5`."""
        lines = [f"HTTP/1.1 {status}", f"Date: {email.utils.formatdate(usegmt=True)}"]
        lines += [f"{name.replace('_', '-')}: {value}" for name, value in headers.items()]
        self.send("\r\n".join([*lines, "", ""]).encode("latin-1"))

    def reply(self, data: bytes, status: str = "200 OK", **headers: object) -> None:
        self.head(status, content_length=len(data), **headers)
        if self.method != "HEAD":
            self.send(data)

    def hang_up(self) -> None:
        with contextlib.suppress(OSError):
            self.connection.shutdown(socket.SHUT_RDWR)

    @property
    def first(self) -> int:
        """The first byte that a Range header asks for; 0 without one."""
        match = re.fullmatch(r"bytes=(\d+)-", self.headers.get("range", ""))
        return int(match[1]) if match else 0


Fault = Callable[[Exchange], None]


@dataclass
class FaultServer:
    """Answers each connection in a thread of its own. `context` makes it TLS."""

    context: ssl.SSLContext | None = None
    files: dict[str, bytes] = field(default_factory=dict)
    faults: dict[str, Fault] = field(default_factory=dict)
    asked: list[tuple[str, str, dict[str, str]]] = field(default_factory=list)
    sent_bytes: int = 0
    open_now: int = 0
    open_most: int = 0
    lock: threading.Lock = field(default_factory=threading.Lock)
    closing: threading.Event = field(default_factory=threading.Event)

    def __enter__(self) -> FaultServer:
        self._listener = socket.create_server(("127.0.0.1", 0), backlog=64)
        self.port = self._listener.getsockname()[1]
        self._connections: set[socket.socket] = set()
        self._threads: list[threading.Thread] = []
        self._acceptor = threading.Thread(target=self._accept, daemon=True)
        self._acceptor.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.closing.set()
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        with self.lock:
            for connection in self._connections:
                with contextlib.suppress(OSError):
                    connection.shutdown(socket.SHUT_RDWR)
        self._acceptor.join(5)
        for thread in self._threads:
            thread.join(5)

    def url(self, path: str, host: str = "127.0.0.1") -> str:
        return f"{'https' if self.context else 'http'}://{host}:{self.port}{path}"

    def requests(self, path: str) -> list[dict[str, str]]:
        """The headers of each GET of a path."""
        return [headers for method, asked, headers in self.asked if asked == path and method == "GET"]

    def wait(self, seconds: float) -> None:
        """Sleeps, but not beyond the server's end."""
        self.closing.wait(seconds)

    def _accept(self) -> None:
        while not self.closing.is_set():
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            thread = threading.Thread(target=self._serve, args=(connection,), daemon=True)
            self._threads.append(thread)
            thread.start()

    def _serve(self, connection: socket.socket) -> None:
        with self.lock:
            self._connections.add(connection)
            self.open_now += 1
            self.open_most = max(self.open_most, self.open_now)
        try:
            if self.context:
                connection = self.context.wrap_socket(connection, server_side=True)
            with connection, connection.makefile("rb") as reader:
                while self._one(connection, reader):
                    pass
        except (OSError, ValueError):
            pass
        finally:
            connection.close()
            with self.lock:
                self._connections.discard(connection)
                self.open_now -= 1

    def _one(self, connection: socket.socket, reader: object) -> bool:
        line = reader.readline(65536).decode("latin-1").split()  # type: ignore[attr-defined]
        if len(line) != 3:
            return False
        headers: dict[str, str] = {}
        while header := reader.readline(65536).decode("latin-1").strip():  # type: ignore[attr-defined]
            name, _, value = header.partition(":")
            headers[name.lower()] = value.strip()
        method, path, _ = line
        with self.lock:
            self.asked.append((method, path, headers))
            nth = sum(asked == path and was == method for was, asked, _ in self.asked)
        exchange = Exchange(self, connection, method, path, headers, nth)
        (self.faults.get(path) or good)(exchange)
        return True


def good(exchange: Exchange) -> None:
    """A file as RFC 9110 has it: one range, If-Range, validators; 404 for what is not there."""
    data = exchange.server.files.get(exchange.path)
    if data is None:
        exchange.reply(b"nothing here", "404 Not Found")
        return
    etag = f'"{hashlib.md5(data, usedforsecurity=False).hexdigest()}"'
    facts = {"etag": etag, "last_modified": MODIFIED, "accept_ranges": "bytes"}
    first, condition = exchange.first, exchange.headers.get("if-range")
    if first and condition in (None, etag, MODIFIED):
        if first >= len(data):
            exchange.reply(b"", "416 Range Not Satisfiable", content_range=f"bytes */{len(data)}")
            return
        span = f"bytes {first}-{len(data) - 1}/{len(data)}"
        exchange.reply(data[first:], "206 Partial Content", content_range=span, **facts)
        return
    exchange.reply(data, **facts)


def cut(data: bytes, size_bytes: int, *, always: bool = False) -> Fault:
    """Promises all of `data` and hangs up after `size_bytes`; the next requests are answered well unless `always`."""

    def fault(exchange: Exchange) -> None:
        if exchange.nth > 1 and not always:
            exchange.server.files[exchange.path] = data
            good(exchange)
            return
        etag = f'"{hashlib.md5(data, usedforsecurity=False).hexdigest()}"'
        exchange.head(content_length=len(data), etag=etag, last_modified=MODIFIED)
        exchange.send(data[:size_bytes])
        exchange.hang_up()

    return fault


def trickle(data: bytes, every_s: float, head: bytes = b"") -> Fault:
    """Sends `head`, then `data` a byte at a time."""

    def fault(exchange: Exchange) -> None:
        exchange.send(head or b"HTTP/1.1 200 OK\r\nContent-Length: %d\r\n\r\n" % len(data))
        for index in range(len(data)):
            exchange.send(data[index : index + 1])
            exchange.server.wait(every_s)
            if exchange.server.closing.is_set():
                return

    return fault


def endless(exchange: Exchange) -> None:
    """Chunks without end."""
    exchange.head(transfer_encoding="chunked")
    chunk = b"10000\r\n" + bytes(65536) + b"\r\n"
    while not exchange.server.closing.is_set():
        exchange.send(chunk)


def redirect(target: str, status: str = "302 Found") -> Fault:
    """Sends elsewhere."""
    return lambda exchange: exchange.reply(b"", status, location=target)


def wait_until(condition: Callable[[], bool], seconds: float = 10.0) -> bool:
    """Whether `condition` became true in time."""
    until_s = time.monotonic() + seconds
    while time.monotonic() < until_s:
        if condition():
            return True
        time.sleep(0.01)
    return condition()

"""A shelf on loopback and the clients that old machines resemble, for the tests of serving."""

import hashlib
import random
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from discprep.model import Content
from discprep.serve.gate import Gate
from discprep.serve.keeper import Keeper
from discprep.serve.server import Bounds, Server
from discprep.serve.shelf import Offer, Shelf, ShelfFile
from discprep.serve.take_in import TakeIn

TIME_S = 783_004_800  # 1994-10-24 13:20:00 UTC


def content(folder: Path, name: str, data: bytes) -> Content:
    """Bytes on the host, away from the name under which they are offered."""
    path = folder / f"host-{hashlib.sha256(name.encode()).hexdigest()[:8]}"
    path.write_bytes(data)
    return Content(path, 0, len(data), hashlib.sha256(data).hexdigest())


def shelf_file(folder: Path, name: str, data: bytes, item: str = "", **more: object) -> ShelfFile:
    return ShelfFile(name, item or name.partition(".")[0].lower(), content(folder, name, data), TIME_S, **more)


def offer(file: ShelfFile, title: str = "", **more: object) -> Offer:
    return Offer(file.item, title or file.item, (file.name,), files=(file,), **more)


def random_bytes(size: int, seed: int = 1) -> bytes:
    return random.Random(seed).randbytes(size)


def reading_room(folder: Path) -> Shelf:
    """A small shelf: two archives, an item that is offered unpacked, an empty file."""
    tools = shelf_file(folder, "TOOLS.LHA", random_bytes(150_000), expected_s=13.6)
    maps = shelf_file(folder, "MAPS.ZIP", random_bytes(40_000, 2), expected_s=3.7)
    leaf = [
        shelf_file(folder, "GUIDE/README.TXT", b"Reading room\r\n", item="guide", expected_s=0.2),
        shelf_file(folder, "GUIDE/PAGES/ONE.DAT", random_bytes(5000, 3), item="guide", expected_s=0.5),
        shelf_file(folder, "GUIDE/caf\u00e9 & co.txt", b"menu", item="guide", expected_s=0.1),
    ]
    empty = shelf_file(folder, "EMPTY.DAT", b"")
    offers = (
        offer(tools, "Tools for the desk", needs=("ip-stack",)),
        offer(maps, "Maps <of> the rooms & halls"),
        Offer("guide", "Guide", ("GUIDE",), "unpacked", tuple(leaf)),
        offer(empty, "An empty file"),
    )
    return Shelf("Reading room, the rest", offers, link="57600 8N1, SLIP, MTU 576", build="0123abcd")


@dataclass
class Running:
    """A server at work."""

    server: Server
    keeper: Keeper
    port: int

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def raw(self, request: bytes, *, half_close: bool = False, timeout: float = 20) -> bytes:
        """Everything the server says to some bytes, until it closes."""
        with socket.create_connection(("127.0.0.1", self.port), timeout) as sock:
            try:
                sock.sendall(request)
                if half_close:
                    sock.shutdown(socket.SHUT_WR)
            except OSError:
                pass  # it may close on us before we are done
            return read_all(sock)

    def ask(
        self, path: str, *headers: str, method: str = "GET", version: str = "1.0"
    ) -> tuple[int, dict[str, str], bytes]:
        """One full request: status, headers in lower case, body."""
        lines = [f"{method} {path} HTTP/{version}", "Connection: close", *headers, "", ""]
        return split_reply(self.raw("\r\n".join(lines).encode("latin-1")))


def read_all(sock: socket.socket) -> bytes:
    received = bytearray()
    try:
        while chunk := sock.recv(65_536):
            received += chunk
    except ConnectionResetError:
        pass
    return bytes(received)


def split_reply(reply: bytes) -> tuple[int, dict[str, str], bytes]:
    head, _, body = reply.partition(b"\r\n\r\n")
    first, *lines = head.decode("latin-1").split("\r\n")
    headers = {name.lower(): value for name, _, value in (line.partition(": ") for line in lines)}
    return int(first.split()[1]), headers, body


@contextmanager
def serving(
    shelf: Shelf, bounds: Bounds | None = None, gate: Gate | None = None, takes: TakeIn | None = None, **more: object
) -> Iterator[Running]:
    """The shelf on a free port of loopback; aborted at the end."""
    keeper = Keeper(shelf, **more)
    server = Server("127.0.0.1", 0, keeper, bounds, gate, takes)
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        yield Running(server, keeper, server.port)
    finally:
        server.stop()
        thread.join()
        server.abort()


def wait_until(true: Callable[[], object], limit_s: float = 60) -> None:
    """Until something is true; fails when it does not become so."""
    end = time.monotonic() + limit_s
    while not true() and time.monotonic() < end:
        time.sleep(0.01)
    assert true()


TRAVERSALS = [
    "../../etc/passwd", "..%2f..%2fetc%2fpasswd", "%2e%2e/%2e%2e/etc/passwd", "%2e%2e%2f%2e%2e%2fetc%2fpasswd",
    "..%5c..%5cetc%5cpasswd", "..\\..\\etc\\passwd", "%252e%252e%252fetc%252fpasswd", "..%c0%af..%c0%afetc/passwd",
    "%c0%ae%c0%ae/etc/passwd", "..%ef%bc%8f..%ef%bc%8fetc/passwd", "%uff0e%uff0e/etc/passwd", "/etc/passwd",
    "//etc/passwd", "file:///etc/passwd", "http://x/../../etc/passwd", "GUIDE/../../../etc/passwd",
    "GUIDE/%2e%2e/TOOLS.LHA", "./TOOLS.LHA", "GUIDE//README.TXT", "TOOLS.LHA%00.txt", "TOOLS.LHA/", "TOOLS.LHA/..",
    "....//....//etc/passwd", "..;/etc/passwd", "C:/WINDOWS/WIN.INI", "CON", "host-", "GUIDE/PAGES/",
]  # fmt: skip
"""Ways to spell a place outside the shelf, or beside a name on it (common practice, no source)."""


def malformed(rng: random.Random) -> bytes:
    """A request with things wrong: bytes flipped, cut, doubled, pieces of other requests in it."""
    seeds = [
        b"GET /TOOLS.LHA HTTP/1.0\r\nHost: files.example\r\nRange: bytes=5-\r\n\r\n",
        b"GET /TOOLS.LHA\r\n",
        b'HEAD / HTTP/1.1\r\nConnection: keep-alive\r\nIf-Range: "x"\r\n\r\n',
        b"GET /..%2f..%2fetc/passwd HTTP/1.1\r\nHost: a\r\n\r\n",
        b"POST / HTTP/1.1\r\nTransfer-Encoding: chunked\r\n\r\n5\r\nhello\r\n0\r\n\r\n",
    ]
    data = bytearray(rng.choice(seeds))
    for _ in range(rng.randint(1, 8)):
        at = rng.randrange(len(data) + 1)
        match rng.randrange(6):
            case 0:
                data[at:at] = rng.randbytes(rng.randint(1, 12))
            case 1:
                del data[at : at + rng.randint(1, 10)]
            case 2:
                data[at:at] = rng.choice([b"\r", b"\n", b"\0", b"%", b" ", b"\t", b"/", b"..", b"\xff", b"\r\n\r\n"])
            case 3:
                data[at:at] = rng.choice(seeds)
            case 4:
                data[at : at + 1] = bytes([rng.randrange(256)])
            case _:
                data[at:at] = data[at : at + 20] * rng.randint(1, 30)
    return bytes(data)

"""One request and what goes back for it, without a socket: a request's bytes in, one stream of bytes out."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import BinaryIO, Protocol

from discprep.serve import http
from discprep.serve.http import Refused, Request


@dataclass(frozen=True, slots=True)
class Reply:
    """What to send: a head for full requests, then `length_bytes` of a file from `first_byte`, or `body`."""

    status: int
    headers: dict[str, str]
    body: bytes = b""
    path: str = ""  # of the file on the host; empty: `body`
    first_byte: int = 0
    length_bytes: int = 0
    note: object = None  # handed back with `sent`

    @property
    def size_bytes(self) -> int:
        """Of what follows the head."""
        return self.length_bytes if self.path else len(self.body)


@dataclass(frozen=True, slots=True)
class Sent:
    """What became of a reply: `acknowledged_bytes` of its body reached the other side in `seconds`."""

    reply: Reply
    request: Request
    client: str
    at_s: int
    acknowledged_bytes: int
    seconds: float
    fresh: bool
    protocol: str = ""  # empty: HTTP as the request says


class Answers(Protocol):
    """Who decides what a request gets; called from many threads at once."""

    def reply(self, request: Request, local: tuple[str, int]) -> Reply:
        """The reply to a request that came to this address of ours."""

    def refusal(self, refused: Refused) -> Reply:
        """The reply to a request that could not be read."""

    def began(self, key: str, reply: Reply, client: str) -> None:
        """A file's bytes start to move."""

    def moved(self, key: str, amount: int) -> None:
        """So many more bytes went out."""

    def sent(self, key: str, sent: Sent) -> None:
        """A file's transfer is over, whole or not."""

    def trouble(self, message: str) -> None:
        """Something of our own went wrong in one connection; the others go on."""


@dataclass(frozen=True, slots=True)
class Exchange:
    """A request, its reply, the head as it goes out, and whether the connection may go on after it."""

    request: Request
    reply: Reply
    head: bytes
    keep_alive: bool

    @property
    def body_bytes(self) -> int:
        """How many bytes follow the head."""
        return 0 if self.request.method == "HEAD" else self.reply.size_bytes

    @property
    def moves_file(self) -> bool:
        """Whether a file's bytes go out, so that the transfer is measured and told of."""
        return bool(self.reply.path) and self.request.method != "HEAD"

    @contextmanager
    def stream(self) -> Iterator[Stream]:
        """Head and body as one stream, so that no short packet of the head alone goes ahead of the body.

        Raises:
            OSError: the file on the host cannot be opened
        """
        if not self.moves_file:
            yield Stream(self.head, BytesIO(self.reply.body), self.body_bytes)
            return
        with Path(self.reply.path).open("rb") as file:
            file.seek(self.reply.first_byte)
            yield Stream(self.head, file, self.body_bytes)


class Stream:
    """Bytes to go out, in pieces of any size. `left_bytes` is what is still to be read."""

    def __init__(self, head: bytes, body: BinaryIO, body_bytes: int) -> None:
        self._head, self._body = head, body
        self.left_bytes = len(head) + body_bytes

    def read(self, most_bytes: int) -> bytes:
        """The next bytes, exactly as many as asked while so many are left.

        Raises:
            OSError: the file on the host cannot be read, or is shorter than it was
        """
        wanted = min(most_bytes, self.left_bytes)
        piece, self._head = self._head[:wanted], self._head[wanted:]
        if len(piece) < wanted:
            piece += self._body.read(wanted - len(piece))
        if len(piece) < wanted:
            raise OSError("the file on the host is shorter than it was")
        self.left_bytes -= wanted
        return piece


@dataclass(slots=True)
class Moving:
    """A file's bytes on their way, of which `answers` is told. `began_s` is by a monotonic clock, `at_s` since 1970;
    `handed_bytes`: of head and body."""

    answers: Answers
    key: str
    made: Exchange
    client: str
    began_s: float
    at_s: int
    fresh: bool
    protocol: str = ""
    handed_bytes: int = 0

    def __post_init__(self) -> None:
        self.answers.began(self.key, self.made.reply, self.client)

    def moved(self, amount: int) -> None:
        """So many more bytes were handed over; the reply's head is no part of the file."""
        before = self._of_body(self.handed_bytes)
        self.handed_bytes += amount
        if (body := self._of_body(self.handed_bytes) - before) > 0:
            self.answers.moved(self.key, body)

    def over(self, acknowledged_bytes: int, now_s: float) -> bool:
        """It ended; so many bytes of head and body were acknowledged. Returns whether those are all of the file's."""
        made, reached, seconds = self.made, self._of_body(acknowledged_bytes), now_s - self.began_s
        self.answers.sent(self.key, Sent(
            made.reply, made.request, self.client, self.at_s, reached, seconds, self.fresh, self.protocol
        ))  # fmt: skip
        return reached == made.body_bytes

    def _of_body(self, total_bytes: int) -> int:
        return max(0, min(self.made.body_bytes, total_bytes - len(self.made.head)))


def exchange(head: bytes, answers: Answers, local: tuple[str, int], now_s: int, *, may_go_on: bool) -> Exchange:
    """What a whole request head, as `http.head_end` cuts it, gets; a bad one gets its refusal in words.

    Args:
        local: the address and port of ours that it came to
        now_s: seconds since 1970, for the Date header
        may_go_on: whether the connection may serve another request
    """
    try:
        request = http.parse(head)
    except Refused as refused:
        return refusal(refused, answers, now_s)
    reply = answers.reply(request, local)
    return _exchange(request, reply, now_s, keep_alive=request.keeps_alive and may_go_on)


def refusal(refused: Refused, answers: Answers, now_s: int) -> Exchange:
    """What a request gets that could not be read; the connection ends with it."""
    return _exchange(Request("GET", b"", refused.version), answers.refusal(refused), now_s, keep_alive=False)


def created(words: str, now_s: int) -> Exchange:
    """What a client hears of a file that came whole; the connection ends with it."""
    reply = Reply(201, {"Content-Type": "text/plain"}, words.encode("latin-1", "replace"))
    return _exchange(Request("PUT", b"", (1, 0)), reply, now_s, keep_alive=False)


def _exchange(request: Request, reply: Reply, now_s: int, *, keep_alive: bool) -> Exchange:
    if request.simple:
        return Exchange(request, reply, b"", keep_alive)
    headers = dict(reply.headers)
    if reply.status != 304:
        headers["Content-Length"] = str(reply.size_bytes)
    return Exchange(request, reply, http.reply_head(reply.status, now_s, headers, keep_alive=keep_alive), keep_alive)

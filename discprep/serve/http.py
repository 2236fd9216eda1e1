"""HTTP as an old fetcher speaks it: requests parsed, replies worded. Pure: bytes in, bytes out, no socket, no clock.

Covers simple requests (HTTP/0.9) and full requests of HTTP/1.0 (RFC 1945) and HTTP/1.1 (RFC 9110, RFC 9112).
Old and home-made fetchers are met halfway where that is safe, because names are only ever looked up in a
closed list: a request without Host, a bare LF as line end, a blank in a path that nobody encoded.
"""

from __future__ import annotations

import re
from calendar import timegm
from collections.abc import Mapping
from dataclasses import dataclass, field
from email.utils import formatdate, parsedate

LINE_BYTES = 4096  # a request line; RFC 9112 3 recommends at least 8,000 for general servers, our names are short
HEAD_BYTES = 16_384  # the whole head
HEADERS = 64
REASONS = {
    200: "OK", 201: "Created", 206: "Partial Content", 304: "Not Modified", 400: "Bad Request", 404: "Not Found",
    405: "Method Not Allowed", 408: "Request Timeout", 411: "Length Required", 412: "Precondition Failed",
    413: "Content Too Large", 414: "URI Too Long",
    416: "Range Not Satisfiable", 431: "Request Header Fields Too Large", 501: "Not Implemented",
    503: "Service Unavailable", 507: "Insufficient Storage", 505: "HTTP Version Not Supported",
}  # fmt: skip
KNOWN_METHODS = frozenset({"GET", "HEAD", "POST", "PUT", "DELETE", "OPTIONS", "TRACE", "CONNECT", "PATCH"})
_TOKEN = re.compile(r"[!#$%&'*+.^_`|~0-9A-Za-z-]+")
_VERSION = re.compile(r"HTTP/([0-9])\.([0-9])")
_RANGE = re.compile(r"(?i:bytes)[ \t]*=[ \t]*([0-9]{0,19})[ \t]*-[ \t]*([0-9]{0,19})[ \t]*")
_ONCE = frozenset({"host", "content-length", "range", "if-range"})


class Refused(Exception):
    """A request that gets no file: its status, and whether the client can read a status line at all."""

    def __init__(self, status: int, why: str, *, version: tuple[int, int] = (1, 0)) -> None:
        super().__init__(why)
        self.status = status
        self.why = why
        self.version = version


@dataclass(frozen=True, slots=True)
class Request:
    """One request. `path` is the target's path as bytes, decoded once, without its first `/`; `query` as it came."""

    method: str
    path: bytes
    version: tuple[int, int]
    headers: Mapping[str, str] = field(default_factory=dict)
    has_body: bool = False
    query: str = ""

    @property
    def simple(self) -> bool:
        """A request of HTTP/0.9: the reply is the bytes alone."""
        return self.version == (0, 9)

    @property
    def keeps_alive(self) -> bool:
        """Whether the client offered to use the connection again (RFC 9112 9.3; for 1.0 its Keep-Alive habit)."""
        options = {word.strip().lower() for word in self.headers.get("connection", "").split(",")}
        if self.simple or self.has_body or "close" in options:
            return False
        return self.version >= (1, 1) or "keep-alive" in options


def head_end(received: bytes) -> int | None:
    """Where the head ends in what came so far, None while more must come.

    Raises:
        Refused: 414 or 431, the line or the head is over its bound
    """
    start = len(received) - len(received.lstrip(b"\r\n"))
    line_end = received.find(b"\n", start)
    if (line_end if line_end >= 0 else len(received)) - start > LINE_BYTES:
        raise Refused(414, f"the request line is longer than {LINE_BYTES} bytes")
    if line_end < 0:
        if start > HEAD_BYTES:
            raise Refused(400, "blank lines without end")
        return None
    if _is_simple(received[start:line_end]):
        return line_end + 1
    match = re.search(rb"\n\r?\n", received[line_end:])
    end = line_end + match.end() if match else None
    if (end or len(received)) > HEAD_BYTES:
        raise Refused(431, f"the request's head is longer than {HEAD_BYTES} bytes")
    return end


def _is_simple(line: bytes) -> bool:
    words = line.split()
    return len(words) == 2 and words[0] == b"GET" and not words[1].startswith(b"HTTP/")


def parse(head: bytes, offered: tuple[str, ...] = ("GET", "HEAD")) -> Request:
    """The request in a whole head, as `head_end` cut it. `offered`: the methods that are not refused.

    Raises:
        Refused: with the status that RFC 9110 gives for the fault
    """
    lines = head.lstrip(b"\r\n").decode("latin-1").split("\n")
    first = lines[0].removesuffix("\r")
    if _is_simple(first.encode("latin-1")):
        return Request("GET", _path(first.split(None, 1)[1].strip(), (0, 9)), (0, 9))
    method, target, version = _request_line(first)
    headers = _headers([line.removesuffix("\r") for line in lines[1:]], version)
    if method not in offered:
        raise Refused(405 if method in KNOWN_METHODS else 501, "only GET and HEAD are offered", version=version)
    has_body = "transfer-encoding" in headers or headers.get("content-length", "0").strip() != "0"
    return Request(method, _path(target, version), version, headers, has_body, target.partition("?")[2])


@dataclass(frozen=True, slots=True)
class Put:
    """A file that a client wants to leave here: its path as text, its size [B], and whether the client waits for a word
    before it sends (RFC 9110 10.1.1)."""

    name: str
    size_bytes: int
    asks_first: bool


def is_put(head: bytes) -> bool:
    """Whether a head wants to put a file here."""
    return head.lstrip(b"\r\n").startswith(b"PUT ")


def put_of(head: bytes) -> Put:
    """What such a head wants to put here. Raises Refused as `parse`, or when it does not say how long that is."""
    request = parse(head, ("PUT",))
    length = request.headers.get("content-length", "")
    if "transfer-encoding" in request.headers or not re.fullmatch(r"[0-9]{1,15}", length):
        raise Refused(411, "a file must say how long it is: Content-Length", version=request.version)
    asks_first = request.version >= (1, 1) and request.headers.get("expect", "").lower() == "100-continue"
    return Put(request.path.decode("utf-8", "replace"), int(length), asks_first)


def _request_line(line: str) -> tuple[str, str, tuple[int, int]]:
    method, _, rest = line.partition(" ")
    target, _, protocol = rest.strip(" ").rpartition(" ")
    match = _VERSION.fullmatch(protocol)
    if not _TOKEN.fullmatch(method) or not match or not target.strip():
        raise Refused(400, "the first line is not `METHOD PATH HTTP/1.0`")
    version = (int(match[1]), int(match[2]))
    if version[0] != 1:
        raise Refused(505, "only HTTP/1.0 and HTTP/1.1, or a simple request without a version")
    return method, target.strip(), (1, min(version[1], 1))


def _headers(lines: list[str], version: tuple[int, int]) -> dict[str, str]:
    found: dict[str, str] = {}
    if len(lines) > HEADERS + 2:
        raise Refused(431, f"more than {HEADERS} header lines", version=version)
    for line in lines:
        if not line:
            continue
        name, colon, value = line.partition(":")
        # RFC 9112 5.1 and 5.2: no blank before the colon, no folded lines; a bare CR or NUL hides another request.
        if not colon or not _TOKEN.fullmatch(name) or re.search(r"[\r\0]", value):
            raise Refused(400, "a header line is not `Name: value`", version=version)
        key = name.lower()
        if key in found and key in _ONCE:
            raise Refused(400, f"the header {name} stands twice", version=version)
        found[key] = f"{found[key]}, {value.strip()}" if key in found else value.strip()
    return found


def _path(target: str, version: tuple[int, int]) -> bytes:
    """The path of an origin-form or absolute-form target (RFC 9112 3.2), percent-decoded once, query dropped."""
    text = re.sub(r"^(?i:http)://[^/?#]*", "", target)
    text = re.split(r"[?#]", text, maxsplit=1)[0]
    if not text.startswith("/"):
        # A person at a keyboard types `GET NAME`; only a full URL or a path is right in a full request.
        if version != (0, 9) and text:
            raise Refused(400, "the path does not begin with /", version=version)
        text = "/" + text
    if re.search(r"[\0-\x1f\x7f]", text) or re.search(r"%(?![0-9A-Fa-f]{2})", text):
        raise Refused(400, "the path holds a control character or a broken % code", version=version)
    return re.sub(
        rb"%([0-9A-Fa-f]{2})", lambda match: bytes.fromhex(match[1].decode()), text[1:].encode("latin-1")
    )


# ------------------------------------------------------------------------------------------------- ranges


@dataclass(frozen=True, slots=True)
class Span:
    """The bytes to send: `length_bytes` from `first_byte`; `status` is 200, 206, 304, 412 or 416."""

    status: int
    first_byte: int
    length_bytes: int


def span(request: Request, size_bytes: int, tag: str, changed_s: int) -> Span:
    """Which part of a file the request gets, by its conditions and its range (RFC 9110 13 and 14).

    Several ranges at once, or one that cannot be read, are answered with the whole (RFC 9110 14.2 allows it);
    HEAD has no ranges.
    """
    status = _precondition(request.headers, tag, changed_s)
    if status:
        return Span(status, 0, 0)
    wanted = request.headers.get("range")
    if wanted is None or request.method != "GET" or not _same(request.headers.get("if-range"), tag, changed_s):
        return Span(200, 0, size_bytes)
    return _cut(wanted, size_bytes)


def _cut(wanted: str, size_bytes: int) -> Span:
    match = _RANGE.fullmatch(wanted)
    if not match or not (match[1] or match[2]):
        return Span(200, 0, size_bytes)
    if not match[1]:
        length = min(int(match[2]), size_bytes)
        return Span(206, size_bytes - length, length) if length else Span(416, 0, 0)
    first = int(match[1])
    last = min(int(match[2]), size_bytes - 1) if match[2] else size_bytes - 1
    if match[2] and int(match[2]) < first:
        return Span(200, 0, size_bytes)
    return Span(206, first, last - first + 1) if first < size_bytes else Span(416, 0, 0)


def _same(condition: str | None, tag: str, changed_s: int) -> bool:
    """If-Range (RFC 9110 13.1.5): the strong tag, or exactly the date that we gave."""
    if condition is None:
        return True
    return condition == tag or _date(condition) == changed_s


def _precondition(headers: Mapping[str, str], tag: str, changed_s: int) -> int:
    """304 or 412 by the order of RFC 9110 13.2.2, 0 when the request goes on."""
    if "if-match" in headers:
        if not _listed(headers["if-match"], tag, weak=False):
            return 412
    elif (limit := _date(headers.get("if-unmodified-since"))) is not None and changed_s > limit:
        return 412
    if "if-none-match" in headers:
        return 304 if _listed(headers["if-none-match"], tag, weak=True) else 0
    known = _date(headers.get("if-modified-since"))
    return 304 if known is not None and changed_s <= known else 0


def _listed(value: str, tag: str, *, weak: bool) -> bool:
    tags = {part.strip() for part in value.split(",")}
    return "*" in tags or tag in tags or (weak and f"W/{tag}" in tags)


def _date(text: str | None) -> int | None:
    """Seconds since 1970 of any of HTTP's three date forms (RFC 9110 5.6.7); None when it cannot be read."""
    if not text:
        return None
    try:
        parts = parsedate(text.split(";")[0])
        return timegm(parts) if parts else None
    except (ValueError, TypeError, OverflowError, IndexError):
        return None


# ------------------------------------------------------------------------------------------------ replies


def date_text(time_s: int) -> str:
    """The date as RFC 9110 5.6.7 wants it, in no locale: `Sun, 06 Nov 1994 08:49:37 GMT`."""
    return formatdate(time_s, usegmt=True)


def reply_head(status: int, now_s: int, headers: Mapping[str, str], *, keep_alive: bool) -> bytes:
    """A status line and headers. Says HTTP/1.1 as RFC 9110 2.5 asks, whatever the client's own 1.x is."""
    lines = [f"HTTP/1.1 {status} {REASONS[status]}", f"Date: {date_text(now_s)}", "Server: discprep"]
    lines += [f"{name}: {value}" for name, value in headers.items()]
    lines += [f"Connection: {'keep-alive' if keep_alive else 'close'}", "", ""]
    return "\r\n".join(lines).encode("latin-1")

"""Requests and ranges against RFC 1945 (HTTP/1.0), RFC 9110 (semantics) and RFC 9112 (HTTP/1.1)."""

import random

import pytest
from hypothesis import given, seed, settings
from hypothesis import strategies as st
from support.clients import malformed

from discprep.serve import http
from discprep.serve.http import Refused, Request, Span, head_end, parse, span


def test_simple_request() -> None:
    """RFC 1945 5.1: GET, a path, a line end, nothing else."""
    assert parse(b"GET /TOOLS.LHA\r\n") == Request("GET", b"TOOLS.LHA", (0, 9))
    assert parse(b"GET /TOOLS.LHA\r\n").simple


def test_simple_request_ends_with_its_line() -> None:
    assert head_end(b"GET /A") is None
    assert head_end(b"GET /A\n") == 7


def test_full_request_ends_with_a_blank_line() -> None:
    assert head_end(b"GET /A HTTP/1.0\r\n") is None
    assert head_end(b"GET /A HTTP/1.0\r\nHost: x\r\n\r\nrest") == 28
    assert head_end(b"GET /A HTTP/1.0\n\n") == 17


def test_leading_blank_lines_are_passed_over() -> None:
    """RFC 9112 2.2: a server should ignore at least one empty line before the request line."""
    head = b"\r\n\r\nGET /A HTTP/1.1\r\n\r\n"
    assert head_end(head) == len(head)
    assert parse(head).path == b"A"


def test_a_request_without_host_is_served() -> None:
    """RFC 1945 knows no Host; a 1.1 client without it is met halfway, because names come from a closed list."""
    assert parse(b"GET /A HTTP/1.1\r\n\r\n").version == (1, 1)


@pytest.mark.parametrize(
    ("target", "path"),
    [
        ("/", b""),
        ("/A%20B", b"A B"),
        ("/A B", b"A B"),
        ("/%41?x=/y", b"A"),
        ("http://files.example/A", b"A"),
        ("http://files.example", b""),
        ("/%2e%2e/%2e%2e/etc", b"../../etc"),
        ("/%252e", b"%2e"),
        ("/caf%E9", b"caf\xe9"),
    ],
)
def test_path_is_decoded_once(target: str, path: bytes) -> None:
    assert parse(f"GET {target} HTTP/1.0\r\n\r\n".encode()).path == path


@pytest.mark.parametrize(
    ("head", "status"),
    [
        (b"GET\r\n\r\n", 400),
        (b"GET HTTP/1.0\r\n\r\n", 400),
        (b"GET A HTTP/1.0\r\n\r\n", 400),
        (b"HEAD /A\r\n\r\n", 400),
        (b"GET /A HTTP/1\r\n\r\n", 400),
        (b"GET /A HTTPS/1.0\r\n\r\n", 400),
        (b"\x16\x03\x01\x02\x00\x01\x00\r\n\r\n", 400),
        (b"GET /A HTTP/2.0\r\n\r\n", 505),
        (b"PRI * HTTP/2.0\r\n\r\n", 505),
        (b"POST /A HTTP/1.0\r\n\r\n", 405),
        (b"DELETE /A HTTP/1.1\r\nHost: x\r\n\r\n", 405),
        (b"CONNECT x:80 HTTP/1.1\r\n\r\n", 405),
        (b"BREW /A HTTP/1.1\r\n\r\n", 501),
        (b"GET /A%0 HTTP/1.0\r\n\r\n", 400),
        (b"GET /A%zz HTTP/1.0\r\n\r\n", 400),
        (b"GET /A\0 HTTP/1.0\r\n\r\n", 400),
        (b"GET /A HTTP/1.0\r\nNo colon\r\n\r\n", 400),
        (b"GET /A HTTP/1.0\r\nHost : x\r\n\r\n", 400),
        (b"GET /A HTTP/1.0\r\nX: y\r\n folded\r\n\r\n", 400),
        (b"GET /A HTTP/1.0\r\nX: y\rZ: w\r\n\r\n", 400),
        (b"GET /A HTTP/1.1\r\nHost: a\r\nHost: b\r\n\r\n", 400),
        (b"GET /A HTTP/1.0\r\nRange: bytes=0-1\r\nRange: bytes=2-3\r\n\r\n", 400),
    ],
)
def test_faulty_requests_are_refused(head: bytes, status: int) -> None:
    with pytest.raises(Refused) as refused:
        parse(head)
    assert refused.value.status == status


def test_bounds_of_a_head() -> None:
    """An endless line, endless headers and endless blank lines are cut off before they fill memory."""
    for data, status in [
        (b"GET /" + b"a" * http.LINE_BYTES, 414),
        (b"GET /a HTTP/1.0\r\n" + b"X: y\r\n" * 4000, 431),
        (b"\r\n" * 20_000, 400),
    ]:
        with pytest.raises(Refused) as refused:
            head_end(data)
        assert refused.value.status == status
    many = b"GET /a HTTP/1.0\r\n" + b"X: y\r\n" * (http.HEADERS + 10) + b"\r\n"
    with pytest.raises(Refused, match="header lines"):
        parse(many)


@pytest.mark.parametrize(
    ("head", "keeps"),
    [
        (b"GET /A HTTP/1.1\r\n\r\n", True),
        (b"GET /A HTTP/1.1\r\nConnection: close\r\n\r\n", False),
        (b"GET /A HTTP/1.0\r\n\r\n", False),
        (b"GET /A HTTP/1.0\r\nConnection: Keep-Alive\r\n\r\n", True),
        (b"GET /A\r\n", False),
        (b"GET /A HTTP/1.1\r\nContent-Length: 5\r\n\r\n", False),
        (b"GET /A HTTP/1.1\r\nTransfer-Encoding: chunked\r\n\r\n", False),
    ],
)
def test_keep_alive(head: bytes, keeps: bool) -> None:
    """RFC 9112 9.3. A body is never read: the connection ends, so that its bytes can't pose as a request."""
    assert parse(head).keeps_alive == keeps


TAG = '"abc"'
CHANGED_S = 784_111_777  # Sun, 06 Nov 1994 08:49:37 GMT, the example of RFC 9110 5.6.7


def asked(**headers: str) -> Span:
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    return span(Request("GET", b"A", (1, 1), named), 10_000, TAG, CHANGED_S)


@pytest.mark.parametrize(
    ("wanted", "expected"),
    [
        ("bytes=0-499", Span(206, 0, 500)),
        ("bytes=500-999", Span(206, 500, 500)),
        ("bytes=-500", Span(206, 9500, 500)),
        ("bytes=9500-", Span(206, 9500, 500)),
        ("bytes=0-0", Span(206, 0, 1)),
        ("bytes=-20000", Span(206, 0, 10_000)),
        ("bytes=9999-20000", Span(206, 9999, 1)),
        ("bytes=10000-", Span(416, 0, 0)),
        ("bytes=-0", Span(416, 0, 0)),
        ("bytes=5-4", Span(200, 0, 10_000)),
        ("bytes=0-0,-1", Span(200, 0, 10_000)),
        ("lines=1-2", Span(200, 0, 10_000)),
        ("bytes=-", Span(200, 0, 10_000)),
        ("bytes=" + "9" * 30 + "-", Span(200, 0, 10_000)),
    ],
)
def test_ranges(wanted: str, expected: Span) -> None:
    """The first four are the examples of RFC 9110 14.1.2 for 10,000 bytes."""
    assert asked(range=wanted) == expected


@pytest.mark.parametrize(
    ("condition", "status"),
    [
        (TAG, 206),
        ('"other"', 200),
        ('W/"abc"', 200),
        ("Sun, 06 Nov 1994 08:49:37 GMT", 206),
        ("Sunday, 06-Nov-94 08:49:37 GMT", 206),
        ("Sun Nov  6 08:49:37 1994", 206),
        ("Sun, 06 Nov 1994 08:49:38 GMT", 200),
        ("nonsense", 200),
    ],
)
def test_if_range(condition: str, status: int) -> None:
    """RFC 9110 13.1.5; the three date forms are those of 5.6.7."""
    assert asked(range="bytes=1-", if_range=condition).status == status


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"if_none_match": TAG}, 304),
        ({"if_none_match": '"x", W/"abc"'}, 304),
        ({"if_none_match": '"x"'}, 200),
        ({"if_none_match": "*"}, 304),
        ({"if_modified_since": "Sun, 06 Nov 1994 08:49:37 GMT"}, 304),
        ({"if_modified_since": "Sun, 06 Nov 1994 08:49:36 GMT"}, 200),
        ({"if_none_match": '"x"', "if_modified_since": "Sun, 06 Nov 1994 08:49:37 GMT"}, 200),
        ({"if_match": '"x"'}, 412),
        ({"if_match": TAG}, 200),
        ({"if_unmodified_since": "Sun, 06 Nov 1994 08:49:36 GMT"}, 412),
        ({"if_unmodified_since": "Sun, 06 Nov 1994 08:49:37 GMT"}, 200),  # 13.1.4: equal is not later
        ({"if_unmodified_since": "nonsense"}, 200),
    ],
)
def test_conditions(headers: dict[str, str], status: int) -> None:
    """RFC 9110 13.2.2, the order of precedence."""
    assert asked(**headers).status == status


def test_head_has_no_ranges() -> None:
    """RFC 9110 14.2: Range is defined for GET only."""
    assert span(Request("HEAD", b"A", (1, 1), {"range": "bytes=1-"}), 10, TAG, 0).status == 200


def test_date_of_the_standard() -> None:
    """The example of RFC 9110 5.6.7."""
    assert http.date_text(CHANGED_S) == "Sun, 06 Nov 1994 08:49:37 GMT"


@seed(20)
@settings(max_examples=300, deadline=None)
@given(st.text(alphabet="bytes=-0123456789, \t", max_size=30), st.integers(0, 10**6))
def test_any_range_stays_inside(wanted: str, size: int) -> None:
    """Whatever stands in Range, what is sent lies inside the file."""
    part = span(Request("GET", b"A", (1, 1), {"range": wanted}), size, TAG, 0)
    assert part.first_byte >= 0 and part.first_byte + part.length_bytes <= size
    assert part.status in (200, 206, 416)


def test_fuzzed_requests_are_parsed_or_refused() -> None:
    """3,000 malformed requests (seed 7): parsed or refused, nothing else ever comes out."""
    rng = random.Random(7)
    outcomes = set()
    for _ in range(3000):
        data = malformed(rng)
        try:
            end = head_end(data)
            outcomes.add(parse(data[:end]).method if end else "more")
        except Refused as refused:
            assert refused.status in http.REASONS
            outcomes.add(refused.status)
    assert {"GET", "more", 400} <= outcomes

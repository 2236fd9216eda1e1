"""Every way a web server can do wrong: a clear error or the next source, in bounded time, no wrong byte kept.

What a right answer is: RFC 9110 (semantics, ranges 14, conditions 13, Retry-After 10.2.3), RFC 9112 (framing).
"""

from __future__ import annotations

import gzip
import socket
from pathlib import Path

import pytest
from support.fault_server import (
    MODIFIED_S,
    Exchange,
    Fault,
    FaultServer,
    cut,
    endless,
    good,
    redirect,
    trickle,
)
from support.fetching import DATA, assert_whole, fetch, item, litter, objects, remarks, said, sha256

from discprep.model import Hashes

PAGE = b"<!DOCTYPE html>\n<html><body>Not found, but politely</body></html>"


@pytest.fixture
def server():
    with FaultServer() as server:
        yield server


def wrong_length(exchange: Exchange) -> None:
    exchange.head(content_length=len(DATA) + 5000)
    exchange.send(DATA)
    exchange.hang_up()


def too_short_length(exchange: Exchange) -> None:
    exchange.head(content_length=len(DATA) - 5000)
    exchange.send(DATA)


def page(exchange: Exchange) -> None:
    exchange.reply(PAGE, content_type="text/html; charset=utf-8")


def closes_at_once(exchange: Exchange) -> None:
    exchange.hang_up()


def nonsense(exchange: Exchange) -> None:
    exchange.send(b"\x00\x01\x02 what is HTTP?\r\n\r\n")
    exchange.hang_up()


def silent(exchange: Exchange) -> None:
    exchange.head(content_length=len(DATA))
    exchange.send(DATA[:1000])
    exchange.server.wait(30)


def status(line: str, **headers: object) -> Fault:
    return lambda exchange: exchange.reply(b"sorry", line, **headers)


def slow_trailer(exchange: Exchange) -> None:
    exchange.head(transfer_encoding="chunked")
    exchange.send(b"3\r\nabc\r\n0\r\n")
    for _ in range(300):
        exchange.send(b"x: y\r\n")
        exchange.server.wait(0.1)
        if exchange.server.closing.is_set():
            return


FAULTS: dict[str, tuple[Fault, str]] = {
    "cut every time": (cut(DATA, 500, always=True), "broke off after 500 of 400,000 bytes"),
    "length too large": (wrong_length, "expected 400,000 bytes, its source has 405,000"),
    "length too small": (too_short_length, "expected 400,000 bytes, its source has 395,000"),
    "web page": (page, "web page instead of|expected 400,000 bytes, its source has 65"),
    "other bytes": (lambda e: e.reply(bytes(len(DATA))), "expected SHA-256 .*, got .*; it was not kept"),
    "closes at once": (closes_at_once, "the connection broke"),
    "nonsense": (nonsense, "the connection broke"),
    "silent": (silent, "sent nothing for 1.5 s"),
    "a byte at a time": (trickle(DATA, 0.05), "less than 50 B/s; given up"),
    "a slow head": (trickle(b"x: y\r\n" * 300, 0.05, b"HTTP/1.1 200 OK\r\n"), "waiting without sending"),
    "a slow trailer": (slow_trailer, "waiting without sending|expected"),
    "no end": (endless, "more than the 400,000 bytes expected"),
    "redirects to itself": (redirect("/bad"), "redirects in a circle"),
    "redirects to a file": (redirect("file:///etc/hostname"), "redirects to file:///etc/hostname; only"),
    "redirects to gopher": (redirect("gopher://files.example/0/x"), "only https, http, ftp are followed"),
    "redirects to no host": (redirect("ftp://:21/x"), "only https, http, ftp are followed"),
    "gone": (status("404 Not Found"), "answers 404 Not Found"),
    "forbidden": (status("403 Forbidden"), "answers 403 Forbidden"),
    "broken": (status("500 Oops"), "answers 500 Oops"),
    "wait an hour": (status("503 Busy", retry_after=3600), "asks to wait 3600 s, longer than we do"),
    "many headers": (lambda e: e.send(b"HTTP/1.1 200 OK\r\n" + b"a: b\r\n" * 5000 + b"\r\n"), "connection broke"),
    "unknown encoding": (lambda e: e.reply(DATA[::-1], content_encoding="rot13"), "packed it as 'rot13'"),
    "false gzip": (lambda e: e.reply(DATA[:99], content_encoding="gzip"), "packed it and damaged it"),
    "cut gzip": (lambda e: e.reply(gzip.compress(DATA)[:9000], content_encoding="gzip"), "damaged it"),
    "gzip bomb": (
        lambda e: e.reply(gzip.compress(bytes(5_000_000)), content_encoding="gzip"),
        "over the 400,000 bytes expected",
    ),
}


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_is_said_and_nothing_is_kept(name: str, server: FaultServer, tmp_path: Path) -> None:
    """One source with one fault: its words, an empty cache, and no more bytes than a bad server may cost."""
    fault, words = FAULTS[name]
    server.faults["/bad"] = fault
    report = fetch(tmp_path, item("tools", server.url("/bad"), data=DATA))
    assert any(_matches(part, said(report)) for part in words.split("|")), said(report)
    assert report.path("tools") is None
    assert objects(tmp_path) == {}
    assert report.moved_bytes <= 3 * (len(DATA) + 300_000)
    assert not (tmp_path / "first.pins.toml").exists()


def _matches(pattern: str, text: str) -> bool:
    import re

    return re.search(pattern, text) is not None


@pytest.mark.parametrize("name", FAULTS)
def test_the_next_source_gives_it(name: str, server: FaultServer, tmp_path: Path) -> None:
    """The same fault with a good mirror behind it: the item comes, and what the first did is told."""
    server.faults["/bad"] = FAULTS[name][0]
    server.files["/good"] = DATA
    report = fetch(tmp_path, item("tools", server.url("/bad"), server.url("/good"), data=DATA))
    assert said(report) == ""
    assert objects(tmp_path) == {sha256(DATA): DATA}
    assert "another source gave it" in remarks(report)
    assert litter(tmp_path) == []


def test_a_cut_body_is_gone_on_with(server: FaultServer, tmp_path: Path) -> None:
    """The second request asks for the rest, under the condition that it is the same file (RFC 9110 13.1.5)."""
    server.faults["/tools"] = cut(DATA, 150_000)
    report = fetch(tmp_path, item("tools", server.url("/tools"), data=DATA))
    second = server.requests("/tools")[1]
    assert second["range"] == "bytes=150000-"
    assert second["if-range"].startswith('"')
    assert report.moved_bytes == len(DATA)
    assert objects(tmp_path) == {sha256(DATA): DATA}


def test_a_server_that_ignores_ranges_starts_again(server: FaultServer, tmp_path: Path) -> None:
    """A 200 to a range request brings the whole, which replaces the part."""

    def fault(exchange: Exchange) -> None:
        if exchange.nth == 1:
            cut(DATA, 150_000)(exchange)
        else:
            exchange.reply(DATA)

    server.faults["/tools"] = fault
    report = fetch(tmp_path, item("tools", server.url("/tools"), data=DATA))
    assert said(report) == ""
    assert report.moved_bytes == 150_000 + len(DATA)
    assert objects(tmp_path) == {sha256(DATA): DATA}


RANGES = {
    "another range": "bytes 100000-399999/400000",
    "another size": "bytes 150000-399999/500000",
    "no range": "",
    "nonsense": "items 1-2/3",
    "a huge number": "bytes 150000-399999/" + "9" * 5000,
}


@pytest.mark.parametrize("name", RANGES)
def test_a_wrong_partial_answer_is_not_joined(name: str, server: FaultServer, tmp_path: Path) -> None:
    """A 206 that does not continue our part is dropped, and the file asked for from its start."""

    def fault(exchange: Exchange) -> None:
        if exchange.nth == 1:
            cut(DATA, 150_000)(exchange)
        elif exchange.first:
            exchange.reply(DATA[150_000:], "206 Partial Content", content_range=RANGES[name])
        else:
            exchange.reply(DATA)

    server.faults["/tools"] = fault
    report = fetch(tmp_path, item("tools", server.url("/tools"), data=DATA))
    assert said(report) == ""
    assert "range" not in server.requests("/tools")[-1]
    assert objects(tmp_path) == {sha256(DATA): DATA}


@pytest.mark.parametrize("covered", [True, False], ids=["with a hash", "without"])
def test_a_file_that_changes_between_parts_is_not_mixed(covered: bool, server: FaultServer, tmp_path: Path) -> None:
    """Another ETag in the 206 than in the first answer: the part is dropped, never joined."""
    new = DATA[::-1]

    def fault(exchange: Exchange) -> None:
        if exchange.nth == 1:
            cut(DATA, 150_000)(exchange)
        elif exchange.first:
            span = f"bytes 150000-{len(new) - 1}/{len(new)}"
            exchange.reply(new[150_000:], "206 Partial Content", content_range=span, etag='"new"')
        else:
            exchange.reply(new, etag='"new"')

    server.faults["/tools"] = fault
    wanted = item("tools", server.url("/tools"), data=new if covered else None)
    report = fetch(tmp_path, wanted)
    assert said(report) == ""
    assert objects(tmp_path) == {sha256(new): new}


def test_a_spoiled_part_is_fetched_again_whole(server: FaultServer, tmp_path: Path) -> None:
    """A part whose bytes went bad on the disk joins to a wrong hash: it is dropped, and the source asked once more."""
    server.faults["/tools"] = cut(DATA, 150_000, always=True)
    fetch(tmp_path, item("tools", server.url("/tools"), data=DATA))
    (part,) = [path for path in (tmp_path / "cache" / "parts").iterdir() if path.suffix == ""]
    part.write_bytes(b"X" + part.read_bytes()[1:])
    del server.faults["/tools"]
    server.files["/tools"] = DATA
    report = fetch(tmp_path, item("tools", server.url("/tools"), data=DATA))
    assert said(report) == ""
    assert objects(tmp_path) == {sha256(DATA): DATA}


def test_without_a_hash_a_web_page_is_refused_at_its_first_bytes(server: FaultServer, tmp_path: Path) -> None:
    """Status 200 and a page where an archive was asked for."""
    server.faults["/tools.lha"] = page
    report = fetch(tmp_path, item("tools", server.url("/tools.lha")))
    assert "a web page came instead of the file; it was not kept" in said(report)
    assert objects(tmp_path) == {}


def test_a_web_page_that_is_wanted_comes(server: FaultServer, tmp_path: Path) -> None:
    """An item whose name is that of a page may be one; one whose hash says so as well."""
    server.faults["/guide.html"] = page
    server.faults["/guide"] = page
    report = fetch(
        tmp_path, item("by-name", server.url("/guide.html")), item("by-hash", server.url("/guide"), data=PAGE)
    )
    assert said(report) == ""


def test_an_archive_sent_as_a_web_page_is_no_web_page(server: FaultServer, tmp_path: Path) -> None:
    """Old servers call every unknown ending text/html: the bytes decide."""
    server.faults["/tools.lha"] = lambda exchange: exchange.reply(DATA, content_type="text/html")
    assert said(fetch(tmp_path, item("tools", server.url("/tools.lha")))) == ""


TAR = b"reading room rules\n" * 900
TAR_GZ = gzip.compress(TAR, mtime=0)


@pytest.mark.parametrize("covered", [True, False], ids=["with a hash", "without"])
@pytest.mark.parametrize(
    ("name", "wanted", "sent"),
    [
        ("rules.tar.gz", TAR_GZ, TAR_GZ),
        ("rules.tar.gz", TAR_GZ, gzip.compress(TAR_GZ)),
        ("rules.tar", TAR, TAR_GZ),
        ("rules.lha", TAR, gzip.compress(TAR[:99]) + gzip.compress(TAR[99:])),
    ],
    ids=["the archive's own gzip", "gzip on the way", "packed for the way", "two gzip members"],
)
def test_gzip_that_nobody_asked_for(
    name: str, wanted: bytes, sent: bytes, covered: bool, server: FaultServer, tmp_path: Path
) -> None:
    """A Content-Encoding on an archive: the hash, else the name, says which layer belongs to the file."""
    server.faults[f"/{name}"] = lambda exchange: exchange.reply(sent, content_encoding="gzip")
    report = fetch(tmp_path, item("rules", server.url(f"/{name}"), data=wanted if covered else None))
    assert said(report) == ""
    assert objects(tmp_path) == {sha256(wanted): wanted}
    assert server.requests(f"/{name}")[0]["accept-encoding"] == "identity"


def test_retry_after_is_waited_for(server: FaultServer, tmp_path: Path) -> None:
    """A busy server that names a short time is asked again after it, in seconds or with a date (10.2.3)."""
    waits: list[float] = []

    def fault(exchange: Exchange) -> None:
        if exchange.nth == 1:
            exchange.reply(b"", "429 Too Many Requests", retry_after=2)
        else:
            exchange.reply(DATA)

    server.faults["/tools"] = fault
    report = fetch(tmp_path, item("tools", server.url("/tools"), data=DATA), sleep=waits.append)
    assert said(report) == ""
    assert waits == [2.0]


def test_redirects_are_followed_to_another_host_and_scheme(server: FaultServer, tmp_path: Path) -> None:
    """Relative, absolute, several in a row; to FTP as well."""
    from support.ftp_server import FtpServer

    with FtpServer({"pub/tools.lha": DATA}) as ftp:
        server.faults["/a"] = redirect("b", "301 Moved Permanently")
        server.faults["/b"] = redirect(server.url("/c", "localhost"), "307 Temporary Redirect")
        server.faults["/c"] = redirect(ftp.url("pub/tools.lha"), "308 Permanent Redirect")
        report = fetch(tmp_path, item("tools", server.url("/a"), data=DATA))
    assert said(report) == ""
    assert objects(tmp_path) == {sha256(DATA): DATA}


def test_redirects_end(server: FaultServer, tmp_path: Path) -> None:
    """Each to a new place, without end: stopped at the limit."""
    for number in range(40):
        server.faults[f"/{number}"] = redirect(f"/{number + 1}")
    report = fetch(tmp_path, item("tools", server.url("/0"), data=DATA))
    assert "redirects more than 8 times" in said(report)
    assert len(server.asked) <= 10


def test_a_password_goes_to_its_own_host_only_and_is_never_shown(server: FaultServer, tmp_path: Path) -> None:
    """Basic credentials in a source are sent to that source, not to where it redirects, nor into pins or messages."""
    server.faults["/private"] = redirect(server.url("/open", "localhost"))
    server.files["/open"] = DATA
    source = server.url("/private").replace("//", "//reader:s3same@")
    report = fetch(tmp_path, item("tools", source))
    assert "authorization" in server.requests("/private")[0]
    assert "authorization" not in server.requests("/open")[0]
    written = b"".join(path.read_bytes() for path in tmp_path.rglob("*") if path.is_file())
    assert b"s3same" not in written
    server.faults["/private"] = closes_at_once
    assert "s3same" not in said(fetch(tmp_path / "again", item("tools", source))) + remarks(report)


def test_a_dead_host_and_a_name_that_does_not_exist(server: FaultServer, tmp_path: Path) -> None:
    """No listener, and a name that is reserved to have no address (RFC 2606 2: `.invalid`)."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    report = fetch(
        tmp_path,
        item("dead", f"http://127.0.0.1:{port}/x", data=DATA),
        item("nowhere", "http://reading-room.invalid/x", data=DATA),
    )
    dead, nowhere = report.errors
    assert "the host refuses the connection" in str(dead)
    assert "the name of its host cannot be found (DNS)" in str(nowhere)
    assert {dead.exit_code, nowhere.exit_code} == {3}


@pytest.mark.parametrize(
    "source", ["http://[::1", "http://", "http://a b/", "gopher://files.example/x", "http://h:99999/x"]
)
def test_a_source_that_is_no_address(source: str, tmp_path: Path) -> None:
    """Said in words, whatever the library thinks of it."""
    report = fetch(tmp_path, item("tools", source, data=DATA))
    assert len(report.errors) == 1
    assert report.items[0].state == "failed"


def test_the_servers_date_is_pinned(server: FaultServer, tmp_path: Path) -> None:
    """Last-Modified of the server, as seconds since 1970."""
    server.files["/tools"] = DATA
    report = fetch(tmp_path, item("tools", server.url("/tools")))
    assert report.items[0].pin is not None
    assert report.items[0].pin.fetched_s == MODIFIED_S


def test_two_connections_a_host_at_most(server: FaultServer, tmp_path: Path) -> None:
    """Twelve items from one host, each taking a while: never more than two at once."""

    def slowly(exchange: Exchange) -> None:
        exchange.server.wait(0.03)
        good(exchange)

    for number in range(12):
        server.files[f"/{number}"] = server.faults.get("", DATA) and DATA[number:]
        server.faults[f"/{number}"] = slowly
    report = fetch(
        tmp_path, *(item(f"i{number}", server.url(f"/{number}"), data=DATA[number:]) for number in range(12))
    )
    assert said(report) == ""
    assert 1 <= server.open_most <= 2
    assert_whole(tmp_path)


def test_weak_hashes_are_accepted_and_called_weak(server: FaultServer, tmp_path: Path) -> None:
    """MD5, SHA-1 and CRC-32 decide where nothing stronger is known. The values are of the nine digits' bytes:
    RFC 1321 has no such vector; CRC-32 of `123456789` is the check value cbf43926 of the published catalogue."""
    digits = b"123456789"
    server.files["/right"] = digits
    server.files["/wrong"] = b"123456780"
    weak = Hashes(crc32="cbf43926")
    report = fetch(
        tmp_path, item("right", server.url("/right"), hashes=weak), item("wrong", server.url("/wrong"), hashes=weak)
    )
    assert "its only hash is weak (CRC-32)" in remarks(report)
    assert "expected CRC-32 cbf43926, got" in said(report)
    assert objects(tmp_path) == {sha256(digits): digits}

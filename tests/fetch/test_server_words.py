"""Whatever nonsense a server talks is that source's fault: the other items come, and none of its words goes raw to a
screen or a file. What is allowed: RFC 9110 (10.2.2 Location, 15.4), RFC 3986 3.2.2 (brackets), RFC 959 4.2 (replies).
"""

from __future__ import annotations

from pathlib import Path

import pytest
from support.command import run
from support.fault_server import Exchange, Fault, FaultServer
from support.fetching import DATA, assert_whole, fetch, item, said
from support.ftp_server import FtpServer

SECRET = "wilhelmina77"
ESCAPE = "\x1b]0;owned\x07\x1b[2J"


def to(location: str) -> Fault:
    return lambda exchange: exchange.head("302 Found", location=location, content_length=0)


def long_range(exchange: Exchange) -> None:
    exchange.head("206 Partial Content", content_range=f"bytes {'9' * 6000}-{'9' * 6000}/5", content_length=5)


def headers(**more: object) -> Fault:
    return lambda exchange: exchange.reply(DATA[:10] if exchange.method == "HEAD" else DATA, **more)


NONSENSE = {
    "bracket": to("http://[::1"),
    "no address in brackets": to("http://[files.example]/"),
    "port": to("http://files.example:99999999999/"),
    "letters for a port": to("ftp://files.example:ninety/"),
    "host without letters": to("http://" + "." * 300 + "/"),
    "escapes": to(f"http://files.example/{ESCAPE}"),
    "range": long_range,
    "status": lambda exchange: exchange.head(f"404 {ESCAPE}", content_length=0),
    "nothing": lambda exchange: exchange.reply(b""),
    "chunks": lambda exchange: (exchange.head(transfer_encoding="chunked"), exchange.send(b"zz;\x1b[2J\r\n")),
}


@pytest.mark.parametrize("name", NONSENSE)
def test_nonsense_is_the_sources_fault(name: str, tmp_path: Path) -> None:
    """The other item is fetched, the fault is that of the one source and family, and no byte of it is a control."""
    with FaultServer(files={"/good.zip": DATA}, faults={"/bad.zip": NONSENSE[name]}) as server:
        report = fetch(tmp_path, item("bad", server.url("/bad.zip")), item("good", server.url("/good.zip")))
        assert [(entry.item, bool(entry.path)) for entry in report.items] == [("bad", False), ("good", True)]
        (error,) = report.errors
        assert error.item == "bad" and error.family in ("fetch", "integrity")
        assert all(c.isprintable() or c == "\n" for c in said(report))
        second = fetch(
            tmp_path / "second", item("bad", server.url("/bad.zip"), server.url("/good.zip"), data=DATA)
        )
        assert second.path("bad") and not second.errors
    assert_whole(tmp_path / "second")


def test_an_empty_file_that_is_wanted(tmp_path: Path) -> None:
    """Where the manifest says that there is nothing in it, nothing is right."""
    with FaultServer(files={"/empty.txt": b""}) as server:
        report = fetch(tmp_path, item("empty", server.url("/empty.txt"), data=b""))
        assert not report.errors and report.items[0].path and report.items[0].path.stat().st_size == 0


@pytest.mark.parametrize("kind", ["status", "location", "etag"])
def test_a_password_told_back(kind: str, tmp_path: Path) -> None:
    """In no output, no pin, no part and no log, however the server says it again."""

    def tells(exchange: Exchange) -> None:
        if kind == "status":
            exchange.head(f"403 no {SECRET} for you", content_length=0)
        elif kind == "location":
            exchange.head("302 Found", location=f"gopher://files.example/{SECRET}", content_length=0)
        else:
            exchange.head(etag=f'"{SECRET}"', content_length=len(DATA))
            exchange.send(DATA[:300_000])
            exchange.hang_up()

    with FaultServer(faults={"/a.zip": tells}) as server:
        source = server.url("/a.zip").replace("http://", f"http://reader:{SECRET}@")
        (tmp_path / "desk.toml").write_text('format = 1\nname = "desk"\n')
        path = tmp_path / "first.toml"
        path.write_text(
            'format = 1\nbring_up = []\n[machine]\nprofile = "desk.toml"\n[medium]\nkind = "cd-74"\n'
            f'[[item]]\nid = "a"\nsources = ["{source}"]\n'
        )
        for words in (("fetch", path), ("fetch", path, "--json"), ("status", path, "--ask")):
            ran = run(*words, "--cache", tmp_path / "cache")
            assert SECRET not in ran.out + ran.err
    left = [file for file in (tmp_path / "cache").rglob("*") if file.is_file()]
    assert not [file for file in left if SECRET.encode() in file.read_bytes()]


def test_a_password_that_ftp_tells_back(tmp_path: Path) -> None:
    with FtpServer(greeting=f"530 no {SECRET} here\r\n".encode()) as server:
        source = server.url("a.zip").replace("ftp://", f"ftp://reader:{SECRET}@")
        assert SECRET not in said(fetch(tmp_path, item("a", source)))

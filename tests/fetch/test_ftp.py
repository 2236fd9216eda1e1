"""FTP: passive, binary, resumed (RFC 959, RFC 3659 REST/SIZE/MDTM), and what bad servers do."""

from __future__ import annotations

import socket
import threading
from pathlib import Path

import pytest
from support.fetching import DATA, fetch, item, litter, objects, said, sha256
from support.ftp_server import MODIFIED_S, FtpServer

PATH = "pub/tools.lha"


@pytest.fixture
def server():
    with FtpServer({PATH: DATA}) as server:
        yield server


def test_a_file_comes_in_binary_with_its_date(server: FtpServer, tmp_path: Path) -> None:
    """TYPE I before RETR; MDTM's date becomes the pin's."""
    report = fetch(tmp_path, item("tools", server.url(PATH), data=DATA))
    assert said(report) == ""
    assert objects(tmp_path) == {sha256(DATA): DATA}
    assert server.said.index("TYPE I") < server.said.index(f"RETR {PATH}")
    assert report.items[0].pin is not None
    assert report.items[0].pin.fetched_s == MODIFIED_S


def test_a_data_channel_that_closes_early_is_gone_on_with(server: FtpServer, tmp_path: Path) -> None:
    """The second RETR starts where the first broke off."""
    server.cut[PATH] = 150_000
    report = fetch(tmp_path, item("tools", server.url(PATH), data=DATA))
    assert said(report) == ""
    assert "REST 150000" in server.said
    assert report.moved_bytes == len(DATA)


def test_a_server_without_rest_size_and_mdtm(tmp_path: Path) -> None:
    """Old servers know none of RFC 3659: the file starts again, and its 226 says that it is whole."""
    with FtpServer({PATH: DATA}, without=frozenset({"SIZE", "MDTM", "REST"})) as server:
        server.cut[PATH] = 150_000
        report = fetch(tmp_path, item("tools", server.url(PATH), data=DATA))
    assert said(report) == ""
    assert objects(tmp_path) == {sha256(DATA): DATA}


def test_a_missing_file_and_a_name_with_a_line_break(server: FtpServer, tmp_path: Path) -> None:
    """550 in the server's words; a path that would smuggle a command is never sent."""
    report = fetch(
        tmp_path,
        item("gone", server.url("pub/gone.lha"), data=DATA),
        item("trick", server.url("pub/x%0d%0aDELE%20y"), data=DATA),
    )
    gone, trick = report.errors
    assert "550 no such file" in str(gone)
    assert "names no file" in str(trick)
    assert not any("DELE" in line for line in server.said)


def test_the_address_in_a_passive_answer_is_not_trusted(tmp_path: Path) -> None:
    """A server that names another host's address (here TEST-NET-1, RFC 5737) is connected to itself."""
    with FtpServer({PATH: DATA}, pasv_host="192,0,2,77") as server:
        report = fetch(tmp_path, item("tools", server.url(PATH), data=DATA))
    assert said(report) == ""


def test_a_name_outside_ascii_goes_over_as_its_bytes(tmp_path: Path) -> None:
    """%E9 in the URL is the byte E9 on the wire, whatever charset the server thinks in."""
    with FtpServer({"pub/caf\xe9.lha": DATA}) as server:
        report = fetch(tmp_path, item("tools", server.url("pub/caf%E9.lha"), data=DATA))
    assert said(report) == ""


def test_a_greeting_without_end(tmp_path: Path) -> None:
    """A multi-line answer (RFC 959 4.2) that never ends is broken off."""
    with FtpServer({PATH: DATA}, greeting=b"220-still talking\r\n" * 200_000) as server:
        report = fetch(tmp_path, item("tools", server.url(PATH), data=DATA))
    assert "lines" in said(report) or "connection broke" in said(report)
    assert objects(tmp_path) == {}


def test_a_server_that_says_nothing(tmp_path: Path) -> None:
    """It accepts and keeps silent: given up after the stall time."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        holder: list[socket.socket] = []
        thread = threading.Thread(target=lambda: holder.extend(listener.accept()[0] for _ in range(3)), daemon=True)
        thread.start()
        report = fetch(tmp_path, item("tools", f"ftp://127.0.0.1:{listener.getsockname()[1]}/{PATH}", data=DATA))
        thread.join(5)
        for connection in holder:
            connection.close()
    assert "sent nothing for 1.5 s" in said(report)
    assert litter(tmp_path) == []


def test_plain_ftp_is_called_out_where_nothing_covers_it(server: FtpServer, tmp_path: Path) -> None:
    """No hash in the manifest and no pin: the remark says how it came; the second run is covered by the pin."""
    wanted = item("tools", server.url(PATH))
    first = fetch(tmp_path, wanted)
    assert any("plain ftp, where anybody on the way can change it" in str(notice) for notice in first.notices)
    assert fetch(tmp_path, wanted).notices == ()

"""Files from the machine by PUT (RFC 9110 9.3.4): whole, under safe names, bounded, never over another."""

import hashlib
import socket
import subprocess
from pathlib import Path

import pytest
from support.clients import random_bytes, reading_room, serving, split_reply, wait_until
from support.programs import program

from discprep.serve.server import Bounds
from discprep.serve.take_in import Limits, TakeIn, Taken

DATA = random_bytes(3_000_000, 4)


def stored(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


@pytest.mark.parametrize("words", [
    ("curl", "-sS", "--noproxy", "*", "-T"), ("curl", "-sS", "-0", "--noproxy", "*", "-T"),
    ("wget", "-q", "--no-proxy", "-O", "-", "--method=PUT"),
], ids=["curl", "curl-1.0", "wget"])  # fmt: skip
def test_real_clients_put_a_file(tmp_path: Path, words: tuple[str, ...]) -> None:
    """3 MB, for which curl asks first (RFC 9110 10.1.1); the reply names file, bytes and hash."""
    (tmp_path / "SETTINGS.BIN").write_bytes(DATA)
    taken: list[Taken] = []
    with serving(reading_room(tmp_path), takes=TakeIn(tmp_path / "in", taken.append)) as run:
        file = str(tmp_path / "SETTINGS.BIN")
        source = [f"--body-file={file}"] if words[0] == "wget" else [file]
        done = subprocess.run(
            [program(words[0]), *words[1:], *source, f"{run.url}/SETTINGS.BIN"], capture_output=True, timeout=60
        )
    sha256 = hashlib.sha256(DATA).hexdigest()
    assert done.returncode == 0 and f"SETTINGS.BIN: 3000000 bytes, SHA-256 {sha256}".encode() in done.stdout
    assert stored(tmp_path / "in")["SETTINGS.BIN"] == DATA
    assert [(one.name, one.size_bytes, one.sha256, one.client) for one in taken] == [
        ("SETTINGS.BIN", 3_000_000, sha256, "127.0.0.1")
    ]


def test_names_and_neighbours(tmp_path: Path) -> None:
    inside = tmp_path / "in"
    inside.mkdir()
    (inside / "LINE.CFG").write_bytes(b"precious")
    with serving(reading_room(tmp_path), takes=TakeIn(inside, lambda taken: None)) as run:
        for path in ("/LINE.CFG", "/../../LINE.CFG", "/%2e%2e%2fLINE.CFG", "/a\\..\\LINE.CFG", "/"):
            reply = run.raw(f"PUT {path} HTTP/1.0\r\nContent-Length: 3\r\n\r\nnew".encode())
            assert split_reply(reply)[0] == 201
        assert run.ask("/TOOLS.LHA")[0] == 200
    kept = stored(inside)
    assert kept.pop("SHA256SUMS").count(b"\n") == 5
    assert sorted(kept) == ["LINE-2.CFG", "LINE-3.CFG", "LINE-4.CFG", "LINE-5.CFG", "LINE.CFG", "_"]
    assert kept["LINE.CFG"] == b"precious"
    assert {path.name for path in tmp_path.glob("LINE*")} == set()


def test_wrong_ones_leave_nothing(tmp_path: Path) -> None:
    """No length, more than is taken, less than was told, too slow, an upload without end, and too many."""
    limits = Limits(file_bytes=50_000, total_bytes=60_000, files=3)
    takes = TakeIn(tmp_path / "in", lambda taken: None, limits)
    with serving(reading_room(tmp_path), Bounds(head_s=0.3), takes=takes) as run:
        put = "PUT /X HTTP/1.1\r\nHost: x\r\n"
        assert split_reply(run.raw(f"{put}\r\n".encode()))[0] == 411
        assert split_reply(run.raw(f"{put}Transfer-Encoding: chunked\r\n\r\n".encode()))[0] == 411
        assert split_reply(run.raw(f"{put}Content-Length: 50001\r\n\r\n".encode() + bytes(1_000_000)))[0] == 413
        assert split_reply(run.raw(f"{put}Content-Length: 9\r\n\r\nabc".encode(), half_close=True))[0] == 400
        assert split_reply(run.raw(f"{put}Content-Length: 9\r\n\r\nabc".encode()))[0] == 408
        assert split_reply(run.raw(f"{put}Content-Length: 50000\r\n\r\n".encode() + bytes(50_000)))[0] == 201
        assert split_reply(run.raw(f"{put}Content-Length: 1\r\n\r\nx".encode()))[0] == 507
        with socket.create_connection(("127.0.0.1", run.port), 20) as sock:
            sock.sendall(f"{put}Content-Length: 9\r\n\r\nabc".encode())
        wait_until(lambda: run.server.connections == 0)
    assert {name: len(data) for name, data in stored(tmp_path / "in").items() if name != "SHA256SUMS"} == {"X": 50_000}


def test_what_cannot_be_noted_is_not_kept(tmp_path: Path) -> None:
    """A disk that refuses the list's line: the client hears that its file was not kept, and it is not."""
    (tmp_path / "in" / "SHA256SUMS").mkdir(parents=True)
    told: list[Taken] = []
    with serving(reading_room(tmp_path), takes=TakeIn(tmp_path / "in", told.append)) as run:
        assert split_reply(run.raw(b"PUT /LINE.CFG HTTP/1.0\r\nContent-Length: 3\r\n\r\nnew"))[0] == 507
    assert [path.name for path in (tmp_path / "in").iterdir()] == ["SHA256SUMS"] and told == []


def test_nothing_is_taken_unless_asked(tmp_path: Path) -> None:
    with serving(reading_room(tmp_path)) as run:
        status, headers, _ = run.ask("/X", "Content-Length: 0", method="PUT")
    assert (status, headers["allow"]) == (405, "GET, HEAD")

"""The shelf over FTP, to general-purpose clients and to hostile ones; files from the machine, into one folder only."""

import ftplib
import hashlib
import io
import socket
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest
from support.clients import random_bytes, reading_room, shelf_file, wait_until
from support.programs import program

from discprep.link.path import path_of
from discprep.model import LinkSettings
from discprep.serve import log
from discprep.serve.ftp import FtpServer
from discprep.serve.gate import Gate
from discprep.serve.keeper import Keeper
from discprep.serve.shelf import Offer, Shelf
from discprep.serve.take_in import Limits, TakeIn, Taken, safe_name

TOOLS = random_bytes(150_000)


@contextmanager
def served(folder: Path, takes: TakeIn | None = None, gate: Gate | None = None) -> Iterator[FtpServer]:
    """The reading room over FTP on a free port of loopback."""
    keeper = Keeper(reading_room(folder), log_file=folder / "pulls.jsonl")
    server = FtpServer("127.0.0.1", 0, keeper, gate, takes, ("127.0.0.1", 8080))
    server.start()
    try:
        yield server
    finally:
        server.stop()


@contextmanager
def client(server: FtpServer) -> Iterator[ftplib.FTP]:
    ftp = ftplib.FTP()
    try:
        ftp.connect("127.0.0.1", server.port, timeout=20)
        ftp.login()
        yield ftp
    finally:
        ftp.close()


def got(ftp: ftplib.FTP, name: str, rest: int | None = None) -> bytes:
    out = io.BytesIO()
    ftp.retrbinary(f"RETR {name}", out.write, rest=rest)
    return out.getvalue()


def stored(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


# ------------------------------------------------------------------------------------------------ fetching


@pytest.mark.parametrize("passive", [True, False], ids=["passive", "active"])
def test_files_folders_and_lists(tmp_path: Path, passive: bool) -> None:
    with served(tmp_path) as server, client(server) as ftp:
        ftp.set_pasv(passive)
        names = ftp.nlst()
        assert {"TOOLS.LHA", "MAPS.ZIP", "GUIDE", "EMPTY.DAT", "LIST.TXT", "CRC32.TXT", "SHA256SUMS"} == set(names)
        assert got(ftp, "TOOLS.LHA") == TOOLS == got(ftp, "tools.lha")
        assert got(ftp, "EMPTY.DAT") == b""
        assert got(ftp, "LIST.TXT").startswith(b"# Reading room, the rest\r\n")
        assert hashlib.sha256(TOOLS).hexdigest().encode() in got(ftp, "SHA256SUMS")
        assert ftp.size("TOOLS.LHA") == 150_000
        ftp.cwd("GUIDE")
        assert got(ftp, "README.TXT") == b"Reading room\r\n"
        ftp.cwd("/")
        assert ftp.sendcmd("MDTM TOOLS.LHA") == "213 19941024132000"


def test_files_go_byte_for_byte_in_every_type(tmp_path: Path) -> None:
    """RFC 959 3.1.1.1: ASCII is a client's default, and an old one that says so would get another file."""
    with served(tmp_path) as server, client(server) as ftp:
        assert ftp.sendcmd("TYPE A").startswith("200")
        with ftp.transfercmd("RETR TOOLS.LHA") as data:
            came = b"".join(iter(lambda: data.recv(65_536), b""))
        assert ftp.voidresp().startswith("226")
        assert came == TOOLS


def test_resumed_and_logged(tmp_path: Path) -> None:
    """RFC 3659 5: REST. What was pulled over FTP counts as had, and calibrates nothing."""
    with served(tmp_path) as server, client(server) as ftp:
        assert got(ftp, "TOOLS.LHA", rest=100_000) == TOOLS[100_000:]
        wait_until(lambda: len(log.read(tmp_path / "pulls.jsonl")) == 1)
        (part,) = log.read(tmp_path / "pulls.jsonl")
        assert (part.first_byte, part.bytes, part.resumed, part.complete) == (100_000, 50_000, True, True)
        assert (part.protocol, log.measured([part])) == ("ftp", ())
        with pytest.raises(ftplib.error_perm, match="554"):
            got(ftp, "TOOLS.LHA", rest=150_001)
        assert got(ftp, "TOOLS.LHA", rest=150_000) == b""


@pytest.mark.parametrize("passive", ["on", "off"])
def test_two_general_clients(tmp_path: Path, passive: str) -> None:
    """lftp and tnftp, passive and active, whole and resumed, and a file put."""
    lftp, tnftp = program("lftp"), program("tnftp")
    taken: list[Taken] = []
    takes = TakeIn(tmp_path / "in", taken.append)
    mine = tmp_path / "mine"
    mine.mkdir()
    (mine / "TOOLS.LHA").write_bytes(TOOLS[:60_000])
    (mine / "LINE.CFG").write_bytes(b"rate=19200\r\n")
    with served(tmp_path, takes) as server:
        words = f"set ftp:passive-mode {passive}; open -u me,x ftp://127.0.0.1:{server.port}; "
        steps = "get -c TOOLS.LHA; get MAPS.ZIP; put LINE.CFG; quit"
        done = subprocess.run([lftp, "-c", words + steps], cwd=mine, capture_output=True, text=True, timeout=60)
        assert done.returncode == 0, done.stderr
        flag = "-p" if passive == "on" else "-A"
        script = f"open 127.0.0.1 {server.port}\nuser me x\nget MAPS.ZIP second.zip\nput LINE.CFG\nquit\n"
        done = subprocess.run(
            [tnftp, "-n", flag], input=script, cwd=mine, capture_output=True, text=True, timeout=60
        )  # fmt: skip
        wait_until(lambda: len(taken) == 2)
    assert (mine / "TOOLS.LHA").read_bytes() == TOOLS
    assert (mine / "MAPS.ZIP").read_bytes() == random_bytes(40_000, 2) == (mine / "second.zip").read_bytes()
    kept = stored(tmp_path / "in")
    assert kept["LINE.CFG"] == kept["LINE-2.CFG"] == b"rate=19200\r\n"
    sha256sum = program("sha256sum", "coreutils")
    assert subprocess.run([sha256sum, "-c", "SHA256SUMS"], cwd=tmp_path / "in", capture_output=True).returncode == 0


def test_curl_over_ftp(tmp_path: Path) -> None:
    with served(tmp_path) as server:
        for words in ([], ["--ftp-port", "-"], ["--disable-epsv"]):
            done = subprocess.run(
                [program("curl"), "-s", *words, f"ftp://127.0.0.1:{server.port}/TOOLS.LHA"],
                capture_output=True, timeout=60,
            )  # fmt: skip
            assert done.stdout == TOOLS


def test_the_line_bounds_ftp_too(tmp_path: Path) -> None:
    """Another's flow holds the line's three places: a file over FTP waits, until it turns out not to be on the line."""
    gate = Gate(path_of(LinkSettings(1200, mtu_bytes=1500, window_bytes=8192), None, None))
    joined: list[object] = []
    real = gate.join
    gate.join = lambda *words: joined.append(words) or real(*words)
    with served(tmp_path, gate=gate) as server, client(server) as ftp:
        assert got(ftp, "TOOLS.LHA") == TOOLS
    assert len(joined) == 1


def test_a_folder_of_twenty_thousand(tmp_path: Path) -> None:
    """Listed in one go: each name is looked up, none by going through all."""
    one = shelf_file(tmp_path, "ALL/0.DAT", b"x", item="all")
    files = tuple(replace(one, name=f"ALL/{number}.DAT") for number in range(20_000))
    keeper = Keeper(Shelf("t", (Offer("all", "All", ("ALL",), "unpacked", files),)))
    server = FtpServer("127.0.0.1", 0, keeper, None, None, ("127.0.0.1", 8080))
    server.start()
    try:
        with client(server) as ftp:
            lines: list[str] = []
            ftp.retrlines("LIST ALL", lines.append)
            assert len(lines) == 20_000 and got(ftp, "ALL/19999.DAT") == b"x"
    finally:
        server.stop()


# ------------------------------------------------------------------------------------------------ taking in


def test_nothing_can_be_written_unless_asked(tmp_path: Path) -> None:
    with served(tmp_path) as server, client(server) as ftp:
        for command in ("STOR X", "APPE X", "STOU", "MKD X", "DELE TOOLS.LHA", "RNFR TOOLS.LHA", "SITE CHMOD 777 X"):
            with pytest.raises((ftplib.error_perm, ftplib.error_temp)):
                ftp.sendcmd(command)
        assert got(ftp, "TOOLS.LHA") == TOOLS


def test_a_file_comes_in_whole_under_a_safe_name(tmp_path: Path) -> None:
    """Wanted names that climb out, hide, or are none: each lands in the folder, none over another."""
    inside = tmp_path / "in"
    outside = tmp_path / "passwd"
    outside.write_bytes(b"as it was")
    taken: list[Taken] = []
    wanted = ["../passwd", "..\\passwd", "C:\\AUTOEXEC.BAT", "/etc/passwd", ".profile", "SHA256SUMS", "A" * 180,
              "CON", "-rf", "na\u00efve.txt", "a;b|c.txt", "SETTINGS.CFG", "SETTINGS.CFG"]  # fmt: skip
    with served(tmp_path, TakeIn(inside, taken.append)) as server, client(server) as ftp:
        ftp.encoding = "latin-1"
        for number, name in enumerate(wanted):
            assert ftp.storbinary(f"STOR {name}", io.BytesIO(b"%d" % number)).startswith("226")
        for command in ("APPE SETTINGS.CFG", "STOU", "DELE SETTINGS.CFG", "MKD X"):
            with pytest.raises((ftplib.error_perm, ftplib.error_temp)):
                ftp.sendcmd(command)
    assert outside.read_bytes() == b"as it was"
    assert sorted(tmp_path.rglob("*passwd*")) == sorted([outside, *inside.glob("passwd*")])
    kept = stored(inside)
    assert len(kept) == len(wanted) + 1 and len(taken) == len(wanted)
    assert {kept["SETTINGS.CFG"], kept["SETTINGS-2.CFG"]} == {b"11", b"12"}
    for one in taken:
        assert (hashlib.sha256(kept[one.name]).hexdigest(), len(kept[one.name])) == (one.sha256, one.size_bytes)
        assert f"{one.sha256}  {one.name}\n".encode() in kept["SHA256SUMS"]


@pytest.mark.parametrize(
    "name", ["..", ".", "", "/", "a/", "\0", "AUX.txt", "x" * 300, "a\nb", "COM1", " . ", "\u202e"]
)
def test_every_name_becomes_one_inside(name: str, tmp_path: Path) -> None:
    safe = safe_name(name)
    assert 0 < len(safe) <= 81 and safe not in (".", "..") and not safe.startswith(".")
    assert (tmp_path / safe).resolve().parent == tmp_path.resolve()
    assert safe.isascii() and safe.isprintable()


def test_what_is_there_is_never_written_over(tmp_path: Path) -> None:
    inside = tmp_path / "in"
    inside.mkdir()
    (inside / "LINE.CFG").write_bytes(b"precious")
    with served(tmp_path, TakeIn(inside, lambda taken: None)) as server, client(server) as ftp:
        ftp.storbinary("STOR LINE.CFG", io.BytesIO(b"new"))
    assert stored(inside)["LINE.CFG"] == b"precious" and stored(inside)["LINE-2.CFG"] == b"new"


def test_uploads_without_end_and_without_number(tmp_path: Path) -> None:
    """Bounded in a file's size, in all bytes of a run, and in files; nothing half-written stays."""
    inside = tmp_path / "in"
    takes = TakeIn(inside, lambda taken: None, Limits(file_bytes=100_000, total_bytes=150_000, files=4))
    with served(tmp_path, takes) as server, client(server) as ftp:
        endless = iter(lambda: bytes(65_536), b"")
        with pytest.raises((ftplib.Error, OSError)):
            ftp.storbinary("STOR ENDLESS", Endless(endless))
        with client(server) as again:
            again.storbinary("STOR ONE", io.BytesIO(bytes(20_000)))
            with pytest.raises((ftplib.Error, OSError)):
                again.storbinary("STOR TWO", io.BytesIO(bytes(90_000)))
        with client(server) as third, pytest.raises((ftplib.Error, OSError)):
            third.storbinary("STOR THREE", io.BytesIO(bytes(90_000)))
        with client(server) as fourth, pytest.raises(ftplib.error_perm, match="4 files"):
            fourth.storbinary("STOR FIVE", io.BytesIO(b"x"))
        wait_until(lambda: {path.name for path in inside.iterdir()} == {"ONE", "SHA256SUMS"})


class Endless(io.RawIOBase):
    def __init__(self, pieces: Iterator[bytes]) -> None:
        self.pieces = pieces

    def read(self, size: int = -1) -> bytes:
        return next(self.pieces)


def test_a_broken_upload_leaves_nothing(tmp_path: Path) -> None:
    """A connection that is reset, not closed: RFC 959 3.4 ends a file with the connection's orderly end."""
    inside = tmp_path / "in"
    with served(tmp_path, TakeIn(inside, lambda taken: None)) as server, client(server) as ftp:
        data = ftp.transfercmd("STOR HALF.CFG")
        data.sendall(bytes(50_000))
        wait_until(lambda: any(path.stat().st_size for path in inside.iterdir()))
        data.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\1\0\0\0\0\0\0\0")
        data.close()
        wait_until(lambda: not list(inside.iterdir()))


# ------------------------------------------------------------------------------------------------ hostile


def test_no_bounce(tmp_path: Path) -> None:
    """RFC 2577 3: no connection to another's address, and none to a port below 1024."""
    with served(tmp_path) as server, client(server) as ftp:
        for words in ("PORT 192,0,2,9,0,80", "PORT 127,0,0,1,0,25", "EPRT |1|192.0.2.9|8080|", "EPRT |1|127.0.0.1|25|",
                      "PORT 1,2,3", "PORT 999,0,0,1,9,9"):  # fmt: skip
            with pytest.raises(ftplib.error_perm):
                ftp.sendcmd(words)
        assert got(ftp, "MAPS.ZIP") == random_bytes(40_000, 2)


@pytest.mark.parametrize(
    "name",
    ["../../etc/passwd", "/etc/passwd", "..", "GUIDE/../../etc/passwd", "....//etc/passwd", "C:/WINDOWS/WIN.INI",
     "TOOLS.LHA/..", "x" * 2000, "%2e%2e/etc/passwd", "~root"],
)  # fmt: skip
def test_no_path_leaves_the_shelf(tmp_path: Path, name: str) -> None:
    (tmp_path / "etc").mkdir()
    (tmp_path / "etc" / "passwd").write_bytes(b"a file beside the shelf")
    with served(tmp_path) as server, client(server) as ftp:
        for command in ("RETR", "SIZE", "MDTM"):
            with pytest.raises((ftplib.Error, OSError, EOFError)):
                ftp.voidcmd(f"{command} {name}")
    assert Path("/etc/passwd").exists()


def test_floods_and_slow_ones_beside_a_good_client(tmp_path: Path) -> None:
    """40 that say nothing, lines without end, a reader that never reads: the good client is served."""
    with served(tmp_path) as server:
        held = [socket.create_connection(("127.0.0.1", server.port), 20) for _ in range(12)]
        for sock in held[:4]:
            sock.sendall(b"USER " + b"A" * 3000)
        slow = ftplib.FTP()
        slow.connect("127.0.0.1", server.port, timeout=20)
        slow.login()
        data = slow.transfercmd("RETR TOOLS.LHA")
        with client(server) as ftp:
            assert got(ftp, "TOOLS.LHA") == TOOLS
        over = [socket.create_connection(("127.0.0.1", server.port), 20) for _ in range(40)]
        assert b"421" in over[-1].recv(200)
        for sock in (*held, *over, data):
            sock.close()
        slow.close()

        def served_again() -> bool:
            try:
                with client(server) as ftp:
                    return got(ftp, "MAPS.ZIP") == random_bytes(40_000, 2)
            except (ftplib.Error, OSError, EOFError):
                return False

        wait_until(served_again, 30)

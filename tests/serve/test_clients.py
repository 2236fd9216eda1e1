"""Real clients from Debian against the shelf, bounded as over a line: whole files, resumed files, pages."""

import os
import subprocess
from contextlib import AbstractContextManager
from pathlib import Path

import pytest
from support import clients
from support.clients import Running, random_bytes, reading_room
from support.programs import program

from discprep.link.path import path_of
from discprep.model import LinkSettings
from discprep.serve import gate as gates
from discprep.serve import log
from discprep.serve.gate import Gate
from discprep.serve.shelf import Shelf

TOOLS = random_bytes(150_000)
LINE = path_of(LinkSettings(115_200, mtu_bytes=1500, window_bytes=8192, round_trip_s=0.0), None, None)


@pytest.fixture(autouse=True)
def on_the_line(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody is taken for faster than the line, so that these clients, which are, get their bytes as over one."""
    monkeypatch.setattr(gates, "_FASTER", 0.0)


def serving(shelf: Shelf, **more: object) -> AbstractContextManager[Running]:
    return clients.serving(shelf, gate=Gate(LINE), **more)


def run(*words: str | Path, **more: object) -> bytes:
    quiet = {"PATH": os.environ["PATH"], "HOME": "/nonexistent", "LC_ALL": "C.UTF-8", "TERM": "dumb"}
    done = subprocess.run([*map(str, words)], capture_output=True, timeout=60, env=quiet, **more)
    assert done.returncode == 0, (words, done.stdout[-500:], done.stderr[-500:])
    return done.stdout


@pytest.mark.parametrize("protocol", ["--http0.9", "--http1.0", "--http1.1"])
def test_curl_fetches_whole(tmp_path: Path, protocol: str) -> None:
    with serving(reading_room(tmp_path)) as shelf:
        assert run(program("curl"), "-sS", "--noproxy", "*", protocol, f"{shelf.url}/TOOLS.LHA") == TOOLS


def test_curl_makes_a_simple_request(tmp_path: Path) -> None:
    """Its oldest protocol sends one line and takes all that comes: `GET /TOOLS.LHA` and a line end (RFC 1436)."""
    with serving(reading_room(tmp_path)) as shelf:
        address = f"gopher://127.0.0.1:{shelf.port}/9GET%20/TOOLS.LHA"
        assert run(program("curl"), "-sS", "--noproxy", "*", address) == TOOLS


def test_curl_resumes(tmp_path: Path) -> None:
    part = tmp_path / "TOOLS.LHA"
    part.write_bytes(TOOLS[:70_001])
    pulls = tmp_path / "pulls.jsonl"
    with serving(reading_room(tmp_path), log_file=pulls) as shelf:
        run(program("curl"), "-sS", "-0", "--noproxy", "*", "-C", "-", "-o", part, f"{shelf.url}/TOOLS.LHA")
        shelf.ask("/")
    assert part.read_bytes() == TOOLS
    assert log.read(pulls)[0].first_byte == 70_001
    assert log.read(pulls)[0].resumed


def test_wget_fetches_and_resumes(tmp_path: Path) -> None:
    part = tmp_path / "TOOLS.LHA"
    part.write_bytes(TOOLS[:149_999])
    with serving(reading_room(tmp_path)) as shelf:
        run(
            program("wget"), "-q", "--no-proxy", "-c", "-P", tmp_path, f"{shelf.url}/TOOLS.LHA", f"{shelf.url}/MAPS.ZIP"
        )
        run(program("wget"), "-q", "--no-proxy", "-c", "-P", tmp_path, f"{shelf.url}/TOOLS.LHA")
    assert part.read_bytes() == TOOLS
    assert (tmp_path / "MAPS.ZIP").read_bytes() == random_bytes(40_000, 2)


def test_wget_follows_the_page_to_everything(tmp_path: Path) -> None:
    """The links of the pages lead to every file, odd names too."""
    with serving(reading_room(tmp_path)) as shelf:
        run(
            program("wget"),
            "-q",
            "--no-proxy",
            "-r",
            "-np",
            "-e",
            "robots=off",
            "-P",
            tmp_path / "all",
            f"{shelf.url}/",
        )
    got = {path.read_bytes() for path in (tmp_path / "all").rglob("*") if path.is_file()}
    assert {TOOLS, b"menu", b"Reading room\r\n", random_bytes(5000, 3)} <= got


@pytest.mark.parametrize(
    "words", [("lynx", "-dump", "-nolist"), ("w3m", "-dump"), ("links", "-dump")], ids=lambda w: w[0]
)
def test_text_browsers_show_the_page(tmp_path: Path, words: tuple[str, ...]) -> None:
    with serving(reading_room(tmp_path)) as shelf:
        name, *options = words
        shown = run(program(name), *options, f"{shelf.url}/").decode()
    for word in ("TOOLS.LHA", "150 KB", "13.6 s", "Maps <of> the rooms & halls", "needs ip-stack", "57600 8N1"):
        assert word in shown
    assert all(len(line) <= 80 for line in shown.splitlines())
    assert shown.index("TOOLS.LHA") < shown.index("MAPS.ZIP") < shown.index("EMPTY.DAT"), "the order of the plan"


@pytest.mark.parametrize("words", [("lynx", "-source"), ("w3m", "-dump_source")], ids=lambda w: w[0])
def test_text_browsers_save_a_file(tmp_path: Path, words: tuple[str, ...]) -> None:
    with serving(reading_room(tmp_path)) as shelf:
        assert run(program(words[0]), *words[1:], f"{shelf.url}/TOOLS.LHA") == TOOLS


def test_a_browser_draws_the_page(tmp_path: Path) -> None:
    """The newest kind of browser too: the drawn page is no empty sheet."""
    picture = tmp_path / "page.png"
    flags = ("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync",
             "--disable-background-networking", "--disable-component-update", "--window-size=800,600")  # fmt: skip
    with serving(reading_room(tmp_path)) as shelf:
        run(
            program("chromium"),
            *flags,
            f"--user-data-dir={tmp_path / 'user'}",
            f"--screenshot={picture}",
            f"{shelf.url}/",
        )
    data = picture.read_bytes()
    assert data.startswith(b"\x89PNG")
    assert len(data) > 10_000


@pytest.mark.parametrize("path", ["/", "/GUIDE/", "/nothing"])
def test_pages_are_html_2(tmp_path: Path, path: str) -> None:
    """Every page against the DTD of RFC 1866 (HTML 2.0), by an SGML parser."""
    catalogue = Path("/usr/share/sgml/html/dtd/catalog")
    parser = program("onsgmls", "opensp")
    if not catalogue.exists():
        program("html-2.dtd", "sgml-data")
    with serving(reading_room(tmp_path)) as shelf:
        page = tmp_path / "page.html"
        page.write_bytes(shelf.ask(path)[2])
    run(parser, "-s", "-c", catalogue, page)

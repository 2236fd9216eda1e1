"""`discprep serve` as a person or a program calls it: lines on stdout, messages on stderr, exit codes."""

import ftplib
import hashlib
import io
import json
import os
import signal
import subprocess
import sys
import urllib.request
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import urlsplit

import pytest

MANIFEST = """format = 1
title = "Reading-room machine"
bring_up = []

[machine]
profile = "desk.toml"

[medium]
kind = "cd-74"

[link]
rate = 57600

[[item]]
id = "tools"
sources = ["tools.zip"]
size = SIZE
place = "later"
"""
PROFILE = """format = 1
name = "desk"
provides = ["unpack-zip"]

[[volume]]
path = "C:"
"""


@pytest.fixture
def manifest(tmp_path: Path) -> Path:
    with zipfile.ZipFile(tmp_path / "tools.zip", "w") as archive:
        archive.writestr(zipfile.ZipInfo("TOOLS.TXT"), "tools" * 500)
    (tmp_path / "desk.toml").write_text(PROFILE)
    path = tmp_path / "first.toml"
    path.write_text(MANIFEST.replace("SIZE", str((tmp_path / "tools.zip").stat().st_size)))
    return path


def words(manifest: Path, *more: str) -> list[str]:
    cache = str(manifest.parent / "cache")
    return [sys.executable, "-m", "discprep", "serve", str(manifest), "--cache", cache, *more]


@contextmanager
def started(manifest: Path, *more: str) -> Iterator[subprocess.Popen[str]]:
    """A running server; whatever a test leaves running ends with it."""
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True}
    with subprocess.Popen(words(manifest, *more), env={**os.environ, "NO_COLOR": "1"}, **pipes) as process:
        try:
            yield process
        finally:
            process.kill()


def test_json_lines_from_start_to_end(manifest: Path) -> None:
    """The plan itself says what waits; a whole evening in JSON lines, ended by Ctrl-C with exit code 0."""
    with started(manifest, "--bind", "127.0.0.1:0", "--json") as process:
        assert process.stdout
        listening = json.loads(process.stdout.readline())
        assert (listening["discprep"], listening["command"], listening["event"]) == (1, "serve", "listening")
        assert [item["id"] for item in listening["items"]] == ["tools"]
        url = listening["addresses"][0]["url"]
        with urllib.request.urlopen(f"{url}tools.zip?wait", timeout=30) as reply:
            assert reply.read() == (manifest.parent / "tools.zip").read_bytes()
        transfer = json.loads(process.stdout.readline())
        assert (transfer["event"], transfer["item"], transfer["complete"]) == ("transfer", "tools", True)
        process.send_signal(signal.SIGINT)
        rest, _ = process.communicate(timeout=120)
        assert [json.loads(line)["event"] for line in rest.splitlines()] == ["ended"]
        assert process.returncode == 0
        assert manifest.with_suffix(".pulls.jsonl").read_text().count("\n") == 1


def test_ftp_and_taking_in(manifest: Path, tmp_path: Path) -> None:
    """The same shelf over FTP, and a file of the machine's own kept, said and hashed."""
    inside = tmp_path / "in"
    more = ("--bind", "127.0.0.1:0", "--ftp", "127.0.0.1:0", "--take-in", str(inside), "--json")
    with started(manifest, *more) as process:
        assert process.stdout
        listening = json.loads(process.stdout.readline())
        assert listening["take_in"] == str(inside)
        url = urlsplit(listening["ftp"][0]["url"])
        with ftplib.FTP() as ftp:
            ftp.connect(url.hostname, url.port, timeout=30)
            ftp.login()
            came = io.BytesIO()
            ftp.retrbinary("RETR tools.zip", came.write)
            assert came.getvalue() == (manifest.parent / "tools.zip").read_bytes()
            ftp.storbinary("STOR ../LINE.CFG", io.BytesIO(b"rate=9600"))
        events = [json.loads(process.stdout.readline()) for _ in range(2)]
        process.send_signal(signal.SIGINT)
        rest, _ = process.communicate(timeout=120)
        assert json.loads(rest)["event"] == "ended" and process.returncode == 0
    transfer, taken = events
    assert (transfer["event"], transfer["protocol"], transfer["complete"]) == ("transfer", "ftp", True)
    assert (taken["event"], taken["name"], taken["size_bytes"]) == ("taken", "LINE.CFG", 9)
    assert taken["sha256"] == hashlib.sha256(b"rate=9600").hexdigest()
    assert (inside / "LINE.CFG").read_bytes() == b"rate=9600"


@pytest.mark.parametrize("flags", [
    ("--serial", "x", "--ftp", "127.0.0.1:0"),
    ("--bind", "127.0.0.1:0", "--ftp", "here"),
])  # fmt: skip
def test_what_does_not_go_together(manifest: Path, flags: tuple[str, ...]) -> None:
    done = subprocess.run(words(manifest, *flags), capture_output=True, text=True, timeout=60)
    assert done.returncode == 2 and "--ftp" in done.stderr


def test_words_for_a_person(manifest: Path) -> None:
    with started(manifest, "--bind", "127.0.0.1:0", "--quiet") as process:
        assert process.stdout
        shown = [process.stdout.readline() for _ in range(5)]
        assert "The shelf stands" in shown[0]
        assert "only this computer" in shown[1]
        assert "tools.zip" in "".join(shown)
        process.send_signal(signal.SIGTERM)
        rest, errors = process.communicate(timeout=120)
        assert "ended: 0 transfers" in rest
        assert (errors, process.returncode) == ("", 0)


@pytest.mark.parametrize("form", [(), ("--json",)], ids=["words", "json"])
def test_without_an_address_it_says_which_there_are(manifest: Path, form: tuple[str, ...]) -> None:
    done = subprocess.run(words(manifest, *form), capture_output=True, text=True, timeout=60)
    assert done.returncode == 2
    said = json.loads(done.stdout)["errors"][0] if form else {"message": done.stderr, "hint": done.stderr}
    assert "ADDRESS:PORT" in said["message"]
    assert "127.0.0.1" in said["hint"]
    assert "Traceback" not in done.stderr

"""`serve --serial`: the shelf straight over a serial port, to a machine made of an embedded IP stack."""

import hashlib
import json
import os
import signal
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest
from support.clients import wait_until
from support.clocked import Cable
from support.command import run
from support.embedded import build
from support.shelf import served

from discprep.serve.log import read

MANIFEST = """format = 1
title = "Reading-room machine"

[machine]
profile = "desk.toml"

[medium]
kind = "cd-74"

[link]
rate = 230400
protocol = "{protocol}"
mtu = 576
{more}

[bridge]
rate = 230400
address = "192.0.2.1"
machine_address = "192.0.2.2"

[[item]]
id = "tools"
title = "Tools"
sources = ["tools.zip"]
sha256 = "{sha256}"
place = "later"
"""
PROFILE = """format = 1
name = "desk"
provides = ["unpack-zip", "serial-driver", "ip-stack", "fetcher"]

[[volume]]
path = "C:"

[text]
charset = "cp437"
newline = "crlf"
"""


@pytest.fixture(scope="module")
def machine() -> Path:
    return build()


def recipe(folder: Path, protocol: str = "slip", more: str = "") -> Path:
    with zipfile.ZipFile(folder / "tools.zip", "w") as archive:
        archive.writestr(zipfile.ZipInfo("TOOLS.BIN"), os.urandom(20_000))
    sha256 = hashlib.sha256((folder / "tools.zip").read_bytes()).hexdigest()
    path = folder / "first.toml"
    path.write_text(MANIFEST.format(sha256=sha256, protocol=protocol, more=more))
    (folder / "desk.toml").write_text(PROFILE)
    return path


class Serving:
    """`discprep serve --serial`, as a user starts it, ended by Ctrl-C."""

    def __init__(self, folder: Path, terminal: str, **recipe_words: str) -> None:
        self.manifest = recipe(folder, **recipe_words)
        cache = str(folder / "cache")
        run("fetch", str(self.manifest), "--cache", cache)
        words = [sys.executable, "-m", "discprep", "serve", str(self.manifest), "--serial", terminal, "--json"]
        self.process = subprocess.Popen(
            [*words, "--cache", cache], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )
        self.listening = json.loads(self.process.stdout.readline())

    def end(self) -> list[dict]:
        """Ctrl-C; the events that came since it listened."""
        self.process.send_signal(signal.SIGINT)
        out, _ = self.process.communicate(timeout=120)
        return [json.loads(line) for line in out.splitlines()]


def pull(machine: Path, terminal: str, protocol: str, folder: Path, *paths: str) -> list[bytes]:
    """What the machine gets, heads and all."""
    words = [str(machine), terminal, protocol, "shelf", *paths]
    assert subprocess.run(words, cwd=folder, timeout=120, stderr=subprocess.PIPE).returncode == 0
    return [(folder / f"out.{number}").read_bytes() for number in range(len(paths))]


@pytest.mark.parametrize("protocol", ["slip", "ppp"])
def test_the_shelf_on_the_line(machine: Path, tmp_path: Path, protocol: str) -> None:
    """The file and the list, with their lengths; what is not there is told (RFC 9110, 15.5.5)."""
    path = recipe(tmp_path, protocol)
    assert run("fetch", path, "--cache", tmp_path / "cache").code == 0
    with Cable(230_400) as cable, served(path, tmp_path / "cache", serial=cable.ours) as shelf:
        (item,) = shelf.listening["items"]
        replies = pull(machine, cable.theirs, protocol, tmp_path, f"/{item['names'][0]}", "/LIST.TXT", "/NOTHING")
    (head, _, body), (list_head, _, told), (missing, _, _) = (reply.partition(b"\r\n\r\n") for reply in replies)
    assert body == (tmp_path / "tools.zip").read_bytes() and f"Content-Length: {len(body)}".encode() in head
    assert f"{len(body):>10}".encode() in told and f"Content-Length: {len(told)}".encode() in list_head
    assert missing.split()[1] == b"404"
    (logged,) = read(Path(shelf.listening["log"]))
    assert logged.complete and logged.bytes == len(body) and logged.client == "192.0.2.2"


def test_the_machine_pulls_over_the_port(machine: Path, tmp_path: Path) -> None:
    """As a user starts it: list and file come bit by bit, the transfer is logged, and after Ctrl-C the port is another
    program's."""
    with Cable(230_400) as cable:
        serving = Serving(tmp_path, cable.ours, protocol="ppp", more="header_compression = true")
        assert [a["url"] for a in serving.listening["addresses"]] == ["http://192.0.2.1/"]
        name = serving.listening["items"][0]["names"][0]
        got, told = pull(machine, cable.theirs, "ppp", tmp_path, f"/{name}", "/LIST.TXT")
        events = serving.end()
        assert serving.process.returncode == 0
        # What Ctrl-C gave back can be opened anew at once.
        subprocess.run([sys.executable, "-c", "import serial, sys; serial.Serial(sys.argv[1], exclusive=True)",
                        cable.ours], check=True)  # fmt: skip
    sent = (tmp_path / "tools.zip").read_bytes()
    assert got.partition(b"\r\n\r\n")[2] == sent
    assert f"{len(sent):>10}".encode() in told
    (logged,) = read(Path(serving.listening["log"]))
    assert logged.complete and logged.bytes == len(sent) and logged.client == "192.0.2.2"
    assert [event["event"] for event in events] == ["transfer", "ended"]


def test_what_is_missing_is_said(tmp_path: Path) -> None:
    """No such port, no link in the manifest, both ways at once: words, and the exit code of a wrong call."""
    manifest = recipe(tmp_path)
    cache = ("--cache", str(tmp_path / "cache"))
    run("fetch", str(manifest), *cache)
    done = run("serve", str(manifest), "--serial", str(tmp_path / "ttyX"), *cache)
    assert done.code == 2 and "cannot be opened" in done.err and "adapter" in done.err
    done = run("serve", str(manifest), "--serial", "x", "--bind", "127.0.0.1:0", *cache)
    assert done.code == 2 and "exclude" in done.err
    text = manifest.read_text()
    manifest.write_text(text[: text.index("[link]")] + text[text.index("[[item]]") :])
    done = run("serve", str(manifest), "--serial", "x", *cache)
    assert done.code == 2 and "[link]" in done.err


def test_ctrl_c_twice_ends_a_slow_transfer_at_once(machine: Path, tmp_path: Path) -> None:
    """The first lets it go on, the second ends it: what reached the machine by then is logged, and no more."""
    with Cable(9600) as cable:
        serving = Serving(tmp_path, cable.ours)
        name = serving.listening["items"][0]["names"][0]
        pulling = subprocess.Popen([str(machine), cable.theirs, "slip", "shelf", f"/{name}"], cwd=tmp_path,
                                   stderr=subprocess.DEVNULL)  # fmt: skip
        out = tmp_path / "out.0"
        wait_until(lambda: out.exists() and out.stat().st_size > 0, 60)
        serving.process.send_signal(signal.SIGINT)
        while "Ctrl-C again" not in (said := serving.process.stderr.readline()):  # two at once would count as one
            assert said
        assert serving.process.poll() is None
        events = serving.end()
        pulling.kill()
        pulling.wait()
    assert serving.process.returncode == 130
    (logged,) = read(Path(serving.listening["log"]))
    assert not logged.complete and logged.bytes < (tmp_path / "tools.zip").stat().st_size
    assert events[-1]["broken_off"]


def test_an_adapter_that_is_pulled_out_is_said(tmp_path: Path) -> None:
    """The port goes away: words, and the exit code of something outside."""
    cable = Cable(9600)
    serving = Serving(tmp_path, cable.ours)
    cable.close()
    out, _ = serving.process.communicate(timeout=120)
    assert serving.process.returncode == 3
    (error,) = json.loads(out.splitlines()[-1])["errors"]
    assert "the port is gone" in error["message"] and error["family"] == "line"

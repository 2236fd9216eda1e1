"""`serve` killed while it writes its log and while it hands on a file: whoever comes after goes on."""

from __future__ import annotations

import errno
import json
import signal
import socket
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Any

import pytest
from support.bench_set import BenchSet
from support.command import run
from support.shim import KILL, Shim

SIZE_BYTES = 3_000_000  # more than the buffers of both sockets


@dataclass
class Desk:
    """A manifest whose items wait for the link, fetched; its log stands in the manifest's folder, alone of all that
    `serve` changes."""

    folder: Path

    def __post_init__(self) -> None:
        (self.folder / "desk").mkdir()
        self.bench = BenchSet(self.folder / "desk")
        self.data = Random(7).randbytes(SIZE_BYTES)
        items = [self.bench.item(name, f"{name}.bin", self.data, 'place = "later"\n') for name in ("one", "two")]
        self.bench.write(*items, medium="sectors = 2000\n[link]\nrate = 9600")
        self.words = ("--cache", self.folder / "cache")
        self.log = self.bench.manifest.with_suffix(".pulls.jsonl")
        assert run("prepare", self.bench.manifest, "--out", self.folder / "out", *self.words, "-q").code == 0

    @contextmanager
    def serving(self, env: dict[str, str] | None = None) -> Iterator[tuple[subprocess.Popen[str], dict[str, Any]]]:
        """A running `serve` in a process group of its own, and what it said when the shelf stood."""
        words = ["serve", self.bench.manifest, "--bind", "127.0.0.1:0", "--json", *self.words]
        pipes: dict[str, Any] = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True}
        command = [sys.executable, "-m", "discprep", *map(str, words)]
        with subprocess.Popen(command, env=env, start_new_session=True, **pipes) as process:
            try:
                assert process.stdout
                yield process, json.loads(process.stdout.readline())
            finally:
                if process.poll() is None:
                    process.send_signal(signal.SIGINT)
                    process.communicate(timeout=60)

    def whole(self, name: str = "ONE.BIN") -> dict[str, Any]:
        """The next `serve`: hands the file on, whole, and says so in the log; what it said at first."""
        with self.serving() as (process, said):
            with urllib.request.urlopen(said["addresses"][0]["url"] + name, timeout=60) as reply:
                assert reply.read() == self.data
            assert process.stdout
            assert json.loads(process.stdout.readline())["complete"] is True
        return said


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk(tmp_path)


@pytest.mark.slow
def test_killed_while_it_writes_its_log(desk: Desk) -> None:
    """At each change of the log: before it is there, in the middle of its first line, before that is on the disk, and
    the same for a second line. The next `serve`, `status` and `estimate --log` go on; half a line is passed over, and
    all three say so."""
    shim = Shim(desk.folder, under=desk.bench.folder)
    for at, torn, lines in ((1, False, 0), (2, True, 0), (3, False, 1), (4, False, 1), (5, True, 1)):
        desk.log.unlink(missing_ok=True)
        with desk.serving(shim.environment(at, KILL)) as (process, said):
            for name in ("ONE.BIN", "TWO.BIN"):
                with urllib.request.urlopen(said["addresses"][0]["url"] + name, timeout=60) as reply:
                    assert reply.read() == desk.data
                assert process.stdout
                if not process.stdout.readline():  # the line about a transfer comes after that in the log
                    break
            assert process.wait(60) == -signal.SIGKILL, at
        left = desk.log.read_bytes() if desk.log.exists() else b""
        assert (left.count(b"\n"), not left.endswith(b"\n") and left != b"") == (lines, torn), (at, left)
        status = run("status", desk.bench.manifest, *desk.words)
        assert status.code == 0 and ("half-written" in status.err) is torn, (at, status)
        estimate = run("estimate", desk.bench.manifest, "--log", desk.log)
        assert estimate.code == (0 if left or at > 1 else 2) and ("half-written" in estimate.err) is torn, (
            at,
            estimate,
        )
        notices = " ".join(notice["message"] for notice in desk.whole()["notices"])
        assert ("half-written" in notices) is torn, (at, notices)
        assert desk.log.read_bytes().startswith(left) and desk.log.read_bytes().endswith(b"}\n")
        found = run("status", desk.bench.manifest, *desk.words, "--json").document["items"]
        assert next(item for item in found if item["id"] == "one")["pulled"] == "whole", (at, found)


@pytest.mark.slow
def test_killed_while_it_hands_on_a_file(desk: Desk) -> None:
    """At seeded places of the file, by SIGKILL: no line tells of it, and the rest comes from the next `serve` by a
    range (RFC 9110, 14.2), with the bytes of the whole."""
    for seed in range(3):
        wanted = Random(seed).randrange(1, 200_000)
        with desk.serving() as (process, said):
            url = said["addresses"][0]["url"]
            host, port = url.removeprefix("http://").rstrip("/").rsplit(":", 1)
            with socket.create_connection((host, int(port)), 60) as sock:
                sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
                sock.sendall(b"GET /ONE.BIN HTTP/1.0\r\n\r\n")
                got = b""
                while len(got) < wanted + 1000:
                    got += sock.recv(4096)
                process.kill()
                process.wait(30)
        got = got.partition(b"\r\n\r\n")[2]
        assert got == desk.data[: len(got)] and len(got) < SIZE_BYTES
        assert not desk.log.exists()
        with desk.serving() as (_, said):
            rest = urllib.request.Request(
                said["addresses"][0]["url"] + "ONE.BIN", headers={"Range": f"bytes={len(got)}-"}
            )
            with urllib.request.urlopen(rest, timeout=60) as reply:
                assert reply.status == 206 and got + reply.read() == desk.data
        desk.log.unlink()
    desk.whole()


def test_a_log_that_cannot_be_written_costs_no_file(desk: Desk) -> None:
    """ENOSPC (POSIX.1-2017 <errno.h>) at the log's first line: the file is handed on all the same, and it is said."""
    shim = Shim(desk.folder, under=desk.bench.folder)
    with desk.serving(shim.environment(2, errno.ENOSPC)) as (process, said):
        for name in ("ONE.BIN", "TWO.BIN"):
            with urllib.request.urlopen(said["addresses"][0]["url"] + name, timeout=60) as reply:
                assert reply.read() == desk.data
        assert process.stdout and json.loads(process.stdout.readline())["complete"] is True
        process.send_signal(signal.SIGINT)
        _, err = process.communicate(timeout=60)
    assert process.returncode == 0 and "the transfer was not logged: No space left on device" in err, err

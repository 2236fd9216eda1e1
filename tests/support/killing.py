"""The main job killed at seeded moments, run again, and looked at: for the short test and the long bench.

A round: a fresh cache and output folder; `prepare` is started and killed with SIGKILL after a random part of the time
that a whole run takes, several times in a row; then it runs to its end. What must hold is in `Harness.round`.
"""

from __future__ import annotations

import hashlib
import io
import os
import re
import shutil
import signal
import subprocess
import sys
import time
import zipfile
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

from support.fault_server import Exchange, FaultServer, good

PROFILE = 'format = 1\nname = "Reading-room machine"\n[disc]\nname_rules = "iso-level-2"\n'
HEAD = 'format = 1\ntitle = "Killed"\nbring_up = []\n[machine]\nprofile = "machine.toml"\n[medium]\nkind = "cd-74"\n'
SYNC_BYTES = 32 * 2**20  # FetchSettings.sync_every_bytes: more than any file here, so whole files are the unit


@dataclass
class Harness:
    """A manifest of `items` ZIP archives on a server on loopback that takes `send_s` for each."""

    folder: Path
    server: FaultServer
    items: int = 6
    send_s: float = 0.03
    covered: bool = True  # whether the manifest gives hashes
    sizes: dict[str, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        random = Random(1996)
        rows = []
        for number in range(self.items):
            data = _archive(number, random)
            path = f"/{number}.zip"
            self.server.files[path] = data
            self.server.faults[path] = self._slowly
            self.sizes[path] = len(data)
            digest = f'sha256 = "{hashlib.sha256(data).hexdigest()}"\n' if self.covered else ""
            place = f'sources = ["{self.server.url(path)}"]\nplace = "burn"\nto = "I{number}"\n'
            rows.append(f'[[item]]\nid = "i{number}"\n{place}{digest}')
        (self.folder / "machine.toml").write_text(PROFILE)
        self.manifest = self.folder / "first.toml"
        self.manifest.write_text(HEAD + "\n".join(rows))
        self.cache, self.out, self.tmp = self.folder / "cache", self.folder / "out", self.folder / "tmp"
        self.tmp.mkdir()
        self.env = os.environ | {"TMPDIR": str(self.tmp)}  # tempfile(3.11): the first place that is looked at

    def _slowly(self, exchange: Exchange) -> None:
        exchange.server.wait(self.send_s)
        good(exchange)

    @property
    def words(self) -> list[str]:
        job = ["prepare", self.manifest, "--out", self.out, "--cache", self.cache, "--json"]
        return [sys.executable, "-m", "discprep", *map(str, job)]

    def forget(self) -> None:
        """Back to a machine that has never run it."""
        for path in (self.cache, self.out, self.tmp):
            shutil.rmtree(path, ignore_errors=True)
        self.tmp.mkdir()
        for path in self.folder.glob("first.pins.toml*"):
            path.unlink()
        self.server.sent_bytes = 0

    def whole(self) -> float:
        """Runs to the end; its seconds. The image it leaves is the one that every later end must leave."""
        started_s = time.monotonic()
        done = subprocess.run(self.words, capture_output=True, text=True, timeout=300, check=False, env=self.env)
        assert done.returncode == 0, done.stdout + done.stderr
        return time.monotonic() - started_s

    def killed(self, after_s: float) -> bool:
        """Starts it and kills it after so many seconds; False when it had ended by itself."""
        quiet = subprocess.DEVNULL
        with subprocess.Popen(self.words, stdout=quiet, stderr=quiet, env=self.env) as running:
            try:
                running.wait(after_s)
            except subprocess.TimeoutExpired:
                running.send_signal(signal.SIGKILL)
                running.wait(30)
                self.look()
                return True
        return False

    def look(self) -> None:
        """Right after a kill: no name in the cache or the output stands for anything but its whole bytes."""
        for path in (self.cache / "objects").rglob("*"):
            if path.is_file():
                assert hashlib.sha256(path.read_bytes()).hexdigest() == path.name
        for image in self.out.rglob("*.iso"):
            assert image.stat().st_size % 2048 == 0

    def images(self) -> dict[str, str]:
        """The output folder: each file's name, and the digest of the images and records."""
        same = (".iso", ".json")
        return {
            str(path.relative_to(self.out)): hashlib.sha256(
                path.read_bytes() if path.suffix in same else b""
            ).hexdigest()
            for path in sorted(self.out.rglob("*"))
            if path.is_file()
        }

    def litter(self) -> list[str]:
        """What a finished run should not leave in the cache, the output and the folder for temporary files."""
        return litter(self.folder)

    def sent_twice(self) -> int:
        """Bytes that the server sent beyond one copy of each file."""
        return max(0, self.server.sent_bytes - sum(self.sizes.values()))

    def round(self, random: Random, whole_s: float, kills: int, wanted: dict[str, str]) -> int:
        """One round with so many kills; returns how many struck a running job.

        The end is well, the image the same as ever, nothing is left over; what came twice is at most what was on
        its way at the kills: two connections, each with one file.
        """
        self.forget()
        struck = 0
        for _ in range(kills):
            if self.killed(random.uniform(0.05, 1.0) * whole_s):
                struck += 1
            else:
                self.forget()  # it has ended, and another run would have nothing left to be struck in
        self.whole()
        assert self.images() == wanted
        assert self.litter() == []
        heads = 400 * len(self.server.asked)
        assert self.sent_twice() <= struck * 2 * max(self.sizes.values()) + heads
        return struck


LASTING = re.compile(
    r"cache(/elsewhere\.jsonl|/known\.log|/objects(/[0-9a-f]{2}(/[0-9a-f]{64})?)?|/parts|/locks|/unpacked(/[0-9a-f-]+\.unpacked)?)?"
    r"|tmp|(out|other)(/disc-\d)?(/record\.json|/SHA256SUMS|/bench-sheet\.(txt|html)|/[A-Z0-9]+-[0-9a-f]{10}\.iso)?"
    r"|[a-zA-Z0-9._-]+\.(toml|zip|tar\.gz|BIN|jsonl)"
)


def tree(folder: Path) -> dict[str, int]:
    """What stands below a folder: path to bytes (0 for folders)."""
    return {str(path.relative_to(folder)): path.lstat().st_size if path.is_file() else 0 for path in folder.rglob("*")}


def litter(folder: Path) -> list[str]:
    """What stands below a job's folder (`cache`, `out`, `tmp`, the manifest and its archives) under no final name."""
    return sorted(name for name in tree(folder) if not LASTING.fullmatch(name))


def _archive(number: int, random: Random) -> bytes:
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_STORED) as archive:
        for member in range(4):
            info = zipfile.ZipInfo(f"PAGE{member}.TXT", (1996, 2, 3, 10, 20, 30))
            archive.writestr(info, random.randbytes(20_000 + 1000 * number))
    return made.getvalue()

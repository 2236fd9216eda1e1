"""The main job killed at seeded moments, run again, and looked at: for the short test and the long bench.

A round: a fresh cache and output folder; `prepare` is started and killed with SIGKILL after a random part of the time
that a whole run takes, several times in a row; then it runs to its end. What must hold is in `Harness.round`.
"""

from __future__ import annotations

import hashlib
import io
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
        self.cache, self.out = self.folder / "cache", self.folder / "out"

    def _slowly(self, exchange: Exchange) -> None:
        exchange.server.wait(self.send_s)
        good(exchange)

    @property
    def words(self) -> list[str]:
        job = ["prepare", self.manifest, "--out", self.out, "--cache", self.cache, "--json"]
        return [sys.executable, "-m", "discprep", *map(str, job)]

    def forget(self) -> None:
        """Back to a machine that has never run it."""
        for path in (self.cache, self.out):
            shutil.rmtree(path, ignore_errors=True)
        for path in self.folder.glob("first.pins.toml*"):
            path.unlink()

    def whole(self) -> float:
        """Runs to the end; its seconds. The image it leaves is the one that every later end must leave."""
        started_s = time.monotonic()
        done = subprocess.run(self.words, capture_output=True, text=True, timeout=300, check=False)
        assert done.returncode == 0, done.stdout + done.stderr
        return time.monotonic() - started_s

    def killed(self, after_s: float) -> bool:
        """Starts it and kills it after so many seconds; False when it had ended by itself."""
        with subprocess.Popen(self.words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as running:
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
        """What a finished run should not leave, by path below the folder."""
        roots = [self.cache / "parts", self.cache / "locks"]
        left = [path for root in roots if root.exists() for path in root.iterdir()]
        left += [path for path in self.folder.rglob("*.part") if path not in left]
        return sorted(str(path.relative_to(self.folder)) for path in left)

    def sent_twice(self) -> int:
        """Bytes that the server sent beyond one copy of each file."""
        return max(0, self.server.sent_bytes - sum(self.sizes.values()))

    def round(self, random: Random, whole_s: float, kills: int, wanted: dict[str, str]) -> int:
        """One round with so many kills; returns how many struck a running job.

        The end is well, the image the same as ever, nothing is left over; what came twice is at most what was on
        its way at the kills: two connections, each with one file.
        """
        self.forget()
        self.server.sent_bytes = 0
        struck = sum(self.killed(random.uniform(0.05, 1.0) * whole_s) for _ in range(kills))
        self.whole()
        assert self.images() == wanted
        assert self.litter() == []
        heads = 400 * len(self.server.asked)
        assert self.sent_twice() <= struck * 2 * max(self.sizes.values()) + heads
        return struck


def _archive(number: int, random: Random) -> bytes:
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_STORED) as archive:
        for member in range(4):
            info = zipfile.ZipInfo(f"PAGE{member}.TXT", (1996, 2, 3, 10, 20, 30))
            archive.writestr(info, random.randbytes(20_000 + 1000 * number))
    return made.getvalue()

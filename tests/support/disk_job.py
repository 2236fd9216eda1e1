"""The main job on a disk that refuses at one change, and at all after it; then again on one that works."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import re
import shutil
import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from support.bench_set import BenchSet, usual
from support.killing import litter
from support.shim import KILL, Shim

CODES = (errno.ENOSPC, errno.EIO, errno.EACCES, errno.EROFS, errno.EDQUOT, errno.ENAMETOOLONG)


@dataclass
class DiskJob:
    """`whole` first: its outputs are what every later run must end with."""

    folder: Path
    wanted: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        job = self.folder / "job"
        (job / "tmp").mkdir(parents=True)
        self.bench: BenchSet = usual(job)
        self.shim = Shim(self.folder, under=job, env={"TMPDIR": str(job / "tmp")})

    @property
    def words(self) -> list[object]:
        job = ["prepare", self.bench.manifest, "--out", self.bench.out, *self.bench.words, "--json"]
        return [sys.executable, "-m", "discprep", *job]

    def whole(self) -> int:
        """Runs without a fault; how many changes that makes."""
        total = self.shim.count(self.words)
        self.wanted = self.outputs()
        assert any(name.endswith(".iso") for name in self.wanted)
        return total

    def outputs(self) -> dict[str, str]:
        """Digests of what stands under a final name in the output folder."""
        out = self.bench.out
        files = sorted(out.iterdir()) if out.exists() else []
        return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in files if not p.name.endswith(".part")}

    def forget(self) -> None:
        """Back to a machine that has never run it."""
        for path in (self.bench.out, self.bench.folder / "cache", self.bench.folder / "tmp"):
            shutil.rmtree(path, ignore_errors=True)
        (self.bench.folder / "tmp").mkdir()
        for path in (*self.bench.folder.glob("*.pins.toml*"), *self.bench.folder.glob("*.jsonl")):
            path.unlink()

    def refused_at(self, at: int, shift: int = 0) -> bool:
        """One fresh run with a fault at that change and after it, then one without; whether the first was refused."""
        code = CODES[(at + shift) % len(CODES)]
        self.forget()
        done = self.shim.run(self.words, at=at, code=code)
        assert done.returncode in (0, 3), (at, code, done.stdout, done.stderr)
        self._nothing_half_written(at)
        if done.returncode == 3:
            _told(json.loads(done.stdout), code, at)
        self.ends_well(at)
        return done.returncode == 3

    def killed_at(self, at: int) -> bool:
        """One fresh run killed at that change, then one to its end; whether it was killed."""
        self.forget()
        killed = self.shim.run(self.words, at=at, code=KILL).returncode != 0
        self._nothing_half_written(at)
        self.ends_well(at)
        return killed

    def ends_well(self, at: int = 0) -> None:
        """A run that nobody disturbs: the outputs of the first, and nothing besides."""
        again = self.shim.run(self.words, at=0)
        assert again.returncode == 0, (at, again.stdout)
        assert self.outputs() == self.wanted, (at, self.outputs(), self.wanted)
        left = litter(self.bench.folder)
        assert left == [], (at, left)

    def _nothing_half_written(self, at: int) -> None:
        """What has a final name is whole: the bytes of the run without a fault, or of the name itself."""
        for name, digest in self.outputs().items():
            assert self.wanted.get(name) == digest, (at, name)
        for path in (self.bench.folder / "cache" / "objects").rglob("*"):
            assert path.is_dir() or hashlib.sha256(path.read_bytes()).hexdigest() == path.name, at


def _told(document: dict[str, Any], code: int, at: int) -> None:
    """Of the family "storage", in the host's own words, with a place and the next step; what was kept, in the first
    one, unless the cache itself could not be made."""
    errors = document["errors"]
    assert errors, at
    for error in errors:
        assert error["family"] == "storage", (at, error)
        assert os.strerror(code) in error["message"] and error.get("hint") and error.get("where"), (at, error)
    unmade = errors[0]["message"].startswith("making the cache failed")
    assert unmade or re.search(
        r"kept: \d of 3 items, whole, in .*/cache; no file|\d of 3 items are whole and kept", errors[0]["message"]
    ), (at, errors)

"""A disk that refuses, for any program: the n-th change below a folder fails with an error of the test's choice.

    shim = Shim(tmp_path, under=tmp_path / "job")
    total = shim.count([python, "-m", "discprep", …])             # how many changes a whole run makes
    done = shim.run([…], at=17, code=errno.ENOSPC)                 # the 17th change fails, and all after it
    done.returncode, done.stdout, done.stderr
    shim.run([…], at=17, code=KILL)                                # SIGKILL at the 17th, half written

Every call that changes something is a change: write, rename, mkdir, opening for writing, truncate, fsync, chmod.
Removing is not among them. The library is compiled once a session from shim.c.
"""

from __future__ import annotations

import errno
import os
import subprocess
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from tempfile import mkdtemp

from support.programs import program

KILL = "kill"
SOURCE = Path(__file__).with_name("shim.c")


@cache
def library() -> Path:
    """The compiled library."""
    target = Path(mkdtemp(prefix="shim-")) / "shim.so"
    flags = ["-shared", "-fPIC", "-O1", "-w", "-o", str(target), str(SOURCE), "-ldl"]
    subprocess.run([program("gcc"), *flags], check=True, timeout=120)
    return target


@dataclass
class Shim:
    """`work` is a folder for its count, outside `under`."""

    work: Path
    under: Path
    env: dict[str, str] = field(default_factory=dict)

    def run(
        self,
        words: Sequence[object],
        *,
        at: int,
        code: int | str = errno.ENOSPC,
        once: bool = False,
        timeout_s: float = 120,
    ) -> subprocess.CompletedProcess[str]:
        """Runs a program whose `at`-th change fails with `code`; only that one if `once`."""
        return subprocess.run(
            list(map(str, words)),
            env=self.environment(at, code, once),
            capture_output=True,
            text=True,
            timeout=timeout_s,
            check=False,
            start_new_session=True,
        )

    def environment(self, at: int, code: int | str, once: bool = False) -> dict[str, str]:
        """For a program that the test starts itself; the count begins anew."""
        counter = self.work / "changes"
        counter.unlink(missing_ok=True)
        env = os.environ | self.env | {
            "LD_PRELOAD": str(library()),
            "FAIL_UNDER": str(self.under.resolve()) + "/",
            "FAIL_AT": str(at),
            "FAIL_ERRNO": str(code),
            "FAIL_COUNT": str(counter),
        }  # fmt: skip
        return env | ({"FAIL_ONCE": "1"} if once else {})

    @property
    def changes(self) -> int:
        """How many changes the last run tried."""
        counter = self.work / "changes"
        return counter.stat().st_size if counter.exists() else 0

    def count(self, words: Sequence[object], *, timeout_s: float = 120) -> int:
        """How many changes a run makes that meets no fault."""
        done = self.run(words, at=0, timeout_s=timeout_s)
        assert done.returncode == 0, done.stderr
        return self.changes

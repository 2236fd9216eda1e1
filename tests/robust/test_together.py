"""Several runs, odd clocks and odd folders: nothing is lost, and what cannot work is said."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from pathlib import Path

import pytest
from support.bench_set import BenchSet, usual
from support.command import run
from support.shim import Shim


def _words(bench: BenchSet, out: Path) -> list[str]:
    return [sys.executable, "-m", "discprep", "prepare", *map(str, [bench.manifest, "--out", out, *bench.words])]


def test_three_runs_into_one_folder(tmp_path: Path) -> None:
    """One cache, one output folder, all at once: each ends well, and one whole image stands there."""
    bench = usual(tmp_path)
    running = [subprocess.Popen(_words(bench, bench.out), stderr=subprocess.PIPE, text=True) for _ in range(3)]
    said = [process.communicate(timeout=120)[1] for process in running]
    assert [process.returncode for process in running] == [0, 0, 0], said
    assert run("readback", bench.out / "record.json", bench.image()).code == 0
    assert not list(tmp_path.rglob("*.part"))


@pytest.mark.parametrize("date_s", [0, 4_000_000_000], ids=["long ago", "in the future"])
def test_a_clock_that_jumped(date_s: int, tmp_path: Path) -> None:
    """Everything in the cache dated far off, as after a clock was set: the same image."""
    bench = usual(tmp_path)
    assert run("prepare", bench.manifest, "--out", bench.out, *bench.words).code == 0
    for path in (tmp_path / "cache").rglob("*"):
        os.utime(path, (date_s, date_s))
    assert run("prepare", bench.manifest, "--out", tmp_path / "again", *bench.words).code == 0
    assert [p.read_bytes() for p in (tmp_path / "again").glob("*.iso")] == [bench.image().read_bytes()]


def test_a_linked_cache(tmp_path: Path) -> None:
    """A cache that is a link to a folder elsewhere is used, and stays a link."""
    bench = usual(tmp_path)
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "cache").symlink_to(tmp_path / "elsewhere")
    assert run("prepare", bench.manifest, "--out", bench.out, *bench.words).code == 0
    assert (tmp_path / "cache").is_symlink() and list((tmp_path / "elsewhere" / "objects").iterdir())


def test_a_cache_on_a_read_only_disk(tmp_path: Path) -> None:
    """EROFS (POSIX.1-2017 <errno.h>) at the cache's first change: exit 3, the remedy, and no output."""
    (tmp_path / "job").mkdir()
    bench = usual(tmp_path / "job")
    done = Shim(tmp_path, under=tmp_path / "job" / "cache").run(_words(bench, bench.out), at=1, code=errno.EROFS)
    assert done.returncode == 3 and "--cache DIR" in done.stderr and "Traceback" not in done.stderr, done.stderr
    assert not bench.out.exists() or not list(bench.out.iterdir())

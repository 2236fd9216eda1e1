"""Several runs, odd clocks and odd folders: nothing is lost, and what cannot work is said."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import subprocess
import sys
import threading
import tomllib
from pathlib import Path
from typing import Any

import pytest
from support.bench_set import BenchSet, usual
from support.command import run
from support.killing import litter
from support.shim import KILL, Shim

from discprep.fetch.cache import Cache
from discprep.fetch.files import scratch


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


def test_a_build_that_waits_says_for_whom(tmp_path: Path) -> None:
    """While another build has the folder: one line on stderr names its process; then it goes on, or Ctrl-C ends it."""
    bench = usual(tmp_path)
    assert run("fetch", bench.manifest, *bench.words).code == 0
    key = hashlib.sha256(str(bench.out.resolve()).encode()).hexdigest()
    lock = Cache(tmp_path / "cache").lock(f"build-{key}")
    assert lock.take()
    lock.sign("process 4711 (other.toml)")
    words = [sys.executable, "-m", "discprep", "build", *map(str, [bench.manifest, "--out", bench.out, *bench.words])]
    waiting = subprocess.Popen(words, stderr=subprocess.PIPE, text=True)
    assert waiting.stderr
    line = waiting.stderr.readline()
    lock.free()
    waiting.communicate(timeout=60)
    assert "waiting for process 4711 (other.toml)" in line and str(bench.out) in line, line
    assert waiting.returncode == 0 and bench.image()


def test_the_same_items_in_two_manifests_at_once(tmp_path: Path) -> None:
    """One cache, two manifests with the same items, each with its own pins and folder: both end with the same image,
    and each item's bytes stand in the cache once."""
    bench = usual(tmp_path)
    other = bench.manifest.with_name("other.toml")
    other.write_bytes(bench.manifest.read_bytes())
    places = ((bench.manifest, bench.out), (other, tmp_path / "other"))
    line = [sys.executable, "-m", "discprep", "prepare"]
    words = [[*line, *map(str, [m, "--out", out, *bench.words])] for m, out in places]
    running = [subprocess.Popen(each, stderr=subprocess.PIPE, text=True) for each in words]
    said = [process.communicate(timeout=120)[1] for process in running]
    assert [process.returncode for process in running] == [0, 0], said
    assert [path.read_bytes() for path in (tmp_path / "other").glob("*.iso")] == [bench.image().read_bytes()]
    objects = [path.read_bytes() for path in (tmp_path / "cache" / "objects").rglob("*") if path.is_file()]
    assert objects and len(objects) == len(set(objects))
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


YEAR_S, DAY_S = 31_536_000, 86_400


def _at(folder: Path, words: list[str], shift_s: int, after: int = 1) -> dict[str, Any]:
    """A run whose wall clock is that far off, from its `after`-th look at it on; what it says."""
    shim = Shim(folder, under=folder / "nowhere", env={"CLOCK_SHIFT_S": str(shift_s), "CLOCK_AFTER": str(after)})
    done = shim.run([*words, "--json"], at=0)
    assert done.returncode == 0 and "Traceback" not in done.stderr, (shift_s, after, done.stdout, done.stderr)
    document: dict[str, Any] = json.loads(done.stdout)
    return document


@pytest.mark.parametrize("shift_s", [-YEAR_S, -DAY_S, YEAR_S], ids=["a year back", "a day back", "a year on"])
def test_a_clock_set_between_runs(shift_s: int, tmp_path: Path) -> None:
    """The same inputs: nothing is made again, nothing fetched again. Others: made anew, whatever the clock says, with
    the image that they have without any of that; back at the right time that stands."""
    bench = usual(tmp_path)
    assert not _at(tmp_path, _words(bench, bench.out), 0)["discs"][0]["unchanged"]
    first = bench.image().read_bytes()
    again = _at(tmp_path, _words(bench, bench.out), shift_s)
    assert again["discs"][0]["unchanged"] and again["fetched"]["moved_bytes"] == 0
    bench.manifest.write_text(bench.manifest.read_text().replace('to = "MISC"', 'to = "OTHER"'))
    changed = _at(tmp_path, _words(bench, bench.out), shift_s)
    assert not changed["discs"][0]["unchanged"] and bench.image().read_bytes() != first
    assert run("prepare", bench.manifest, "--out", tmp_path / "fresh", *bench.words).code == 0
    assert [path.read_bytes() for path in (tmp_path / "fresh").glob("*.iso")] == [bench.image().read_bytes()]
    assert _at(tmp_path, _words(bench, bench.out), 0)["discs"][0]["unchanged"]
    assert run("verify", bench.manifest, *bench.words).code == 0
    assert litter(tmp_path) == ["fresh", *sorted(f"fresh/{path.name}" for path in bench.out.iterdir())]


@pytest.mark.parametrize("after", [2, 8, 30])
def test_a_clock_set_in_the_middle(after: int, tmp_path: Path) -> None:
    """A year back after so many looks at the clock, in a first run, which may date what it fetches by it: the image is
    the one of its pins, also where they are used with an empty cache at the right time."""
    bench = usual(tmp_path)
    _at(tmp_path, _words(bench, bench.out), -YEAR_S, after)
    words = ("--cache", tmp_path / "steady")
    assert run("prepare", bench.manifest, "--out", tmp_path / "again", *words).code == 0
    assert [path.read_bytes() for path in (tmp_path / "again").glob("*.iso")] == [bench.image().read_bytes()]


def test_a_clock_that_lost_its_battery(tmp_path: Path) -> None:
    """A first run in 2001 by its clock, of files of 2010: they are dated 2010, as at the right time, and it is said."""
    bench = usual(tmp_path)
    for path in tmp_path.rglob("*"):
        os.utime(path, (1_262_304_000, 1_262_304_000))
    assert run("prepare", bench.manifest, "--out", tmp_path / "right", "--cache", tmp_path / "right-cache").code == 0
    pins = bench.manifest.with_suffix(".pins.toml")
    right = tomllib.loads(pins.read_text())["pin"]
    pins.unlink()
    told = _at(tmp_path, _words(bench, bench.out), -25 * YEAR_S)
    assert any("the clock of this computer shows 200" in notice["message"] for notice in told["notices"])
    assert {pin["date"].year for pin in right.values()} == {2010}
    assert tomllib.loads(pins.read_text())["pin"] == right


def test_no_lock_outlives_its_run_at_another_time(tmp_path: Path) -> None:
    """Killed while its locks are held, with the clock a year ahead; at the right time the next run waits for nobody."""
    bench = usual(tmp_path)
    ahead = Shim(tmp_path, under=tmp_path / "out", env={"CLOCK_SHIFT_S": str(YEAR_S)})
    assert ahead.run(_words(bench, bench.out), at=5, code=KILL).returncode != 0
    assert list((tmp_path / "cache" / "locks").iterdir())
    _at(tmp_path, _words(bench, bench.out), 0)
    assert not list((tmp_path / "cache" / "locks").iterdir())


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


def test_temporary_folders_of_many_runs_do_not_harm_each_other(tmp_path: Path) -> None:
    """Each run removes what dead runs left; a folder that is made just now, and not locked yet, is made once more."""
    harmed: list[Path] = []

    def runs() -> None:
        for _ in range(100):
            with scratch(tmp_path) as folder:
                if not folder.is_dir():
                    harmed.append(folder)

    threads = [threading.Thread(target=runs) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert not harmed and not list(tmp_path.iterdir())

"""Kills in a row leave no litter that grows: every file of cache, output and temporary folder is counted after each."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path
from random import Random

import pytest
from support.disk_job import DiskJob
from support.fault_server import FaultServer
from support.killing import Harness, litter, tree
from support.shim import KILL

from discprep.fetch.files import scratch

MOST_LEFT = 8  # of one run: its temporary folders, a part with its notes, locks, a file beside its final name


@pytest.mark.slow
def test_twenty_kills_in_a_row(tmp_path: Path) -> None:
    """Each in another place of the job, half of them in the middle of a write, none followed by a run that ends: what
    is left is never more than one run's, by names and by bytes, and the run that ends leaves the files of one that
    nobody disturbed."""
    job = DiskJob(tmp_path)
    total = job.whole()
    whole = tree(job.bench.folder)
    assert litter(job.bench.folder) == []
    job.forget()
    random = Random(20)
    struck = 0
    while struck < 20:
        if job.shim.run(job.words, at=random.randint(1, total * 2 // 3), code=KILL).returncode == 0:
            shutil.rmtree(job.bench.out)  # it was through: the next one is to have something left to do
            continue
        struck += 1
        now = tree(job.bench.folder)
        left = litter(job.bench.folder)
        assert len([name for name in left if str(Path(name).parent) not in left]) <= MOST_LEFT, (struck, left)
        assert sum(now.values()) <= sum(whole.values()) + sum(now[name] for name in left), struck
        assert sum(now[name] for name in left) <= sum(whole.values()), (struck, left)
    job.ends_well()
    ended = tree(job.bench.folder)
    assert ended.keys() == whole.keys()
    log, discs = "cache/known.log", "m.discs.jsonl"  # the one of discs has a line for each run that was through
    assert {**ended, log: 0, discs: 0} == {**whole, log: 0, discs: 0} and ended[log] <= 4 * whole[log]


@pytest.mark.slow
def test_killed_in_the_middle_of_writes(tmp_path: Path) -> None:
    """Every 53rd change of the job (all of them in tests/bench/faults_long.py): the next run ends with the same image
    and leaves nothing besides."""
    job = DiskJob(tmp_path)
    total = job.whole()
    places = range(7, total + 1, 53)
    assert sum(map(job.killed_at, places)) >= len(places) - 1 >= 4


@pytest.mark.slow
def test_two_discs_killed_again_and_again(tmp_path: Path) -> None:
    """Eight kills, two discs: the images of a run that nobody disturbed, no part or lock left."""
    with FaultServer() as server:
        harness = Harness(tmp_path, server)
        text = harness.manifest.read_text().replace('kind = "cd-74"', "sectors = 410\ndiscs = 2")
        harness.manifest.write_text(text)
        whole_s = harness.whole()
        wanted = harness.images()
        assert sum(name.endswith(".iso") for name in wanted) == 2, sorted(wanted)
        assert harness.round(Random(20), whole_s, 8, wanted) >= 1


def test_no_trial_file_is_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The host's folder is the one that Python's `tempfile` documents (TMPDIR, TEMP, TMP, then the system's), found
    without its trial file; a name that leads nowhere is passed over."""

    def trial() -> str:
        raise AssertionError("tempfile would write a file to find out")

    monkeypatch.setattr(tempfile, "gettempdir", trial)
    monkeypatch.setattr(tempfile, "tempdir", None)
    monkeypatch.setenv("TMPDIR", str(tmp_path / "nowhere"))
    monkeypatch.setenv("TEMP", str(tmp_path))
    with scratch() as place:
        assert place.parent == tmp_path and list(tmp_path.iterdir()) == [place]
    assert not list(tmp_path.iterdir())

"""Nothing lost: the main job under SIGKILL at seeded moments, and two runs at once. The long form is a bench."""

from __future__ import annotations

import subprocess
from pathlib import Path
from random import Random

import pytest
from support.fault_server import FaultServer
from support.killing import Harness


@pytest.mark.slow
@pytest.mark.parametrize("covered", [True, False], ids=["with hashes", "without"])
def test_killed_and_run_again(covered: bool, tmp_path: Path) -> None:
    """Five kills in a row, then the end: the very image of a run that nobody disturbed, and no litter."""
    with FaultServer() as server:
        harness = Harness(tmp_path, server, covered=covered)
        whole_s = harness.whole()
        wanted = harness.images()
        assert sum(name.endswith(".iso") for name in wanted) == 1
        struck = harness.round(Random(8 + covered), whole_s, 5, wanted)
    assert struck >= 2


@pytest.mark.slow
def test_two_runs_at_once(tmp_path: Path) -> None:
    """Two jobs on one cache, started together, into two folders: both end well with the same image; each file
    crosses the network once."""
    with FaultServer() as server:
        harness = Harness(tmp_path, server)
        other = [word.replace(str(harness.out), str(tmp_path / "other")) for word in harness.words]
        both = [
            subprocess.Popen(words, stdout=subprocess.PIPE, text=True, env=harness.env)
            for words in (harness.words, other)
        ]
        said = [process.communicate(timeout=120)[0] for process in both]
        assert [process.returncode for process in both] == [0, 0], said
        one, two = (
            {p.name: p.read_bytes() for p in folder.rglob("*.iso")} for folder in (harness.out, tmp_path / "other")
        )
        assert one == two
        assert harness.litter() == []
        for path in harness.sizes:
            assert len(server.requests(path)) == 1

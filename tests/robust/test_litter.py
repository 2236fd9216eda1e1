"""Kills in a row leave no litter that grows, also over several discs."""

from __future__ import annotations

from pathlib import Path
from random import Random

import pytest
from support.fault_server import FaultServer
from support.killing import Harness


@pytest.mark.slow
def test_two_discs_killed_again_and_again(tmp_path: Path) -> None:
    """Eight kills, two discs: the images of a run that nobody disturbed, no part or lock left."""
    with FaultServer() as server:
        harness = Harness(tmp_path, server)
        text = harness.manifest.read_text().replace('kind = "cd-74"', "sectors = 500\ndiscs = 2")
        harness.manifest.write_text(text)
        whole_s = harness.whole()
        wanted = harness.images()
        assert sum(name.endswith(".iso") for name in wanted) == 2, sorted(wanted)
        assert harness.round(Random(20), whole_s, 8, wanted) >= 1

"""A few thousand damaged containers of every family: no crash, no hang, no memory filled, no byte more than declared.

The long run is `bench/fuzz_containers.py`.
"""

import collections
from pathlib import Path

import pytest
from support.fuzz import inputs, samples, survive

MEMORY_BYTES = 256 * 2**20


def peak_bytes() -> int:
    resource = pytest.importorskip("resource", reason="the host does not tell a process's memory")
    return int(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss) * 1024


@pytest.mark.parametrize("seed", range(4))
def test_damaged_containers(seed: int, tmp_path: Path) -> None:
    """A thousand of each seed; the outcomes vary, so the damage is neither too mild nor too coarse."""
    before = peak_bytes()
    outcomes = collections.Counter(survive(data, tmp_path) for _, data in inputs(1000, seed, samples()))
    assert {"whole", "hurt", "unknown"} <= set(outcomes), outcomes
    assert peak_bytes() - before < MEMORY_BYTES


def test_nothing_is_written_but_scratch(tmp_path: Path) -> None:
    """Readers leave nothing behind in the folder they are given, and nothing beside it."""
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    for _, data in inputs(300, 99, samples()):
        survive(data, scratch)
    assert list(scratch.iterdir()) == []
    assert list(tmp_path.iterdir()) == [scratch]


def test_the_samples_are_sound(tmp_path: Path) -> None:
    """Undamaged, they read whole: so what is found out is the damage."""
    for family, group in samples().items():
        for data in group:
            assert survive(data, tmp_path) == "whole", family

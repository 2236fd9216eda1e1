"""The order in which a whole run's tests go (`conftest.py`)."""

from __future__ import annotations

import importlib.util
import itertools
import os
from pathlib import Path
from types import ModuleType

import pytest

CONFTEST = Path(__file__).with_name("conftest.py")


@pytest.fixture(scope="module")
def rules() -> ModuleType:
    spec = importlib.util.spec_from_file_location("rules", CONFTEST)
    assert spec and spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize(
    ("long", "quick", "hands"), [(10, 90, 4), (3, 10, 4), (9, 2, 2), (0, 7, 3), (1, 0, 2), (5, 5, 1)]
)
def test_every_share_begins_with_long_ones(rules: ModuleType, long: int, quick: int, hands: int) -> None:
    """No test is lost or doubled; units stay together; a share is one of the equal pieces that xdist cuts."""
    units = [[f"long{n}a", f"long{n}b"][: 1 + n % 2] for n in range(long)]
    rest = [f"quick{n}" for n in range(quick)]
    order = rules.deal(units, rest, hands)
    assert sorted(order) == sorted([*itertools.chain(*units), *rest])
    text = " ".join(order)
    assert all(" ".join(unit) in text for unit in units)
    if quick > 2 * long:
        left, begins = list(order), []
        for hand in range(hands):
            piece, left = left[: len(left) // (hands - hand)], left[len(left) // (hands - hand) :]
            begins.append(piece[0])
        assert sum(one.startswith("long") for one in begins) == min(long, hands)


@pytest.mark.skipif(os.name != "posix" or os.geteuid() != 0, reason="needs root")
def test_a_clocked_test_goes_ahead_and_then_back(rules: ModuleType) -> None:
    before = os.getpriority(os.PRIO_PROCESS, 0)
    with rules._ahead():
        assert os.getpriority(os.PRIO_PROCESS, 0) == -10
    assert os.getpriority(os.PRIO_PROCESS, 0) == before

"""Planted faults: each is found, and exactly what is hurt is named. tests/bench/planted_500.py has 500 of them."""


import pytest
from support.planted import PLANTS, Disc, check, check_burned_as_a_file


@pytest.fixture(scope="module")
def disc(tmp_path_factory: pytest.TempPathFactory) -> Disc:
    return Disc(tmp_path_factory.mktemp("planted"), 5)


@pytest.mark.parametrize("number", range(len(PLANTS)), ids=lambda number: PLANTS[number].__name__)
def test_what_is_hurt_is_named(disc: Disc, number: int) -> None:
    """Nine kinds of fault, three of each."""
    for round_ in range(3):
        check(disc, number + round_ * len(PLANTS))


def test_an_image_burned_as_a_file(disc: Disc) -> None:
    check_burned_as_a_file(disc)

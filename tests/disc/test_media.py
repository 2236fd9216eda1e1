"""Media and reading times. Sector counts: CD-Recordable FAQ §7-6; times: 75 sectors of 2,048 bytes a second."""

import pytest

from discprep.disc.layout.fields import sectors_of
from discprep.disc.media import MEDIA, read_seconds, usable_sectors
from discprep.model import Medium


@pytest.mark.parametrize(
    ("kind", "size_bytes"),
    [
        ("cd-21", 193_536_000), ("cd-63", 580_608_000), ("cd-74", 681_984_000), ("cd-80", 737_280_000),
        ("cd-90", 829_440_000), ("dvd-r", 4_707_319_808), ("dvd+r", 4_700_372_992), ("dvd-r-dl", 8_543_666_176),
        ("dvd+r-dl", 8_547_991_552),
    ],
)  # fmt: skip
def test_bytes_of_each_medium(kind: str, size_bytes: int) -> None:
    """DVD: encyclopedia table "Recordable DVD capacity comparison"."""
    assert MEDIA[kind] * 2048 == size_bytes


def test_what_fits_which_disc() -> None:
    """600,000,000 bytes: 292,969 sectors, not on 63 minutes, on 74; with padding 293,119 (arithmetic)."""
    assert sectors_of(600_000_000) == 292_969
    assert usable_sectors(Medium("cd-63", MEDIA["cd-63"])) < 293_119
    assert usable_sectors(Medium("cd-74", MEDIA["cd-74"])) >= 293_119


def test_the_usable_part_stays_off_the_rim() -> None:
    """An 80-minute blank's lead-out starts at 79:59:74 (a typical value, common practice, no source): stay below.
    Time addresses begin at 00:02:00 in sector 0 (ECMA-130, number from memory)."""
    lead_out = (79 * 60 + 59) * 75 + 74 - 150
    assert usable_sectors(Medium("cd-80", MEDIA["cd-80"])) <= lead_out - 149
    assert usable_sectors(Medium("dvd-r", MEDIA["dvd-r"])) % 16 == 0
    assert usable_sectors(Medium("own", 1000)) == 1000


def test_reading_times() -> None:
    """Single speed reads a full 74-minute disc in 4,440 s; seeks add up."""
    assert read_seconds(681_984_000, 0, 1, 1.0) == 4440
    assert read_seconds(681_984_000, 0, 4, 1.0) == 1110
    assert read_seconds(600_000_000, 0, 1, 1.0) == 3906.25
    assert read_seconds(10_000_000, 1000, 2, 0.4) == pytest.approx(432.55, abs=0.01)

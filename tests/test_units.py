"""Bytes, seconds and rates as text. Units: SI prefixes are powers of 1000, IEC 80000-13 ones of 1024."""

import pytest

from discprep import units


@pytest.mark.parametrize(
    ("text", "size"),
    [
        ("650 MB", 650_000_000),
        ("640 KiB", 655_360),
        (12, 12),
        ("1_440_000", 1_440_000),
        ("1.5kB", 1500),
        ("1,024", 1024),
        ("0", 0),
        ("2 gib", 2**31),
        ("3 B", 3),
        ("1 byte", 1),
        ("2 bytes", 2),
        ("1 KB", 1_000),
        ("1 GB", 1_000_000_000),
        ("1 KiB", 1_024),
        ("1 MiB", 1_048_576),
        ("1 GiB", 1_073_741_824),
        ("1,440,000", 1_440_000),
        ("1,500.5 KB", 1_500_500),
    ],
)
def test_parse_size(text: str | int, size: int) -> None:
    assert units.parse_size(text) == size


@pytest.mark.parametrize("text", ["1,5 MB", "1,50 MB", "1,5000", "1,,500", "1234,567", "1_0,000", ",5 MB", "1,500, B"])
def test_a_comma_that_groups_no_thousands_is_no_size(text: str) -> None:
    """ISO 80000-1, 7.3.2 knows the comma as the decimal sign; here it groups three digits, or nothing is guessed."""
    with pytest.raises(ValueError, match=r"write 1\.5, not 1,5" if "1,5 " in text else "is not a"):
        units.parse_size(text)


@pytest.mark.parametrize("text", ["", "x", "-1", "1 mb2", "1.5", "1 XB", "MB", "1 MB 2", "0x10", "1e3"])
def test_bad_sizes(text: str) -> None:
    with pytest.raises(ValueError, match="is not a"):
        units.parse_size(text)


def test_a_size_beyond_all_numbers_is_refused() -> None:
    """IEEE 754: what lies beyond a double's range reads as infinity, which is no size."""
    with pytest.raises(ValueError, match="larger than any file"):
        units.parse_size("9" * 400)


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("2 h", 7200),
        ("90 min", 5400),
        ("1 h 30 min", 5400),
        (5, 5),
        ("250 ms", 0.25),
        ("1 d, 2 h", 93_600),
        ("1.5", 1.5),
        ("1h30min", 5400),
        ("1,500 ms", 1.5),
    ],
)
def test_parse_duration(text: str | float, seconds: float) -> None:
    assert units.parse_duration(text) == pytest.approx(seconds)


@pytest.mark.parametrize(
    ("names", "seconds"),
    [("s sec second seconds", 1), ("min minute minutes", 60), ("h hour hours", 3_600), ("d day days", 86_400)],
)
def test_every_name_of_a_unit_of_time(names: str, seconds: float) -> None:
    """The minute, the hour and the day in seconds: SI brochure, table 8."""
    assert [units.parse_duration(f"1 {name}") for name in names.split()] == [seconds] * len(names.split())


@pytest.mark.parametrize("text", ["", "soon", "2 hx", "-2 h", "2 h!", "h", "1,5 h", "1 5 h", "1,5"])
def test_bad_durations(text: str) -> None:
    with pytest.raises(ValueError, match="is not a"):
        units.parse_duration(text)


@pytest.mark.parametrize(
    ("size", "text"),
    [(0, "0 B"), (999, "999 B"), (1000, "1.00 KB"), (412_331, "412 KB"), (999_499, "999 KB"), (999_500, "1.00 MB"),
     (3_100_000, "3.10 MB"), (9_994, "9.99 KB"), (9_996, "10.0 KB"), (99_940, "99.9 KB"), (99_960, "100 KB"),
     (681_984_000, "682 MB"), (9_999_999_999, "10.0 GB"), (10**15, "1000 TB")],
)  # fmt: skip
def test_format_bytes(size: int, text: str) -> None:
    assert units.format_bytes(size) == text


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0, "0.00 s"), (0.058, "0.06 s"), (18.64, "18.6 s"), (59.94, "59.9 s"), (59.96, "1 min 00 s"), (243, "4 min 03 s"),
     (9000, "2 h 30 min"), (26_756, "7 h 26 min"), (-5, "-5.00 s"), (400_000, "4 d 15 h"),
     (9.99, "9.99 s"), (10, "10.0 s"), (3_599, "59 min 59 s"), (3_600, "1 h 00 min"), (172_740, "47 h 59 min"),
     (172_800, "2 d 0 h"), (777_600, "9 d 0 h"), (10_000_000, "115 d 18 h")],
)  # fmt: skip
def test_format_seconds(seconds: float, text: str) -> None:
    assert units.format_seconds(seconds) == text


def test_format_rate() -> None:
    assert units.format_rate(11_111.1) == "11.1 KB/s"

"""Pins: the same bytes for the same pins, every damage noticed, merged safely."""

from __future__ import annotations

import tomllib
from pathlib import Path
from random import Random

import pytest

from discprep.errors import ManifestError
from discprep.fetch.pins import dump_pins, load_pins, merge_pins, pins_of, save_pins
from discprep.model import Item, Pin

ODD = 'quote " back \\ line\n tab\t del\x7f umlaut ü'
PINS = {
    "ip-tools": Pin("ip-tools", 412331, "ab" * 32, 823342830, "http://files.example/iptools12.lha", 12, 3456),
    "a": Pin("a", 0, "00" * 32, 0),
    ODD: Pin(ODD, 2**40, "cd" * 32, 4102444800, ODD, None, 7),
}


def test_what_is_saved_is_loaded(tmp_path: Path) -> None:
    """Round trip; a general TOML reader reads the file as well (TOML 1.0, Python's tomllib)."""
    path = tmp_path / "first.pins.toml"
    save_pins(path, PINS)
    assert load_pins(path) == PINS
    data = tomllib.loads(path.read_text(encoding="utf-8"))
    assert data["pin"]["ip-tools"]["date"].isoformat() == "1996-02-03T10:20:30+00:00"
    assert sorted(tmp_path.iterdir()) == [path]


def test_order_does_not_matter() -> None:
    """Sorted by item: the same bytes whichever came first."""
    assert dump_pins(PINS) == dump_pins(dict(reversed(PINS.items())))


def test_every_flipped_bit_is_noticed_or_harmless(tmp_path: Path) -> None:
    """A thousand random flips: an error in words, or exactly the pins that were saved (a flip in the comment)."""
    path = tmp_path / "first.pins.toml"
    good = dump_pins(PINS)
    random = Random(10)
    noticed = 0
    for _ in range(1000):
        bad = bytearray(good)
        bad[random.randrange(len(bad))] ^= 1 << random.randrange(8)
        path.write_bytes(bad)
        try:
            assert load_pins(path) == PINS
        except ManifestError as error:
            noticed += 1
            assert str(path) in str(error)
            assert "used" in error.message
    assert noticed > 750


def test_a_hand_edit_is_said_and_can_be_meant(tmp_path: Path) -> None:
    """The seal no longer fits; without its line the file is taken as it stands, and sealed by the next fetch."""
    path = tmp_path / "first.pins.toml"
    text = dump_pins(PINS).decode()
    path.write_text(text.replace("412331", "412332"), encoding="utf-8")
    with pytest.raises(ManifestError, match="a byte was damaged or the file was changed by hand") as caught:
        load_pins(path)
    assert "remove its seal line" in caught.value.hint
    lines = [line for line in path.read_text(encoding="utf-8").splitlines(True) if not line.startswith("seal")]
    path.write_text("".join(lines), encoding="utf-8")
    assert load_pins(path)["ip-tools"].size_bytes == 412332
    merge_pins(path, [PINS["a"], Pin("b", 1, "11" * 32, 5)])
    assert 'seal = "' in path.read_text(encoding="utf-8")


def test_line_ends_that_a_checkout_changed_are_fine(tmp_path: Path) -> None:
    """Version control may turn LF into CRLF."""
    path = tmp_path / "first.pins.toml"
    path.write_bytes(dump_pins({"a": PINS["a"]}).replace(b"\n", b"\r\n"))
    assert load_pins(path) == {"a": PINS["a"]}


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("format = 2", "no pins file of format 1"),
        ("format = 1\nextra = 1", "no pins file of format 1"),
        ("format = 1\n[pin.a]\nsize = 1", "sha256 should be str|date should be datetime"),
        (
            'format = 1\n[pin.a]\nsize = -1\nsha256 = "x"\ndate = 1996-01-01T00:00:00Z',
            "negative|64 hexadecimal",
        ),
        ('format = 1\n[pin.a]\nsize = true\nsha256 = "x"\ndate = 1996-01-01T00:00:00Z', "size should be int|64 hexa"),
        ('format = 1\n[pin.a]\nsize = 1\nsha256 = "x"\ndate = 1996-01-01T00:00:00Z', "64 hexadecimal digits"),
        ("format = 1\n[pin.a]\ncolour = 1", "unknown key 'colour'|should be"),
        ("format = 1\npin = 3", "no pins file"),
        ("format = 1\n[pin]\na = 3", "expected a table"),
        ("format = [", "cannot be read"),
        ("a = " + "[" * 5000, "cannot be read"),
        ('format = 1\nseal = "XY"', "the seal of the pins is damaged"),
        ("\udc80", "cannot be read"),
    ],
)
def test_a_file_that_is_none(text: str, words: str, tmp_path: Path) -> None:
    """Each fault in words, with the file, whatever stands in it."""
    path = tmp_path / "first.pins.toml"
    path.write_bytes(text.encode("utf-8", "surrogateescape"))
    with pytest.raises(ManifestError, match=words):
        load_pins(path)


def test_a_file_beyond_all_bounds_is_not_read(tmp_path: Path) -> None:
    """A sparse file of a byte too many: said before it is taken for text."""
    path = tmp_path / "first.pins.toml"
    with path.open("wb") as file:
        file.truncate((64 << 20) + 1)
    with pytest.raises(ManifestError, match="larger than 64 MiB"):
        load_pins(path)


def test_a_date_that_no_calendar_has(tmp_path: Path) -> None:
    """A server may say any year; RFC 3339 (and TOML with it) ends with 9999. 253402300799 is what `date +%s` prints."""
    path = tmp_path / "first.pins.toml"
    for said, kept in ((10**15, 253_402_300_799), (-5, 0)):
        save_pins(path, {"a": Pin("a", 0, "00" * 32, said)})
        assert load_pins(path)["a"].fetched_s == kept


def test_merging_keeps_what_others_added(tmp_path: Path) -> None:
    """Two runs with different items: both pins stand; a newer one of the same item wins."""
    path = tmp_path / "first.pins.toml"
    merge_pins(path, [PINS["a"]])
    merge_pins(path, [PINS["ip-tools"]])
    newer = Pin("a", 5, "11" * 32, 6)
    assert merge_pins(path, [newer]) == {"a": newer, "ip-tools": PINS["ip-tools"]}
    assert load_pins(path) == {"a": newer, "ip-tools": PINS["ip-tools"]}


def test_merging_into_a_damaged_file_leaves_it_alone(tmp_path: Path) -> None:
    """It may be mended yet."""
    path = tmp_path / "first.pins.toml"
    path.write_bytes(dump_pins(PINS).replace(b"412331", b"412332"))
    before = path.read_bytes()
    with pytest.raises(ManifestError):
        merge_pins(path, [PINS["a"]])
    assert path.read_bytes() == before


def test_an_include_brings_its_own_pins(tmp_path: Path) -> None:
    """Each item's pin comes from the file it belongs to."""
    own, shared = tmp_path / "first.pins.toml", tmp_path / "common.pins.toml"
    save_pins(own, {"a": PINS["a"]})
    save_pins(shared, {"a": Pin("a", 9, "22" * 32, 9), "ip-tools": PINS["ip-tools"]})
    items = [Item("a"), Item("ip-tools", pins_file=shared), Item("none")]
    assert pins_of(items, own) == {"a": PINS["a"], "ip-tools": PINS["ip-tools"]}

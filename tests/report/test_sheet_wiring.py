"""The cable's picture: pins as the standards have them, every wire from an end that speaks to one that listens."""

import re
from pathlib import Path
from xml.etree import ElementTree

import pytest
from support import bench

from discprep.model import End
from discprep.report.sheet import html, text
from discprep.report.sheet.blocks import Picture
from discprep.report.sheet.facts import Wiring
from discprep.report.sheet.wiring import CROSSED, HOW_TO_TELL, PINS, SPOKEN, STRAIGHT, wiring, wiring_svg

# TIA-574 (the 9-way plug), and ITU-T V.24's circuits at the contacts of ISO/IEC 2110; both from memory.
NINE = {1: "DCD", 2: "RXD", 3: "TXD", 4: "DTR", 5: "GND", 6: "DSR", 7: "RTS", 8: "CTS"}
TWENTY_FIVE = {2: "TXD", 3: "RXD", 4: "RTS", 5: "CTS", 6: "DSR", 7: "GND", 8: "DCD", 20: "DTR"}


def test_pins_are_those_of_the_standards() -> None:
    assert {pins[0]: signal for signal, pins in PINS.items()} == NINE
    assert {pins[1]: signal for signal, pins in PINS.items()} == TWENTY_FIVE


def test_a_crossed_cable_is_the_same_from_both_ends() -> None:
    """Each signal is wired, what one terminal speaks on the other one listens on, and turned round it is the same."""
    assert set(CROSSED) == {(right, left) for left, right in CROSSED}
    assert {left for left, _ in CROSSED} == {left for left, _ in STRAIGHT} == set(PINS)
    for left, right in CROSSED:
        assert left == right == "GND" or (left in SPOKEN) != (right in SPOKEN)


@pytest.mark.parametrize(
    ("machine", "bridge", "kinds"),
    [("terminal", "modem", ["straight"]), ("modem", "terminal", ["straight"]), ("terminal", "terminal", ["crossed"]),
     ("modem", "modem", ["crossed"]), ("unknown", "modem", ["straight", "crossed"])],
)  # fmt: skip
def test_the_cable_follows_from_the_ends(machine: End, bridge: End, kinds: list[str]) -> None:
    """ITU-T V.24: a terminal meets a modem pin by pin; where an end is not told both are shown, and how to tell."""
    blocks = wiring(Wiring("9-way", machine, "25-way", bridge))
    shown = [block.svg for block in blocks if isinstance(block, Picture)]
    assert [re.findall(r"A (\w+) cable", one)[0] for one in shown] == kinds
    assert (HOW_TO_TELL in str(blocks)) == (len(kinds) == 2)


@pytest.mark.parametrize("kind", ["straight", "crossed"])
@pytest.mark.parametrize("end", ["terminal", "modem"])
def test_arrows_point_at_who_listens(kind: str, end: End) -> None:
    """A terminal listens on RXD, CTS, DSR, DCD; the picture is XML, and no two labels are on each other."""
    bridge: End = end if kind == "crossed" else "modem" if end == "terminal" else "terminal"
    drawing = ElementTree.fromstring(wiring_svg(Wiring("unknown", end, "unknown", bridge), kind))
    filled = [path.get("d", "") for path in drawing.iter("path") if not path.get("stroke")]
    heads = [re.match(r"M([\d.]+) ([\d.]+)L", path) for path in filled]
    at_machine = sum(float(head[1]) < 320 for head in heads if head)
    wires = [left for left, _ in (STRAIGHT if kind == "straight" else CROSSED) if left != "GND"]
    listens = [left for left in wires if (left in SPOKEN) == (end == "modem")]
    assert len(heads) == len(wires) and at_machine == len(listens)
    places = [(element.get("x"), element.get("y")) for element in drawing.iter("text")]
    assert len(places) == len(set(places))


def test_both_faces_show_it(tmp_path: Path) -> None:
    facts = bench.facts(tmp_path)
    plain, page = text(facts), html(facts)
    for words in ("What a line that is missing looks like", "the IP stack waits for a carrier"):
        assert words in page and words in plain
    assert page.count("A straight cable") == page.count("A crossed cable") == 1
    assert re.search(r"TXD +3 / 2 +----> +2 / 3 +RXD", plain)
    assert max(map(len, plain.splitlines())) <= 80

"""The cable between machine and bridge: a picture, the same in text, and what a line that is missing looks like.

Pins and names: TIA-574 for the 9-way plug; ITU-T V.24 (circuits 102 to 109) with ISO/IEC 2110's pins for the 25-way
one. Names are those of the terminal end: a modem listens on its TXD and speaks on its RXD. Levels: ITU-T V.28. What a
missing line looks like is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator

from discprep.model import End, Plug
from discprep.report.sheet.blocks import Block, Paragraph, Picture, Table
from discprep.report.sheet.facts import Wiring
from discprep.report.sheet.pictures import svg

# Signal: pin of the 9-way plug, of the 25-way one.
PINS = {
    "TXD": (3, 2), "RXD": (2, 3), "RTS": (7, 4), "CTS": (8, 5), "DTR": (4, 20), "DSR": (6, 6), "DCD": (1, 8),
    "GND": (5, 7),
}  # fmt: skip
SPOKEN = frozenset({"TXD", "RTS", "DTR"})  # by a terminal; a modem speaks on the others
# From the machine's signal to the bridge's, where both ends are of one kind.
CROSSED = (
    ("TXD", "RXD"), ("RXD", "TXD"), ("RTS", "CTS"), ("CTS", "RTS"), ("DTR", "DSR"), ("DTR", "DCD"), ("DSR", "DTR"),
    ("DCD", "DTR"), ("GND", "GND"),
)  # fmt: skip
STRAIGHT = tuple((signal, signal) for signal in PINS)
_ENDS: dict[End, str] = {"terminal": "terminal (DTE)", "modem": "modem (DCE)", "unknown": "not told"}
_ROW, _TOP, _LEFT, _RIGHT = 34, 76, 208, 432
_TEXT = 'font-family="sans-serif" font-size="21"'

MISSING = (
    ("GND", "garbage or nothing, and another each time; it changes when the housings touch"),
    ("TXD or RXD", "one way only: what is typed arrives and no answer comes, or the other way round"),
    ("CTS, with RTS/CTS set", "nothing is ever sent; with RTS and CTS joined at the plug letters go out"),
    ("RTS, with RTS/CTS set", "short texts pass; long ones stop for ever, or lose letters"),
    ("DTR or DSR", "the driver says that the device is not ready, or the bridge drops its connection"),
    ("DCD", "the IP stack waits for a carrier, or ends each call at once"),
)


def wiring(facts: Wiring) -> tuple[Block, ...]:
    """The blocks on the cable: one picture where both ends are told, else both and how to tell."""
    kinds = _kinds(facts)
    words = [Paragraph(_what(facts, kinds))]
    drawn = (Picture(wiring_svg(facts, kind), tuple(_lines(facts, kind))) for kind in kinds)
    told = () if len(kinds) == 1 else (Paragraph(HOW_TO_TELL),)
    missing = Table("What a line that is missing looks like", ("Line", "What is seen"), MISSING, "ll", words=True)
    return (*words, *drawn, *told, missing)


HOW_TO_TELL = (
    "How to tell an end, with a meter set to volts and nothing plugged in: power on, black to ground (pin 5 of a 9-way "
    "plug, 7 of a 25-way one). Of pins 2 and 3, the one that stands 3 V or more below ground is the one this end "
    "speaks on. At a 9-way plug pin 3 means a terminal and pin 2 a modem; at a 25-way plug pin 2 means a terminal and "
    "pin 3 a modem. Two of a kind: crossed. One of each: straight."
)


def _kinds(facts: Wiring) -> tuple[str, ...]:
    if "unknown" in (facts.machine_end, facts.bridge_end):
        return ("straight", "crossed")
    return ("crossed",) if facts.machine_end == facts.bridge_end else ("straight",)


def _what(facts: Wiring, kinds: tuple[str, ...]) -> str:
    ends = f"The machine's end: {_ENDS[facts.machine_end]}; the bridge's: {_ENDS[facts.bridge_end]}."
    if len(kinds) == 1:
        return f"{ends} The cable is {kinds[0]}."
    return f"{ends} A terminal and a modem take a straight cable, two of a kind a crossed one: find out which it is."


def _pairs(kind: str) -> tuple[tuple[str, str], ...]:
    return STRAIGHT if kind == "straight" else CROSSED


def _pin(signal: str, plug: Plug) -> str:
    nine, twenty_five = PINS[signal]
    return {"9-way": f"{nine}", "25-way": f"{twenty_five}", "unknown": f"{nine} / {twenty_five}"}[plug]


def _plug(plug: Plug) -> str:
    return {"9-way": "9-way", "25-way": "25-way", "unknown": "9- / 25-way"}[plug]


def _speaks(signal: str, end: End) -> bool:
    """Whether an end speaks on a line; one that is not told is taken for a terminal."""
    return (signal in SPOKEN) != (end == "modem")


# -------------------------------------------------------------------------------------------------- the picture


def wiring_svg(facts: Wiring, kind: str) -> str:
    """Two plugs and the wires between them; an arrow at the end that listens."""
    order = list(PINS)

    def y(signal: str) -> float:
        return _TOP + _ROW * order.index(signal)

    wires = []
    for left, right in _pairs(kind):
        wires.append(f'<path d="M{_LEFT} {y(left)}L{_RIGHT} {y(right)}" stroke="#000" stroke-width="2" fill="none"/>')
        if left != "GND":
            wires.append(_arrow(left, right, y(left), y(right), from_left=_speaks(left, facts.machine_end)))
    labels = [_label(signal, y(signal), facts) for signal in order]
    heads = (
        f'<text x="{_LEFT}" y="24" text-anchor="end" font-weight="bold" {_TEXT}>machine</text>'
        f'<text x="{_RIGHT}" y="24" font-weight="bold" {_TEXT}>bridge</text>'
        f'<text x="320" y="24" text-anchor="middle" {_TEXT}>{kind}</text>'
        f'<text x="{_LEFT - 76}" y="48" text-anchor="end" {_TEXT}>{_plug(facts.machine_plug)}</text>'
        f'<text x="{_RIGHT + 76}" y="48" {_TEXT}>{_plug(facts.bridge_plug)}</text>'
    )
    body = heads + "".join(labels) + "".join(wires)
    words = "; ".join(f"{left} to {right}" for left, right in _pairs(kind))
    return svg(f"wiring-{kind}", 640, _TOP + _ROW * len(PINS), f"A {kind} cable", f"{words}.", body)


def _label(signal: str, y: float, facts: Wiring) -> str:
    return (
        f'<text x="{_LEFT - 76}" y="{y + 7}" text-anchor="end" {_TEXT}>{_pin(signal, facts.machine_plug)}</text>'
        f'<text x="{_LEFT - 12}" y="{y + 7}" text-anchor="end" {_TEXT}>{signal}</text>'
        f'<circle cx="{_LEFT}" cy="{y}" r="5"/><circle cx="{_RIGHT}" cy="{y}" r="5"/>'
        f'<text x="{_RIGHT + 12}" y="{y + 7}" {_TEXT}>{signal}</text>'
        f'<text x="{_RIGHT + 76}" y="{y + 7}" {_TEXT}>{_pin(signal, facts.bridge_plug)}</text>'
    )


def _arrow(left: str, right: str, left_y: float, right_y: float, *, from_left: bool) -> str:
    """A head near the end that listens, along the wire."""
    x, y, other_x, other_y = (_RIGHT, right_y, _LEFT, left_y) if from_left else (_LEFT, left_y, _RIGHT, right_y)
    length = ((other_x - x) ** 2 + (other_y - y) ** 2) ** 0.5
    across, down = (other_x - x) / length, (other_y - y) / length
    tip_x, tip_y, back_x, back_y = x + 6 * across, y + 6 * down, x + 22 * across, y + 22 * down
    corners = f"L{back_x - 7 * down:.1f} {back_y + 7 * across:.1f}L{back_x + 7 * down:.1f} {back_y - 7 * across:.1f}"
    return f'<path d="M{tip_x:.1f} {tip_y:.1f}{corners}Z"/>'


# ------------------------------------------------------------------------------------------------------ in text


def _lines(facts: Wiring, kind: str) -> Iterator[str]:
    yield f"{kind + ':':<10} {'machine, ' + _plug(facts.machine_plug):>21}     {'bridge, ' + _plug(facts.bridge_plug)}"
    for left, right in _pairs(kind):
        wire = "-----" if left == "GND" else "---->" if _speaks(left, facts.machine_end) else "<----"
        pins = _pin(left, facts.machine_plug), _pin(right, facts.bridge_plug)
        yield f"{'':10} {left} {pins[0]:>15}  {wire}  {pins[1]:<7} {right}"

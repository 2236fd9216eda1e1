"""What an estimate found, and its faces: JSON, text with tables and a plot."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from discprep.link.advice import Advice
from discprep.link.generator import Generated
from discprep.link.transfer import Estimate
from discprep.link.vary import Point, Question
from discprep.model import Notice, Seconds, Shape
from discprep.report.faces import as_text, picked
from discprep.report.tables import WIDTH, counted, table
from discprep.units import format_bytes, format_rate, format_seconds

_PLOT_WIDTH = 40
_DOT, _SPAN = "●", "─"
_SERVERS = {
    "own": "server: discprep serve, which knows the line (--server other: any)",
    "other": "server: any (--server own: discprep serve, which knows the line)",
}
_WORDS = {
    "baud": "line rate",
    "mtu": "MTU",
    "window": "receive window",
    "protocol": "protocol",
    "framing": "framing",
    "accm": "PPP: escaped controls",
    "field-compression": "PPP: short fields",
    "header-compression": "PPP: compressed headers",
}


@dataclass(frozen=True, slots=True)
class ItemTime:
    """One item of a manifest that may have to come over the line, in the shape, files and bytes that cross it."""

    id: str
    shape: Shape
    files: int
    size_bytes: int
    estimate: Estimate


@dataclass(frozen=True, slots=True)
class Estimated:
    """The whole answer.

    Attributes:
        question: what was estimated
        answer: its range
        machine, bridge: what both ends' clocks make of the rate
        items: each item, when a manifest was asked about
        points: a table over one setting
        advice: what a change would save
        unknown: items whose size nobody knows
    """

    question: Question
    answer: Estimate
    machine: Generated
    bridge: Generated
    items: tuple[ItemTime, ...] = ()
    points: tuple[Point, ...] = ()
    advice: tuple[Advice, ...] = ()
    notices: tuple[Notice, ...] = ()
    calibrated_by: int = 0
    unknown: tuple[str, ...] = ()


def protocol_name(question: Question) -> str:
    """The protocol on the line, a block protocol's name where one is used."""
    return question.blocks.name if question.blocks else question.link.protocol


# ------------------------------------------------------------------------------------------------------- JSON


def document(found: Estimated) -> dict[str, Any]:
    """The JSON face. `parts` sum to `seconds.expected`."""
    transfer, link = found.question.transfer, found.question.link
    return {
        **_range(found.answer),
        "parts": dict(found.answer.seconds.parts),
        "warnings": [notice.message for notice in found.notices],
        "assumptions": list(found.answer.assumptions),
        **picked(transfer, "size_bytes", "files"),
        "server": found.question.server,
        "line": {
            "nominal_bit_s": link.rate_bit_s,
            **picked(link, "framing", "mtu_bytes", "window_bytes"),
            "protocol": protocol_name(found.question),
            "round_trip_ms": link.round_trip_s * 1000,
            "machine": _generated(found.machine),
            "bridge": _generated(found.bridge),
        },
        "items": [{**picked(one, "id", "shape", "files", "size_bytes"), **_range(one.estimate)} for one in found.items],
        "unknown_sizes": list(found.unknown),
        "over": [_point(point) for point in found.points],
        "advice": [
            {"set": one.what, "to": one.value, "expected": one.expected_s, "saves": one.saves_s} for one in found.advice
        ],
        "calibrated_by": found.calibrated_by,
    }


def _range(estimate: Estimate) -> dict[str, Any]:
    return {"seconds": _three(estimate.seconds), "rate_bytes_s": estimate.rate_bytes_s}


def _three(seconds: Seconds) -> dict[str, float]:
    return picked(seconds, "best", "expected", "worst")


def _generated(rate: Generated) -> dict[str, Any]:
    return {"actual_bit_s": rate.actual_bit_s, "error_percent": rate.error * 100, "divisor": rate.divisor or None}


def _point(point: Point) -> dict[str, Any]:
    return {point.key: point.value} | _three(point.seconds)


# ------------------------------------------------------------------------------------------------------- text


@as_text
def text(found: Estimated) -> Iterator[str]:
    """The face for people."""
    yield from _head(found)
    if found.items:
        yield ""
        yield from _item_table(found.items)
    if found.points:
        yield ""
        yield from plot(found.points)
        return
    yield ""
    yield from _parts(found)
    yield ""
    yield from _wrapped("Range: ", "; ".join(found.answer.assumptions))
    if found.calibrated_by:
        yield f"Calibrated by {counted(found.calibrated_by, 'measured download')}."
    if found.advice:
        yield ""
        yield from _advice(found.advice)


def _head(found: Estimated) -> Iterator[str]:
    transfer, link = found.question.transfer, found.question.link
    seconds = found.answer.seconds
    files = f" in {transfer.files} files" if transfer.files > 1 else ""
    yield (
        f"{format_bytes(transfer.size_bytes)}{files} over {link.rate_bit_s:,} bit/s {link.framing}, "
        f"{_protocol_word(found.question)}"
    )
    yield (
        f"{format_seconds(seconds.expected)}   from {format_seconds(seconds.best)} to {format_seconds(seconds.worst)}"
        f"   {format_rate(found.answer.rate_bytes_s)}"
    )
    if not found.question.blocks:
        yield _SERVERS[found.question.server]
    for name, rate in (("machine", found.machine), ("bridge", found.bridge)):
        if rate.divisor:
            off = f"{100 * rate.error:+.2f} % off"
            yield f"{name}: divisor {rate.divisor:g} makes {rate.actual_bit_s:,.0f} bit/s, {off}"


def _item_table(items: Sequence[ItemTime]) -> Iterator[str]:
    rows = [
        (one.id, one.shape, format_bytes(one.size_bytes), *map(format_seconds, _three(one.estimate.seconds).values()))
        for one in items
    ]
    yield from table(("item", "crosses as", ">size", ">best", ">expected", ">worst"), rows)


def _parts(found: Estimated) -> Iterator[str]:
    seconds = found.answer.seconds
    rows = [
        (name, format_seconds(value), f"{100 * value / seconds.expected:.1f} %")
        for name, value in seconds.parts
        if abs(value) >= 0.0005 * seconds.expected
    ]
    yield from table(("part", ">time", ">share"), [*rows, ("together", format_seconds(seconds.expected), "")])


def _advice(advice: Sequence[Advice]) -> Iterator[str]:
    rows = [
        (_WORDS.get(one.what, one.what), _set_to(one), format_seconds(one.expected_s), format_seconds(one.saves_s))
        for one in advice
    ]
    yield from table(("would help (each alone)", "set to", ">takes", ">saves"), rows)


def _set_to(one: Advice) -> str:
    """A value with its unit."""
    unit = {"baud": " bit/s", "mtu": " bytes", "window": " bytes"}.get(one.what)
    return f"{int(one.value):,}{unit}" if unit else _spelt(one.value)


def _protocol_word(question: Question) -> str:
    return protocol_name(question) if question.blocks else _spelt(protocol_name(question))


def _spelt(value: str) -> str:
    """The network protocols as their standards write them."""
    return value.upper() if value in ("slip", "cslip", "ppp") else value


def plot(points: Sequence[Point]) -> Iterator[str]:
    """A row for each value: its time as a dot between best and worst, on one scale from zero."""
    full = max(point.seconds.worst for point in points) or 1.0
    key = points[0].key
    width = max(len(key), *(len(point.value) for point in points))
    yield f"{key:>{width}}  {'0':<{_PLOT_WIDTH - 10}}{format_seconds(full):>10}  expected"
    for point in points:
        yield f"{point.value:>{width}}  {bar(point, full)}  {format_seconds(point.seconds.expected)}"


def bar(point: Point, full_s: float) -> str:
    """One row of the plot, `_PLOT_WIDTH` characters."""
    low, dot, high = (
        min(_PLOT_WIDTH - 1, int(value / full_s * _PLOT_WIDTH)) for value in _three(point.seconds).values()
    )
    cells = [_SPAN if low <= column <= high else " " for column in range(_PLOT_WIDTH)]
    cells[dot] = _DOT
    return "".join(cells)


def _wrapped(head: str, body: str) -> Iterator[str]:
    yield from textwrap.wrap(head + body, WIDTH, subsequent_indent=" " * len(head))

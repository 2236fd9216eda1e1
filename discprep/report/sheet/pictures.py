"""Drawings as SVG text: the disc's rings, the waiting over capacities, the link's timeline. Pure; ink on paper, told
apart by hatching and not by colour. Texts are escaped here, since the page takes a drawing as it is."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from html import escape

from discprep.report.sheet.facts import Capacity, Pull, Segment
from discprep.units import format_bytes, format_seconds

FILLS = 12  # as many as the disc's picture has rings
INNER_MM, OUTER_MM = 25.0, 58.0  # where the data of a 12 cm disc begins and can end, from memory
LEAST_RING = 0.04  # of the disc; less makes no ring that a printer shows
_SIZE = 640
CLEAR = 'stroke="#fff" stroke-width="5" paint-order="stroke"'  # no line runs through such a label
TEXT = 'font-family="sans-serif" font-size="20"'

# Times that people count in.
STEPS_S = (
    0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200, 18_000, 36_000,
    86_400, 172_800, 432_000, 864_000, 1_728_000, 4_320_000, 8_640_000, 43_200_000, 86_400_000, 432_000_000,
)  # fmt: skip

# Fills that stay apart in print and in grey: ground, and the strokes over it in a cell of 12 by 12.
_STROKES = (
    ("#fff", "M0 12L12 0"),
    ("#bbb", ""),
    ("#fff", "M0 0L12 12M0 12L12 0"),
    ("#555", ""),
    ("#fff", "M0 6H12"),
    ("#ddd", "M6 0V12"),
    ("#fff", "M5 5h2v2h-2z"),
    ("#888", "M0 0L12 12"),
    ("#fff", "M0 3H12M0 6H12M0 9H12"),
    ("#ddd", "M0 12L12 0M0 6L6 0M6 12L12 6"),
    ("#555", "M6 0V12M0 6H12"),
    ("#fff", "M0 9L3 3L6 9L9 3L12 9"),
)


def printable(text: str) -> str:
    """Text without control characters and marks that turn its direction."""
    return "".join(character if character.isprintable() else "?" for character in text)


def patterns() -> str:
    """The definitions of the fills, once a page."""
    cells = []
    for number, (ground, strokes) in enumerate(_STROKES):
        ink = "#fff" if ground in ("#555", "#888") else "#000"
        path = f'<path d="{strokes}" stroke="{ink}" stroke-width="1.6" fill="none"/>' if strokes else ""
        cells.append(
            f'<pattern id="fill-{number}" width="12" height="12" patternUnits="userSpaceOnUse">'
            f'<rect width="12" height="12" fill="{ground}"/>{path}</pattern>'
        )
    return f"<defs>{''.join(cells)}</defs>"


def svg(name: str, width: float, height: float, title: str, description: str, body: str) -> str:
    """A drawing that scales with the page and that a reader by ear gets as words."""
    return (
        f'<svg viewBox="0 0 {width:g} {height:g}" role="img" aria-labelledby="{name}-title {name}-desc">'
        f'<title id="{name}-title">{_text(title)}</title><desc id="{name}-desc">{_text(description)}</desc>{body}</svg>'
    )


def _text(text: str) -> str:
    return escape(printable(text))


def radius_mm(sector: float, whole: float) -> float:
    """Where a sector lies: the spiral runs outwards with even density, so the area grows with the sectors.

    >>> round(radius_mm(0, 10)), round(radius_mm(10, 10))
    (25, 58)
    """
    return math.sqrt(INNER_MM**2 + (OUTER_MM**2 - INNER_MM**2) * sector / whole)


def disc_svg(segments: Sequence[Segment], whole_sectors: int) -> str:
    """The disc from above: one ring an item, from the hub outwards; the free rest is white. Where too little of it is
    written to make a ring, the spiral is unrolled, and its written part drawn larger."""
    words = "; ".join(f"{s.label} {100 * s.sectors / whole_sectors:.1f} %" for s in segments)
    written = sum(segment.sectors for segment in segments)
    if written < LEAST_RING * whole_sectors:
        body = _whole_strip(written / whole_sectors) + _strip(segments, 118)
        return svg("disc-fill", _SIZE, 180, "What fills the disc", f"From the hub outwards: {words}.", body)
    scale = (_SIZE / 2 - 6) / (OUTER_MM + 2)
    centre = _SIZE / 2
    rings = [_circle(centre, OUTER_MM * scale, "#fff")]
    position = sum(segment.sectors for segment in segments)
    for number in range(len(segments) - 1, -1, -1):
        # Painted from the outermost inwards: each circle covers the inside of the one before.
        rings.append(_circle(centre, radius_mm(position, whole_sectors) * scale, f"url(#fill-{number % FILLS})"))
        position -= segments[number].sectors
    rings.append(_circle(centre, INNER_MM * scale, "#fff"))
    rings.append(_circle(centre, 7.5 * scale, "#fff"))
    hub = f'<text x="{centre:g}" y="{centre - 12 * scale:g}" text-anchor="middle" {TEXT}>hub</text>'
    body = "".join(rings) + hub + _strip(segments, _SIZE + 40)
    return svg("disc-fill", _SIZE, _SIZE + 110, "What fills the disc", f"From the hub outwards: {words}.", body)


def _whole_strip(part: float) -> str:
    """The whole spiral as a bar, a mark for what is written, and lines to where that is drawn larger."""
    width = max(2.0, (_SIZE - 8) * part)
    return (
        f'<text x="4" y="18" {TEXT}>the whole disc, unrolled from the hub</text>'
        f'<rect x="4" y="28" width="{_SIZE - 8}" height="20" fill="#fff" stroke="#000"/>'
        f'<rect x="4" y="28" width="{width:.1f}" height="20" fill="#000"/>'
        f'<path d="M4 48V118M{4 + width:.1f} 48L{_SIZE - 4} 118" stroke="#000" stroke-dasharray="3 5" fill="none"/>'
    )


def _strip(segments: Sequence[Segment], top: float) -> str:
    """The written part alone, unrolled from the hub (left) outwards, so that a little on a large disc shows too."""
    written = sum(segment.sectors for segment in segments) or 1
    parts = [f'<text x="14" y="{top - 10}" {TEXT}>the written part, unrolled</text>']
    x = 4.0
    for number, segment in enumerate(segments):
        width = (_SIZE - 8) * segment.sectors / written
        fill = f"url(#fill-{number % FILLS})"
        parts.append(f'<rect x="{x:.1f}" y="{top}" width="{width:.1f}" height="56" fill="{fill}" stroke="#000"/>')
        x += width
    return "".join(parts)


def _circle(centre: float, radius: float, fill: str) -> str:
    return f'<circle cx="{centre:g}" cy="{centre:g}" r="{radius:.1f}" fill="{fill}" stroke="#000"/>'


def swatch(number: int) -> str:
    """A small square with a fill, for a key; -1 is white."""
    fill = "#fff" if number < 0 else f"url(#fill-{number % FILLS})"
    return (
        '<svg class="swatch" viewBox="0 0 36 24" aria-hidden="true">'
        f'<rect x="1" y="1" width="34" height="22" fill="{fill}" stroke="#000"/></svg>'
    )


# -------------------------------------------------------------------------------------------------- curve


def curve_svg(points: Sequence[Capacity], here_bytes: int) -> str:
    """Waiting at the link (up) over the room on the disc (right); a dashed line where this disc stands."""
    left, right, top, bottom = 100, 620, 20, 340
    most_bytes = max(point.capacity_bytes for point in points) or 1
    low_bytes = points[0].capacity_bytes if points[0].capacity_bytes > most_bytes / 4 else 0
    if low_bytes == most_bytes:
        low_bytes = 0
    most_s = max(point.waiting_s for point in points) or 1

    def at(point: Capacity) -> tuple[float, float]:
        return _across(point.capacity_bytes), bottom - (bottom - top) * point.waiting_s / most_s

    def _across(size: float) -> float:
        return left + (right - left) * (size - low_bytes) / (most_bytes - low_bytes)

    path = " ".join(f"{x:.1f},{y:.1f}" for x, y in map(at, points))
    dots = "".join(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4"/>' for x, y in map(at, points))
    axes = f'<path d="M{left} {top}V{bottom}H{right}" fill="none" stroke="#000" stroke-width="2"/>'
    line = f'<polyline points="{path}" fill="none" stroke="#000" stroke-width="2"/>'
    across = [(_across(size), size) for size in _sizes(low_bytes, most_bytes)]
    marks = _marks(left, right, top, bottom, across, most_s)
    mark = _here(_across(here_bytes), top, bottom) if low_bytes < here_bytes <= most_bytes else ""
    first, last = points[0], points[-1]
    words = f"Waiting falls from {_point(first)} on the disc to {_point(last)}."
    body = axes + line + dots + marks + mark
    return svg("curve", 640, 400, "Waiting at the link over the disc's capacity", words, body)


def _point(point: Capacity) -> str:
    return f"{format_seconds(point.waiting_s)} with {format_bytes(point.capacity_bytes)}"


def _marks(
    left: float, right: float, top: float, bottom: float, across: Iterable[tuple[float, int]], most_s: float
) -> str:
    parts = []
    for x, size in across:
        parts.append(_under(x, bottom, format_bytes(size), right))
    for time_s in _times(most_s):
        y = bottom - (bottom - top) * time_s / most_s
        parts.append(f'<path d="M{left} {y:.1f}h-6" stroke="#000"/>')
        parts.append(f'<text x="{left - 10}" y="{y + 7:.1f}" text-anchor="end" {TEXT}>{short(time_s)}</text>')
    parts.append(f'<text x="{right}" y="{bottom + 54}" text-anchor="end" {TEXT}>room on the disc</text>')
    return "".join(parts)


def _sizes(low_bytes: int, most_bytes: int) -> list[int]:
    """A few round sizes of a range: at most four steps of 1, 2 or 5 times a power of ten."""
    steps = (factor * 10**power for power in range(16) for factor in (1, 2, 5))
    step = next((step for step in steps if (most_bytes - low_bytes) / step <= 4), most_bytes)
    return [step * count for count in range(-(-low_bytes // step), most_bytes // step + 1)]


def short(seconds: float) -> str:
    """A time for an axis: one figure, whole where a unit makes it so, and its unit.

    >>> short(300), short(80), short(90_000), short(5_000.5)
    ('5 min', '80 s', '25 h', '1.39 h')
    """
    if seconds >= 1000 * 86_400:
        return f"{seconds / 86_400:,.0f} d"
    units = ((86_400, "d"), (3600, "h"), (60, "min"), (1, "s"))
    for size, unit in units:
        if seconds % size == 0 and size <= seconds < 1000 * size:
            return f"{seconds / size:.0f} {unit}"
    for size, unit in units:
        if seconds >= size:
            return f"{seconds / size:.3g} {unit}"
    return f"{seconds:.3g} s"


def _here(x: float, top: float, bottom: float) -> str:
    side = "end" if x > 500 else "start"
    offset = -8 if x > 500 else 8
    return (
        f'<path d="M{x:.1f} {top}V{bottom}" stroke="#000" stroke-dasharray="6 5"/>'
        f'<text x="{x + offset:.1f}" y="{top + 18}" text-anchor="{side}" {CLEAR} {TEXT}>this disc</text>'
    )


# ------------------------------------------------------------------------------------------------ timeline

MOST_BARS = 24


def timeline_svg(pulls: Sequence[Pull]) -> str:
    """One bar a later item, from when it starts to when it is there."""
    shown = pulls[:MOST_BARS]
    total = max((pull.ready_s for pull in shown), default=0) or 1
    step, left, right = 34, 40, 620
    bars = []
    for number, pull in enumerate(shown):
        x = left + (right - left) * pull.from_s / total
        width = max(2.0, (right - left) * (pull.ready_s - pull.from_s) / total)
        y = 8 + step * number
        bars.append(f'<rect x="{x:.1f}" y="{y}" width="{width:.1f}" height="22" fill="url(#fill-1)" stroke="#000"/>')
        bars.append(f'<text x="{left - 8}" y="{y + 18}" text-anchor="end" {TEXT}>{number + 1}</text>')
    height = 8 + step * len(shown)
    axis = f'<path d="M{left} 4V{height}H{right}" fill="none" stroke="#000" stroke-width="2"/>'
    ticks = "".join(_tick(left + (right - left) * time_s / total, height, time_s, right) for time_s in _times(total))
    words = _timeline_words(pulls, shown)
    body = axis + "".join(bars) + ticks
    return svg("timeline", 640, height + 40, "The timeline of the link", words, body)


def _times(total_s: float) -> list[float]:
    """A few round times from 0 to a total."""
    step_s = next((step for step in STEPS_S if total_s / step <= 5), total_s)
    return [step_s * count for count in range(int(total_s / step_s) + 1)]


def _tick(x: float, y: float, seconds: float, right: float) -> str:
    return _under(x, y, short(seconds), right)


def _under(x: float, y: float, label: str, right: float) -> str:
    """A mark below an axis, its label kept inside the picture."""
    anchor = "end" if x > right - 30 else "middle"
    return (
        f'<path d="M{x:.1f} {y}v6" stroke="#000"/>'
        f'<text x="{x:.1f}" y="{y + 28:g}" text-anchor="{anchor}" {TEXT}>{label}</text>'
    )


def _timeline_words(pulls: Sequence[Pull], shown: Iterable[Pull]) -> str:
    words = "; ".join(f"{n}: {pull.title} after {format_seconds(pull.ready_s)}" for n, pull in enumerate(shown, 1))
    more = len(pulls) - MOST_BARS
    return f"{words}; and {more} more in the table." if more > 0 else f"{words}."

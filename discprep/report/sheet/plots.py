"""Time over a setting that doubles from step to step, as SVG text: over the line rate on a scale of proportions, over
the receive window on one from zero. Pure; ink on paper, labels at the lines and no legend."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from discprep.report.sheet.facts import Waited
from discprep.report.sheet.pictures import CLEAR, STEPS_S, TEXT, short, svg
from discprep.units import format_seconds

WIDTH, HEIGHT = 640, 360
_LEFT, _RIGHT, _TOP, _BOTTOM = 104, 588, 54, 294  # of the field; what the chosen point says stands above it
_FOOT = 40  # below the least time, for what its point says
_LETTER = 11.5  # a letter of the labels, at most
_MOST_TICKS = 4

# The roundest of the times that people count in.
_ROUNDEST_S = (0.01, 0.1, 1, 10, 60, 600, 3600, 36_000, 86_400, 864_000, 8_640_000, 86_400_000)


@dataclass(frozen=True, slots=True)
class Scale:
    """The times from bottom to top [s], on a scale of proportions or an even one, and where it is marked."""

    low_s: float
    high_s: float
    ticks_s: tuple[float, ...]
    proportions: bool

    def y(self, time_s: float) -> float:
        """Where a time stands in the drawing."""
        if self.proportions:
            part = math.log(time_s / self.low_s) / math.log(self.high_s / self.low_s)
        else:
            part = (time_s - self.low_s) / (self.high_s - self.low_s)
        return _BOTTOM - (_BOTTOM - _TOP) * part


def rates_svg(points: Sequence[Waited], mark: str = "as set") -> str:
    """Time over the line rate: twice the rate is so far to the right, half the time so far down. `mark` is what is said
    of the chosen point."""
    times = [point.expected_s for point in points]
    high_s = max(times) * 1.05
    low_s = min(times) * (min(times) / high_s) ** (_FOOT / (_BOTTOM - _TOP - _FOOT))
    return _plot("over-rates", "line rate", "bit/s", points, Scale(low_s, high_s, _ticks(low_s, high_s), True), mark)


def windows_svg(points: Sequence[Waited], mark: str = "as set") -> str:
    """Time over the receive window, from zero."""
    high_s = max(point.expected_s for point in points) * 1.05
    step_s = max((step for step in STEPS_S if 2 * step <= high_s), default=high_s / 2)
    ticks = tuple(step_s * count for count in range(math.floor(high_s / step_s) + 1))
    return _plot("over-windows", "receive window", "bytes", points, Scale(0.0, high_s, _thinned(ticks), False), mark)


def _ticks(low_s: float, high_s: float) -> tuple[float, ...]:
    """A few round times of a range."""
    roundest = [step for step in _ROUNDEST_S if low_s <= step <= high_s]
    return _thinned(roundest if len(roundest) > 2 else [step for step in STEPS_S if low_s <= step <= high_s])


def _thinned(ticks: Sequence[float]) -> tuple[float, ...]:
    return tuple(ticks[:: math.ceil(len(ticks) / _MOST_TICKS) or 1])


def _plot(name: str, what: str, unit: str, points: Sequence[Waited], scale: Scale, mark: str) -> str:
    low, high = math.log2(points[0].value), math.log2(points[-1].value)

    def x(point: Waited) -> float:
        return _LEFT + 24 + (_RIGHT - _LEFT - 24) * (math.log2(point.value) - low) / (high - low)

    places = [(x(point), scale.y(point.expected_s)) for point in points]
    line = "".join(f"{'L' if number else 'M'}{x:.1f} {y:.1f}" for number, (x, y) in enumerate(places))
    body = (
        *(_grid(scale.y(tick), tick) for tick in scale.ticks_s),
        f'<path d="M{_LEFT} {_TOP}V{_BOTTOM}H{_RIGHT}" fill="none" stroke="#000" stroke-width="2"/>',
        *_values([(x(point), point) for point in points]),
        f'<text x="{_LEFT - 8}" y="{_TOP - 16}" text-anchor="end" {TEXT}>time</text>'
        f'<text x="{_RIGHT}" y="{_BOTTOM + 56}" text-anchor="end" {TEXT}>{what}, {unit}</text>',
        f'<path d="{line}" fill="none" stroke="#000" stroke-width="2.5"/>',
        *(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4.5"/>' for x, y in places),
        *(_chosen(x(point), point, scale, mark) for point in points if point.chosen),
        *(_ends(points, places) if scale.proportions else ()),
    )
    title = f"Time for all that waits, over the {what}"
    return svg(name, WIDTH, HEIGHT, title, _words(points, unit, mark), "".join(body))


def _grid(y: float, time_s: float) -> str:
    return (
        f'<path d="M{_LEFT} {y:.1f}H{_RIGHT}" stroke="#999" stroke-dasharray="2 5"/>'
        f'<text x="{_LEFT - 8}" y="{y + 7:.1f}" text-anchor="end" {TEXT}>{short(time_s)}</text>'
    )


def _values(places: Sequence[tuple[float, Waited]]) -> Iterable[str]:
    """A tick at each value; its number where there is room, the chosen one's first, then the ends'."""
    taken: list[tuple[float, float]] = []
    order = sorted(range(len(places)), key=lambda n: (not places[n][1].chosen, n not in (0, len(places) - 1), n))
    for number in order:
        x, point = places[number]
        yield f'<path d="M{x:.1f} {_BOTTOM}v7" stroke="#000" stroke-width="2"/>'
        text = f"{point.value:,}"
        half = len(text) * _LETTER / 2 + 10
        if all(x + half <= start or end <= x - half for start, end in taken):
            taken.append((x - half, x + half))
            weight = ' font-weight="bold"' if point.chosen else ""
            yield f'<text x="{x:.1f}" y="{_BOTTOM + 28}" text-anchor="middle" {TEXT}{weight}>{text}</text>'


def _ends(points: Sequence[Waited], places: Sequence[tuple[float, float]]) -> Iterable[str]:
    """The times of the first and the last point, beside a line that falls from one to the other; none where the chosen
    one's mark stands in the way."""
    first, last = (format_seconds(points[number].expected_s) for number in (0, -1))
    (first_x, first_y), (last_x, last_y) = places[0], places[-1]
    x = next((x for (x, _), point in zip(places, points, strict=True) if point.chosen), 0.0)
    if x > first_x + 20 + len(first) * _LETTER:
        yield f'<text x="{first_x + 14:.1f}" y="{first_y + 1:.1f}" {CLEAR} {TEXT}>{first}</text>'
    if x < last_x - 6 - len(last) * _LETTER:
        yield f'<text x="{last_x + 4:.1f}" y="{last_y + 29:.1f}" {CLEAR} text-anchor="end" {TEXT}>{last}</text>'


def _chosen(x: float, point: Waited, scale: Scale, mark: str) -> str:
    """The chosen point: a ring, a line down to its value and up to what it says above the field."""
    side, at = ("start", x - 6) if x < 0.6 * WIDTH else ("end", x + 6)
    y = scale.y(point.expected_s)
    label = f'x="{at:.1f}" y="{_TOP - 31}" text-anchor="{side}" font-weight="bold" {TEXT}'
    return (
        f'<path d="M{x:.1f} {_TOP - 24}V{_BOTTOM}" stroke="#000" stroke-dasharray="6 5"/>'
        f'<circle cx="{x:.1f}" cy="{y:.1f}" r="7" fill="#fff" stroke="#000" stroke-width="2.5"/>'
        f"<text {label}>{mark}: {format_seconds(point.expected_s)}</text>"
    )


def _words(points: Sequence[Waited], unit: str, mark: str) -> str:
    told = (f"{format_seconds(p.expected_s)} at {p.value:,} {unit}{f', {mark}' if p.chosen else ''}" for p in points)
    return f"{'; '.join(told)}."

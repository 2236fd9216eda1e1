"""A measured download against the model: where in the range it lies, and what a new range is then.

A measurement is a place between best (-1), expected (0) and worst (+1). The same place in the range of another size is
its calibrated time; the spread of several measurements, at least a tenth of a side, is its new range.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import median

from discprep.model import Notice, Seconds
from discprep.units import format_bytes, format_seconds

_LEAST_SPREAD = 0.1
_SLACK = 0.02  # beyond the range and still explained
_UNEXPLAINED = 0.1  # to each side of a time that no setting explains

Model = Callable[[int], Seconds]


@dataclass(frozen=True, slots=True)
class Measured:
    """One download as a stopwatch saw it."""

    size_bytes: int
    elapsed_s: float


@dataclass(frozen=True, slots=True)
class Calibration:
    """Where measurements lie: `place` in the range, `spread` to each side, `factor` on the time where no setting of
    the range explains them."""

    place: float
    spread: float
    factor: float = 1.0


def parse_measured(text: str) -> Measured:
    """BYTES:SECONDS, such as "412331:78.5".

    Raises:
        ValueError: not two positive numbers
    """
    size, _, elapsed = text.partition(":")
    try:
        measured = Measured(int(size), float(elapsed))
    except ValueError:
        measured = Measured(0, 0.0)
    if measured.size_bytes <= 0 or not 0 < measured.elapsed_s < 1e9:
        raise ValueError(f"{text!r} is not BYTES:SECONDS such as 412331:78.5")
    return measured


def place_of(elapsed_s: float, model: Seconds) -> float:
    """-1 at the best, 0 at the expected, +1 at the worst time, in between and beyond in proportion."""
    side = model.worst - model.expected if elapsed_s > model.expected else model.expected - model.best
    return (elapsed_s - model.expected) / max(side, 1e-9)


def calibrate(measurements: Sequence[Measured], model: Model) -> tuple[Calibration, tuple[Notice, ...]]:
    """The calibration from one or more measurements, and what is said about those that no setting explains."""
    models = [(one, model(one.size_bytes)) for one in measurements]
    notices = tuple(notice for one, seconds in models for notice in _implausible(one, seconds))
    if notices:
        factors = [one.elapsed_s / seconds.expected for one, seconds in models]
        return Calibration(0.0, _LEAST_SPREAD, median(factors)), notices
    places = [max(-1.0, min(1.0, place_of(one.elapsed_s, seconds))) for one, seconds in models]
    middle = median(places)
    return Calibration(middle, max(_LEAST_SPREAD, max(abs(place - middle) for place in places))), ()


def calibrated(seconds: Seconds, calibration: Calibration) -> Seconds:
    """A model's range after calibration; a part named for it carries the difference."""
    if calibration.factor != 1.0:
        expected = seconds.expected * calibration.factor
        low, high = expected * (1 - _UNEXPLAINED), expected * (1 + _UNEXPLAINED)
    else:
        expected = _at(seconds, calibration.place)
        low = _at(seconds, max(-1.0, calibration.place - calibration.spread))
        high = _at(seconds, min(1.0, calibration.place + calibration.spread))
    parts = (*seconds.parts, ("measured beyond the model", expected - seconds.expected))
    return Seconds(min(low, expected), expected, max(high, expected), parts)


def _at(seconds: Seconds, place: float) -> float:
    side = seconds.worst - seconds.expected if place > 0 else seconds.expected - seconds.best
    return seconds.expected + place * side


def _implausible(one: Measured, model: Seconds) -> list[Notice]:
    if model.best * (1 - _SLACK) <= one.elapsed_s <= model.worst * (1 + _SLACK):
        return []
    what = (
        f"{format_bytes(one.size_bytes)} in {format_seconds(one.elapsed_s)} was measured, where these settings allow "
        f"{format_seconds(model.best)} to {format_seconds(model.worst)}"
    )
    return [Notice(f"{what}: {_causes(one.elapsed_s < model.best)}", hint="Correct the settings, or measure again.")]


def _causes(fast: bool) -> str:
    if fast:
        return (
            "likely the line's rate or the MTU is set higher than told, headers are compressed, the window is larger, "
            "or part of the bytes was already there"
        )
    return (
        "likely characters are lost (overrun), the rate, window or MTU is set lower than told, the round trip is "
        "longer, the server or the machine's disk is slow, or something else used the line"
    )

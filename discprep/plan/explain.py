"""What would change the answer: other values of one figure, solved again.

An item's answer may turn more than once as a figure grows (it burns in a window of capacities, then gives way to two
smaller ones). So each solution is asked for which values around it holds, and what is told of "every" value rests on
these ranges; where they leave gaps, only the values tried are told.
"""

from __future__ import annotations

from bisect import insort
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import log1p
from typing import Literal

from discprep.model import PlanItem, PlanProblem
from discprep.plan.discs import Filled, attempt
from discprep.plan.gain import gain_s, p_stale
from discprep.plan.milp import EXACT_UP_TO

MOST_DAYS = 36_500
LEAST_RATE_BIT_S, MOST_RATE_BIT_S = 1200, 1_000_000
SAMPLES = 12  # tried first on each side

Goes = Literal["burn", "later", "none"]  # "none": there is no plan
Fill = Callable[[PlanProblem], Sequence[Filled | None]]
"""Solves: the fillings on the way to the answer, the answer last; None for what does not fit."""


@dataclass(frozen=True, slots=True)
class Held:
    """An answer, and the values from `low` to `high` for which it is known to hold."""

    goes: Goes
    low: int
    high: int


@dataclass(frozen=True, slots=True)
class Step:
    """From `value` on, away from the present one, the item `goes` so; one step nearer to it, it does not."""

    value: int
    goes: Goes


@dataclass(frozen=True, slots=True)
class Change:
    """One figure of one item's answer. `below`, `above`: the nearest steps on the way to `least` and `most`, two at
    most. `proven`: nothing else happens up to the second step or the end, whatever the value; else these are steps
    that were found among the values `tried`.
    """

    figure: str  # "sectors", "rate", "days"
    now: int
    goes: Goes
    below: tuple[Step, ...]
    above: tuple[Step, ...]
    least: int
    most: int
    tried: int
    proven: bool

    @property
    def threshold(self) -> int | None:
        """The value found nearest to `now` (a rate: by ratio) at which the item goes the other way."""
        other = {"burn": "later", "later": "burn"}.get(self.goes)
        found = [step.value for step in (*self.below, *self.above) if step.goes == other]
        return min(found, key=self._distance, default=None)

    def _distance(self, value: int) -> float:
        if self.figure == "rate":
            return max(value / self.now, self.now / value)
        return abs(value - self.now)


def plainly(problem: PlanProblem) -> tuple[Filled | None]:
    """One filling, which is the answer."""
    return (attempt(problem),)


def _goes(filled: Filled | None, key: str) -> Goes:
    if filled is None:
        return "none"
    return "burn" if any(key in disc for disc in filled.discs) else "later"


# --------------------------------------------------------------------------------------------- the search


@dataclass
class _Side:
    """The way from the present value to one end, as far as it is known. Places count away from the present one, 0;
    `known` is sorted by place: (first, last, goes)."""

    at: Callable[[int], Held]
    now: int
    way: int  # 1 towards larger values, -1 towards smaller ones
    end: int  # the last place
    tried: int = 0
    known: list[tuple[int, int, Goes]] = field(default_factory=list)

    def add(self, held: Held) -> None:
        """Takes in an answer for a range of values."""
        places = sorted(((held.low - self.now) * self.way, (held.high - self.now) * self.way))
        first, last = max(0, places[0]), min(self.end, places[1])
        if first <= last:
            insort(self.known, (first, last, held.goes))

    def try_at(self, place: int) -> None:
        """Solves at one place unless the answer there is known."""
        if not any(first <= place <= last for first, last, _ in self.known):
            self.tried += 1
            self.add(self.at(self.now + self.way * place))

    def runs(self) -> list[tuple[int, int, Goes]]:
        """Stretches without another answer between: the first and last place known to be of each."""
        found: list[tuple[int, int, Goes]] = []
        for first, last, goes in self.known:
            if found and found[-1][2] == goes:
                found[-1] = (found[-1][0], max(found[-1][1], last), goes)
            else:
                found.append((first, last, goes))
        return found

    def gaps(self, before: int) -> list[tuple[int, int]]:
        """Places without an answer before one, the nearest first."""
        found, reached = [], -1
        for first, last, _ in self.known:
            if reached >= before:
                break
            if first > reached + 1:
                found.append((reached + 1, first - 1))
            reached = max(reached, last)
        return found

    def horizon(self) -> int:
        """The place up to which everything is of interest: the second step, or the end."""
        runs = self.runs()
        return runs[2][0] if len(runs) > 2 else self.end

    def explore(self, samples: Iterable[int], tries: int, largest_first: bool) -> None:
        """Tries the end, the samples, then the gaps, the nearest first. `largest_first`: at a gap's largest value,
        where each answer holds for smaller ones; else in its middle."""
        for place in (self.end, *samples):
            self.try_at(place)
        while self.tried < tries and (gaps := self.gaps(self.horizon())):
            first, last = gaps[0]
            self.try_at((last if self.way > 0 else first) if largest_first else (first + last) // 2)

    def steps(self) -> tuple[Step, ...]:
        """The first two steps, each halved down to neighbouring values; halving may find a nearer step."""
        found: list[Step] = []
        while len(found) < 2 and len(runs := self.runs()) > len(found) + 1:
            before, after = runs[len(found)][1], runs[len(found) + 1][0]
            if after - before <= 1:
                found.append(Step(self.now + self.way * after, runs[len(found) + 1][2]))
            else:
                self.try_at((before + after) // 2)
        return tuple(found)


def _search(
    figure: str, at: Callable[[int], Held], here: Held, now: int, ends: tuple[int, int], tries: int,
    samples: Callable[[int], Iterable[int]], largest_first: bool = False,
) -> Change:  # fmt: skip
    """Both sides. `samples`: an end to the values tried first on the way there."""
    sides = [_Side(at, now, -1, now - ends[0]), _Side(at, now, 1, ends[1] - now)]
    steps = []
    for side, end in zip(sides, ends, strict=True):
        side.add(here)
        side.explore((abs(value - now) for value in samples(end)), tries, largest_first)
        steps.append(side.steps())
    proven = not any(side.gaps(side.horizon()) for side in sides)
    tried = 1 + sum(side.tried for side in sides)
    return Change(figure, now, here.goes, steps[0], steps[1], *ends, tried, proven)


def _tries(problem: PlanProblem) -> int:
    """Solutions that each side may cost: as many as a person waits for."""
    return max(SAMPLES + 4, min(200, 6000 // max(1, len(problem.items))))


def _evenly(now: int) -> Callable[[int], Iterable[int]]:
    return lambda end: (now + (end - now) * n // SAMPLES for n in range(1, SAMPLES))


def _by_ratio(now: int) -> Callable[[int], Iterable[int]]:
    return lambda end: (round(now * (end / now) ** (n / SAMPLES)) for n in range(1, SAMPLES))


def _exact(fillings: Sequence[Filled | None], problem: PlanProblem) -> bool:
    """Whether each filling is the one plan that the rule picks, so that its range can be relied on."""
    return len(problem.items) <= EXACT_UP_TO and all(filled is None or not filled.gap for filled in fillings)


# --------------------------------------------------------------------------------------------- the figures


def by_capacity(problem: PlanProblem, key: str, fill: Fill = plainly, least: int = 0) -> Change:
    """At how many sectors for items on the (first) disc the item goes another way; from `least` on.

    The best plan of a capacity is the best of each smaller one that still holds it, since less is possible there;
    and where nothing fits, nothing fits a smaller disc.
    """
    now = problem.capacity_sectors
    everything = sum(max((form.sectors for form in item.forms), default=0) for item in problem.items)

    def at(sectors: int) -> Held:
        asked = replace(problem, capacity_sectors=sectors)
        fillings = fill(asked)
        low = sectors
        if _exact(fillings, asked) and (fillings[-1] or len(fillings) == 1):
            low = min(sectors, max(_needed(filled) for filled in fillings))
        return Held(_goes(fillings[-1], key), low, sectors)

    ends = min(least, now), max(everything, now)
    return _search("sectors", at, at(now), now, ends, _tries(problem), _evenly(now), largest_first=True)


def _needed(filled: Filled | None) -> int:
    """The capacity that a filling needs; 0 for none."""
    discs = filled.discs if filled else ()
    return max((sum(option.sectors for option in disc.values()) for disc in discs), default=0)


def by_days(problem: PlanProblem, key: str, fill: Fill = plainly) -> Change | None:
    """At which `renewed_every_days` the item goes another way; None where the days to use do not count.

    The longer an item lasts, the more each of its forms gains, and nothing else changes: once it burns, it burns
    from there on.
    """
    item = next(item for item in problem.items if item.id == key)
    if problem.days_to_use <= 0 or not item.forms:
        return None
    now = days_of(item, problem.days_to_use)

    def held(asked: PlanProblem, days: int) -> Held:
        fillings = fill(asked)
        goes, sure = _goes(fillings[-1], key), len(fillings) == 1 and _exact(fillings, asked)
        return Held(goes, 1 if sure and goes != "burn" else days, MOST_DAYS if sure and goes != "later" else days)

    def at(days: int) -> Held:
        stale = p_stale(problem.days_to_use, days)
        items = tuple(refigured(i, i.later_s, stale) if i.id == key else i for i in problem.items)
        return held(replace(problem, items=items), days)

    return _search("days", at, held(problem, now), now, (1, MOST_DAYS), _tries(problem), lambda end: ())


def days_of(item: PlanItem, days_to_use: float) -> int:
    """The `renewed_every_days` that an item's staleness comes from, whole and within 1 and MOST_DAYS."""
    if item.p_stale <= 0:
        return MOST_DAYS
    every = days_to_use / -log1p(-item.p_stale) if item.p_stale < 1 else 1
    return min(MOST_DAYS, max(1, round(every)))


def by_rate(
    problem: PlanProblem, key: str, now: int, later_s: Callable[[int], Mapping[str, float]], fill: Fill = plainly
) -> Change:
    """At which line rate [bit/s] of both ends the item goes another way; of these the values tried.

    Arguments:
        now: the rate that the problem's figures hold for
        later_s: rate to each item's seconds at the link
    """

    def at(rate: int) -> Held:
        return Held(_goes(fill(relinked(problem, later_s(rate)))[-1], key), rate, rate)

    ends = min(now, LEAST_RATE_BIT_S), max(now, MOST_RATE_BIT_S)
    tries = SAMPLES + 4  # no answer holds beyond its rate, so that more tries would prove no more
    return _search("rate", at, at(now), now, ends, tries, _by_ratio(now))


def relinked(problem: PlanProblem, later_s: Mapping[str, float]) -> PlanProblem:
    """The same question with other seconds at the link."""
    items = tuple(refigured(item, later_s.get(item.id, item.later_s), item.p_stale) for item in problem.items)
    return replace(problem, items=items)


def refigured(item: PlanItem, later_s: float, stale: float) -> PlanItem:
    """An item with its gains worked out anew."""
    waits_s = later_s + item.unpack_s
    forms = tuple(
        replace(form, gain_s=gain_s(item.worth, stale, waits_s, form.disc_s, item.times)) for form in item.forms
    )
    return replace(item, later_s=round(later_s, 3), p_stale=stale, forms=forms)

"""What would change the answer: thresholds found by solving again, exact to one unit, with both sides tried."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from math import log1p

from discprep.model import PlanItem, PlanProblem
from discprep.plan.discs import attempt
from discprep.plan.gain import gain_s, p_stale

MOST_DAYS = 36_500
LEAST_RATE_BIT_S, MOST_RATE_BIT_S = 1200, 1_000_000


@dataclass(frozen=True, slots=True)
class Change:
    """One figure of one item's answer. `threshold` is the value nearest to `now` at which the item goes the other
    way; None: no value from `least` to `most` does that.
    """

    figure: str  # "sectors", "rate", "days"
    now: int
    threshold: int | None
    least: int
    most: int


def burns(problem: PlanProblem, key: str) -> bool:
    """Whether an item burns in the best plan; no where there is no plan."""
    filled = attempt(problem)
    return filled is not None and any(key in disc for disc in filled.discs)


def turning(at: Callable[[int], bool], now: int, end: int) -> int | None:
    """The value nearest to `now`, on the way to `end`, from which `at` differs from what it is now; None when it is
    the same at the end. Halving: where `at` turns more than once, one of its turns.

    >>> turning(lambda n: n >= 37, 10, 100), turning(lambda n: n >= 37, 100, 0), turning(lambda n: n > 500, 10, 100)
    (37, 36, None)
    """
    same = at(now)
    if at(end) == same:
        return None
    near, far = now, end
    while abs(far - near) > 1:
        middle = (near + far) // 2
        near, far = (middle, far) if at(middle) == same else (near, middle)
    return far


def by_capacity(problem: PlanProblem, key: str) -> Change:
    """At how many sectors for items on the (first) disc the item goes the other way."""
    now = problem.capacity_sectors
    everything = sum(max((form.sectors for form in item.forms), default=0) for item in problem.items)

    def at(sectors: int) -> bool:
        return burns(replace(problem, capacity_sectors=sectors), key)

    most = max(everything, now)
    threshold = turning(at, now, 0) if at(now) else turning(at, now, most)
    return Change("sectors", now, threshold, 0, most)


def by_days(problem: PlanProblem, key: str) -> Change | None:
    """At which `renewed_every_days` the item goes the other way; None where the days to use do not count."""
    item = next(item for item in problem.items if item.id == key)
    if problem.days_to_use <= 0 or not item.forms:
        return None

    def at(days: int) -> bool:
        stale = p_stale(problem.days_to_use, days)
        items = tuple(refigured(i, i.later_s, stale) if i.id == key else i for i in problem.items)
        return burns(replace(problem, items=items), key)

    now = days_of(item, problem.days_to_use)
    threshold = turning(at, now, 1) if at(now) else turning(at, now, MOST_DAYS)
    return Change("days", now, threshold, 1, MOST_DAYS)


def days_of(item: PlanItem, days_to_use: float) -> int:
    """The `renewed_every_days` that an item's staleness comes from, whole and within 1 and MOST_DAYS."""
    if item.p_stale <= 0:
        return MOST_DAYS
    every = days_to_use / -log1p(-item.p_stale) if item.p_stale < 1 else 1
    return min(MOST_DAYS, max(1, round(every)))


def by_rate(problem: PlanProblem, key: str, now: int, later_s: Callable[[int], Mapping[str, float]]) -> Change:
    """At which line rate [bit/s] of both ends the item goes the other way, the nearest by ratio.

    Arguments:
        now: the rate that the problem's figures hold for
        later_s: rate to each item's seconds at the link
    """

    def at(rate: int) -> bool:
        return burns(relinked(problem, later_s(rate)), key)

    slower, faster = turning(at, now, min(now, LEAST_RATE_BIT_S)), turning(at, now, max(now, MOST_RATE_BIT_S))
    found = [rate for rate in (slower, faster) if rate is not None]
    nearest = min(found, key=lambda rate: max(rate / now, now / rate)) if found else None
    return Change("rate", now, nearest, LEAST_RATE_BIT_S, MOST_RATE_BIT_S)


def relinked(problem: PlanProblem, later_s: Mapping[str, float]) -> PlanProblem:
    """The same question with other seconds at the link."""
    items = tuple(refigured(item, later_s.get(item.id, item.later_s), item.p_stale) for item in problem.items)
    return replace(problem, items=items)


def refigured(item: PlanItem, later_s: float, stale: float) -> PlanItem:
    """An item with its gains worked out anew."""
    forms = tuple(
        replace(form, gain_s=gain_s(item.worth, stale, later_s, form.disc_s, item.times)) for form in item.forms
    )
    return replace(item, later_s=round(later_s, 3), p_stale=stale, forms=forms)

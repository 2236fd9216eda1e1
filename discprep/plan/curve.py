"""Pictures' figures: what fills each disc, and how the waiting shrinks as a disc grows."""

from __future__ import annotations

from dataclasses import dataclass, replace

from discprep.model import Plan, PlanProblem
from discprep.plan.discs import attempt, fill
from discprep.plan.settle import milliseconds, settle

POINTS = 21
CURVE_GAP = 1e-4  # a picture shows no finer step


@dataclass(frozen=True, slots=True)
class Point:
    """A plan at one capacity. `medium_sectors` counts what stands on every disc in."""

    capacity_sectors: int
    medium_sectors: int
    seconds_at_link: float
    objective_s: float


def disc_fill(plan: Plan, problem: PlanProblem, disc: int = 1) -> tuple[tuple[str, int], ...]:
    """Item and sectors on one disc, the largest first, with "" for what stands on every disc and "free" last."""
    mine = sorted((-d.sectors, d.id) for d in plan.decisions if d.disc == disc)
    room = problem.capacity_sectors if disc == 1 or not problem.later_sectors else problem.later_sectors[
        min(disc - 2, len(problem.later_sectors) - 1)]  # fmt: skip
    used = -sum(sectors for sectors, _ in mine)
    return ("", problem.constant_sectors), *((key, -sectors) for sectors, key in mine), ("free", room - used)


def curve(problem: PlanProblem, points: int = POINTS) -> tuple[Point, ...]:
    """The best plan of one disc at evenly spaced capacities, from the least that holds what must burn to one that
    holds everything. Empty when not even an endless disc would do."""
    problem = replace(problem, discs=1, later_sectors=())
    most = sum(max((form.sectors for form in item.forms), default=0) for item in problem.items)
    endless = attempt(replace(problem, capacity_sectors=most), CURVE_GAP)
    if endless is None:
        return ()
    most = sum(option.sectors for option in endless.discs[0].values())
    least = _least(problem, most)
    steps = sorted({least + (most - least) * n // (points - 1) for n in range(points)})
    return tuple(_point(replace(problem, capacity_sectors=sectors)) for sectors in steps)


def _least(problem: PlanProblem, most: int) -> int:
    """The smallest capacity that has a plan at all."""
    low, high = -1, most
    while high - low > 1:
        middle = (low + high) // 2
        fits = attempt(replace(problem, capacity_sectors=middle), 1.0) is not None
        low, high = (low, middle) if fits else (middle, high)
    return high


def _point(problem: PlanProblem) -> Point:
    filled = fill(problem, settle(problem), CURVE_GAP)
    burned = {*problem.present, *(key for disc in filled.discs for key in disc)}
    waits_ms = sum(milliseconds(item.later_s) for item in problem.items if item.id not in burned)
    capacity = problem.capacity_sectors
    return Point(capacity, capacity + problem.constant_sectors, waits_ms / 1000, filled.gain_ms / 1000)

"""Pictures' figures: what fills each disc, and how the waiting shrinks as a disc grows."""

from __future__ import annotations

from dataclasses import dataclass, replace

from discprep.errors import CapacityError
from discprep.model import PlanProblem
from discprep.plan.discs import question_of
from discprep.plan.milp import Found, Model
from discprep.plan.settle import milliseconds, settle

POINTS = 21
CURVE_GAP = 1e-3  # a picture shows no finer step


@dataclass(frozen=True, slots=True)
class Point:
    """A plan at one capacity. `medium_sectors` counts what stands on every disc in."""

    capacity_sectors: int
    medium_sectors: int
    seconds_at_link: float
    objective_s: float


def curve(problem: PlanProblem, points: int = POINTS) -> tuple[Point, ...]:
    """The best plan of one disc at evenly spaced capacities, from the least that holds what must burn to one that
    holds everything. Empty when not even an endless disc would do.

    One model for all of them: only the room of its disc is changed. Raises ManifestError for a contradiction.
    """
    endless = sum(max((form.sectors for form in item.forms), default=0) for item in problem.items)
    problem = replace(problem, discs=1, capacity_sectors=endless)
    try:
        model = Model(question_of(problem, settle(problem)))
    except CapacityError:
        return ()
    program = model.gain_program()
    fewest = model.solve(model.cost(lambda option: option.sectors), most=False)
    best = model.gain_with_room(program, endless, CURVE_GAP)
    if fewest is None or best is None:
        return ()
    least, most = (sum(model.option(c).sectors for c in model.chosen(plan)) for plan in (fewest, best))
    steps = sorted({least + (most - least) * n // (points - 1) for n in range(points)})
    plans = ((sectors, model.gain_with_room(program, sectors, CURVE_GAP)) for sectors in steps)
    return tuple(_point(problem, sectors, model.found(plan, plan.gap, "")) for sectors, plan in plans if plan)


def _point(problem: PlanProblem, capacity: int, found: Found) -> Point:
    burned = {*problem.present, *found.discs[0]}
    waits_ms = sum(milliseconds(item.later_s) for item in problem.items if item.id not in burned)
    return Point(capacity, capacity + problem.constant_sectors, waits_ms / 1000, found.gain_ms / 1000)

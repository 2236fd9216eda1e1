"""Order and shapes agree: each item that waits crosses the link in a shape that the machine can use when it comes, and
is reckoned with the very files that the shelf hands out."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from discprep.errors import DiscprepError, StorageError
from discprep.job.figures import Figures, Measured, pulled_in, standing
from discprep.machine import roles_before
from discprep.model import Notice, Opened, Plan, PlanProblem, Progress, Pulled, Shape, Silent
from discprep.serve.crossing import WORK, crossing, pulled, trim
from discprep.shapes import usable, worse_shape

KEY = "shapes"


@dataclass(frozen=True, slots=True)
class Solved:
    """A plan, the question it answers, the figures behind that, and what deserves a word."""

    figured: Figures
    problem: PlanProblem
    plan: Plan
    notices: tuple[Notice, ...] = ()

    def standing(self, constant: int) -> Solved:
        """The same answer to the question with another constant [sectors]."""
        return replace(self, figured=self.figured.standing(constant), problem=standing(self.problem, constant))


def agreed(
    figured: Figures,
    opened: Mapping[str, Opened],
    work: Path,
    solve: Callable[[Figures], Solved],
    progress: Progress | None = None,
) -> Solved:
    """The plan, made anew until order and shapes agree.

    It ends: an item that comes before what opens it takes a worse shape and never a better one again, and the files
    of each shape are looked at once.

    Arguments:
        opened: the items at hand, by id
        work: a folder for edited files

    Raises: what `solve` raises; StorageError, where a folder cannot be used
    """
    shapes, progress = _Shapes(opened, work), progress or Silent()
    trim(figured.hand.cache.root / WORK, time.time())
    while True:
        solved = solve(figured)
        progress.begin(KEY, "Shaping what waits", len(solved.plan.order), "items")
        other = dict(shapes.other(solved.figured, solved.plan, progress))
        progress.end(KEY)
        if not other:
            return solved
        figured = figured.pulling(other)


class _Shapes:
    """What waiting items are in their shapes. Each is looked at once."""

    def __init__(self, opened: Mapping[str, Opened], work: Path) -> None:
        self._opened, self._work = opened, work
        self._known: dict[tuple[str, Shape], Pulled] = {}

    def other(self, figured: Figures, answer: Plan, progress: Progress) -> Iterator[tuple[str, Pulled]]:
        """The items that wait, and will cross otherwise than the plan reckoned."""
        manifest, measured = figured.hand.manifest, figured.measured
        there = {decision.id for decision in answer.decisions if decision.place != "later"}
        for key, roles in roles_before(manifest, answer.order, there).items():
            progress.advance(KEY, 1)
            one, shape = measured[key], measured[key].pulled.shape
            if not usable(shape, one.archive_format, roles):
                shape = worse_shape(one.item, one.archive_format, shape, roles)
            crosses = self._files(figured, one, shape)
            if crosses != one.pulled:
                yield key, crosses

    def _files(self, figured: Figures, one: Measured, shape: Shape) -> Pulled:
        """What the shelf will hand out; the estimate for an item that is not at hand, or that cannot be offered."""
        key = one.item.id, shape
        if key not in self._known:
            self._known[key] = self._looked_at(figured, one, shape)
        return self._known[key]

    def _looked_at(self, figured: Figures, one: Measured, shape: Shape) -> Pulled:
        opened, hand = self._opened.get(one.item.id), figured.hand
        if shape == "archive" or opened is None:
            return pulled_in(shape, one.as_fetched, one.files)
        try:
            kept = hand.cache.root / WORK
            files = crossing(hand.manifest, one.item, opened, shape, work=self._work, kept=kept)
        except StorageError:
            raise
        except DiscprepError:  # the shelf says why it has no such item
            return pulled_in(shape, one.as_fetched, one.files)
        return pulled(files, shape, None)

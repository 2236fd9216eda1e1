"""Discs filled in turn: each holds the most that it can, given the earlier ones.

Of what must burn, each disc takes as many items as it can. A need is never on a later disc than what needs it. While
discs follow, each is filled so that the rest of what must burn, and a limit at the link, can still be met.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import count

from discprep.errors import CapacityError, DiscprepError, flatten
from discprep.model import PlanProblem
from discprep.plan.milp import Question
from discprep.plan.refuse import least_discs, refuse
from discprep.plan.settle import Candidate, Needs, Option, Settled, milliseconds, settle
from discprep.plan.ties import answer


@dataclass(frozen=True, slots=True)
class Filled:
    """Chosen forms by candidate for each disc, the widest gap of any disc, and who solved it."""

    discs: tuple[Mapping[str, Option], ...]
    gap: float
    solver: str

    @property
    def gain_ms(self) -> int:
        """The gain of all discs."""
        return sum(option.gain_ms for disc in self.discs for option in disc.values())


def fill(problem: PlanProblem, settled: Settled) -> Filled:
    """The forms that stand on each disc.

    Raises:
        CapacityError: what must burn does not fit, or the rest takes longer than the link's budget
    """
    question = question_of(problem, settled)
    if problem.discs != "fewest":
        filled = _in_turn(question)
        return filled or refuse(problem, question)
    for discs in count(least_discs(problem, question)):
        filled = _in_turn(replace(question, room_sectors=(problem.capacity_sectors,) * discs))
        if filled is not None:
            return filled
    raise AssertionError("unreachable: count() has no end")


def question_of(problem: PlanProblem, settled: Settled) -> Question:
    """The question for the first disc, and for as many as are allowed, or for one where the fewest are asked for."""
    return Question(
        settled.candidates,
        (problem.capacity_sectors,) * (1 if problem.discs == "fewest" else problem.discs),
        dict(problem.storage_limit_bytes),
        link_ms(problem, settled),
        wants=tuple(group for _, group in settled.wants),
    )


def attempt(problem: PlanProblem) -> Filled | None:
    """The filled discs, None where it does not fit. Raises ManifestError for a contradiction."""
    try:
        return fill(problem, settle(problem))
    except DiscprepError as error:
        if all(isinstance(one, CapacityError) for one in flatten([error])):
            return None
        raise


def link_ms(problem: PlanProblem, settled: Settled) -> int | None:
    """What candidates may still take at the link once the items that cannot burn are counted; None: no limit."""
    if problem.link_budget_s is None:
        return None
    own = {candidate.id for candidate in settled.candidates}
    out = (item for item in problem.items if item.id not in own and item.id not in problem.present)
    return milliseconds(problem.link_budget_s) - sum(milliseconds(item.later_s) for item in out)


def _in_turn(question: Question) -> Filled | None:
    discs: list[Mapping[str, Option]] = []
    gap, solver = 0.0, "none needed"
    for _ in question.room_sectors:
        found = answer(question)
        if found is None:
            return None
        discs.append(found.discs[0])
        gap = max(gap, found.gap)
        solver = found.solver if found.solver != "none needed" else solver
        question = _rest(question, found.discs[0])
    return Filled(tuple(discs), gap, solver)


def _rest(question: Question, burned: Mapping[str, Option]) -> Question:
    """The question for the next disc."""
    room = dict(question.room_bytes)
    for candidate in question.candidates:
        if candidate.id in burned and candidate.volume in room:
            room[candidate.volume] -= burned[candidate.id].storage_bytes
    left = tuple(_without(c, burned) for c in question.candidates if c.id not in burned)
    return replace(
        question, candidates=left, room_sectors=question.room_sectors[1:], room_bytes=room, on_first=False, wants=()
    )


def _without(candidate: Candidate, burned: Mapping[str, Option]) -> Candidate:
    """A candidate once the needs that earlier discs meet are met."""
    options = tuple(replace(option, needs=_open(option.needs, burned)) for option in candidate.options)
    return replace(candidate, needs=_open(candidate.needs, burned), options=options)


def _open(needs: Needs, burned: Mapping[str, Option]) -> Needs:
    return tuple(group for group in needs if burned.keys().isdisjoint(group))

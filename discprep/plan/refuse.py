"""Why nothing fits: which limit, by how much, and what stands in the way."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import NoReturn

from discprep.errors import CapacityError, DiscprepError, ManifestError
from discprep.model import PlanProblem
from discprep.plan.milp import Model, Question
from discprep.plan.settle import Candidate
from discprep.plan.words import listing, sectors
from discprep.units import format_bytes, format_seconds


def _hint(question: Question) -> str:
    """What to do next. Names the largest item of those that must burn."""
    hint = "Take a larger medium, allow more discs, or leave members out"
    musts = [c for c in question.candidates if c.must]
    if not musts:
        return f"{hint}."
    largest = max(musts, key=_fewest_sectors)
    return f"{hint}, above all of {largest.id} ({_fewest_sectors(largest):,} sectors), or let it wait."


def _fewest_sectors(candidate: Candidate) -> int:
    return min(option.sectors for option in candidate.options)


def refuse(problem: PlanProblem, question: Question) -> NoReturn:
    """Raises the error for a question that has no answer; each limit is tried alone, then all together.

    Raises:
        ManifestError: the needs contradict each other whatever the room
        CapacityError: the sectors, a volume's room or the link's budget cannot be kept
    """
    one = replace(question, room_sectors=(sum(question.room_sectors),))
    raise _of_sectors(question, one) or _of_storage(one) or _of_link(problem, one) or _of_all(problem, question)


def least_discs(problem: PlanProblem, question: Question) -> int:
    """A number of discs below which nothing can fit: the fewest sectors that meet the needs, the volumes and the
    link's budget, over the largest disc.

    Raises:
        CapacityError, ManifestError: no number of discs would do
    """
    one = replace(question, room_sectors=(sum(c.best.sectors for c in question.candidates) + 1,))
    room = problem.capacity_sectors
    if room < 0:
        raise _of_sectors(question, replace(question, room_sectors=(room,))) or _of_all(problem, question)
    least = _least(one, None, lambda m: m.cost(lambda option: option.sectors))
    if least is None:
        raise _of_storage(one) or _of_link(problem, one) or _of_all(problem, question)
    if least and not room:
        raise _of_sectors(question, replace(question, room_sectors=(0,))) or _of_all(problem, question)
    return max(1, -(-least // max(1, room)))


def _least(question: Question, limits: Sequence[str] | None, cost: Callable[[Model], list[float]]) -> int | None:
    """The least that `cost` can be under these limits alone; None when even that is impossible."""
    model = Model(question, limits)
    costs = cost(model)
    best = model.solve(costs, most=False)
    return None if best is None else round(best.objective)


def _of_sectors(question: Question, one: Question) -> DiscprepError | None:
    room = one.room_sectors[0]
    if room < 0:
        return CapacityError(
            f"the disc's own structures, scripts and padding take {-room:,} sectors more than it has",
            hint="Take a larger medium.",
        )
    least = _least(one, (), lambda m: m.cost(lambda option: option.sectors))
    if least is None:
        return _contradiction(question)
    if least <= room:
        return None
    musts = sorted((c for c in question.candidates if c.must), key=lambda c: (-_fewest_sectors(c), c.id))
    names = [f"{c.id} ({_fewest_sectors(c):,})" for c in musts]
    where = "the disc has" if len(question.room_sectors) == 1 else f"{len(question.room_sectors)} discs have"
    return CapacityError(
        f"what must burn does not fit: it takes {sectors(least)}, {where} room for {room:,}: "
        f"{least - room:,} sectors are missing; it must burn: {listing(names, 8)}",
        hint=_hint(question),
    )


def _contradiction(question: Question) -> DiscprepError:
    names = [c.id for c in question.candidates if c.must]
    return ManifestError(
        f"what must burn contradicts itself: no choice of forms and givers meets all needs of {listing(names, 8)}",
        hint="Let one of them wait, or add an item that gives the missing role.",
    )


def _of_storage(question: Question) -> DiscprepError | None:
    for volume, room in sorted(question.room_bytes.items()):
        least = _least_storage(question, volume)
        if least is not None and least > room:
            musts = [c.id for c in question.candidates if c.must and c.volume == volume]
            return CapacityError(
                f"what must burn does not fit on volume {volume}: with room to unpack it takes {format_bytes(least)} "
                f"({least:,} B), {room:,} B are free: {least - room:,} B are missing; it must burn: "
                f"{listing(musts, 8)}",
                hint='Free room there, send items to another volume, or use them from the disc (use = "disc").',
            )
    return None


def _least_storage(question: Question, volume: str) -> int | None:
    model = Model(question, ())
    columns, values = model.storage_row(volume, 0, 2**62)
    costs = [0.0] * len(model.upper)
    for column, value in zip(columns, values, strict=True):
        costs[column] = value
    best = model.solve(costs, most=False)
    if best is None:
        return None
    chosen = set(columns).intersection(model.chosen(best))
    peak = max((model.option(c).extra_bytes for c in chosen), default=0)
    return sum(model.option(c).storage_bytes for c in chosen) + peak


def _of_link(problem: PlanProblem, question: Question) -> DiscprepError | None:
    """The least link time under the other limits, against the budget."""
    if question.link_ms is None:
        return None
    model = Model(question, ("sectors", *question.room_bytes))
    costs = [0.0] * len(model.upper)
    for column, (i, _, _) in enumerate(model.columns):
        costs[column] = float(question.candidates[i].later_ms)
    best = model.solve(costs)
    if best is None:
        return None
    left_ms = sum(c.later_ms for c in question.candidates) - round(best.objective)
    budget_s = problem.link_budget_s or 0.0
    least_s = budget_s + (left_ms - question.link_ms) / 1000
    if left_ms <= question.link_ms:
        return None
    return CapacityError(
        f"the rest takes at least {format_seconds(least_s)} at the link, the budget is {format_seconds(budget_s)}: "
        f"{format_seconds(least_s - budget_s)} too long with all that the discs can hold",
        hint="Raise plan.link_budget, allow more discs, or take a larger medium.",
    )


def _of_all(problem: PlanProblem, question: Question) -> DiscprepError:
    limits = [f"{sum(question.room_sectors):,} sectors on {len(question.room_sectors)} disc(s)"]
    limits += [f"{room:,} B on {volume}" for volume, room in sorted(question.room_bytes.items())]
    if problem.link_budget_s is not None:
        limits.append(f"{format_seconds(problem.link_budget_s)} at the link")
    musts = [c.id for c in question.candidates if c.must]
    return CapacityError(
        f"these limits can each be kept, but not together: {listing(limits, 8)}; must burn: {listing(musts, 8)}",
        hint=_hint(question),
    )

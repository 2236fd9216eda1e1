"""One disc, solved, and the same plan every time: what settles equals.

The rule, in this order: the greatest gain (whole milliseconds); then the fewest items burned; then, id by id,
burned before left, and unpacked before packed before both. Up to `milp.EXACT_UP_TO` candidates it holds to the
last item; with more, the solver stops at a proven gap and its fixed seed settles what lies within it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import inf

from discprep.plan.milp import (
    EXACT_UP_TO,
    GAP,
    Found,
    Model,
    Question,
    Row,
    Solution,
    solver,
)
from discprep.plan.settle import Candidate, Option

CHUNK = 10  # ids a solve: their ranks, two bits each, stay exact in a floating-point number


def answer(question: Question) -> Found | None:
    """The best forms for the question's first disc; None when nothing is possible."""
    at_once = _nothing_binds(question)
    if at_once is not None:
        return Found((at_once,), 0.0)
    if not question.candidates:
        return None
    model = Model(question)
    _early(model)
    name = f"HiGHS {solver().version()}"
    exact = len(question.candidates) <= EXACT_UP_TO
    best = model.solve_gain(0.0 if exact else GAP)
    if best is None:
        return None
    settled = _settle(model, best) if exact and best.gap == 0.0 else best
    found = model.found(settled, best.gap, name)
    if model.disc_count == 1 and not allowed(question, found.discs[0]):
        raise RuntimeError("HiGHS answered with a plan that breaks its own limits")
    return found


def _nothing_binds(question: Question) -> dict[str, Option] | None:
    """Everything that gains, at its best form, with what must burn: optimal at once if it is allowed."""
    chosen = {c.id: c.best for c in question.candidates if c.must or c.best.gain_ms > 0}
    return chosen if allowed(question, chosen) else None


def allowed(question: Question, chosen: Mapping[str, Option]) -> bool:
    """Whether needs and limits hold with these forms on the question's first disc and nothing on later ones."""
    mine = [c for c in question.candidates if c.id in chosen]
    groups = [g for c in mine for g in (*c.needs, *chosen[c.id].needs)]
    if any(c.must and c.id not in chosen for c in question.candidates):
        return False
    if any(chosen.keys().isdisjoint(group) for group in (*groups, *question.wants)):
        return False
    if sum(option.sectors for option in chosen.values()) > question.room_sectors[0]:
        return False
    left_ms = sum(c.later_ms for c in question.candidates if c.id not in chosen)
    if question.link_ms is not None and left_ms > question.link_ms:
        return False
    return all(_storage(mine, chosen, v) <= room for v, room in question.room_bytes.items())


def _storage(candidates: Sequence[Candidate], chosen: Mapping[str, Option], volume: str) -> int:
    """What stays on a volume, and the most that unpacking one item takes beyond it [B]."""
    options = [chosen[c.id] for c in candidates if c.volume == volume]
    return sum(o.storage_bytes for o in options) + max((o.extra_bytes for o in options), default=0)


def _early(model: Model) -> None:
    """With discs to follow, what must burn stands as early as it can: as many of these items as fit on this one."""
    if model.disc_count == 1:
        return
    musts = [c for c, (i, _, d) in enumerate(model.columns) if d == 0 and model.question.candidates[i].must]
    costs = [0.0] * len(model.upper)
    for column in musts:
        costs[column] = 1.0
    best = model.solve(costs)
    if best is not None:
        most = sum(costs[c] for c in model.chosen(best))
        model.rows.append((musts, [1.0] * len(musts), most, inf))


def _settle(model: Model, best: Solution) -> Solution:
    """The one plan that the rule picks among all that gain as much as the best."""
    here = [c for c, column in enumerate(model.columns) if column[2] == 0]
    most = sum(model.option(c).gain_ms for c in model.chosen(best) if model.columns[c][2] == 0)
    model.rows.append((here, [float(model.option(c).gain_ms) for c in here], most - 0.5, inf))
    if _only(model, here, best):
        return best
    fewest = model.solve(model.cost(lambda _: 1), most=False, start=best)
    if fewest is None or fewest.gap:
        return best
    model.rows.append((here, [1.0] * len(here), -inf, round(fewest.objective) + 0.5))
    return _by_id(model, fewest)


def _only(model: Model, here: list[int], best: Solution) -> bool:
    """Whether no other plan is as good: one that differs in at least one column."""
    on = set(model.chosen(best))
    row: Row = (here, [-1.0 if c in on else 1.0 for c in here], 1.0 - sum(c in on for c in here), inf)
    model.rows.append(row)
    other = model.solve([0.0] * len(model.upper), most=False)
    model.rows.pop()
    return other is None


def _by_id(model: Model, best: Solution) -> Solution:
    """Fixes the candidates in order of id, some at a time, each as early in the rule's order as it can be."""
    for low in range(0, len(model.at), CHUNK):
        group = range(low, min(low + CHUNK, len(model.at)))
        costs = [0.0] * len(model.upper)
        for i in group:
            for column in model.at[i][0]:
                options = len(model.question.candidates[i].options)
                costs[column] = float((model.columns[column][1] - options) * 4 ** (group[-1] - i))
        found = model.solve(costs, most=False, start=best)
        if found is None or found.gap:
            return best
        best = found
        for column in (column for i in group for column in model.at[i][0]):
            value = float(best.values[column] > 0.5)
            model.rows.append(([column], [1.0], value, value))
    return best

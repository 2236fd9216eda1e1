"""One disc, solved, and the same plan every time: what settles equals.

The rule, in this order: the greatest gain (whole milliseconds); then the fewest items burned; then, id by id,
burned before left, and unpacked before packed before both. Up to `milp.EXACT_UP_TO` candidates it holds to the
last item; with more, the solver stops at a proven gap and its fixed seed settles what lies within it.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import inf

from discprep.plan.milp import EXACT_UP_TO, GAP_MORE_LIMITS, GAP_ONE_LIMIT, Found, Model, Question, Row, solver
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
    best = model.solve(model.cost(lambda option: option.gain_ms), rel_gap=_gap(model))
    if best is None:
        return None
    chosen, gap = best
    if gap == 0.0 and len(question.candidates) <= EXACT_UP_TO:
        chosen = _settle(model, chosen)
    return model.found(chosen, gap, name)


def _gap(model: Model) -> float:
    if len(model.question.candidates) <= EXACT_UP_TO:
        return 0.0
    return GAP_ONE_LIMIT if len(model.limits) <= 1 or not model.peaks else GAP_MORE_LIMITS


def _nothing_binds(question: Question) -> dict[str, Option] | None:
    """Everything that gains, at its best form, with what must burn: optimal at once if it is allowed."""
    chosen = {c.id: c.best for c in question.candidates if c.must or c.best.gain_ms > 0}
    return chosen if allowed(question, chosen) else None


def allowed(question: Question, chosen: dict[str, Option]) -> bool:
    """Whether needs and limits hold with these forms on the question's first disc and nothing on later ones."""
    mine = [c for c in question.candidates if c.id in chosen]
    groups = [g for c in mine for g in (*c.needs, *chosen[c.id].needs)]
    if any(c.must and c.id not in chosen for c in question.candidates):
        return False
    if any(chosen.keys().isdisjoint(group) for group in groups):
        return False
    if sum(option.sectors for option in chosen.values()) > question.room_sectors[0]:
        return False
    left_ms = sum(c.later_ms for c in question.candidates if c.id not in chosen)
    if question.link_ms is not None and left_ms > question.link_ms:
        return False
    return all(_storage(mine, chosen, v) <= room for v, room in question.room_bytes.items())


def _storage(candidates: Sequence[Candidate], chosen: dict[str, Option], volume: str) -> int:
    """What stays on a volume, and the most that unpacking one item takes beyond it [B]."""
    options = [chosen[c.id] for c in candidates if c.volume == volume]
    return sum(o.storage_bytes for o in options) + max((o.extra_bytes for o in options), default=0)


def _early(model: Model) -> None:
    """With discs to follow, what must burn stands as early as it can: as many of its sectors as fit on this one."""
    if model.disc_count == 1:
        return
    musts = [c for c, (i, _, d) in enumerate(model.columns) if d == 0 and model.question.candidates[i].must]
    costs = [0.0] * len(model.upper)
    for column in musts:
        costs[column] = float(model.option(column).sectors)
    best = model.solve(costs)
    if best is not None:
        most = sum(model.option(c).sectors for c in best[0] if c in set(musts))
        model.rows.append((musts, [costs[c] for c in musts], float(most), inf))


def _settle(model: Model, chosen: list[int]) -> list[int]:
    """The one plan that the rule picks among all that gain as much as `chosen`."""
    here = [c for c, column in enumerate(model.columns) if column[2] == 0]
    gains = [float(model.option(c).gain_ms) for c in here]
    most = sum(model.option(c).gain_ms for c in chosen if c in set(here))
    model.rows.append((here, gains, most - 0.5, inf))
    fewest = model.solve(model.cost(lambda _: 1), most=False, start=chosen)
    if fewest is None or fewest[1]:
        return chosen
    chosen = fewest[0]
    count = float(sum(model.columns[c][2] == 0 for c in chosen))
    model.rows.append((here, [1.0] * len(here), -inf, count + 0.5))
    return chosen if _only(model, here, chosen) else _by_id(model, chosen)


def _only(model: Model, here: list[int], chosen: list[int]) -> bool:
    """Whether no other plan is as good: one that differs in at least one column."""
    on = set(chosen)
    row: Row = (here, [-1.0 if c in on else 1.0 for c in here], 1.0 - sum(c in on for c in here), inf)
    model.rows.append(row)
    other = model.solve([0.0] * len(model.upper), most=False)
    model.rows.pop()
    return other is None


def _by_id(model: Model, chosen: list[int]) -> list[int]:
    """Fixes the candidates in order of id, some at a time, each as early in the rule's order as it can be."""
    for low in range(0, len(model.at), CHUNK):
        group = range(low, min(low + CHUNK, len(model.at)))
        costs = [0.0] * len(model.upper)
        for i in group:
            for column in model.at[i][0]:
                options = len(model.question.candidates[i].options)
                costs[column] = float((model.columns[column][1] - options) * 4 ** (group[-1] - i))
        best = model.solve(costs, most=False, start=chosen)
        if best is None or best[1]:
            return chosen
        chosen = best[0]
        for i in group:
            for column in model.at[i][0]:
                value = float(column in set(chosen))
                model.rows.append(([column], [1.0], value, value))
    return chosen

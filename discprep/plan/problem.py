"""Burn or download later: the exact answer. `solve` is the one door; it opens no file and reads no clock."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from discprep.model import Decision, Plan, PlanItem, PlanProblem
from discprep.plan.discs import Filled, fill
from discprep.plan.milp import GAP
from discprep.plan.order import order_later
from discprep.plan.reasons import Placing, reason
from discprep.plan.settle import Option, Settled, milliseconds, settle


def solve(problem: PlanProblem) -> Plan:
    """Places every item so that the waiting at the link is least.

    maximise    sum of the gains of the chosen forms
    such that   what must burn burns, in one form each; whatever burns has what it and its form need burned, on
                the same or an earlier disc, or present; the chosen sectors fit the disc; on each volume, what
                stays and the most that unpacking one item takes beyond it fit; the rest keeps the link's budget

    Gains are taken in whole milliseconds. Equals are settled by the rule of `plan.ties`; the answer does not
    depend on the order of the items.

    Raises:
        ManifestError: two identical ids, or what must burn contradicts what must wait (the chain is shown)
        CapacityError: what must burn does not fit, or the rest exceeds the link's budget
    """
    settled = settle(problem)
    filled = fill(problem, settled)
    return describe(problem, settled, filled)


def describe(problem: PlanProblem, settled: Settled, filled: Filled) -> Plan:
    """The plan with its reasons and its order, from the chosen forms."""
    items = {item.id: item for item in problem.items}
    chosen = {key: (disc, option) for disc, forms in enumerate(filled.discs, 1) for key, option in forms.items()}
    left = [item for key, item in items.items() if key not in chosen and key not in problem.present]
    order = order_later(left, {*chosen, *problem.present})
    ready = _ready(order, items)
    placing = Placing(problem, settled, chosen)
    return Plan(
        decisions=tuple(_decision(items[key], chosen, placing, ready) for key in sorted(items)),
        order=tuple(order),
        objective_s=filled.gain_ms / 1000,
        seconds_at_link=sum(milliseconds(item.later_s) for item in left) / 1000,
        optimal=filled.gap <= GAP,
        gap=filled.gap,
        solver=filled.solver,
    )


def _ready(order: list[str], items: Mapping[str, PlanItem]) -> dict[str, float]:
    ready: dict[str, float] = {}
    passed_ms = 0
    for key in order:
        passed_ms += milliseconds(items[key].later_s)
        ready[key] = passed_ms / 1000
    return ready


def _decision(
    item: PlanItem,
    chosen: Mapping[str, tuple[int, Option]],
    placing: Placing,
    ready: Mapping[str, float],
) -> Decision:
    why = reason(item, placing)
    if item.id in chosen:
        disc, option = chosen[item.id]
        forced = item.id in placing.settled.forced_by
        return Decision(
            item.id, "burn", disc, option.form, forced, option.sectors, option.storage_bytes,
            option.gain_ms / 1000, why,
        )  # fmt: skip
    best = max((milliseconds(form.gain_s) for form in item.forms), default=0) / 1000
    waits = Decision(item.id, "later", None, None, False, 0, 0, best, why, ready.get(item.id), item.pulled,
                     item.unpack_s)  # fmt: skip
    present = replace(waits, place="present", ready_s=None, pulled=None, unpack_s=0.0)
    return present if item.id in placing.problem.present else waits

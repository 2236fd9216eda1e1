"""The plan, and its faces."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any

from discprep.errors import DiscprepError
from discprep.model import Decision, Notice, Plan, PlanItem, PlanProblem
from discprep.plan.explain import Change, Step
from discprep.report.faces import picked
from discprep.report.remarks import named
from discprep.report.tables import WIDTH, counted, table
from discprep.units import SECTOR_BYTES, format_bytes, format_seconds

RULE = (
    "Equals: the greatest gain (whole milliseconds), then the fewest items burned, then id by id burned before left, "
    "unpacked before packed before both."
)
OBJECTIVE = (
    "gain = worth / 3 * ((1 - p) * L - D): what burning an item saves. L: its seconds at the link, and to unpack by "
    "hand what crosses it packed; D: seconds to read it off the disc, and to unpack it where it stands packed; "
    "p = 1 - exp(-days_to_use / renewed_every_days): the chance that it has changed by then; "
    "the plan makes the sum of the gains as great as the limits allow."
)
UNITS = {"sectors": "sectors", "rate": "bit/s", "days": "days"}
KEYS = {"sectors": "medium.sectors", "rate": "link.rate", "days": "item.{id}.renewed_every_days"}
FIGURES = ("form", "sectors", "storage_bytes", "gain_s", "peak_bytes", "disc_s")  # of a form, besides its needs


@dataclass(frozen=True, slots=True)
class Explained:
    """What would send one item another way; capacities are those of the whole medium."""

    id: str
    turns: tuple[Change, ...]


@dataclass(frozen=True, slots=True)
class Tried:
    """The plan under one value of a what-if, against the plan as the manifest is; `error` where there is none."""

    key: str
    value: str
    seconds_at_link: float | None = None
    objective_s: float | None = None
    discs: int | None = None
    burned: int | None = None
    to_disc: tuple[str, ...] = ()
    to_link: tuple[str, ...] = ()
    error: str = ""


@dataclass(frozen=True, slots=True)
class Planned:
    """A plan with the question it answers. `titles` by item id; `estimated`: ids whose figures are guesses."""

    plan: Plan
    problem: PlanProblem
    titles: Mapping[str, str]
    estimated: tuple[str, ...] = ()
    notices: tuple[Notice, ...] = ()
    errors: tuple[DiscprepError, ...] = ()
    tried: tuple[Tried, ...] = ()
    explained: tuple[Explained, ...] = ()
    explain: bool = False
    rate_bit_s: int | None = None

    @property
    def decisions(self) -> tuple[Decision, ...]:
        return self.plan.decisions


# ----------------------------------------------------------------------------------------------------- JSON


def document(planned: Planned) -> dict[str, Any]:
    """The JSON face: the figures that the solver saw, and its answer."""
    plan, problem = planned.plan, planned.problem
    items = {item.id: item for item in problem.items}
    limits = problem.storage_limit_bytes
    result: dict[str, Any] = {
        "items": [_item(decision, items[decision.id], planned) for decision in plan.decisions],
        **picked(problem, "capacity_sectors", "medium_sectors", "constant_sectors", "link_budget_s", "days_to_use"),
        "storage_limit_bytes": sum(limits.values()) if limits else None,
        "image_sectors": plan.image_sectors[0] if len(plan.image_sectors) == 1 else list(plan.image_sectors) or None,
        **picked(plan, "seconds_at_link", "objective_s", "optimal", "gap", "solver", "order"),
        "volumes": [{"path": path, "limit_bytes": limit} for path, limit in sorted(limits.items())],
        "discs": discs_used(plan),
        "discs_asked": problem.discs,
        "bring_up": [{"why": why, "one_of": list(ids)} for why, ids in problem.wants],
        "estimated": list(planned.estimated),
    }
    if planned.explain:
        result |= {"objective": OBJECTIVE, "ties": RULE}
    if planned.explained:
        result["explained"] = [
            {"id": one.id, "turns": [_turn_values(change, one.id) for change in one.turns]} for one in planned.explained
        ]
    if planned.tried:
        result["over"] = [_tried(one) for one in planned.tried]
    return result


def _item(decision: Decision, item: PlanItem, planned: Planned) -> dict[str, Any]:
    return {
        **picked(decision, "id", "place", "disc", "form"),
        "needs": _groups(item.needs),
        **picked(decision, "forced", "sectors", "storage_bytes", "saves_s", "reason"),
        "forms": [picked(form, *FIGURES) | {"needs": _groups(form.needs)} for form in item.forms],
        "title": planned.titles.get(decision.id, ""),
        "pulled": picked(item.pulled, "shape", "size_bytes", "files"),
        "opened_by": _groups(item.opened_by),
        "ready_s": decision.ready_s,
        **picked(item, "later_s", "unpack_s", "worth", "p_stale", "times", "volume"),
    }


def _turn_values(change: Change, key: str) -> dict[str, Any]:
    """`value`: the nearest found at which the item goes the other way."""
    return {
        "key": KEYS[change.figure].format(id=key),
        "now": change.now,
        "value": change.threshold,
        "unit": UNITS[change.figure],
        **picked(change, "least", "most", "below", "above", "tried", "proven"),
    }


def _groups(groups: tuple[tuple[str, ...], ...]) -> list[str | list[str]]:
    """Needs: each an id, or a list of which one will do."""
    return [group[0] if len(group) == 1 else list(group) for group in groups]


def _tried(one: Tried) -> dict[str, Any]:
    told = picked(one)
    return told if one.error else {key: value for key, value in told.items() if key != "error"}


def discs_used(plan: Plan) -> int:
    """How many discs carry something; at least one, for the image that the plan is of."""
    return max([decision.disc or 1 for decision in plan.decisions], default=1)


# ----------------------------------------------------------------------------------------------------- text


def text(planned: Planned) -> str:
    """The face for people: at most 80 columns."""
    sections = [_burned(planned), _waiting(planned), _total(planned)]
    if planned.explain:
        sections.append(_explanation(planned))
    if planned.tried:
        sections.append(_over(planned.tried))
    return "\n\n".join("\n".join(lines) for section in sections if (lines := list(section)))


def _burned(planned: Planned) -> Iterator[str]:
    burned = [decision for decision in planned.decisions if decision.place == "burn"]
    many = discs_used(planned.plan) > 1
    if not burned:
        yield "Nothing burns."
        return
    rows = []
    for decision in sorted(burned, key=lambda d: (d.disc or 1, not d.forced, -d.saves_s, d.id)):
        disc = (str(decision.disc),) if many else ()
        size = format_bytes(decision.sectors * SECTOR_BYTES)
        rows.append((*disc, decision.id, decision.form or "", size, decision.reason))
    heads = ("on the disc", "form", ">size", "why")
    yield from table((">disc", *heads) if many else heads, rows, wrapped=True)


def _waiting(planned: Planned) -> Iterator[str]:
    decisions = {decision.id: decision for decision in planned.decisions}
    if planned.rate_bit_s is None:
        left = [(decision.id, decision.reason) for decision in planned.decisions if decision.place == "later"]
        if left:
            yield from table(("on no disc", "why"), left, wrapped=True)
        yield from _present(planned)
        return
    rows = [
        (key, f"after {format_seconds(decisions[key].ready_s or 0.0)}", decisions[key].reason)
        for key in planned.plan.order
    ]
    if rows:
        yield from table(("over the link", ">there", "why"), rows, wrapped=True)
    yield from _filled(_other_shapes(planned))
    yield from _present(planned)


def _present(planned: Planned) -> Iterator[str]:
    present = [decision.id for decision in planned.decisions if decision.place == "present"]
    if present:
        yield from _filled(f"Already on the machine: {', '.join(present)}.")


def _other_shapes(planned: Planned) -> str:
    """What `serve` will not offer as it was fetched; "" for nothing."""
    items = {item.id: item.pulled for item in planned.problem.items}
    other = [(key, items[key]) for key in planned.plan.order if items[key].shape != "archive"]
    words = [
        f"{key} ({counted(one.files, 'file') if one.shape == 'unpacked' else one.shape}, "
        f"{format_bytes(one.size_bytes)})"
        for key, one in other
    ]
    return f"Not as fetched, but as it is wanted and the machine can use it: {named(words)}." if words else ""


def _total(planned: Planned) -> Iterator[str]:
    plan, problem = planned.plan, planned.problem
    link = f"{counted(len(plan.order), 'item')} over the link, {format_seconds(plan.seconds_at_link)}"
    saved = f" Burning saves {format_seconds(plan.objective_s)}, weighted by worth."
    if planned.rate_bit_s is None:
        left = sum(decision.place == "later" for decision in planned.decisions)
        yield from _filled(f"There is no link{f': {left} of them come some other way' if left else ''}.")
    else:
        yield from _filled(f"{link if plan.order else 'Nothing waits for the link'}.{saved}")
    for disc, sectors in enumerate(plan.image_sectors, 1):
        name = "The image" if len(plan.image_sectors) == 1 else f"Image {disc}"
        size = format_bytes(sectors * SECTOR_BYTES)
        yield f"{name} takes {sectors:,} of {problem.medium_sectors:,} sectors ({size})."
    proof = "the best there is" if plan.gap == 0 else f"within {plan.gap:.1e} of the best"
    if plan.solver == "none needed":
        yield "All that gains anything fits: the best there is, no solver needed."
    else:
        yield f"Proven by {plan.solver}: {proof}."


def _explanation(planned: Planned) -> Iterator[str]:
    yield from _filled(OBJECTIVE)
    yield from _filled(RULE)
    items = {item.id: item for item in planned.problem.items}
    if not planned.explained:
        yield ""
        rows = [_figures_row(decision, items[decision.id]) for decision in planned.decisions]
        yield from table(("item", ">worth", ">p", ">L", ">D", ">saves"), rows)
    decisions = {decision.id: decision for decision in planned.decisions}
    for one in planned.explained:
        yield ""
        yield from _item_explained(one, decisions[one.id], items[one.id])


def _figures_row(decision: Decision, item: PlanItem) -> tuple[str, ...]:
    saves = format_seconds(decision.saves_s) if item.forms else "-"
    read = format_seconds(item.disc_s) if item.forms else "-"
    waits = format_seconds(item.later_s + item.unpack_s)
    return decision.id, str(item.worth), f"{item.p_stale:.2f}", waits, read, saves


def _item_explained(one: Explained, decision: Decision, item: PlanItem) -> Iterator[str]:
    where = {"burn": f"burns, {decision.form}", "later": "waits for the link", "present": "is there already"}
    why = decision.reason.removeprefix("left for later: ")
    yield from _filled(f"{one.id} {where[decision.place]}: {why}.")
    later = f"{item.later_s:.1f} s"
    later = f"({later} + {item.unpack_s:.1f} s)" if item.unpack_s else later
    for form in item.forms:
        times = f" * {item.times:g} power-ons" if item.times != 1 else ""
        yield from _filled(
            f"{form.form}: {item.worth} / 3 * ((1 - {item.p_stale:.3f}) * {later} - {form.disc_s:.1f} s)"
            f"{times} = {form.gain_s:.1f} s for {form.sectors:,} sectors",
            indent="  ",
        )
    for turn in one.turns:
        yield from _filled(_turn(turn, one.id), indent="  ")


GOES = {"burn": "it would burn", "later": "it would wait", "none": "there is no plan"}


def _turn(turn: Change, key: str) -> str:
    """What is known of one figure and no more: ranges only where every value is known."""
    never = turn.figure == "days" and turn.now >= turn.most
    now = "never" if never else f"{turn.now:,} {UNITS[turn.figure]}"
    head = f"{KEYS[turn.figure].format(id=key)}, now {now}:"
    span = f"from {turn.least:,} to {turn.most:,}"
    told = "; ".join(_steps(side, turn) for side in (turn.below, turn.above) if side)
    if turn.proven:
        return f"{head} {told or f'no value {span} changes it'}"
    tried = f"{turn.tried} values tried {span}"
    return f"{head} {told} ({tried})" if told else f"{head} none of {tried} changes it"


def _steps(steps: Sequence[Step], turn: Change) -> str:
    """One or two steps on one side of the present value."""
    first, goes = steps[0].value, GOES[steps[0].goes]
    away = 1 if first > turn.now else -1
    if len(steps) == 1:
        side = f"from {first:,} on" if away > 0 else f"at {first:,} and below"
        return f"{goes} {side if turn.proven else f'at {first:,}'}"
    second = steps[1].value
    many = turn.proven and second - away != first
    until = f"from {first:,} {'to' if away > 0 else 'down to'} {second - away:,}" if many else f"at {first:,}"
    again = " again" if steps[0].goes != "none" and steps[1].goes != "none" else ""
    return f"{goes} {until}, and {GOES[steps[1].goes]}{again} at {second:,}"


def _over(tried: tuple[Tried, ...]) -> Iterator[str]:
    """A table for each key; where there is no plan, the first reason: a whole list of them hides the other rows."""
    for number, (key, of_key) in enumerate(groupby(tried, key=lambda one: one.key)):
        yield from [""] * bool(number)
        yield from _over_key(key, list(of_key))


def _over_key(key: str, tried: Sequence[Tried]) -> Iterator[str]:
    rows = []
    for one in tried:
        if one.error:
            first, *others = one.error.split("; ")
            more = f"; and {len(others)} more like it (--json has all)" if others else ""
            rows.append((one.value, "-", "-", "-", f"no plan: {first}{more}"))
            continue
        moves = [*(f"+{key}" for key in one.to_disc), *(f"-{key}" for key in one.to_link)]
        link = format_seconds(one.seconds_at_link or 0.0)
        rows.append((one.value, link, str(one.discs), str(one.burned), " ".join(moves) or "no move"))
    yield from table((key, ">at the link", ">discs", ">burn", "moves (+ to disc, - to link)"), rows, wrapped=True)


# ------------------------------------------------------------------------------------------------- wrapping


def _filled(line: str, indent: str = "") -> list[str]:
    return textwrap.wrap(line, WIDTH, initial_indent=indent, subsequent_indent=indent + "  " * bool(indent))

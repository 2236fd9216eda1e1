"""`plan`: burn or later, with reasons; what would change it; what if."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from discprep.disc.layout.options import MIN_TRACK_SECTORS
from discprep.disc.stage import selected
from discprep.errors import CapacityError, DiscprepError, UsageError, flatten, raise_all
from discprep.fetch.files import scratch
from discprep.job.agree import Solved, agreed
from discprep.job.at_hand import AtHand, Known, at_hand, open_items
from discprep.job.figures import Figures, figures, link_seconds
from discprep.job.fitting import fitted
from discprep.job.held import sound
from discprep.job.logged import logged, pace_of
from discprep.job.tree import Tree, Trees
from discprep.machine import holds_links, title_of
from discprep.manifest import load_manifest
from discprep.model import Form, Manifest, Notice, Opened, Plan, PlanItem, PlanProblem, Progress
from discprep.plan.discs import Filled, attempt
from discprep.plan.explain import Change, by_capacity, by_days, by_rate
from discprep.plan.problem import solve
from discprep.report.plan import Explained, Planned, Tried, discs_used


@dataclass(frozen=True, slots=True)
class WhatIf:
    """A key of the manifest and the values to try in it."""

    key: str
    values: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Assumed:
    """One key of the manifest set by the call."""

    option: str  # "--assume"
    key: str
    value: str


def plan(
    path: Path,
    *,
    machine: Path | None = None,
    cache_root: Path | None = None,
    settings: Mapping[str, str] | None = None,
    over: Sequence[WhatIf] = (),
    explain: str | None = None,
    log: Path | None = None,
    progress: Progress | None = None,
) -> Planned:
    """The plan for a manifest.

    Arguments:
        settings: dotted keys of the manifest to set before it is checked
        over: what-ifs, each value planned beside the plan itself
        explain: an item's id; "" explains the plan as a whole
        log: transfers that `serve` logged; they calibrate the seconds at the link

    Raises:
        ManifestError, CapacityError: what must burn contradicts what must wait, or does not fit
        MissingError: an item is not here and its size is unknown
        UsageError: `explain` names no item
        and what `load_manifest` raises
    """
    assumed = [Assumed("--assume", key, value) for key, value in (settings or {}).items()]
    manifest = _load(path, machine, assumed)
    if explain and all(item.id != explain for item in manifest.items):
        raise UsageError(f"there is no item {explain!r} to explain", hint="--json lists the ids.")
    hand, known = at_hand(manifest, cache_root), Known()
    opened = open_items(hand, progress, known)
    hand, held = sound(hand, opened)
    manifest = hand.manifest
    measurements, torn = logged(log) if log else ((), ())
    pace = pace_of(manifest, measurements)
    with scratch() as work:
        trees = Trees(work)
        solved = _agreed(figures(manifest, hand, opened, trees, progress, pace=pace), opened, trees, progress)
        planned = _planned(manifest, opened, solved, trees)

        def answer(other: Manifest) -> Plan:
            return _answer(at_hand(other, cache_root), known, trees, pace)

        tried = tuple(
            _try(path, machine, [*assumed, Assumed("--over", what.key, value)], planned.plan, answer)
            for what in over
            for value in what.values
        )
    if explain is not None:
        told = (explanation(manifest, solved.figured, explain),) if explain else ()
        planned = replace(planned, explain=True, explained=told)
    return replace(planned, tried=tried, notices=(*held, *planned.notices, *torn))


def plan_for(
    manifest: Manifest, hand: AtHand, opened: Mapping[str, Opened], trees: Trees, progress: Progress | None = None
) -> Planned:
    """The plan from what is in hand already; `trees` may be the build's own."""
    solved = _agreed(figures(manifest, hand, opened, trees, progress), opened, trees, progress)
    return _planned(manifest, opened, solved, trees)


def _agreed(
    figured: Figures, opened: Mapping[str, Opened], trees: Trees, progress: Progress | None = None
) -> Solved:
    def exact(solved: Solved) -> int | None:
        return _taken(solved, opened, trees)

    return agreed(figured, opened, trees.work, lambda asked: fitted(asked, _faithful, exact), progress)


def _taken(solved: Solved, opened: Mapping[str, Opened], trees: Trees) -> int | None:
    """Sectors that the one disc takes, second copies aside; None for several discs, and where they are unknown."""
    figured, problem, answer = solved.figured, solved.problem, solved.plan
    manifest, forms = figured.hand.manifest, forms_on(answer, 1)
    if problem.discs != 1 or problem.medium_sectors < MIN_TRACK_SECTORS or forms.keys() & set(figured.estimated):
        return None
    plain = replace(manifest, medium=replace(manifest.medium, second_copy=False))
    tree = trees.of(plain, opened, forms, present=before(answer, 1), preview=True)
    return None if tree.errors else tree.taken_sectors


def _without_links(manifest: Manifest, opened: Mapping[str, Opened], answer: Plan) -> Iterator[Notice]:
    """A remark on each item whose symbolic links its shape drops: any shape but the archive as it is."""
    for told in answer.decisions:
        if told.id not in opened or not told.pulled or told.pulled.shape == "archive":
            continue
        item = manifest.item(told.id)
        taken = selected(item, opened[item.id].members, manifest.profile)
        links = [entry.member.name for entry in taken if entry.member.kind == "link"]
        if links:
            first = f"{links[0]}{f' and {len(links) - 1} more' if len(links) > 1 else ''}"
            yield Notice(
                f"crosses the link as {told.pulled.shape}, without its symbolic links: {first}",
                item=item.id,
                hint="Make them on the machine by hand, or have the item burned."
                if holds_links(manifest)
                else "Where one is wanted, copy on the machine what it leads to.",
            )


def _planned(manifest: Manifest, opened: Mapping[str, Opened], solved: Solved, trees: Trees) -> Planned:
    """The plan with the chosen tree of each disc laid out to the sector."""
    figured, problem, answer = solved.figured, solved.problem, solved.plan
    used = {d.id for d in answer.decisions if d.place == "burn"}
    exact = not used & set(figured.estimated)
    chosen = disc_trees(manifest, opened, answer, trees) if exact else ()
    errors = tuple(dict.fromkeys(error for tree in chosen for error in tree.errors))
    sizes = () if errors else tuple(tree.sectors for tree in chosen)
    return Planned(
        replace(answer, image_sectors=sizes),
        problem,
        titles={item.id: title_of(item) for item in manifest.items},
        estimated=figured.estimated,
        notices=(*figured.notices, *solved.notices, *_without_links(manifest, opened, answer)),
        errors=errors,
        rate_bit_s=manifest.link.rate_bit_s if manifest.link else None,
    )


def forms_on(answer: Plan, disc: int) -> dict[str, Form]:
    """The items on one disc (from 1), each with its form: what `stage` and `tree_of` take."""
    return {d.id: d.form for d in answer.decisions if d.disc == disc and d.form}


def before(answer: Plan, disc: int) -> set[str]:
    """Ids that are on the machine before a disc is used: there already, or on an earlier disc."""
    return {d.id for d in answer.decisions if d.place == "present" or (d.disc is not None and d.disc < disc)}


def disc_trees(manifest: Manifest, opened: Mapping[str, Opened], answer: Plan, trees: Trees) -> tuple[Tree, ...]:
    """The tree of each disc, secrets masked."""
    return tuple(
        trees.of(
            disc_manifest(manifest, disc), opened, forms_on(answer, disc), present=before(answer, disc), preview=True
        )
        for disc in range(1, discs_used(answer) + 1)
    )


def disc_manifest(manifest: Manifest, disc: int) -> Manifest:
    """The manifest with the volume name of one disc: a further disc has its number at the end."""
    if disc == 1:
        return manifest
    volume = f"{manifest.medium.volume[: 16 - len(str(disc))]}{disc}"
    return replace(manifest, medium=replace(manifest.medium, volume=volume))


def _faithful(figured: Figures) -> Solved:
    """The plan in which no item stands unpacked that would lose something by it while an unpacker is burned: such
    items are held to the packed form and the plan is made anew, until none is left."""
    problem = figured.problem
    notices: list[Notice] = []
    while True:
        answer = solve(problem)
        hurt = _hurt(problem, figured, {d.id: d.form for d in answer.decisions if d.form})
        if not hurt:
            return Solved(figured, problem, answer, tuple(notices))
        notices += [Notice(f"unpacked, {figured.measured[key].spoils}: it stays packed", item=key) for key in hurt]
        problem = _held_packed(problem, hurt)


def _fillings(problem: PlanProblem, figured: Figures) -> tuple[Filled | None, ...]:
    """As `_faithful` for another question about the same items: each filling on the way, the last one stands."""
    filled = attempt(problem)
    forms = {key: option.form for disc in (filled.discs if filled else ()) for key, option in disc.items()}
    hurt = _hurt(problem, figured, forms)
    return (filled, *(_fillings(_held_packed(problem, hurt), figured) if hurt else ()))


def _hurt(problem: PlanProblem, figured: Figures, forms: Mapping[str, Form]) -> list[str]:
    """Items that lose something in these forms and would not packed."""
    burned = {*forms, *problem.present}
    return [k for k, form in forms.items() if form == "unpacked" and _better_packed(k, problem, figured, burned)]


def _held_packed(problem: PlanProblem, keys: Collection[str]) -> PlanProblem:
    return replace(problem, items=tuple(_packed_only(i) if i.id in keys else i for i in problem.items))


def _better_packed(key: str, problem: PlanProblem, figured: Figures, burned: set[str]) -> bool:
    if not figured.measured[key].spoils:
        return False
    item = next(item for item in problem.items if item.id == key)
    packed = [form for form in item.forms if form.form == "packed"]
    return any(all(burned.intersection(group) for group in form.needs) for form in packed)


def _packed_only(item: PlanItem) -> PlanItem:
    return replace(item, forms=tuple(form for form in item.forms if form.form == "packed"))


# ---------------------------------------------------------------------------------------------- explanations


def explanation(manifest: Manifest, figured: Figures, key: str) -> Explained:
    """The capacities, the rates and the staleness at which an item would go another way."""
    problem = figured.problem
    item = next(item for item in problem.items if item.id == key)
    if key in problem.present or not item.forms:
        return Explained(key, ())

    def fill(asked: PlanProblem) -> tuple[Filled | None, ...]:
        return _fillings(asked, figured)

    least = max(0, MIN_TRACK_SECTORS - problem.constant_sectors)
    changes: list[Change | None] = [_of_medium(by_capacity(problem, key, fill, least), problem.constant_sectors)]
    if manifest.link:

        def later_s(rate: int) -> Mapping[str, float]:
            return link_seconds(manifest, figured.measured, rate, pace=figured.pace)

        changes.append(by_rate(problem, key, manifest.link.rate_bit_s, later_s, fill))
    changes.append(by_days(problem, key, fill))
    return Explained(key, tuple(change for change in changes if change))


def _of_medium(change: Change, constant: int) -> Change:
    """A capacity for items, told as the sectors of the whole medium."""
    below, above = (tuple(replace(step, value=step.value + constant) for step in side)
                    for side in (change.below, change.above))  # fmt: skip
    now, least, most = change.now + constant, change.least + constant, change.most + constant
    return replace(change, now=now, below=below, above=above, least=least, most=most)


# --------------------------------------------------------------------------------------------------- what if


def _try(
    path: Path,
    machine: Path | None,
    assumed: Sequence[Assumed],
    base: Plan,
    answered: Callable[[Manifest], Plan],
) -> Tried:
    what = assumed[-1]
    try:
        answer = answered(_load(path, machine, assumed))
    except DiscprepError as error:
        if not all(isinstance(one, CapacityError) for one in flatten([error])):
            raise
        return Tried(what.key, what.value, error="; ".join(one.message for one in flatten([error])))
    was = {d.id for d in base.decisions if d.place == "burn"}
    now = {d.id for d in answer.decisions if d.place == "burn"}
    return Tried(
        what.key,
        what.value,
        answer.seconds_at_link,
        answer.objective_s,
        discs_used(answer),
        len(now),
        tuple(sorted(now - was)),
        tuple(sorted(was - now)),
    )


def _load(path: Path, machine: Path | None, assumed: Sequence[Assumed]) -> Manifest:
    """The manifest as it would be. A fault that it has not without what is assumed is put down to that."""
    try:
        return load_manifest(path, machine=machine, settings={one.key: one.value for one in assumed})
    except DiscprepError as error:
        faults = tuple(flatten([error]))
    own: set[str] = set()
    try:
        load_manifest(path, machine=machine)
    except DiscprepError as error:
        own = {str(fault) for fault in flatten([error])}
    blamed = [fault if str(fault) in own else _blamed(fault, assumed) for fault in faults]
    raise_all(list({str(fault): fault for fault in blamed}.values()))
    raise AssertionError("faults are never empty")


def _blamed(fault: DiscprepError, assumed: Sequence[Assumed]) -> DiscprepError:
    """A fault put down to the assumption of the key that it names, else to all of them. A link's rate or framing is
    one of the bridge too, whose fault is then the same."""
    keys = {one.key for one in assumed}
    section, _, rest = fault.message.partition(".")
    if section == "bridge" and not any(fault.message.startswith(key) for key in keys):
        fault.message = f"link.{rest}"
    named = [one for one in assumed if _names(fault, one.key)] or assumed
    fault.where = ", ".join(f"{one.option} {one.key}={one.value}" for one in named)
    return fault


def _names(fault: DiscprepError, key: str) -> bool:
    head, _, last = key.rpartition(".")
    if head.startswith("item."):
        return head == f"item.{fault.item}" and last in fault.message
    return key in fault.message


def _answer(hand: AtHand, known: Known, trees: Trees, pace: float) -> Plan:
    """The plan alone, from what was opened and named for others already; the chosen trees are not laid out."""
    opened = open_items(hand, None, known)
    hand, _ = sound(hand, opened)
    return _agreed(figures(hand.manifest, hand, opened, trees, pace=pace), opened, trees).plan


def what_if(text: str) -> WhatIf:
    """`KEY=V1,V2,V3` as typed. Raises UsageError."""
    key, sign, values = text.partition("=")
    found = tuple(value.strip() for value in values.split(",") if value.strip())
    if not sign or not key.strip() or not found:
        raise UsageError(f"{text!r} is not KEY=V1,V2,V3", hint="For example: --over link.rate=19200,38400,57600")
    return WhatIf(key.strip(), found)


def assumptions(words: Sequence[str]) -> dict[str, str]:
    """`KEY=VALUE` words as a mapping. Raises UsageError for each that is none."""
    errors: list[DiscprepError] = []
    settings: dict[str, str] = {}
    for word in words:
        key, sign, value = word.partition("=")
        if sign and key.strip():
            settings[key.strip()] = value.strip()
        else:
            errors.append(UsageError(f"{word!r} is not KEY=VALUE", hint="For example: --assume link.rate=38400"))
    raise_all(errors)
    return settings

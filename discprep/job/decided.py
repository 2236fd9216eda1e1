"""What waits for the link, in which order and shape: as it was decided when the machine's disc was built.

The record of the newest disc says it. Where manifest or pins have changed since, that disc still is what the machine
has: what it carries is there, and only the rest is planned anew. Without a disc the whole plan is made.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from discprep.disc.record import Record, RecordItem
from discprep.errors import ArchiveError, CapacityError, Faults, ManifestError, NameRuleError
from discprep.fetch.files import scratch
from discprep.job.at_hand import AtHand, at_hand, open_items
from discprep.job.builds import Build
from discprep.job.held import sound
from discprep.machine import size_of
from discprep.model import Item, Manifest, Notice, Opened, Plan, PlanProblem, Progress, Pulled
from discprep.report.plan import Planned
from discprep.serve.stock import escapes_of


@dataclass(frozen=True, slots=True)
class Decided:
    """`order`: ids of what waits, as it is to be pulled; `there`: ids on the machine's discs; `pulled`: what crosses
    the link of each that waits."""

    order: tuple[str, ...]
    there: frozenset[str]
    pulled: Mapping[str, Pulled]


def decided(
    hand: AtHand, opened: Mapping[str, Opened], discs: Sequence[Build], fits: bool, progress: Progress
) -> tuple[AtHand, Decided, tuple[Notice, ...]]:
    """What is in hand less what is held back as damaged, what was decided, and a remark on each that is held back.

    Arguments:
        discs: those of the newest build, the last one last
        fits: whether they were built from what is in hand

    Raises: as `job.plan`
    """
    manifest, last = hand.manifest, discs[-1].record if discs else None
    there = frozenset(item.id for item in manifest.items if _carried(item, hand, opened, discs))
    beside = replace(hand, manifest=replace(manifest, has=(*manifest.has, *sorted(there))))
    beside, hurt = sound(beside, opened)
    hand = replace(hand, manifest=replace(beside.manifest, has=manifest.has))
    if last is None:
        found = _of_plan(planned(hand, opened, progress).plan)
    else:
        told = _of_record(hand, last, there) if fits and last.inputs_sha256 else None
        found = told or _rest(beside, opened, there, progress)
    return hand, found, hurt


def planned(hand: AtHand, opened: Mapping[str, Opened], progress: Progress) -> Planned:
    """The plan for what is at hand; raises as `job.plan`."""
    from discprep.job.plan import plan_for
    from discprep.job.tree import Trees

    with scratch() as work:
        return plan_for(hand.manifest, hand, opened, Trees(work), progress)


def crossing_of(
    manifest: Manifest, cache: Path | None, progress: Progress
) -> tuple[dict[str, Pulled | None], tuple[Notice, ...]]:
    """What crosses the link of each item that could, as the plan reckons it, None where its size is not known; and a
    remark on what is held back as damaged. Where no disc can be planned, as if everything waited.

    Raises:
        ToolError: this computer lacks what reads an item
        StorageError: the cache cannot be used
        ManifestError: a pins file is damaged
    """
    hand = at_hand(manifest, cache)
    gone = (item for item in manifest.items if item.id not in hand.paths)
    unsized = {item.id for item in gone if size_of(item, hand.pins.get(item.id)) is None}
    items = tuple(replace(item, size_bytes=0) if item.id in unsized else item for item in manifest.items)
    opened = open_items(hand, progress)
    try:
        problem, held = _problem(replace(hand, manifest=replace(manifest, items=items)), opened, progress)
    except (ArchiveError, CapacityError, ManifestError, NameRuleError, Faults):
        later = all_later(replace(manifest, items=items))
        problem, held = _problem(replace(hand, manifest=later), opened, progress)
    return {item.id: None if item.id in unsized else item.pulled for item in problem.items}, held


def _problem(
    hand: AtHand, opened: Mapping[str, Opened], progress: Progress
) -> tuple[PlanProblem, tuple[Notice, ...]]:
    hand, held = sound(hand, opened)
    return planned(hand, opened, progress).problem, held


def _carried(item: Item, hand: AtHand, opened: Mapping[str, Opened], discs: Sequence[Build]) -> bool:
    """Whether one of the discs has an item, in the version that is in hand as far as that is known."""
    pin, one = hand.pins.get(item.id), opened.get(item.id)
    now = one.sha256 if one else pin.sha256 if pin else item.hashes.sha256
    burned = (told for disc in discs for told in disc.record.items if told.id == item.id and told.place == "burn")
    return any(now is None or told.archive_sha256 in ("", now) for told in burned)


def _of_plan(plan: Plan) -> Decided:
    burned = frozenset(decision.id for decision in plan.decisions if decision.place == "burn")
    return Decided(plan.order, burned, {one.id: one.pulled for one in plan.decisions if one.pulled})


def _of_record(hand: AtHand, record: Record, there: frozenset[str]) -> Decided | None:
    """As the record has it, less what is held back now; None where it does not say it, being of an older version."""
    known = {item.id for item in hand.manifest.items}
    waits = sorted((one for one in record.items if one.place == "later" and one.id in known), key=lambda one: one.turn)
    if not all(one.turn and one.shape for one in waits):
        return None
    pulled = {one.id: found for one in waits if (found := _pulled(one, hand))}
    return Decided(tuple(one.id for one in waits), there, pulled)


def _pulled(one: RecordItem, hand: AtHand) -> Pulled | None:
    """What crosses the link, its bytes spread evenly over its files: the shelf tells exactly what is at hand."""
    if not one.shape:
        return None
    size, more = divmod(one.pulled_bytes, one.pulled_files)
    sizes = (*[size + 1] * more, *[size] * (one.pulled_files - more))
    pin = hand.pins.get(one.id)
    return Pulled(one.shape, sizes, escapes_of(pin, None) if one.shape == "archive" else None)


def _rest(hand: AtHand, opened: Mapping[str, Opened], there: frozenset[str], progress: Progress) -> Decided:
    """What the discs have not, planned as it waits; what is asked to burn is for another disc.

    Arguments:
        hand: its manifest counts what the discs carry as there
    """
    plan = planned(replace(hand, manifest=all_later(hand.manifest)), opened, progress).plan
    waits = tuple(key for key in plan.order if hand.manifest.item(key).place != "burn")
    return replace(_of_plan(plan), order=waits, there=there)


def all_later(manifest: Manifest) -> Manifest:
    """The same with nothing left to burn, and nothing that asks for it."""
    items = tuple(replace(item, place="later") for item in manifest.items)
    return replace(manifest, items=items, bring_up=(), plan=replace(manifest.plan, link_budget_s=None))

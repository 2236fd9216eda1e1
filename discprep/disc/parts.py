"""In which order the machine gets its items: parts split at the steps done by hand, needs first. Pure."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass, replace

from discprep.model import Item, Manifest, Step


@dataclass(frozen=True, slots=True)
class Part:
    """What one setup script copies, with the hand steps right before and after it."""

    number: int  # from 1
    items: tuple[str, ...]
    before: tuple[Step, ...] = ()
    after: tuple[Step, ...] = ()


def parts(manifest: Manifest, burned: Collection[str], present: Collection[str] = ()) -> tuple[Part, ...]:
    """The parts of one disc.

    A step comes once the items of its `after`, and all they need, are copied; a step with an empty `after` right
    after the step before it. A step that waits for an item which is neither on this disc nor present is left to
    whoever brings that item.

    Arguments:
        burned: ids of the items on this disc
        present: ids already on the machine, or brought by an earlier disc
    """
    known = {*burned, *present, *manifest.has}
    waiting = copy_order(manifest, burned)
    found: list[Part] = []
    first: list[Step] = []
    for step in manifest.steps:
        if step.at != "machine" or not known.issuperset(step.after):
            continue
        wanted = _closure(manifest, step.after)
        taken = tuple(item for item in waiting if item in wanted)
        waiting = tuple(item for item in waiting if item not in wanted)
        if taken:
            found.append(Part(len(found) + 1, taken, after=(step,)))
        elif found:
            found[-1] = replace(found[-1], after=(*found[-1].after, step))
        else:
            first.append(step)
    if waiting or not found:
        found.append(Part(len(found) + 1, waiting))
    found[0] = replace(found[0], before=tuple(first))
    return tuple(found)


def part_order(manifest: Manifest, burned: Collection[str], present: Collection[str] = ()) -> tuple[str, ...]:
    """The burned items in the order in which the parts copy them: the order to lay them out on the disc."""
    return tuple(item for part in parts(manifest, burned, present) for item in part.items)


def copy_order(manifest: Manifest, burned: Collection[str]) -> tuple[str, ...]:
    """Burned items such that each comes after all it needs, bring-up first, else as in the manifest."""
    urgent = bring_up_items(manifest)
    items = [item for item in manifest.items if item.id in set(burned)]
    order: dict[str, None] = {}
    for item in sorted(items, key=lambda item: item.id not in urgent):
        for needed in _needs_first(manifest, item):
            if needed in burned:
                order.setdefault(needed)
    return tuple(order)


def bring_up_items(manifest: Manifest) -> set[str]:
    """The items of the bring-up set: those it names or that give its roles, and all that they need."""
    return _closure(manifest, manifest.bring_up)


def needed_items(manifest: Manifest, burned: Collection[str]) -> set[str]:
    """Items whose loss stops a part: the bring-up set, and whatever another item of the disc needs."""
    needs = (need for item in manifest.items if item.id in burned for need in item.needs)
    return bring_up_items(manifest) | _closure(manifest, needs)


def _closure(manifest: Manifest, wanted: Iterable[str]) -> set[str]:
    """Items by id or role, with all they need."""
    found: set[str] = set()
    waiting = list(wanted)
    while waiting:
        for item in _meant(manifest, waiting.pop()):
            if item.id not in found:
                found.add(item.id)
                waiting += item.needs
    return found


def _meant(manifest: Manifest, name: str) -> list[Item]:
    return [item for item in manifest.items if item.id == name or name in item.gives]


def _needs_first(manifest: Manifest, item: Item) -> list[str]:
    """An item after all that it needs, depth first; circles were refused when the manifest was loaded."""
    order: dict[str, None] = {}
    seen: set[str] = set()
    stack = [(item, iter(item.needs))]
    while stack:
        current, needs = stack[-1]
        seen.add(current.id)
        need = next(needs, None)
        if need is None:
            stack.pop()
            order.setdefault(current.id)
        else:
            stack += [(one, iter(one.needs)) for one in _meant(manifest, need) if one.id not in seen]
    return list(order)

"""In which order the machine gets its items: parts split at the steps done by hand, needs first. Pure."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

from discprep.machine import bring_up_items, kind_of, with_needs
from discprep.model import UNPACK_ROLES, Form, Item, Manifest, Staged, Step


@dataclass(frozen=True, slots=True)
class Part:
    """What one setup script copies, with the hand steps right before and after it."""

    number: int  # from 1
    items: tuple[str, ...]
    before: tuple[Step, ...] = ()
    after: tuple[Step, ...] = ()


def parts(
    manifest: Manifest, burned: Collection[str], present: Collection[str] = (), packed: Collection[str] = ()
) -> tuple[Part, ...]:
    """The parts of one disc.

    A step comes once the items of its `after`, and all they need, are copied; a step with an empty `after` right
    after the step before it. One that wipes comes once all of this disc is copied: afterwards the drive may not be
    seen. The steps keep their order. A step is done with the disc that brings the last of its items: not again with a
    later one, and where that is none of the discs, it is left to whoever brings the item.

    Arguments:
        burned: ids of the items on this disc
        present: ids already on the machine, or brought by an earlier disc
        packed: those of `burned` that stand on the disc packed only: what unpacks one is in its part at the latest
    """
    waiting = copy_order(manifest, burned)
    found: list[Part] = []
    first: list[Step] = []
    for steps in _together(_steps_here(manifest, burned, present)):
        if not steps[0].after and not found:
            first += steps
            continue
        wanted = _with_openers(manifest, with_needs(manifest, steps[0].after), burned, packed)
        late = any(step.wipes for step in steps)
        taken = tuple(item for item in waiting if late or item in wanted)
        waiting = tuple(item for item in waiting if item not in taken)
        if taken:
            found.append(Part(len(found) + 1, taken, after=steps))
        elif found:
            found[-1] = replace(found[-1], after=(*found[-1].after, *steps))
        else:
            first += steps
    if waiting or not found:
        found.append(Part(len(found) + 1, waiting))
    found[0] = replace(found[0], before=tuple(first))
    return tuple(found)


def _steps_here(manifest: Manifest, burned: Collection[str], present: Collection[str]) -> Iterator[Step]:
    """The machine's steps that are done with this disc, in their order."""
    known = {*burned, *present, *manifest.has}
    here = is_first = set(present) <= set(manifest.has)
    for step in manifest.steps:
        if step.at != "machine":
            continue
        if step.after:
            here = known.issuperset(step.after) and (is_first or not set(burned).isdisjoint(step.after))
        if here:
            yield step


def _together(steps: Iterable[Step]) -> list[tuple[Step, ...]]:
    """Each step with those that have an empty `after` and so follow right after it."""
    groups: list[tuple[Step, ...]] = []
    for step in steps:
        if step.after or not groups:
            groups.append((step,))
        else:
            groups[-1] = (*groups[-1], step)
    return groups


def _with_openers(manifest: Manifest, wanted: set[str], burned: Collection[str], packed: Collection[str]) -> set[str]:
    """The wanted items, and those of the disc that unpack what of them stands there packed, with all they need."""
    formats = {kind_of(manifest.item(item)) for item in wanted & set(packed)}
    roles = {role for archive_format in formats for role in UNPACK_ROLES.get(archive_format, ())}
    openers = {item.id for item in manifest.items if roles & set(item.gives)}.intersection(burned)
    return wanted | with_needs(manifest, openers)


def packed_only(staged: Iterable[Staged]) -> set[str]:
    """Ids of the items of which only the archive stands among these files."""
    forms = {(entry.item, entry.form == "packed") for entry in staged}
    return {item for item, is_archive in forms if is_archive and (item, False) not in forms}


def part_order(manifest: Manifest, forms: Mapping[str, Form], present: Collection[str] = ()) -> tuple[str, ...]:
    """The burned items in the order in which the parts copy them: the order to lay them out on the disc."""
    packed = [item for item, form in forms.items() if form == "packed"]
    return tuple(item for part in parts(manifest, forms, present, packed) for item in part.items)


def copy_order(manifest: Manifest, burned: Collection[str]) -> tuple[str, ...]:
    """Burned items such that each comes after all it needs: what unpacks, then bring-up, else as in the manifest."""
    openers = with_needs(manifest, {role for roles in UNPACK_ROLES.values() for role in roles})
    urgent = bring_up_items(manifest)
    burned = frozenset(burned)  # it is asked for every item
    items = [item for item in manifest.items if item.id in burned]
    order: dict[str, None] = {}
    for item in sorted(items, key=lambda item: (item.id not in openers, item.id not in urgent)):
        for needed in _needs_first(manifest, item):
            if needed in burned:
                order.setdefault(needed)
    return tuple(order)


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
            meant = map(manifest.item, manifest.givers(need))
            stack += [(one, iter(one.needs)) for one in meant if one.id not in seen]
    return list(order)

"""In which order to pull what waits, and when each item is there."""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Mapping
from fractions import Fraction

from discprep.model import PlanItem
from discprep.plan.settle import closure, milliseconds


def order_later(later: Iterable[PlanItem], have: Iterable[str]) -> list[str]:
    """Ids of the later items in the order to pull them.

    Each time, of all items still to come, that one is next, with whatever it needs first, which brings the most
    worth per second at the link (its needs counted in); of equals the earlier id. Needs come before what needs
    them, and what opens an item on the machine before the item; a need that nothing on hand or to come can meet is
    passed over (`check` has said so).
    """
    items = {item.id: item for item in sorted(later, key=lambda item: item.id)}
    done = set(have)
    needs = {key: _to_come(item, items) for key, item in items.items()}
    users: dict[str, set[str]] = {key: set() for key in items}
    heap = [_entry(key, items, needs, done, users) for key in items]
    heapq.heapify(heap)
    order: list[str] = []
    while heap:
        entry = heapq.heappop(heap)
        key = entry[1]
        if key in done:
            continue
        fresh = _entry(key, items, needs, done, users)
        if fresh[0] != entry[0]:
            heapq.heappush(heap, fresh)
            continue
        batch = closure([key], needs, done)
        order += batch
        done.update(batch)
        for user in sorted({u for pulled in batch for u in users[pulled]} - done):
            heapq.heappush(heap, _entry(user, items, needs, done, users))
    return order


def _to_come(item: PlanItem, items: Mapping[str, PlanItem]) -> tuple[tuple[str, ...], ...]:
    """Each need's givers that wait too, the quickest first. A giver at hand settles the need in `closure`."""
    sets = []
    for group in (*item.needs, *item.opened_by):
        waiting = sorted((key for key in group if key in items), key=lambda key: (items[key].later_s, key))
        at_hand = tuple(key for key in group if key not in items)
        sets.append((*waiting, *at_hand) if waiting else ())
    return tuple(sets)


def _entry(
    key: str,
    items: Mapping[str, PlanItem],
    needs: Mapping[str, tuple[tuple[str, ...], ...]],
    done: set[str],
    users: dict[str, set[str]],
) -> tuple[Fraction, str]:
    """Seconds for a unit of worth, exact, of an item with its needs: the least is next."""
    batch = closure([key], needs, done)
    for need in batch:
        users[need].add(key)
    cost_ms = sum(milliseconds(items[k].later_s) for k in batch)
    return Fraction(cost_ms, sum(items[k].worth for k in batch)), key

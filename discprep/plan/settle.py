"""What is settled before any solver: what must burn with all that it needs, what cannot burn, and why.

All figures become whole numbers here (milliseconds, sectors, bytes), so that sums are exact.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace

from discprep.errors import CapacityError, DiscprepError, ManifestError, raise_all
from discprep.model import Form, PlanItem, PlanProblem
from discprep.plan.words import one_of, sectors

Needs = tuple[tuple[str, ...], ...]
FORM_ORDER: Mapping[Form, int] = {"unpacked": 0, "packed": 1, "both": 2}


@dataclass(frozen=True, slots=True)
class Option:
    """One form of a candidate. `extra_bytes`: storage it takes beyond `storage_bytes` while it is unpacked."""

    form: Form
    sectors: int
    storage_bytes: int
    extra_bytes: int
    gain_ms: int
    needs: Needs = ()


@dataclass(frozen=True, slots=True)
class Candidate:
    """An item that may burn. `needs` hold only what is not on the machine yet, and only what may burn."""

    id: str
    options: tuple[Option, ...]
    needs: Needs = ()
    must: bool = False
    first: bool = False  # must stand on the first disc
    later_ms: int = 0
    volume: str = ""

    @property
    def best(self) -> Option:
        """The form that gains most; of equals the first in the order unpacked, packed, both."""
        return max(self.options, key=lambda option: option.gain_ms)


@dataclass(frozen=True, slots=True)
class Block:
    """Why an item cannot burn; `for_room`: a larger disc would change that."""

    why: str
    for_room: bool = False


@dataclass(frozen=True, slots=True)
class Settled:
    """`candidates` sorted by id; `blocked` says why an item cannot burn; `forced_by` what a must stems from."""

    candidates: tuple[Candidate, ...]
    blocked: Mapping[str, Block]
    forced_by: Mapping[str, str]  # id -> the item that needs it; itself where the user or the bring-up asks
    wants: tuple[tuple[str, tuple[str, ...]], ...] = ()  # (why, candidates): one of them burns on the first disc


def milliseconds(elapsed_s: float) -> int:
    """Whole milliseconds."""
    return round(elapsed_s * 1000)


def settle(problem: PlanProblem) -> Settled:
    """Closes what must burn under its needs and finds what cannot burn.

    Raises:
        ManifestError: something must burn that cannot; the message shows the chain (all of them at once)
        CapacityError: something must burn that no disc holds
    """
    items = {item.id: item for item in sorted(problem.items, key=lambda item: item.id)}
    if len(items) < len(problem.items):
        raise ManifestError("two items have the same id; each needs its own")
    present = frozenset(problem.present)
    here = {key: item for key, item in items.items() if key not in present or item.must == "burn"}
    options = {key: _options(item, problem.capacity_sectors) for key, item in here.items()}
    blocked = _block(here, options, present, problem.capacity_sectors)
    wants = [(why, group) for why, group in problem.wants if present.isdisjoint(group)]
    asked = {key: items[key].why or "asked to burn" for key in blocked if items[key].must == "burn"}
    online = {group[0]: why for why, group in wants if len(group) == 1 and group[0] in blocked}
    faults = [_contradiction(items[key], why, blocked[key], problem) for key, why in {**asked, **online}.items()]
    hopeless = [(why, group) for why, group in wants if len(group) != 1 and blocked.keys() >= set(group)]
    raise_all([*faults, *(_nobody(why, group, blocked) for why, group in hopeless)])
    wants = [(why, tuple(sorted(set(group) - blocked.keys()))) for why, group in wants]
    open_ids = [key for key in here if key not in blocked]
    needs = {key: _unmet(items[key].needs, present, blocked) for key in open_ids}
    for key in open_ids:
        options[key] = tuple(replace(o, needs=_unmet(o.needs, present, blocked)) for o in options[key])
    bring_up = {group[0]: group[0] for _, group in wants if len(group) == 1}
    musts = {key: key for key in open_ids if items[key].must == "burn"}
    forced_by = _force({**musts, **bring_up}, needs, options)
    first = _force(bring_up, needs, options)
    candidates = (
        Candidate(
            id=key,
            options=options[key],
            needs=needs[key],
            must=key in forced_by,
            first=key in first,
            later_ms=milliseconds(items[key].later_s),
            volume=items[key].volume,
        )
        for key in open_ids
    )
    return Settled(tuple(candidates), blocked, forced_by, tuple(wants))


def _options(item: PlanItem, room: int) -> tuple[Option, ...]:
    forms = sorted(item.forms, key=lambda form: FORM_ORDER[form.form])
    return tuple(
        Option(
            form.form,
            form.sectors,
            form.storage_bytes,
            max(0, form.peak_bytes - form.storage_bytes),
            milliseconds(form.gain_s),
            form.needs,
        )
        for form in forms
        if form.sectors <= room or room < 0  # a disc too small for its own structures is refused as a whole
    )


def _block(
    items: Mapping[str, PlanItem], options: dict[str, tuple[Option, ...]], present: frozenset[str], room: int
) -> dict[str, Block]:
    """Why each item that cannot burn cannot; takes away the forms that nothing can unpack."""
    blocked = {key: block for key, item in items.items() if (block := _own_fault(item, options[key], room))}
    while True:
        able = (items.keys() - blocked.keys()) | present
        more: dict[str, Block] = {}
        for key in sorted(items.keys() - blocked.keys()):
            kept = tuple(option for option in options[key] if not _lacking(option.needs, able))
            of_form = [] if kept else _lacking(options[key][0].needs, able)
            lacks = _lacking(items[key].needs, able)
            options[key] = kept or options[key]
            if lacks or of_form:
                more[key] = _because((lacks or of_form)[0], blocked)
            if of_form and not lacks:
                more[key] = _for_room(items[key], able, room, more[key])
        if not more:
            return blocked
        blocked |= more


def _for_room(item: PlanItem, able: frozenset[str] | set[str], room: int, block: Block) -> Block:
    """The reason of a form that lacks what it needs, or that of a larger form that lacks room alone."""
    large = [form.sectors for form in item.forms if form.sectors > room >= 0 and not _lacking(form.needs, able)]
    return Block(f"{_no_disc(min(large), room)}; a smaller form {block.why}", for_room=True) if large else block


def _no_disc(least: int, room: int) -> str:
    return f"no disc holds it: it takes {sectors(least)}, room for items is {room:,}"


def _own_fault(item: PlanItem, options: tuple[Option, ...], room: int) -> Block | None:
    if item.must == "later":
        return Block(item.why or "asked for later")
    if not item.forms:
        return Block("no form of it is legal")
    if not options:
        return Block(_no_disc(min(form.sectors for form in item.forms), room), for_room=True)
    return None


def _lacking(needs: Needs, able: frozenset[str] | set[str]) -> list[tuple[str, ...]]:
    return [group for group in needs if not able.intersection(group)]


def _because(group: tuple[str, ...], blocked: Mapping[str, Block]) -> Block:
    """The chain: "needs b; b needs c; c: asked for later"."""
    culprits = [key for key in group if key in blocked]
    chain = f"needs {one_of(group)}"
    if not culprits:
        return Block(chain)
    why = blocked[culprits[0]].why
    link = " " if why.startswith("needs ") else ": "
    return Block(f"{chain}; {culprits[0]}{link}{why}", any(blocked[key].for_room for key in culprits))


def _contradiction(item: PlanItem, asked: str, block: Block, problem: PlanProblem) -> DiscprepError:
    least = min((form.sectors for form in item.forms), default=0)
    missing = least - problem.capacity_sectors
    if block.for_room and missing > 0:
        return CapacityError(
            f"{item.id} must burn ({asked}) and does not fit: it takes {sectors(least)}, the disc has room for "
            f"{problem.capacity_sectors:,}: {missing:,} sectors are missing",
            item=item.id,
            hint=_SMALLER,
        )
    chain = f"{item.id} {block.why}" if block.why.startswith("needs ") else block.why
    return _refusal(block.for_room, f"{item.id} must burn ({asked}), and cannot: {chain}", item.id)


def _nobody(why: str, group: tuple[str, ...], blocked: Mapping[str, Block]) -> DiscprepError:
    """Nothing that would meet a want can burn."""
    chains = "; ".join(f"{key}: {blocked[key].why}" for key in sorted(group))
    message = f"{one_of(sorted(group))} must burn ({why}), and cannot: {chains}"
    return _refusal(any(blocked[key].for_room for key in group), message, "")


_SMALLER = "Take a larger medium, leave members out, or let it wait."


def _refusal(for_room: bool, message: str, item: str) -> DiscprepError:
    if for_room:
        return CapacityError(message, item=item, hint=_SMALLER)
    return ManifestError(message, item=item, hint="Change one place or one need in this chain.")


def _unmet(needs: Needs, present: frozenset[str], blocked: Mapping[str, Block]) -> Needs:
    """The needs that something must be burned for, each with what may be."""
    unmet = (tuple(sorted(set(group) - blocked.keys())) for group in needs if not present.intersection(group))
    return tuple(dict.fromkeys(unmet))


def _force(
    asked: dict[str, str], needs: Mapping[str, Needs], options: dict[str, tuple[Option, ...]]
) -> dict[str, str]:
    """Everything that burns with what is asked, each with the item that needs it. Alternatives stay open."""
    forced, queue = dict(asked), list(asked)
    for key in queue:
        only = options[key][0].needs if len(options[key]) == 1 else ()
        for group in (*needs[key], *only):
            if len(group) == 1 and group[0] in needs and group[0] not in forced:
                forced[group[0]] = key
                queue.append(group[0])
    return forced


def closure(start: Iterable[str], needs: Mapping[str, Needs], have: Collection[str]) -> list[str]:
    """What must come along with `start`, itself included, each after what it needs; the first by id where one of
    several will do and none is there yet.

    >>> closure(["c"], {"a": (), "b": (("a",),), "c": (("a", "b"), ("b",))}, set())
    ['a', 'b', 'c']
    """
    order: list[str] = []
    seen: set[str] = set()
    stack = [(key, False) for key in start]
    while stack:
        key, done = stack.pop()
        if done:
            order.append(key)
        elif key not in seen and key not in have:
            seen.add(key)
            stack.append((key, True))
            stack.extend((group[0], False) for group in needs.get(key, ()) if group and not _met(group, seen, have))
    return order


def _met(group: tuple[str, ...], seen: set[str], have: Collection[str]) -> bool:
    return any(key in seen or key in have for key in group)

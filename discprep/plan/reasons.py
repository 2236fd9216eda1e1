"""Why each item goes where it goes, one line in plain words."""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping, Sequence
from functools import cached_property

from discprep.model import PlanItem, PlanProblem
from discprep.plan.settle import Candidate, Needs, Option, Settled, closure
from discprep.plan.words import listing, sectors
from discprep.units import SECTOR_BYTES, format_bytes, format_seconds

DISC = "the disc"


class Placing:
    """A finished placing: `chosen` has the disc and the form of each item that burns. What the reasons look up
    again and again is worked out once."""

    def __init__(self, problem: PlanProblem, settled: Settled, chosen: Mapping[str, tuple[int, Option]]) -> None:
        self.problem = problem
        self.settled = settled
        self.chosen = chosen

    @cached_property
    def candidates(self) -> Mapping[str, Candidate]:
        """By id."""
        return {candidate.id: candidate for candidate in self.settled.candidates}

    @cached_property
    def needs(self) -> Mapping[str, Needs]:
        """What each candidate needs, in its smallest form."""
        return {key: (*c.needs, *min(c.options, key=lambda o: o.sectors).needs) for key, c in self.candidates.items()}

    @cached_property
    def users(self) -> Mapping[str, list[str]]:
        """The burned items that need each candidate, or one of several with it."""
        found: dict[str, list[str]] = {}
        for key in sorted(self.chosen):
            groups = (*self.candidates[key].needs, *self.chosen[key][1].needs)
            for need in sorted({need for group in groups for need in group} - {key}):
                found.setdefault(need, []).append(key)
        return found

    @cached_property
    def free_sectors(self) -> list[int]:
        """Room left on each disc that the plan uses or may use."""
        problem = self.problem
        used = max((disc for disc, _ in self.chosen.values()), default=1)
        count = used if problem.discs == "fewest" else max(used, problem.discs)
        free = [problem.capacity_sectors] * count
        for disc, option in self.chosen.values():
            free[disc - 1] -= option.sectors
        return free

    def size(self, key: str) -> tuple[int, str]:
        """Sectors of a burned item, for an order in which the largest comes last."""
        return self.chosen[key][1].sectors, key

    @cached_property
    def used_bytes(self) -> Mapping[str, int]:
        """What stays on each volume."""
        used: dict[str, int] = {}
        for key, (_, option) in self.chosen.items():
            volume = self.candidates[key].volume
            used[volume] = used.get(volume, 0) + option.storage_bytes
        return used

    @cached_property
    def by_gain(self) -> Mapping[str, list[tuple[int, str]]]:
        """The burned items that need not burn, by gain, under the disc and under their volumes."""
        found: dict[str, list[tuple[int, str]]] = {DISC: []}
        for key, (_, option) in self.chosen.items():
            if key not in self.settled.forced_by:
                found[DISC].append((option.gain_ms, key))
                if option.storage_bytes:
                    found.setdefault(self.candidates[key].volume, []).append((option.gain_ms, key))
        return {key: sorted(entries) for key, entries in found.items()}


def reason(item: PlanItem, placing: Placing) -> str:
    """The one line."""
    if item.id in placing.chosen:
        return _burned(item, placing)
    if item.id in placing.problem.present:
        return "already on the machine"
    if item.id in placing.settled.blocked:
        why = placing.settled.blocked[item.id].why
        return why if item.must == "later" else f"left for later: {why}"
    return _left(item, placing)


def _burned(item: PlanItem, placing: Placing) -> str:
    option = placing.chosen[item.id][1]
    parent = placing.settled.forced_by.get(item.id)
    want = next((why for why, group in placing.settled.wants if item.id in group), "")
    if want and parent in (None, item.id):
        return want
    if parent is not None:
        return item.why or "asked to burn" if parent == item.id else f"needed by {parent}"
    if option.gain_ms > 0:
        return f"saves {format_seconds(option.gain_ms / 1000)} for {format_bytes(option.sectors * SECTOR_BYTES)}"
    if item.id in placing.users:
        return f"needed by {listing(placing.users[item.id])}"
    return "keeps the rest within the link's budget"


def _left(item: PlanItem, placing: Placing) -> str:
    best = max(form.gain_s for form in item.forms)
    stale = how_stale(item, placing.problem.days_to_use)
    if best <= 0:
        return f"left for later: {stale or 'the line brings it as soon as the disc would'}"
    return _no_room(placing.candidates[item.id], placing) + (f"; {stale}" if item.p_stale > 0.5 else "")


def how_stale(item: PlanItem, days_to_use: float) -> str:
    """How soon an item goes stale, in words; "" when it never does."""
    if item.p_stale <= 0 or days_to_use <= 0:
        return ""
    if item.p_stale >= 1:
        return f"it will have changed in the {days_to_use:g} days to use"
    every = days_to_use / -math.log1p(-item.p_stale)
    return f"changes about every {every:.3g} days and you said {days_to_use:g} days to use"


def _no_room(candidate: Candidate, placing: Placing) -> str:
    """Which limit is in the way, and the burned item that holds its room by saving more."""
    batch = [placing.candidates[key] for key in closure([candidate.id], placing.needs, placing.chosen.keys())
             if key in placing.candidates]  # fmt: skip
    along = listing([c.id for c in batch if c.id != candidate.id])
    gain_s = sum(c.best.gain_ms for c in batch) / 1000
    if gain_s <= 0:
        return f"left for later: it needs {along}, which costs more than it saves"
    short = _short_of(batch, placing)
    if not short:
        return f"left for later: room for it is worth less than {format_seconds(gain_s)} beside the rest"
    fits = f"does not fit{f' with {along}, which it needs,' if along else ''}"
    where = "" if short == DISC else f" on volume {short}"
    return f"{fits}{where}{_rival(candidate, batch, short, placing)}"


def _saving(candidate: Candidate) -> Sequence[Option]:
    """The forms that save time; all where none does."""
    return [option for option in candidate.options if option.gain_ms > 0] or candidate.options


def _short_of(batch: Iterable[Candidate], placing: Placing) -> str:
    """The limit that these items would break beside what burns: the disc (each disc), a volume, or ""."""
    want = sum(min(option.sectors for option in _saving(c)) for c in batch)
    if all(want > room for room in placing.free_sectors):
        return DISC
    for volume, limit in sorted(placing.problem.storage_limit_bytes.items()):
        mine = [c for c in batch if c.volume == volume]
        more = sum(min(o.storage_bytes + o.extra_bytes for o in _saving(c)) for c in mine)
        if mine and placing.used_bytes.get(volume, 0) + more > limit:
            return volume
    return ""


def _rival(candidate: Candidate, batch: Sequence[Candidate], short: str, placing: Placing) -> str:
    """The burned item that saves least of those that save more than this one, or as much, and need not burn; where
    nothing can make room, how much there is."""
    rivals = placing.by_gain.get(short, [])
    above = bisect_right(rivals, candidate.best.gain_ms, key=lambda entry: entry[0])
    if above < len(rivals):
        return f" beside {rivals[above][1]}, which saves more"
    equal = bisect_left(rivals, candidate.best.gain_ms, key=lambda entry: entry[0])
    if equal < above:
        return f" beside {rivals[equal][1]}, which saves as much"
    if rivals:
        return ": smaller items save more together in its room"
    largest = sorted(placing.settled.forced_by.keys() & placing.chosen.keys(), key=placing.size, reverse=True)
    beside = f" beside {listing(largest, 2)}, which must burn" if largest else ""
    if short == DISC:
        return f"{beside}: {_short_by(batch, placing)}"
    return beside or ": it is larger than the room"


def _short_by(batch: Sequence[Candidate], placing: Placing) -> str:
    takes = sum(min(option.sectors for option in _saving(c)) for c in batch)
    return f"{'they take' if len(batch) > 1 else 'it takes'} {sectors(takes)}, {max(placing.free_sectors):,} are left"

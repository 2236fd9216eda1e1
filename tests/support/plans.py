"""Plan problems for tests: random ones from a seed, and the answer by trying everything (shares no code with the
solver, works on the problem's own figures)."""

import itertools
import random
from collections.abc import Iterator, Mapping

from discprep.model import FormFigures, PlanItem, PlanProblem

Choice = dict[str, FormFigures | None]
_WHY = {"burn": "asked to burn", "later": "asked for later", "": ""}


def form(kind="unpacked", sectors=1, gain=1.0, storage=0, peak=None, needs=()):
    """One form's figures in few words."""
    return FormFigures(kind, sectors, storage, storage if peak is None else peak, gain, needs)


def item(key, *forms, needs=(), must="", later=10.0, **more):
    """One item; `needs` are ids, or tuples of alternatives."""
    groups = tuple(need if isinstance(need, tuple) else (need,) for need in needs)
    return PlanItem(id=key, needs=groups, must=must, why=_WHY[must], forms=forms, later_s=later, **more)


def problem(*items, capacity=100, storage: Mapping[str, int] | None = None, **more):
    """One problem around these items."""
    return PlanProblem(tuple(items), capacity, capacity + 20, 20, storage or {}, **more)


def random_problem(seed: int, most: int = 14, **fixed) -> PlanProblem:
    """Up to `most` items with needs, alternatives, stale rates, forms, storage, sometimes a link budget. Small whole
    figures, so that ties and tight fits are common; needs point anywhere, cycles included."""
    r = random.Random(seed)
    count = r.randint(1, most)
    ids = [f"i{n:02d}" for n in range(count)]
    r.shuffle(ids)
    volumes = ["", "RAM:"][: r.choice([1, 1, 2])]
    items = tuple(_random_item(r, key, ids, volumes) for key in ids)
    total = sum(min((f.sectors for f in i.forms), default=0) for i in items)
    stored = sum(max((f.storage_bytes for f in i.forms), default=0) for i in items)
    limits = {v: int(stored * r.uniform(0.2, 1.1)) for v in volumes if r.random() < 0.6}
    waits = sum(i.later_s for i in items)
    widths = [min(count, r.choice([1, 2, 3])) for _ in range(r.choice([0, 0, 1, 2]))]
    wants = [("to get online", tuple(r.sample(ids, width))) for width in widths]
    return PlanProblem(
        items=items,
        capacity_sectors=fixed.pop("capacity_sectors", int(total * r.uniform(0.2, 1.3))),
        medium_sectors=total * 2,
        constant_sectors=0,
        storage_limit_bytes=limits,
        link_budget_s=round(waits * r.uniform(0.3, 1.0), 3) if r.random() < 0.25 else None,
        present=tuple(key for key in ids if r.random() < 0.07),
        days_to_use=30.0,
        wants=tuple(wants),
        **fixed,
    )


def _random_item(r: random.Random, key: str, ids: list[str], volumes: list[str]) -> PlanItem:
    others = [other for other in ids if other != key]
    must = r.choice(["", "", "", "", "", "", "burn", "later"])
    widths = [min(len(others), r.choice([1, 1, 1, 2, 3])) for _ in range(r.choice([0, 0, 0, 1, 1, 2]))]
    needs = tuple(tuple(r.sample(others, width)) for width in widths if width)
    size = r.randint(1, 30)
    later = float(r.choice([size * 3, r.randint(1, 90)])) + r.choice([0, 0, 0.125])
    stale = r.choice([0.0, 0.0, 0.3, 0.9])
    worth = r.randint(1, 5)

    def figures(kind: str, sectors: int, extra: int, groups) -> FormFigures:
        storage = r.choice([0, size * 512, size * 1024])
        gain = round(worth / 3 * ((1 - stale) * later - sectors / 4), 3)
        return FormFigures(kind, sectors, storage, storage + extra * 512, gain, groups)

    forms = [figures("unpacked", size + r.randint(0, 9), 0, ())]
    if r.random() < 0.5 and others:
        unpackers = (tuple(r.sample(others, min(len(others), 2))),) if r.random() < 0.8 else ()
        forms.append(figures("packed", size, r.choice([0, size]), unpackers))
    if r.random() < 0.1:
        forms.append(figures("both", size * 2, 0, ()))
    if must == "later":
        forms = []
    return PlanItem(key, needs, must, _WHY[must], tuple(forms), later, worth=worth, p_stale=stale,
                    volume=r.choice(volumes))  # fmt: skip


def large_problem(count: int, seed: int, *, filled: float, storage: float | None = None) -> PlanProblem:
    """Many items of sizes as archives have them (log-normal), needs that point to earlier items, some roles with
    several givers, half with a packed form. `filled`: the disc takes so much of all sectors; `storage` likewise."""
    r = random.Random(seed)
    items = tuple(_large_item(r, n) for n in range(count))
    total = sum(min(f.sectors for f in i.forms) for i in items)
    stored = sum(i.forms[0].storage_bytes for i in items)
    limits = {} if storage is None else {"": int(stored * storage)}
    return PlanProblem(items, int(total * filled), total, 0, limits, days_to_use=30.0)


def _large_item(r: random.Random, n: int) -> PlanItem:
    size = int(min(r.lognormvariate(12.5, 1.4), 3e7)) + 1
    later = round(size / 5200 + 1.5, 3)
    worth, stale = r.choice([1, 2, 3, 3, 3, 4, 5]), r.choice([0.0, 0.0, 0.0, 0.1, 0.3, 0.6])
    widths = [r.choice([1, 1, 1, 2]) for _ in range(r.choice([0, 0, 1, 1, 2]))] if n > 5 else []
    needs = tuple(tuple(sorted({f"i{r.randrange(n):05d}" for _ in range(width)})) for width in widths)
    packed = -(-size // 2048) + 1
    unpacked = int(packed * r.uniform(1.2, 2.5)) + r.randrange(1, 9)
    stored = unpacked * 2048

    def gain(sectors: int, folders: int) -> float:
        return round(worth / 3 * ((1 - stale) * later - sectors * 2048 / 600e3 - folders * 0.25), 3)

    forms = [FormFigures("unpacked", unpacked, stored, stored, gain(unpacked, r.randrange(2, 7)))]
    if n > 5 and r.random() < 0.5:
        unpacker = ((f"i{r.randrange(5):05d}",),)
        forms.append(FormFigures("packed", packed, stored, stored + packed * 2048, gain(packed, 1), unpacker))
    return PlanItem(f"i{n:05d}", needs, "burn" if n == 3 else "", "asked to burn" if n == 3 else "", tuple(forms),
                    later, worth=worth, p_stale=stale)  # fmt: skip


def greedy(p: PlanProblem) -> Choice:
    """What a person would do: what must burn, then always the item with the most gain per sector, its needs counted
    in, that still fits with its needs. For one disc without a link budget; the first giver of each role."""
    items = {i.id: i for i in p.items}
    choice: Choice = dict.fromkeys(sorted(items.keys() - set(p.present)))
    best = {key: max(i.forms, key=lambda f: f.gain_s / f.sectors) for key, i in items.items() if i.forms}

    def batch(key: str, seen: dict[str, None]) -> dict[str, None] | None:
        if key in p.present or key in seen or choice[key] is not None:
            return seen
        if key not in best:
            return None
        seen[key] = None
        for group in (*items[key].needs, *best[key].needs):
            met = any(g in p.present or g in seen or choice[g] is not None for g in group)
            if not met and batch(group[0], seen) is None:
                return None
        return seen

    def density(key: str) -> float:
        with_needs = batch(key, {})
        if not with_needs:
            return 0.0
        return sum(best[k].gain_s for k in with_needs) / sum(best[k].sectors for k in with_needs)

    queue = sorted(best, key=lambda key: (items[key].must != "burn", -density(key), key))
    room, left = p.capacity_sectors, dict(p.storage_limit_bytes)
    peak = dict.fromkeys(left, 0)
    for key in queue:
        new = batch(key, {})
        if not new or (items[key].must != "burn" and sum(best[k].gain_s for k in new) <= 0):
            continue
        sectors = sum(best[k].sectors for k in new)
        stays = {v: sum(best[k].storage_bytes for k in new if items[k].volume == v) for v in left}
        tops = {v: max([peak[v], *(best[k].peak_bytes - best[k].storage_bytes for k in new if items[k].volume == v)])
                for v in left}  # fmt: skip
        if sectors <= room and all(stays[v] + tops[v] <= left[v] for v in left):
            room, peak = room - sectors, tops
            left = {v: left[v] - stays[v] for v in left}
            choice.update({k: best[k] for k in new})
    return choice


def all_choices(p: PlanProblem) -> Iterator[Choice]:
    """Every way to give each item a form or none, whether allowed or not."""
    free = [i for i in p.items if i.id not in p.present or i.must == "burn"]
    sets = [[*(i.forms if i.must != "later" else ()), *(() if i.must == "burn" else (None,))] for i in free]
    for forms in itertools.product(*sets):
        yield dict(zip((i.id for i in free), forms, strict=True))


def is_allowed(p: PlanProblem, choice: Choice) -> bool:
    """The rules of one disc, straight from their definition."""
    items = {i.id: i for i in p.items}
    burned = {key: f for key, f in choice.items() if f is not None}
    at_hand = set(burned) | set(p.present)
    if any(not at_hand & set(group) for _, group in p.wants):
        return False
    if sum(f.sectors for f in burned.values()) > p.capacity_sectors:
        return False
    for key, f in burned.items():
        if any(not at_hand & set(group) for group in (*items[key].needs, *f.needs)):
            return False
    for volume, limit in p.storage_limit_bytes.items():
        mine = [f for key, f in burned.items() if items[key].volume == volume]
        if sum(f.storage_bytes for f in mine) + max([f.peak_bytes - f.storage_bytes for f in mine], default=0) > limit:
            return False
    waits = sum(i.later_s for i in p.items if i.id not in at_hand)
    return p.link_budget_s is None or waits <= p.link_budget_s + 1e-9


def gain_of(choice: Choice) -> float:
    """The objective [s]."""
    return sum(f.gain_s for f in choice.values() if f is not None)


def brute_force(p: PlanProblem) -> float | None:
    """The greatest gain over all allowed choices [s]; None when there is none. Prunes on sectors alone, which only
    grow, and on the gain still to come."""
    free = [i for i in p.items if i.id not in p.present or i.must == "burn"]
    free.sort(key=lambda i: i.must != "burn")
    hope = [0.0] * (len(free) + 1)
    for n in range(len(free) - 1, -1, -1):
        hope[n] = hope[n + 1] + max([0.0, *(f.gain_s for f in free[n].forms)])
    best: float | None = None
    choice: Choice = {}

    def walk(n: int, sectors: int, gain: float) -> None:
        nonlocal best
        if sectors > p.capacity_sectors or (best is not None and gain + hope[n] <= best + 1e-9):
            return
        if n == len(free):
            if is_allowed(p, choice):
                best = gain
            return
        here = free[n]
        options = [*(here.forms if here.must != "later" else ()), *(() if here.must == "burn" else (None,))]
        for f in options:
            choice[here.id] = f
            walk(n + 1, sectors + (f.sectors if f else 0), gain + (f.gain_s if f else 0.0))
        choice.pop(here.id, None)

    walk(0, 0, 0.0)
    return best


def choice_of(p: PlanProblem, plan) -> Choice:
    """A plan's decisions as a choice."""
    items = {i.id: i for i in p.items}
    chosen: Choice = {}
    for d in plan.decisions:
        if d.place != "present":
            chosen[d.id] = next((f for f in items[d.id].forms if f.form == d.form), None)
    return chosen

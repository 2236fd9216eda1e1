"""Plan problems for tests: random ones from a seed, and the answer by trying everything (shares no code with the
solver, works on the problem's own figures)."""

import itertools
import random
from collections.abc import Iterator, Mapping

from discprep.model import FormFigures, PlanItem, PlanProblem

Choice = dict[str, FormFigures | None]


def form(kind="unpacked", sectors=1, gain=1.0, storage=0, peak=None, needs=()):
    """One form's figures in few words."""
    return FormFigures(kind, sectors, storage, storage if peak is None else peak, gain, needs)


def item(key, *forms, needs=(), must="", later=10.0, **more):
    """One item; `needs` are ids, or tuples of alternatives."""
    groups = tuple(need if isinstance(need, tuple) else (need,) for need in needs)
    why = {"burn": "asked to burn", "later": "asked for later"}.get(must, "")
    return PlanItem(id=key, needs=groups, must=must, why=why, forms=forms, later_s=later, **more)


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
    return PlanProblem(
        items=items,
        capacity_sectors=fixed.pop("capacity_sectors", int(total * r.uniform(0.2, 1.3))),
        medium_sectors=total * 2,
        constant_sectors=0,
        storage_limit_bytes=limits,
        link_budget_s=round(waits * r.uniform(0.3, 1.0), 3) if r.random() < 0.25 else None,
        present=tuple(key for key in ids if r.random() < 0.07),
        days_to_use=30.0,
        **fixed,
    )


def _random_item(r: random.Random, key: str, ids: list[str], volumes: list[str]) -> PlanItem:
    others = [other for other in ids if other != key]
    must = r.choice(["", "", "", "", "", "", "burn", "later"])
    needs = tuple(tuple(r.sample(others, min(len(others), r.choice([1, 1, 1, 2, 3])))) for _ in range(r.choice([0, 0, 0, 1, 1, 2])))
    needs = tuple(group for group in needs if group)
    size = r.randint(1, 30)
    later = float(r.choice([size * 3, r.randint(1, 90)])) + r.choice([0, 0, 0.125])
    stale = r.choice([0.0, 0.0, 0.3, 0.9])
    worth = r.randint(1, 5)

    def figures(kind: str, sectors: int, extra: int, groups) -> FormFigures:
        storage = r.choice([0, size * 512, size * 1024])
        return FormFigures(kind, sectors, storage, storage + extra * 512, round(worth / 3 * ((1 - stale) * later - sectors / 4), 3), groups)

    forms = [figures("unpacked", size + r.randint(0, 9), 0, ())]
    if r.random() < 0.5 and others:
        unpackers = (tuple(r.sample(others, min(len(others), 2))),) if r.random() < 0.8 else ()
        forms.append(figures("packed", size, r.choice([0, size]), unpackers))
    if r.random() < 0.1:
        forms.append(figures("both", size * 2, 0, ()))
    if must == "later":
        forms = []
    return PlanItem(key, needs, must, {"burn": "asked to burn", "later": "asked for later"}.get(must, ""),
                    tuple(forms), later, worth=worth, p_stale=stale, volume=r.choice(volumes), size_bytes=size * 2048)  # fmt: skip


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
            chosen[d.id] = next((f for f in items[d.id].forms if f.form == d.form), None) if d.place == "burn" else None
    return chosen

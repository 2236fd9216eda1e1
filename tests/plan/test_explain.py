"""What would change the answer, against solving at every value."""

import dataclasses

import pytest
from support.plans import brute_force, form, item, problem, random_problem

from discprep.errors import ManifestError
from discprep.plan import explain
from discprep.plan.curve import CURVE_GAP, curve
from discprep.plan.discs import attempt
from discprep.plan.explain import Step, by_capacity, by_days, by_rate, refigured, relinked
from discprep.plan.gain import gain_s, p_stale


def real(key, sectors, later, worth=3, stale=0.0):
    """An item whose gain follows from its link time; the disc takes a second."""
    return item(key, form(sectors=sectors, gain=gain_s(worth, stale, later, 1.0)), later=later, worth=worth,
                p_stale=stale)  # fmt: skip


def has_plan(p):
    """No contradiction, and it fits."""
    try:
        return attempt(p) is not None
    except ManifestError:
        return False


def burns(p, key):
    """Whether an item burns in the best plan."""
    filled = attempt(p)
    return filled is not None and any(key in disc for disc in filled.discs)


def with_disc_s(p):
    items = (dataclasses.replace(i, forms=tuple(dataclasses.replace(f, disc_s=1.0) for f in i.forms)) for i in p.items)
    return dataclasses.replace(p, items=tuple(items))


P = with_disc_s(problem(real("a", 60, 600.0), real("b", 50, 500.0), capacity=100, days_to_use=30.0))


def test_capacity_at_which_it_burns():
    """b (50) waits beside a (60): it burns from 110 sectors on; a stays down to 60, where b would take its place."""
    assert by_capacity(P, "b").threshold == 110
    assert by_capacity(P, "a").threshold == 59


# An item that burns in a window: b alone from 50 to 59, then a in its place, both from 110 on.
ALONE = (("later", 0, 49), ("burn", 50, 59), ("later", 60, 109), ("burn", 110, 110))


def test_both_sides_of_a_window():
    """From 100 on the way down b burns at 59 and waits again at 49; nothing else happens, and that is proven."""
    change = by_capacity(P, "b")
    assert change.below == (Step(59, "burn"), Step(49, "later")) and change.above == (Step(110, "burn"),)
    assert change.proven
    for goes, first, last in ALONE:
        for sectors in range(first, last + 1):
            assert burns(dataclasses.replace(P, capacity_sectors=sectors), "b") == (goes == "burn")


def test_no_plan_is_no_waiting():
    """Below what must burn there is no plan: nobody is told that the item would wait there."""
    change = by_capacity(problem(item("m", form(sectors=7), must="burn")), "m")
    assert change.below == (Step(6, "none"),) and change.threshold is None and change.proven


def test_a_least_capacity_is_kept():
    """Nothing is said of discs that are shorter than any may be."""
    change = by_capacity(P, "b", least=55)
    assert change.below == (Step(59, "burn"),) and (change.least, change.proven) == (55, True)


@pytest.mark.parametrize("number", range(16))
def test_steps_are_what_solving_everywhere_shows(number):
    """Every capacity solved: the first two turns on each side are those told; where a claim is not proven, each step
    holds with its neighbour all the same."""
    p = random_problem(number, most=7, discs=[1, 1, 2, "fewest"][number % 4])
    if not has_plan(p):
        return
    everything = max(p.capacity_sectors, sum(max((f.sectors for f in i.forms), default=0) for i in p.items))
    places = [attempt(dataclasses.replace(p, capacity_sectors=n)) for n in range(everything + 1)]
    for i in p.items:
        goes = ["none" if f is None else "burn" if any(i.id in d for d in f.discs) else "later" for f in places]
        change, now = by_capacity(p, i.id), p.capacity_sectors
        down = [Step(n, goes[n]) for n in range(now - 1, -1, -1) if goes[n] != goes[n + 1]]
        up = [Step(n, goes[n]) for n in range(now + 1, everything + 1) if goes[n] != goes[n - 1]]
        if change.proven:
            assert (change.below, change.above) == (tuple(down[:2]), tuple(up[:2]))
        assert set(change.below) <= set(down) and set(change.above) <= set(up)


def test_little_is_claimed_when_little_was_tried(monkeypatch):
    """With few tries a narrow window can be missed: then nothing is claimed of all values."""
    monkeypatch.setattr(explain, "_tries", lambda problem: 1)
    monkeypatch.setattr(explain, "SAMPLES", 1)
    change = by_capacity(dataclasses.replace(P, capacity_sectors=105), "b")
    assert not change.proven and change.above == (Step(110, "burn"),)


@pytest.mark.parametrize("number", range(10))
def test_days_are_what_solving_everywhere_shows(number):
    """One turn at most, and what is proven of it holds at many days."""
    p = with_disc_s(dataclasses.replace(random_problem(number, most=6), days_to_use=30.0))
    if not has_plan(p):
        return
    for i in (i for i in p.items if i.forms and i.id not in p.present):
        change = by_days(p, i.id)
        assert change.proven
        for days in (1, 3, 10, 30, 90, 300, 1000, 9000, 36_500):
            fresh = tuple(refigured(j, j.later_s, p_stale(30.0, days)) if j.id == i.id else j for j in p.items)
            steps = [s for s in (*change.below, *change.above) if (days <= s.value < change.now) or
                     (days >= s.value > change.now)]  # fmt: skip
            expected = steps[-1].goes if steps else change.goes
            assert burns(dataclasses.replace(p, items=fresh), i.id) == (expected == "burn") or days == change.now


@pytest.mark.parametrize("number", range(12))
def test_threshold_is_exact(number):
    """On either side of the threshold, the other answer."""
    p = dataclasses.replace(random_problem(number, most=8), link_budget_s=None, wants=())
    if attempt(p) is None:
        return
    for i in p.items:
        change = by_capacity(p, i.id)
        if change.threshold is not None:
            step = 1 if change.threshold > change.now else -1
            there = dataclasses.replace(p, capacity_sectors=change.threshold)
            before = dataclasses.replace(p, capacity_sectors=change.threshold - step)
            assert burns(there, i.id) != burns(before, i.id) == burns(p, i.id)


def test_days_at_which_it_waits():
    """a gains 599 s fresh, b 499 s. a stays while (1 - p) * 600 - 1 >= 499, so while exp(-30 / days) >= 500 / 600:
    days >= 30 / ln(1.2) = 164.5."""
    change = by_days(P, "a")
    assert (change.now, change.threshold) == (36_500, 164)


def test_rate_at_which_it_burns():
    """An item that waits at 10,000 bit/s for taking a second either way burns when the line is slower."""
    p = with_disc_s(problem(real("a", 10, 0.9)))
    change = by_rate(p, "a", 10_000, lambda rate: {"a": 9000 / rate})
    assert change.threshold == 8995  # 9000 / 8995 s is the first that rounds to a millisecond more than the disc's
    assert not burns(p, "a") and burns(relinked(p, {"a": 9000 / 8995}), "a")


def test_no_threshold():
    """A lone small item burns at any capacity that holds it and never waits for being renewed daily."""
    p = with_disc_s(problem(real("a", 10, 1e9), days_to_use=1.0))
    assert by_days(p, "a").threshold is None


def test_refigured_is_the_gain_formula():
    """The same figures as worked out from the start."""
    stale = p_stale(30, 60)
    i = refigured(P.items[0], 700.0, stale)
    assert i.forms[0].gain_s == gain_s(3, stale, 700.0, 1.0) and i.later_s == 700.0


def test_curve_falls_to_nothing():
    """From what must burn to everything: 21 points, the gain never falls, nothing waits at the end."""
    p = problem(item("m", form(sectors=7), must="burn"), *(real(f"i{n:02d}", 9 + n, 60.0 + 7 * n) for n in range(20)))
    points = curve(p)
    assert len(points) == 21 and points[0].capacity_sectors == 7 and points[-1].seconds_at_link == 0
    gains = [point.objective_s for point in points]
    assert gains == sorted(gains)
    assert points[-1].medium_sectors - points[-1].capacity_sectors == p.constant_sectors


@pytest.mark.parametrize("number", range(40))
def test_curve_is_the_best_at_each_capacity(number):
    """Each point against trying everything at its capacity; the first is the least that has a plan at all."""
    p = random_problem(number, most=7, discs=1)
    endless = sum(max((f.sectors for f in i.forms), default=0) for i in p.items)
    try:
        points = curve(p)
    except ManifestError:  # a contradiction, whatever the room
        points = ()
    for point in points:
        best = brute_force(dataclasses.replace(p, capacity_sectors=point.capacity_sectors))
        assert best is not None and point.objective_s == pytest.approx(best, rel=CURVE_GAP, abs=0.002)
    below = points[0].capacity_sectors - 1 if points else endless
    assert brute_force(dataclasses.replace(p, capacity_sectors=below)) is None

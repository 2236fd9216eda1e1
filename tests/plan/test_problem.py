"""The exact answer against trying everything, and what must always hold."""

import dataclasses
import itertools
import random

import pytest
from hypothesis import given, seed, settings
from hypothesis import strategies as st
from support.plans import all_choices, brute_force, choice_of, form, gain_of, is_allowed, item, problem, random_problem

from discprep.errors import CapacityError, DiscprepError, ManifestError, flatten
from discprep.plan.problem import solve


def solved(p):
    """The plan, or None where there is none."""
    try:
        return solve(p)
    except DiscprepError as error:
        assert all(isinstance(e, CapacityError | ManifestError) for e in flatten([error]))
        return None


@pytest.mark.parametrize("block", range(10))
def test_same_objective_as_trying_everything(block):
    """500 random instances of up to 14 items: the objective of brute force, and a choice that obeys the rules."""
    answered = binding = 0
    for number in range(block * 50, block * 50 + 50):
        p = random_problem(number)
        best, plan = brute_force(p), solved(p)
        assert (best is None) == (plan is None), number
        if plan is not None:
            answered += 1
            binding += plan.solver != "none needed"
            choice = choice_of(p, plan)
            assert is_allowed(p, choice), number
            assert plan.objective_s == pytest.approx(best, abs=1e-6), number
            assert plan.objective_s == pytest.approx(gain_of(choice), abs=1e-6), number
            assert plan.optimal and plan.gap == 0.0
    assert answered >= 25 and binding >= 12  # the generator must not drift into the impossible or the easy


def rule(p, choice):
    """The tie rule as the documentation states it: the least is best."""
    ranks = {"unpacked": 0, "packed": 1, "both": 2}
    burned = sum(f is not None for f in choice.values())
    by_id = tuple(3 if choice[key] is None else ranks[choice[key].form] for key in sorted(choice))
    return -round(gain_of(choice) * 1000), burned, by_id


@pytest.mark.parametrize("number", range(60))
def test_equals_are_settled_by_the_stated_rule(number):
    """Greatest gain, then fewest items, then id by id; gains coarse enough that equals abound."""
    p = random_problem(9000 + number, most=6)
    p = dataclasses.replace(p, items=tuple(coarse(i) for i in p.items))
    plan = solved(p)
    allowed = [choice for choice in all_choices(p) if is_allowed(p, choice)]
    assert (plan is None) == (not allowed)
    if plan:
        assert rule(p, choice_of(p, plan)) == min(rule(p, choice) for choice in allowed)


def coarse(i):
    forms = tuple(dataclasses.replace(f, gain_s=float(round(f.gain_s / 40) * 40)) for f in i.forms)
    return dataclasses.replace(i, forms=forms)


@pytest.mark.parametrize("number", range(25))
def test_order_of_the_items_does_not_matter(number):
    """The whole plan, reasons included, is the same after reordering."""
    p = random_problem(700 + number)
    items = list(p.items)
    random.Random(number).shuffle(items)
    assert solved(dataclasses.replace(p, items=tuple(items))) == solved(p)


seeds = st.integers(0, 10**6)


@seed(5)
@settings(max_examples=60, deadline=None, database=None)
@given(seeds, st.integers(1, 60))
def test_more_capacity_is_never_worse(number, more):
    """A larger disc saves at least as much."""
    p = random_problem(number, most=10)
    small, large = solved(p), solved(dataclasses.replace(p, capacity_sectors=p.capacity_sectors + more))
    if small:
        assert large is not None
        assert large.objective_s >= small.objective_s - 1e-6


@seed(6)
@settings(max_examples=60, deadline=None, database=None)
@given(seeds, st.floats(1.01, 50))
def test_a_faster_line_is_never_worse(number, factor):
    """With a line `factor` times as fast, the whole waiting (link and disc, weighted) is no longer."""
    p = dataclasses.replace(random_problem(number, most=10), link_budget_s=None)
    fast = dataclasses.replace(p, items=tuple(faster(i, factor) for i in p.items))
    slow_plan, fast_plan = solved(p), solved(fast)
    assert (slow_plan is None) == (fast_plan is None)
    if slow_plan:
        assert waiting(fast) - fast_plan.objective_s <= waiting(p) - slow_plan.objective_s + 0.002 * len(p.items)


def waiting(p):
    """Weighted seconds if everything were pulled."""
    return sum(i.worth / 3 * i.later_s * (1 - i.p_stale) for i in p.items)


def faster(i, factor):
    """Link time divided; each gain loses what the link no longer costs."""
    less = i.later_s - i.later_s / factor
    lost = i.worth / 3 * (1 - i.p_stale) * less
    forms = tuple(dataclasses.replace(f, gain_s=round(f.gain_s - lost, 3)) for f in i.forms)
    return dataclasses.replace(i, later_s=i.later_s / factor, forms=forms)


@seed(7)
@settings(max_examples=60, deadline=None, database=None)
@given(seeds)
def test_never_worse_than_greedy(number):
    """Taking the densest item whose needs are met, again and again, never beats the plan."""
    p = random_problem(number, most=14)
    plan = solved(p)
    choice = {i.id: None for i in p.items if i.id not in p.present or i.must == "burn"}
    pairs = [(i, f) for i in p.items for f in i.forms if i.id in choice]
    for i, f in sorted(pairs, key=lambda pair: -pair[1].gain_s / pair[1].sectors):
        tried = {**choice, i.id: f}
        if choice[i.id] is None and f.gain_s > 0 and is_allowed(dataclasses.replace(p, link_budget_s=None), tried):
            choice = tried
    musts = all(choice[i.id] is not None for i in p.items if i.must == "burn")
    if musts and is_allowed(p, choice):
        assert plan.objective_s >= gain_of(choice) - 1e-6


@seed(8)
@settings(max_examples=60, deadline=None, database=None)
@given(seeds, st.integers(2, 3))
def test_needs_never_point_to_a_later_disc(number, discs):
    """Closure holds disc by disc, each disc fits, each item stands once."""
    p = dataclasses.replace(random_problem(number, most=10), discs=discs)
    plan = solved(p)
    if plan is None:
        return
    items, disc_of = {i.id: i for i in p.items}, {d.id: d.disc for d in plan.decisions if d.place == "burn"}
    chosen = choice_of(p, plan)
    for key, disc in disc_of.items():
        for group in (*items[key].needs, *chosen[key].needs):
            assert set(group) & set(p.present) or min(disc_of.get(g, 99) for g in group) <= disc
    for disc, room in enumerate([p.capacity_sectors] * discs, 1):
        assert sum(chosen[key].sectors for key, d in disc_of.items() if d == disc) <= room


def placings(p, rooms):
    """Every allowed way to spread the items over discs of so much room: id to (disc, form) or None."""
    sets = [[(d, f) for d in range(len(rooms)) for f in i.forms] for i in p.items]
    sets = [places if i.must == "burn" else [*places, None] for i, places in zip(p.items, sets, strict=True)]
    for chosen in itertools.product(*sets):
        placed = dict(zip((i.id for i in p.items), chosen, strict=True))
        if all(allowed_on(p, placed, disc, room) for disc, room in enumerate(rooms)):
            yield placed


def allowed_on(p, placed, disc, room):
    mine = {i: placed[i.id][1] for i in p.items if placed[i.id] and placed[i.id][0] == disc}
    at_hand = {key for key, place in placed.items() if place and place[0] <= disc}
    met = all(at_hand & set(g) for i, f in mine.items() for g in (*i.needs, *f.needs))
    return met and sum(f.sectors for f in mine.values()) <= room


def worth_of(placed, forced, disc):
    """What a disc is filled for: how much of what must burn, then the gain [ms]."""
    mine = {key: place[1] for key, place in placed.items() if place and place[0] == disc}
    return len(forced & mine.keys()), round(1000 * sum(f.gain_s for f in mine.values()))


@pytest.mark.parametrize("number", range(60))
def test_discs_filled_in_turn_against_trying_everything(number):
    """Two discs, up to five items: of all allowed placings, the first disc is filled best, then the second."""
    p = random_problem(3000 + number, most=5)
    p = dataclasses.replace(p, discs=2, present=(), wants=(), storage_limit_bytes={})
    p = dataclasses.replace(p, link_budget_s=None)
    plan, ways = solved(p), list(placings(p, [p.capacity_sectors] * 2))
    assert (plan is None) == (not ways)
    if plan:
        chosen = choice_of(p, plan)
        placed = {d.id: (d.disc - 1, chosen[d.id]) if d.disc else None for d in plan.decisions}
        forced = {d.id for d in plan.decisions if d.forced}
        first = max(worth_of(way, forced, 0) for way in ways)
        same = [way for way in ways if all((way[k] == v) for k, v in placed.items() if v and v[0] == 0)]
        assert worth_of(placed, forced, 0) == first
        assert worth_of(placed, forced, 1) == max(
            worth_of(way, forced, 1) for way in same if worth_of(way, forced, 0) == first)  # fmt: skip


def test_nothing_binds_and_no_solver_starts():
    """All that gains fits: told so, and optimal."""
    p = problem(item("a", form(gain=5.0)), item("b", form(gain=-1.0)), item("c", form(gain=2.0), needs=["a"]))
    plan = solve(p)
    assert plan.solver == "none needed" and plan.optimal
    assert [d.place for d in plan.decisions] == ["burn", "later", "burn"]


def test_the_solver_starts_where_a_limit_binds():
    """The other side of the test above."""
    p = problem(item("a", form(gain=5.0, sectors=8)), item("b", form(gain=4.0, sectors=8)), capacity=10)
    assert solve(p).solver.startswith("HiGHS ")


def test_solver_prints_nothing(capfd):
    """Stdout belongs to the command's one document."""
    solve(problem(item("a", form(gain=5.0, sectors=8)), item("b", form(gain=4.0, sectors=8)), capacity=10))
    assert capfd.readouterr() == ("", "")


def test_contradiction_shows_the_chain():
    """What must burn needs, through another, what was asked to wait: exit 2, every step named."""
    p = problem(item("a", form(), must="burn", needs=["b"]), item("b", form(), needs=["c"]), item("c", must="later"))
    with pytest.raises(ManifestError, match=r"a must burn .*: a needs b; b needs c; c: asked for later") as caught:
        solve(p)
    assert caught.value.exit_code == 2 and caught.value.item == "a" and caught.value.hint


def test_all_contradictions_at_once():
    """Two chains, two errors."""
    p = problem(item("a", form(), must="burn", needs=["c"]), item("b", form(), must="burn", needs=["c"]),
                item("c", must="later"))  # fmt: skip
    with pytest.raises(DiscprepError) as caught:
        solve(p)
    assert [error.item for error in caught.value.errors] == ["a", "b"]


def test_what_does_not_fit_is_told_in_sectors():
    """What must burn is larger than the disc: how much is missing, and what it is."""
    p = problem(item("a", form(sectors=60), must="burn"), item("b", form(sectors=50), must="burn"), capacity=100)
    with pytest.raises(CapacityError, match=r"takes 110 sectors .*for 100: 10 sectors are missing.*a \(60\)") as caught:
        solve(p)
    assert caught.value.exit_code == 1


def test_a_disc_too_small_for_its_own_structures():
    """Not even an empty one fits."""
    with pytest.raises(CapacityError, match="own structures, scripts and padding take 7 sectors more than it has"):
        solve(problem(item("a", form()), capacity=-7))


def test_bring_up_item_that_must_wait():
    """The only giver of a bring-up role was asked to wait."""
    wants = (("gives fetcher, needed to get online", ("a",)),)
    with pytest.raises(ManifestError, match=r"a must burn \(gives fetcher, .*\), and cannot: asked for l") as caught:
        solve(problem(item("a", form(), must="later"), wants=wants))
    assert caught.value.item == "a"


def test_every_giver_of_a_bring_up_role_must_wait():
    """Both named, each with its chain."""
    wants = (("gives fetcher, needed to get online", ("a", "b")),)
    items = [item("a", form(), needs=["c"]), item("b", must="later"), item("c", must="later")]
    with pytest.raises(ManifestError, match=r"one of a, b must burn .*a: needs c; c: asked for later; b: asked for"):
        solve(problem(*items, wants=wants))


def test_peak_of_unpacking_counts_once():
    """Two packed items of 60 + 40 B extra each: one peak, not two, beside what stays; one byte less is too little."""
    unpack = [item(k, form("packed", storage=60, peak=100), must="burn") for k in "ab"]
    assert solve(problem(*unpack, storage={"": 160})).objective_s == 2.0
    with pytest.raises(CapacityError, match=r"160 B\), 159 B are free: 1 B are missing"):
        solve(problem(*unpack, storage={"": 159}))


def test_budget_that_cannot_be_kept():
    """The shortest possible rest is named."""
    p = problem(item("a", form(sectors=9), later=100.0), item("b", must="later", later=50.0), link_budget_s=40.0)
    with pytest.raises(CapacityError, match=r"at least 50.0 s at the link, the budget is 40.0 s"):
        solve(p)


def test_budget_makes_a_costly_item_burn():
    """Burning loses a second, but the rest must fit its budget."""
    p = problem(item("a", form(gain=-1.0), later=100.0), link_budget_s=40.0)
    (a,) = solve(p).decisions
    assert (a.place, a.reason) == ("burn", "keeps the rest within the link's budget")


def test_fewest_discs_meets_the_budget_with_no_disc_too_many():
    """Four items of 60 on discs of 100 and a budget for one of them: three discs, not two."""
    items = [item(k, form(sectors=60, gain=9.0), later=10.0) for k in "abcd"]
    plan = solve(problem(*items, discs="fewest", link_budget_s=10.0))
    assert [d.disc for d in plan.decisions] == [1, 2, 3, None]


def test_bring_up_stands_on_the_first_disc():
    """The bring-up set and its needs take the first disc though others gain more."""
    stack = item("stack", form(sectors=30), needs=["z"])
    wants = (("gives ip-stack, needed to get online", ("stack",)),)
    items = [item("a", form(sectors=50, gain=90.0)), stack, item("z", form(sectors=30))]
    p = problem(*items, capacity=70, discs=2, wants=wants)
    assert {d.id: d.disc for d in solve(p).decisions} == {"a": 2, "stack": 1, "z": 1}


def test_present_items_cost_nothing_and_meet_needs():
    """What is on the machine already is neither burned nor pulled."""
    p = problem(item("a", form(gain=5.0), needs=["b"]), item("b", form(sectors=500)), present=("b",))
    plan = solve(p)
    assert [d.place for d in plan.decisions] == ["burn", "present"] and plan.seconds_at_link == 0


def test_twins_burn_in_order_of_id():
    """Thirty equal items, room for eleven: the first eleven by id."""
    plan = solve(problem(*(item(f"i{n:02d}", form(sectors=9)) for n in range(30)), capacity=100))
    assert [d.id for d in plan.decisions if d.place == "burn"] == [f"i{n:02d}" for n in range(11)]


def test_same_id_twice_is_refused():
    """Each id once."""
    with pytest.raises(ManifestError, match="same id"):
        solve(problem(item("a", form()), item("a", form())))


def test_a_form_that_lacks_room_alone_is_no_contradiction():
    """Packed it lacks its unpacker, unpacked only room: a larger disc would do, so this is no fault of the manifest."""
    forms = (form("unpacked", sectors=27), form("packed", sectors=18, needs=(("opener",),)))
    asked = (item("a", *forms, must="burn"), item("opener", must="later"))
    with pytest.raises(CapacityError, match=r"takes 27 sectors .*, room for items is 26; a smaller form needs opener"):
        solve(problem(*asked, capacity=26))
    assert {d.id: d.form for d in solve(problem(*asked, capacity=27)).decisions}["a"] == "unpacked"


def test_nothing_to_burn_fits_a_disc_without_room():
    """As many discs as it takes: one, whose room is nothing."""
    assert solve(problem(item("a", must="later"), capacity=0, discs="fewest")).order == ("a",)

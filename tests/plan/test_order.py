"""The order of the later items."""

import itertools
import random
from fractions import Fraction

import pytest
from support.plans import item

from discprep.plan.order import order_later


def test_worthiest_per_second_first():
    """Worth per second 3/10, 5/10, 3/30: b, a, c."""
    items = [item("a", later=10.0), item("b", later=10.0, worth=5), item("c", later=30.0)]
    assert order_later(items, ()) == ["b", "a", "c"]


def test_needs_come_first_though_worth_little():
    """The viewer brings its library along; alone it would be first, the library last."""
    viewer, library = item("viewer", later=10.0, worth=5, needs=["library"]), item("library", later=90.0, worth=1)
    assert order_later([viewer, library, item("x", later=20.0)], ()) == ["x", "library", "viewer"]


def test_quickest_giver_of_a_role_is_pulled():
    """Of two that would do, the one that takes less of the link."""
    needs = [("slow", "quick")]
    items = [item("a", later=1.0, needs=needs, worth=5), item("slow", later=90.0), item("quick", later=9.0, worth=1)]
    assert order_later(items, ())[:2] == ["quick", "a"]


def test_what_is_on_hand_meets_a_need():
    """A burned giver settles it."""
    items = [item("a", later=1.0, needs=[("slow", "burned")]), item("slow", later=90.0)]
    assert order_later(items, {"burned"}) == ["a", "slow"]


@pytest.mark.parametrize("number", range(40))
def test_every_item_once_and_needs_before_users(number):
    """Random items with needs and no circles: each stands once, after something of each of its sets."""
    r = random.Random(number)
    ids = [f"i{n}" for n in range(12)]
    items = [item(key, later=float(r.randint(1, 50)), worth=r.randint(1, 5),
                  needs=[tuple(r.sample(ids[:n], r.randint(1, min(n, 2)))) for _ in range(r.randint(0, 2)) if n])
             for n, key in enumerate(ids)]  # fmt: skip
    shuffled = r.sample(items, len(items))
    order = order_later(shuffled, ())
    assert sorted(order) == sorted(ids) and order == order_later(items, ())
    for i in items:
        for group in i.needs:
            assert min(order.index(g) for g in group) < order.index(i.id)


@pytest.mark.parametrize("number", range(40))
def test_next_is_always_the_worthiest_with_its_needs(number):
    """The rule as it is documented, worked out anew from the start at every step."""
    r = random.Random(number)
    ids = [f"i{n}" for n in range(12)]
    items = {key: item(key, later=float(r.randint(1, 50)), worth=r.randint(1, 5),
                       needs=r.sample(ids[:n], r.randint(0, min(n, 2)))) for n, key in enumerate(ids)}  # fmt: skip

    def with_needs(key):
        return {key}.union(*(with_needs(need) for (need,) in items[key].needs if need not in done))

    def seconds_for_worth(key):
        found = with_needs(key)
        return Fraction(sum(int(items[k].later_s) for k in found), sum(items[k].worth for k in found)), key

    order, done = order_later(items.values(), ()), set()
    while len(done) < len(items):
        batch = with_needs(min(items.keys() - done, key=seconds_for_worth))
        assert set(order[len(done) : len(done) + len(batch)]) == batch
        done |= batch


@pytest.mark.parametrize("number", range(20))
def test_without_needs_the_order_is_the_best_there_is(number):
    """The sum of worth times waiting is least, by all orders of six (the ratio rule for weighted completion times,
    W. E. Smith, Naval Research Logistics Quarterly 3, 1956; the rule from memory, checked here by counting)."""
    r = random.Random(number)
    items = {f"i{n}": item(f"i{n}", later=float(r.randint(1, 50)), worth=r.randint(1, 5)) for n in range(6)}

    def cost(order):
        ends = itertools.accumulate(items[key].later_s for key in order)
        return sum(items[key].worth * end for key, end in zip(order, ends, strict=True))

    assert cost(order_later(items.values(), ())) == min(map(cost, itertools.permutations(items)))

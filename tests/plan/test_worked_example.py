"""The worked example of the README: every number here can be checked with pencil and paper.

The disc has room for 1,000 sectors of items; one item must burn to get online; the user said 30 days to use.

    item    sectors  L, link   D, disc  p       gain = (1 - p) * L - D
    stack       100    200 s      10 s  0       190 s   must burn
    maps        500  1,090 s      30 s  0     1,060 s   2.12 s a sector
    game        450    955 s      25 s  0       930 s   2.07 s a sector
    paint       450    945 s      25 s  0       920 s   2.04 s a sector
    news         10     30 s       2 s  0.95  -0.51 s   renewed every 10 days: p = 1 - exp(-30 / 10) = 0.95

After stack, 900 sectors are left. Two of the three large ones take 950 (maps and game, maps and paint) or 900 (game and
paint): so the choice is maps alone for 1,060 s, or game and paint for 1,850 s. Taking the best by the sector first
ends with maps, and 400 sectors empty. News stays off the disc: 95 times in 100 it would be stale.

At the link wait maps and news, 1,120 s; under the other choice game, paint and news would wait, 1,930 s.
"""

from dataclasses import replace

from support.plans import brute_force, gain_of, greedy, problem

from discprep.model import FormFigures, PlanItem
from discprep.plan.gain import gain_s, p_stale
from discprep.plan.problem import solve


def one(key, sectors, later_s, disc_s, renewed_every_days=None):
    stale = p_stale(30, renewed_every_days)
    gain = gain_s(3, stale, later_s, disc_s)
    return PlanItem(key, (), "", "", (FormFigures("unpacked", sectors, 0, 0, gain),), later_s, p_stale=stale)


ITEMS = [
    one("stack", 100, 200, 10),
    one("maps", 500, 1090, 30),
    one("game", 450, 955, 25),
    one("paint", 450, 945, 25),
    one("news", 10, 30, 2, renewed_every_days=10),
]
P = problem(*ITEMS, capacity=1000, days_to_use=30.0, wants=(("gives ip-stack, needed to get online", ("stack",)),))


def test_gains_of_the_table():
    """The last column."""
    assert {i.id: i.forms[0].gain_s for i in ITEMS} == {
        "stack": 190.0, "maps": 1060.0, "game": 930.0, "paint": 920.0, "news": -0.506}  # fmt: skip


def test_the_plan():
    """190 + 930 + 920 s saved; 1,090 + 30 s at the link; the news first, for it is there at once."""
    plan = solve(P)
    assert {d.id: d.place for d in plan.decisions} == {
        "stack": "burn", "maps": "later", "game": "burn", "paint": "burn", "news": "later"}  # fmt: skip
    assert (plan.objective_s, plan.seconds_at_link, plan.order) == (2040.0, 1120.0, ("news", "maps"))
    assert plan.objective_s == brute_force(P) and plan.optimal


def test_the_reasons():
    """As the README shows them."""
    assert {d.id: d.reason for d in solve(P).decisions} == {
        "stack": "gives ip-stack, needed to get online",
        "game": "saves 15 min 30 s for 922 KB",
        "paint": "saves 15 min 20 s for 922 KB",
        "maps": "does not fit: smaller items save more together in its room",
        "news": "left for later: changes about every 10 days and you said 30 days to use",
    }


def test_what_the_best_by_the_sector_would_do():
    """Stack, then maps alone: 1,930 s at the link."""
    musts = [replace(i, must="burn") if i.id == "stack" else i for i in ITEMS]
    choice = greedy(problem(*musts, capacity=1000))
    assert {key for key, form in choice.items() if form} == {"stack", "maps"}
    assert gain_of(choice) == 1060.0 + 190.0
    assert sum(i.later_s for i in ITEMS if not choice[i.id]) == 1930.0

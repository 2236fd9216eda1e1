"""The one line of each item."""

import re

from support.plans import form, item, problem

from discprep.plan.problem import solve


def reasons(*items, **more):
    return {d.id: d.reason for d in solve(problem(*items, **more)).decisions}


def test_why_things_burn():
    """Asked, to get online, needed by what must, by what saves, for its own gain."""
    lines = reasons(
        item("asked", form(), must="burn", needs=["lib"]),
        item("lib", form(gain=-1.0)),
        item("stack", form()),
        item("game", form(gain=845.0, sectors=15), needs=["data"]),
        item("data", form(gain=-1.0, sectors=15)),
        wants=(("gives ip-stack, needed to get online", ("stack",)),),
    )
    assert lines == {
        "asked": "asked to burn",
        "lib": "needed by asked",
        "stack": "gives ip-stack, needed to get online",
        "game": "saves 14 min 05 s for 30.7 KB",
        "data": "needed by game",
    }


def test_why_things_wait():
    """Asked, stale, no quicker on a disc, needing what waits, too large, beside what saves more."""
    lines = reasons(
        item("asked", must="later"),
        item("stale", form(gain=-0.1), p_stale=0.950212931632136),  # 1 - exp(-3): every 10 days, 30 to use
        item("tiny", form(gain=-0.1)),
        item("user", form(), needs=["asked"]),
        item("huge", form(sectors=500, gain=900.0)),
        item("big", form(sectors=60, gain=60.0)),
        item("rival", form(sectors=60, gain=61.0)),
        days_to_use=30.0,
    )
    assert lines == {
        "asked": "asked for later",
        "stale": "left for later: changes about every 10 days and you said 30 days to use",
        "tiny": "left for later: the line brings it as soon as the disc would",
        "user": "left for later: needs asked; asked: asked for later",
        "huge": "left for later: no disc holds it: it takes 500 sectors (1.02 MB), room for items is 100",
        "big": "does not fit beside rival, which saves more",
        "rival": "saves 1 min 01 s for 123 KB",
    }


def test_a_form_that_saves_nothing_is_no_room():
    """Packed it would fit, and cost time: what is short is room for it unpacked."""
    both = item("both", form(sectors=32, gain=1.4), form("packed", sectors=8, gain=-29.0))
    lines = reasons(both, item("rival", form(sectors=83, gain=6.0)))
    assert lines["both"] == "does not fit beside rival, which saves more"


def test_equals_are_called_that():
    """Of three that are alike two fit: the third is no larger, and nothing saves more."""
    lines = reasons(*(item(key, form(sectors=50, gain=30.0)) for key in "abc"))
    assert lines["c"] == "does not fit beside a, which saves as much"


def test_small_items_beat_a_large_one():
    """No burned item saves more, two together do."""
    lines = reasons(item("large", form(sectors=90, gain=50.0)), item("a", form(sectors=50, gain=30.0)),
                    item("b", form(sectors=50, gain=30.0)))  # fmt: skip
    assert lines["large"] == "does not fit: smaller items save more together in its room"


def test_which_limit_is_in_the_way():
    """Sectors abound, the volume is full."""
    items = [item(k, form(gain=g, storage=60), volume="C:") for k, g in (("a", 2.0), ("b", 1.0))]
    assert reasons(*items, storage={"C:": 100})["b"] == "does not fit on volume C: beside a, which saves more"


def test_an_item_that_does_not_fit_with_its_needs():
    """Alone it would fit."""
    lines = reasons(item("game", form(sectors=30, gain=50.0), needs=["data"]), item("data", form(sectors=60, gain=1.0)),
                    item("rival", form(sectors=50, gain=70.0)))  # fmt: skip
    assert lines["game"] == "does not fit with data, which it needs, beside rival, which saves more"


def test_a_need_that_costs_more_than_it_saves():
    """Five seconds saved, ten lost by what it needs."""
    lines = reasons(item("game", form(gain=5.0), needs=["data"]), item("data", form(gain=-10.0)))
    assert lines["game"] == "left for later: it needs data, which costs more than it saves"


def test_room_in_each_limit_but_not_in_one_form():
    """Unpacked the disc is too small for it, packed the volume; each limit alone is just met."""
    both = (form("unpacked", sectors=90, storage=50, gain=8.0), form("packed", sectors=50, storage=90, gain=8.25))
    must = item("must", form(sectors=50, storage=50), must="burn", volume="C:")
    lines = reasons(item("x", *both, volume="C:"), must, storage={"C:": 100})
    assert re.fullmatch(r"left for later: room for it is worth less than 8(\.25)? s beside the rest", lines["x"])


def test_present():
    """Already there."""
    assert reasons(item("a", form()), present=("a",)) == {"a": "already on the machine"}


def test_either_giver_of_a_role():
    """One of two burns for the role, the other for itself or not at all."""
    lines = reasons(item("a", form(gain=-5.0)), item("b", form(gain=-2.0)),
                    wants=(("gives fetcher, needed to get online", ("a", "b")),))  # fmt: skip
    assert lines["b"] == "gives fetcher, needed to get online"
    assert lines["a"].startswith("left for later")


def test_beside_what_must_burn():
    """Alone it would fit the disc; 40 of 100 sectors are left by what must burn, the largest named first."""
    lines = reasons(item("small", form(sectors=10), must="burn"), item("large", form(sectors=50), must="burn"),
                    item("x", form(sectors=41, gain=9.0)))  # fmt: skip
    assert lines["x"] == (
        "does not fit beside large and small, which must burn: it takes 41 sectors (84.0 KB), 40 are left"
    )


def test_durations_are_written_in_one_way():
    """As everywhere else: 115 s and 180 s of one table are both minutes and seconds."""
    lines = reasons(item("a", form(gain=115.0)), item("b", form(gain=180.0)))
    assert lines == {"a": "saves 1 min 55 s for 2.05 KB", "b": "saves 3 min 00 s for 2.05 KB"}

"""The order of work on the machine, worked out by hand from needs and steps."""

from dataclasses import replace

import pytest
from support.staging import manifest_of

from discprep.disc.parts import copy_order, part_order, parts
from discprep.machine import bring_up_items, needed_items, needed_though_wanted
from discprep.model import Item, Step

ITEMS = [
    Item("game"),
    Item("browser", needs=("ip-stack", "fonts")),
    Item("fonts"),
    Item("ip", gives=("ip-stack",), needs=("tools",)),
    Item("tools"),
    Item("driver", gives=("serial-driver",)),
]
ALL = [item.id for item in ITEMS]


def shape(*steps, burned=ALL, present=(), **fields):
    """Items of each part, with the texts before and after."""
    found = parts(manifest_of(ITEMS, steps=steps, **fields), burned, present)
    return [([s.text for s in p.before], list(p.items), [s.text for s in p.after]) for p in found]


def test_needs_first_bring_up_first():
    """Each item after what it needs, by id or role; else as in the manifest."""
    assert copy_order(manifest_of(ITEMS), ALL) == ("tools", "ip", "driver", "game", "fonts", "browser")


@pytest.mark.parametrize(
    ("steps", "expected"),
    [
        pytest.param([], [([], ["tools", "ip", "driver", "game", "fonts", "browser"], [])], id="no steps"),
        pytest.param(
            [Step("machine", "install", ("ip",))],
            [([], ["tools", "ip"], ["install"]), ([], ["driver", "game", "fonts", "browser"], [])],
            id="a step takes what its items need",
        ),
        pytest.param(
            [Step("machine", "prepare"), Step("machine", "install", ("ip",)), Step("machine", "restart")],
            [(["prepare"], ["tools", "ip"], ["install", "restart"]), ([], ["driver", "game", "fonts", "browser"], [])],
            id="steps without items stand where they are",
        ),
        pytest.param(
            [Step("machine", "a", ("tools",)), Step("machine", "b", ("tools",)), Step("machine", "c", tuple(ALL))],
            [([], ["tools"], ["a", "b"]), ([], ["ip", "driver", "game", "fonts", "browser"], ["c"])],
            id="nothing is left",
        ),
        pytest.param(
            [Step("desk", "x"), Step("bridge", "y", ("ip",))],
            [([], ["tools", "ip", "driver", "game", "fonts", "browser"], [])],
            id="only the machine's steps",
        ),
    ],
)
def test_parts(steps, expected):
    """Parts split where a hand stops them."""
    assert shape(*steps) == expected


def test_a_step_for_an_item_that_is_elsewhere():
    """It is left out while its item waits; an item on the machine or on an earlier disc is there."""
    step = Step("machine", "install", ("ip", "game"))
    assert shape(step, burned=["ip", "tools"]) == [([], ["tools", "ip"], [])]
    assert shape(step, burned=["ip", "tools"], present=["game"]) == [([], ["tools", "ip"], ["install"])]
    assert shape(step, burned=["ip", "tools"], has=("game",)) == [([], ["tools", "ip"], ["install"])]


def test_a_step_is_done_once():
    """With the disc that brings the last of its items, and what has none with the step before it; later discs have
    the steps of their own items alone."""
    steps = [Step("machine", "prepare"), Step("machine", "install", ("ip",)), Step("machine", "restart"),
             Step("machine", "try", ("ip", "game")), Step("machine", "play"),
             Step("machine", "fetch", ("fonts",))]  # fmt: skip
    assert shape(*steps, burned=["ip", "tools"]) == [(["prepare"], ["tools", "ip"], ["install", "restart"])]
    second = shape(*steps, burned=["game", "browser"], present=["ip", "tools"])
    assert second == [([], ["game"], ["try", "play"]), ([], ["browser"], [])]


def test_what_unpacks_comes_with_what_is_packed():
    """A step wants an item that stands on the disc packed: its unpacker, with all that needs, is copied before it."""
    items = [Item("stack", sources=("http://files.example/stack.zip",)), Item("game"), Item("base"),
             Item("opener", gives=("unpack-zip",), needs=("base",)), Item("other", gives=("unpack-lha",))]  # fmt: skip
    manifest = manifest_of(items, steps=(Step("machine", "start it", ("stack",)),))
    burned = [item.id for item in items]
    apart = [part.items for part in parts(manifest, burned)]
    assert apart == [("stack",), ("base", "opener", "other", "game")]
    packed = [part.items for part in parts(manifest, burned, packed=["stack"])]
    assert packed == [("base", "opener", "stack"), ("other", "game")]
    forms = dict.fromkeys(burned, "unpacked") | {"stack": "packed"}
    assert part_order(manifest, forms) == ("base", "opener", "stack", "other", "game")


def test_what_unpacks_comes_first_then_bring_up():
    """Else as in the manifest; each with its needs."""
    items = [Item("game"), Item("driver", gives=("serial-driver",)), Item("base"),
             Item("opener", gives=("unpack-zip",), needs=("base",))]  # fmt: skip
    assert copy_order(manifest_of(items), ["game", "driver", "base", "opener"]) == ("base", "opener", "driver", "game")


def test_a_step_that_wipes_waits_for_all_of_the_disc():
    """It and what follows right after it come once everything is copied; the steps keep their order."""
    steps = [Step("machine", "unpack", ("tools",)), Step("machine", "install", ("ip",)),
             Step("machine", "restart", wipes=("S/STARTUP",)), Step("machine", "look", ("fonts",))]  # fmt: skip
    rest = ["ip", "driver", "game", "fonts", "browser"]
    assert shape(*steps) == [([], ["tools"], ["unpack"]), ([], rest, ["install", "restart", "look"])]
    first = Step("machine", "prepare", wipes=("OLD/",))
    assert shape(first) == [(["prepare"], ["tools", *rest], [])]


def test_what_must_not_be_lost():
    """The bring-up set with its needs, and whatever another item of the disc needs."""
    manifest = manifest_of(ITEMS)
    assert bring_up_items(manifest) == {"driver", "ip", "tools"}
    assert needed_items(manifest, ALL) == {"driver", "ip", "tools", "fonts"}
    assert needed_items(manifest, ["game"]) == {"driver", "ip", "tools"}


def test_importance_is_said_or_follows():
    """What an item says holds for all that it needs; one that is only wanted is not needed by what only needs it."""

    def changed(**said):
        return manifest_of([replace(item, importance=said.get(item.id)) for item in ITEMS], bring_up=("serial-driver",))

    assert needed_items(changed(), ["browser", "fonts"]) == {"driver", "ip", "tools", "fonts"}
    assert needed_items(changed(fonts="wanted"), ["browser", "fonts"]) == {"driver", "ip", "tools"}
    assert needed_items(changed(browser="needed"), []) == {"driver", "browser", "ip", "tools", "fonts"}
    assert needed_though_wanted(changed(fonts="wanted")) == {}
    assert needed_though_wanted(changed(fonts="wanted", browser="needed")) == {"fonts": "browser"}
    assert needed_though_wanted(changed(driver="wanted")) == {"driver": ""}
    both = needed_though_wanted(changed(ip="wanted", tools="wanted", browser="needed"))
    assert both == {"ip": "browser", "tools": "ip"}
    spared = replace(changed(ip="wanted", browser="needed"), has=("ip",))
    assert needed_though_wanted(spared) == {}


def test_circles_through_roles_end():
    """Two items that need each other's roles (a plan may choose others) still have an order."""
    items = [Item("a", gives=("editor",), needs=("terminal",)), Item("b", gives=("terminal",), needs=("editor",))]
    assert sorted(part_order(manifest_of(items), {"a": "unpacked", "b": "unpacked"})) == ["a", "b"]

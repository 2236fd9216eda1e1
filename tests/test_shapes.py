"""In which shape an item crosses the link: what the machine opens by then, and never what it would need itself for."""

import pytest
from support.staging import manifest_of

from discprep.machine import roles_before
from discprep.model import UNPACK_ROLES, Edit, Item, Profile
from discprep.shapes import choose_shape, fitting, last_shape, openers, usable, worse_shape

FORMATS = (*UNPACK_ROLES, "rar", "file")


@pytest.mark.parametrize(
    ("item", "form", "opens", "shape"),
    [
        (Item("a"), "lha", {"unpack-lha"}, "archive"),
        (Item("a"), "tar.gz", {"unpack-tar"}, "tar"),
        (Item("a"), "tar.gz", {"unpack-tar", "unpack-gz"}, "archive"),
        (Item("a"), "lha", set(), "unpacked"),
        (Item("a"), "rar", {"unpack-lha"}, "lha"),
        (Item("a"), "lha", {"unpack-zip", "unpack-lha"}, "archive"),
        (Item("a", text=("*",)), "lha", {"unpack-lha"}, "lha"),
        (Item("a"), "file", set(), "archive"),
        (Item("a", text=("*",)), "file", {"unpack-zip"}, "unpacked"),
        (Item("a", edits=(Edit("line.cfg", "19200", "57600"),)), "lha", {"unpack-lha"}, "lha"),
        (Item("a", edits=(Edit("line.cfg", "19200", "57600"),)), "file", {"unpack-lha"}, "unpacked"),
    ],
)
def test_shape_follows_what_the_machine_opens(item: Item, form: str, opens: set[str], shape: str) -> None:
    """What is edited is never offered as it came: the machine would find the file without its edit."""
    assert choose_shape(item, form, opens) == shape


@pytest.mark.parametrize("form", FORMATS)
def test_worse_and_worse_ends_unpacked(form: str) -> None:
    """Whatever the machine has: each shape after the last, and the last is one that every machine can use."""
    for there in (set(), {"unpack-zip"}, {"unpack-lha", "unpack-tar"}):
        shapes = [fitting(Item("a"), form)[0]]
        while shapes[-1] != "unpacked":
            shapes.append(worse_shape(Item("a"), form, shapes[-1], there))
            assert usable(shapes[-1], form, there)
        assert len(set(shapes)) == len(shapes)


def test_nothing_opens_itself() -> None:
    """The one item that gives what opens LHA is an LHA: the machine cannot open it, unless another item does."""
    own = Item("own", gives=("unpack-lha",))
    other = Item("other", gives=("unpack-lha",))
    alone, both = (manifest_of(items, bring_up=()) for items in ([own], [own, other]))
    assert (last_shape(alone, own, "lha"), last_shape(both, own, "lha")) == ("unpacked", "archive")
    assert openers(alone, own, "archive", "lha") == (("unpack-lha",),)
    assert openers(both, own, "archive", "lha") == (("other",),)
    both_roles = manifest_of([Item("two", gives=("unpack-tar", "unpack-gz")), own], bring_up=())
    assert openers(both_roles, own, "archive", "tar.gz") == (("two",),)
    assert roles_before(alone, ["own"], {"own"}) == {"own": set()}


def test_roles_come_in_the_order_of_work() -> None:
    """Those of the system and of what is there from the start, then those of each item for all that follow it."""
    items = [Item("zips", gives=("unpack-zip",)), Item("tars", gives=("unpack-tar",)), Item("has", gives=("editor",)),
             Item("disc", gives=("unpack-lha",)), Item("last")]  # fmt: skip
    manifest = manifest_of(items, Profile("desk", provides=("browser",)), has=("has", "terminal"), bring_up=())
    start = {"browser", "editor", "terminal", "unpack-lha"}
    assert roles_before(manifest, ["tars", "zips", "last"], {"has", "disc"}) == {
        "tars": start,
        "zips": start | {"unpack-tar"},
        "last": start | {"unpack-tar", "unpack-zip"},
    }

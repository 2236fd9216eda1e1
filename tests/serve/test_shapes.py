"""Which shape an item is offered in, for which volume, and under which name on the shelf."""

import pytest

from discprep.model import Edit, Item, Profile, Volume
from discprep.serve.shapes import choose_shape, root_names, volume_of


@pytest.mark.parametrize(("form", "shape"), [("lha", "lha"), ("file", "unpacked")])
def test_what_is_edited_is_never_offered_as_it_came(form: str, shape: str) -> None:
    """The machine opens the archive itself, and would find the file without its edit."""
    edited = Item("a", edits=(Edit("line.cfg", "19200", "57600"),))
    assert choose_shape(edited, form, {"unpack-lha"}) == shape
    assert choose_shape(Item("a"), form, {"unpack-lha"}) == "archive"


def test_names_for_the_volume_that_an_item_goes_to() -> None:
    """The one it names; the profile's first where it names none, or none of them."""
    profile = Profile("p", volumes=(Volume("C:"), Volume("D:", name_max=30)))
    volumes = [volume_of(Item("a", volume=path), profile).path for path in ("D:", "C:", "", "E:")]
    assert volumes == ["D:", "C:", "C:", "C:"]
    assert volume_of(Item("a"), Profile("bare")) == Volume("")


def test_items_that_want_one_name_are_told_apart_by_their_ids() -> None:
    """Before the ending, where there is one."""
    wanted = {"a": "tools", "b": "tools", "c": "maps.zip", "d": "MAPS.zip"}
    assert root_names(wanted, Profile("p", volumes=(Volume("W:"),))) == {
        "a": "tools", "b": "tools-b", "c": "maps.zip", "d": "MAPS-d.zip",
    }  # fmt: skip

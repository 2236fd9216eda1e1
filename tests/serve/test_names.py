"""Under which name an item is offered."""

from discprep.model import Profile, Volume
from discprep.serve.names import root_names


def test_items_that_want_one_name_are_told_apart_by_their_ids() -> None:
    """Before the ending, where there is one."""
    wanted = {"a": "tools", "b": "tools", "c": "maps.zip", "d": "MAPS.zip"}
    assert root_names(wanted, Profile("p", volumes=(Volume("W:"),))) == {
        "a": "tools", "b": "tools-b", "c": "maps.zip", "d": "MAPS-d.zip",
    }  # fmt: skip

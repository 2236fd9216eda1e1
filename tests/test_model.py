"""What a manifest's record knows of its items as a whole."""

from pathlib import Path

from discprep.model import Item, Manifest, Medium, Profile


def manifest(*items: Item, has: tuple[str, ...] = ()) -> Manifest:
    return Manifest(Path("m.toml"), "M", items, Profile("P", provides=("editor",)), Medium("cd-74", 333_000), has=has)


def test_what_meets_a_need() -> None:
    """An id means that item, a role all that give it, sorted; a stranger nobody."""
    two = manifest(Item("b", gives=("fetcher",)), Item("a", gives=("fetcher", "browser")))
    assert two.givers("b") == ("b",)
    assert two.givers("fetcher") == ("a", "b")
    assert two.givers("browser") == ("a",)
    assert two.givers("terminal") == two.givers("stranger") == ()


def test_an_item_called_like_a_role_is_meant_by_its_id() -> None:
    """The id wins over the role of the same name."""
    assert manifest(Item("editor"), Item("a", gives=("editor",))).givers("editor") == ("editor",)


def test_roles_present_come_from_the_profile_and_from_what_is_there() -> None:
    """The system's own roles, those of items on the machine already, and roles named as present themselves."""
    there = manifest(Item("a", gives=("fetcher",)), Item("b", gives=("browser",)), has=("a", "terminal"))
    assert there.roles_present == {"editor", "fetcher", "terminal"}

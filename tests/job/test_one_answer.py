"""Where two faces tell one thing of an item, they tell the same: its volume, its archive's name, its title."""

from dataclasses import replace
from pathlib import Path

import pytest
from support.staging import manifest_of, opened_of, prepared

from discprep.disc.contents import read_content
from discprep.disc.lists import contents_text
from discprep.job.at_hand import open_task
from discprep.job.sheet import DiscMade, facts_from
from discprep.job.verify import renamings
from discprep.manifest.load import load_profile
from discprep.model import Decision, Fetched, Item, Manifest, Opened, Pin, Placed, Plan, Volume
from discprep.serve.stock import Order, Stock

PROFILE = load_profile(Path(__file__).parents[2] / "manifests/machines/map-table.toml")
NAME = "old plates.lzh"  # %20 is a space (RFC 3986 §2.1)


@pytest.fixture
def plates(tmp_path: Path) -> tuple[Manifest, Opened]:
    volumes = (Volume("Maps:", name_max=30), Volume("Store:", name_max=30))
    profile = replace(PROFILE, volumes=volumes, provides=("unpack-lha",))
    item = Item("plates", "The plates", "2", ("http://files.example/old%20plates.lzh",), volume="Store:", to="Prints",
                form="packed")  # fmt: skip
    return manifest_of([item], profile), opened_of({"A": b"a"}, tmp_path)


def test_script_sheet_list_and_shelf_agree(plates: tuple[Manifest, Opened], tmp_path: Path) -> None:
    """The script copies to the place that the sheet names, under the name that the disc's list and the shelf have."""
    manifest, opened = plates
    place = f"Store:Prints/{NAME}"
    result = prepared(manifest, {"plates": opened}, tmp_path, forms={"plates": "packed"})
    scripts = {n.staged.name[-1]: n.staged.content for n in result.named if n.staged.name[0] == "setup"}
    assert result.errors == () and place in read_content(scripts["WORK1"]).decode("latin-1")

    decided = Decision("plates", "burn", 1, "packed", True, 1, 1, 0.0, "asked to burn")
    plan = Plan((decided,), (), 0.0, 0.0, True, 0.0, "none needed")
    placed = tuple(Placed(named, 30, 1) for named in result.named)
    facts = facts_from(DiscMade(manifest, plan, pins={}, pulled={}, placed=placed))
    assert facts.rooms[0].volume == "Store:"  # then the one that keeps what the setup itself writes
    assert (place,) in [task.details for task in facts.on_machine]

    listed = contents_text(result.named, manifest, "c0ffee12")
    assert "The plates 2\n" in listed and f"Prints/{NAME} " in listed

    stock = Stock(manifest, Order(("plates",)), lambda item, fetched: opened, None, tmp_path / "work")
    pin = Pin("plates", opened.path.stat().st_size, opened.sha256, 0)
    (offer,) = stock.shelf([Fetched("plates", "cached", opened.path, pin)]).offers
    assert (offer.title, offer.volume, offer.folders) == ("The plates 2", "Store:", ("Prints",))
    (file,) = offer.files
    assert "/".join(file.target) == f"Prints/{NAME}"
    assert open_task(manifest.items[0], opened.path).name == NAME


def test_verify_and_the_sheet_write_a_path_alike(tmp_path: Path) -> None:
    """As the machine writes it: a DOS-class one with backslashes."""
    profile = load_profile(Path(__file__).parents[2] / "manifests/machines/catalogue-desk.toml")
    item = Item("plates", "The plates", sources=("http://files.example/plates.zip",), to="Prints")
    manifest, opened = manifest_of([item], profile), opened_of({"A very long name.text": b"a"}, tmp_path)
    result = prepared(manifest, {"plates": opened}, tmp_path, forms={"plates": "unpacked"})
    decided = Decision("plates", "burn", 1, "unpacked", True, 1, 1, 0.0, "asked to burn")
    plan = Plan((decided,), (), 0.0, 0.0, True, 0.0, "none needed")
    placed = tuple(Placed(named, 30, 1) for named in result.named if named.staged.item)
    (on_sheet,) = facts_from(DiscMade(manifest, plan, pins={}, pulled={}, placed=placed)).renamed
    (told,) = renamings([one.named for one in placed], profile)
    assert (told.wanted, told.on_disc, told.on_machine) == (on_sheet.wanted, on_sheet.on_disc, on_sheet.on_machine)
    assert "\\" in told.on_machine and "/" not in told.on_machine

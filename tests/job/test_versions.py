"""What is old is called so: an item renewed after its disc or its pull, a disc built from other inputs; and an item
taken out leaves everything else as it was."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from support.command import Ran, run
from support.shelf import served
from support.zips import Put, archive

PROFILE = 'format = 1\nname = "desk"\n[disc]\nname_rules = "iso-level-2"\n[[volume]]\npath = "C:"\n'
HEAD = (
    '# The reading room.\nformat = 1\nbring_up = []\n[machine]\nprofile = "desk.toml"\n[medium]\nkind = "cd-74"\n'
    "[link]\nrate = 9600\nmtu = 576\n"
)
ITEMS = """
# First the maps.
[[item]]
id = "maps"
sources = ["maps.zip"]
place = "burn"
[[item.edit]]
file = "MAP.CFG"
find = "a"
replace = '''
[[item]]
# no header
'''

# Then the list, which needs nothing.
[[item]]
id = "list"   # of everything
sources = ["list.zip"]
place = "later"

# The last one.
[[expect]]
item = "maps"
file = "MAP.CFG"
pattern = "(item)"
equals = "item"
"""


@pytest.fixture
def recipe(tmp_path: Path) -> Path:
    (tmp_path / "desk.toml").write_text(PROFILE)
    for name, data in (("maps", b"a\n"), ("list", b"list one\n")):
        (tmp_path / f"{name}.zip").write_bytes(archive(Put(b"MAP.CFG", data)))
    path = tmp_path / "first.toml"
    path.write_text(HEAD + ITEMS)
    return path


def called(command: str, path: Path, *words: object) -> Ran:
    return run(command, path, *words, "--cache", path.parent / "cache")


def items(path: Path) -> dict[str, dict]:
    return {item["id"]: item for item in called("status", path, "--json").document["items"]}


def test_what_was_renewed_since_is_old(recipe: Path) -> None:
    """On the disc and on the machine is the version before: both are told so, and the next step brings the new one."""
    assert called("prepare", recipe, "--out", recipe.parent / "out").code == 0
    with served(recipe, recipe.parent / "cache") as shelf:
        (offer,) = shelf.listening["items"]
        assert shelf.get(offer["files"][0])
    before = items(recipe)
    assert before["maps"]["discs"] and not before["maps"]["old_discs"] and before["list"]["pulled"] == "whole"
    assert before["maps"]["dated_s"] and before["list"]["pulled_s"]
    for name, data in (("maps", b"a new\n"), ("list", b"list two\n")):
        (recipe.parent / f"{name}.zip").write_bytes(archive(Put(b"MAP.CFG", data)))
        assert called("fetch", recipe, "--renew", name).code == 0
    called("verify", recipe)
    after = items(recipe)
    assert after["maps"]["old_discs"] == before["maps"]["discs"] and not after["maps"]["discs"]
    assert after["list"]["pulled"] == "old version"
    told = called("status", recipe)
    assert "old version" in told.out and "maps renewed" in told.err and "prepare" in after["maps"]["next"]
    assert called("prepare", recipe, "--out", recipe.parent / "out").code == 0
    assert items(recipe)["maps"]["discs"] and "other inputs" not in called("status", recipe).err


@pytest.mark.parametrize("how", ["machine", "rate"])
def test_a_disc_from_other_inputs(how: str, recipe: Path) -> None:
    """`status` and `serve` follow the manifest as it is now, and say that the disc does not."""
    assert called("prepare", recipe, "--out", recipe.parent / "out").code == 0
    assert "other inputs" not in called("status", recipe).err
    if how == "machine":
        other = recipe.parent / "other.toml"
        other.write_text(PROFILE.replace('"desk"', '"counter"'))
        assert called("build", recipe, "--out", recipe.parent / "out", "--machine", other).code == 0
        words = "machine.name counter then, desk now"
    else:
        recipe.write_text(recipe.read_text().replace("rate = 9600", "rate = 19200"))
        words = "link.rate_bit_s 9600 then, 19200 now"
    told = called("status", recipe, "--json").document
    assert words in str(told["notices"]) and told["next"].split()[1] == "prepare"  # no burning
    with served(recipe, recipe.parent / "cache") as shelf:
        assert any(words in notice["message"] for notice in shelf.listening["notices"])


def test_drop(recipe: Path) -> None:
    """The item, its edits, what reads it and its pin go; comments, the other tables and their order stay."""
    assert called("fetch", recipe).code == 0
    ran = run("drop", recipe, "maps", "--json")
    assert ran.code == 0 and ran.document["pin"] is True, ran.err
    left = recipe.read_text()
    for kept in ("# The reading room.", "# First the maps.", "# Then the list", "# of everything", "# The last one."):
        assert kept in left
    data = tomllib.loads(left)
    assert [item["id"] for item in data["item"]] == ["list"] and "expect" not in data
    assert "maps" not in (recipe.parent / "first.pins.toml").read_text()
    assert called("verify", recipe).code == 0
    assert run("drop", recipe, "maps").code == 2


def test_drop_of_what_others_need(recipe: Path) -> None:
    """It is said who needs it, where, and nothing changes; doing what the hint says, it goes."""
    recipe.write_text(recipe.read_text().replace('id = "list"', 'needs = ["maps"]\nid = "list"'))
    before = recipe.read_bytes()
    ran = run("drop", recipe, "maps")
    assert ran.code == 2 and "without maps" in ran.err and "list" in ran.err
    line = before.decode()[: before.decode().index("needs = ")].count("\n") + 1
    assert f"first.toml:{line - 1}:" in ran.err and recipe.read_bytes() == before
    recipe.write_text(recipe.read_text().replace('needs = ["maps"]\n', ""))
    assert run("drop", recipe, "maps").code == 0

"""Unpacking by hand costs time: unpacked is chosen where there is room, packed where there is none or on request."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from support.command import Ran, run
from support.zips import Put, archive

HEAD = 'format = 1\nbring_up = []\n[machine]\nprofile = "desk.toml"\n[link]\nrate = 9600\nmtu = 576\n'
TOOL = '[[item]]\nid = "tool"\nsources = ["tool.zip"]\nplace = "burn"\ngives = ["unpack-zip"]\nform = "unpacked"\n'


def recipe(folder: Path, item: str, *, sectors: int = 333_000, rate: str = "", name: bytes = b"MAP.DAT") -> Path:
    """An unpacker, and an archive that packs to a tenth of what is in it."""
    (folder / "desk.toml").write_text(
        f'format = 1\nname = "desk"\n{rate}\n[disc]\nname_rules = "joliet"\n[[volume]]\npath = "C:"\nfree = "80 MB"\n'
        "stem_max = 8\nextension_max = 3\n"
    )
    noise = random.Random(7).randbytes(60_000)
    (folder / "tool.zip").write_bytes(archive(Put(b"UNZIP", b"u" * 90)))
    (folder / "maps.zip").write_bytes(archive(Put(name, noise + bytes(540_000), method=8)))
    path = folder / "first.toml"
    path.write_text(f'{HEAD}[medium]\nsectors = {sectors}\n{TOOL}[[item]]\nid = "maps"\nsources = ["maps.zip"]\n{item}')
    return path


def called(command: str, path: Path, *words: object) -> Ran:
    return run(command, path, *words, "--cache", path.parent / "cache")


def planned(path: Path) -> tuple[dict, list[str]]:
    called("fetch", path)
    plan = called("plan", path, "--json").document
    (maps,) = [item for item in plan["items"] if item["id"] == "maps"]
    return maps, [notice["message"] for notice in plan["notices"] if notice.get("item") == "maps"]


@pytest.mark.parametrize(
    ("rate", "sectors", "form"),
    [("", 333_000, "unpacked"), ("unpack_bytes_s = 1_000_000_000", 333_000, "packed"), ("", 300, "packed")],
    ids=["room", "a machine that unpacks at once", "no room"],
)
def test_unpacked_where_there_is_room(rate: str, sectors: int, form: str, tmp_path: Path) -> None:
    """600 KB take two seconds more to read than 60 KB; unpacking 60 KB takes three at 20 KB/s."""
    maps, _ = planned(recipe(tmp_path, "", sectors=sectors, rate=rate))
    assert (maps["place"], maps["form"]) == ("burn", form)


def test_names_that_the_machine_cannot_hold(tmp_path: Path) -> None:
    """What unpacks it on the machine could not write them: packed only if asked for, and then it is said."""
    long = b"the map of the second floor.data"
    maps, _ = planned(recipe(tmp_path, "", rate="unpack_bytes_s = 1_000_000_000", name=long))
    assert maps["form"] == "unpacked"
    (tmp_path / "asked").mkdir()
    maps, told = planned(recipe(tmp_path / "asked", 'form = "packed"\n', name=long))
    assert maps["form"] == "packed" and any("do not fit the machine" in words for words in told)


@pytest.mark.parametrize("form", ['form = "packed"', 'form = "both"'])
def test_nested_and_packed_contradict(form: str, tmp_path: Path) -> None:
    path = recipe(tmp_path, f"nested = 1\n{form}\n")
    ran = run("check", path)
    assert ran.code == 2 and "leaves it closed" in ran.err
    path.write_text(path.read_text().replace(f"nested = 1\n{form}", 'nested = 1\nform = "unpacked"'))
    assert run("check", path).code == 0


def test_what_unpacking_costs_is_told(tmp_path: Path) -> None:
    """By the profile's speed, or by the unpacker's own, in the figures of the packed form."""
    took = []
    for n, (rate, tool) in enumerate((("", ""), ("unpack_bytes_s = 1_000", ""), ("", "unpack_bytes_s = 500\n"))):
        (tmp_path / str(n)).mkdir()
        path = recipe(tmp_path / str(n), 'form = "packed"\n', rate=rate)
        path.write_text(path.read_text().replace('gives = ["unpack-zip"]\n', f'gives = ["unpack-zip"]\n{tool}'))
        maps, _ = planned(path)
        took.append(maps["forms"][0]["disc_s"])
    size = (tmp_path / "0" / "maps.zip").stat().st_size
    assert took[1] - took[0] == pytest.approx(size / 1_000 - size / 20_000, abs=0.01)
    assert took[2] - took[0] == pytest.approx(size / 500 - size / 20_000, abs=0.01)

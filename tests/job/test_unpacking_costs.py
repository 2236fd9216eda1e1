"""Unpacking by hand costs time: unpacked is chosen where there is room, packed where there is none or on request."""

from __future__ import annotations

import random
from collections.abc import Mapping
from fractions import Fraction
from itertools import product
from math import ceil
from pathlib import Path

import pytest
from support.command import Ran, run
from support.zips import Put, archive

HEAD = 'format = 1\nbring_up = []\n[machine]\nprofile = "desk.toml"\n[link]\nrate = 9600\nmtu = 576\n'
AT_ONCE = "unpack_bytes_s = 1_000_000_000"
TOOL = '[[item]]\nid = "tool"\nsources = ["tool.zip"]\nplace = "burn"\ngives = ["unpack-zip"]\nform = "unpacked"\n'


def recipe(
    folder: Path, item: str, *, sectors: int = 333_000, rate: str = "", name: bytes = b"MAP.DAT", speed: float = 4
) -> Path:
    """An unpacker, and an archive that packs to a tenth of what is in it."""
    (folder / "desk.toml").write_text(
        f'format = 1\nname = "desk"\n{rate}\n[disc]\nname_rules = "joliet"\ndrive_speed = {speed}\n'
        '[[volume]]\npath = "C:"\nfree = "80 MB"\n'
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
    ("rate", "sectors", "speed", "form"),
    [("", 333_000, 4, "unpacked"), (AT_ONCE, 333_000, 4, "unpacked"), (AT_ONCE, 333_000, 0.1, "packed"),
     ("", 300, 4, "packed")],
    ids=["room", "a machine that unpacks at once", "and reads slower than one types", "no room"],
)  # fmt: skip
def test_unpacked_where_there_is_room(rate: str, sectors: int, speed: float, form: str, tmp_path: Path) -> None:
    """540 KB more take 0.9 s to read at four times 150 KiB/s, and 35 s at a tenth; the command takes 30 s."""
    maps, _ = planned(recipe(tmp_path, "", sectors=sectors, rate=rate, speed=speed))
    assert (maps["place"], maps["form"]) == ("burn", form)


def waited(plan: dict, choice: Mapping[str, str | None]) -> Fraction | None:
    """Milliseconds that a choice of forms costs whoever waits, item by item; None where it is not allowed. The rule
    of the plan's page in other words: not what burning saves, but all that is waited for."""
    items = {item["id"]: item for item in plan["items"]}
    forms = {key: form for key in items for form in items[key]["forms"] if form["form"] == choice[key]}
    groups = [need for key in forms for need in (*items[key]["needs"], *forms[key]["needs"])]
    if any(not {need} & {*forms} if isinstance(need, str) else not {*need} & {*forms} for need in groups):
        return None
    room = plan["capacity_sectors"]
    if items["tool"]["id"] not in forms or sum(form["sectors"] for form in forms.values()) > room:
        return None
    waits = [items[key]["later_s"] + items[key]["unpack_s"] for key in items if key not in forms]
    return sum(map(Fraction, map(str, (*waits, *(form["disc_s"] for form in forms.values())))), Fraction(0))


@pytest.mark.parametrize("sectors", [333_000, 420, 560, 700])
def test_no_choice_of_places_and_forms_is_waited_for_less(sectors: int, tmp_path: Path) -> None:
    """Against every choice that there is, with what is unpacked by hand counted on both sides: the command and the
    bytes of what stands packed, and of what crosses the link packed."""
    path = recipe(tmp_path, "", sectors=sectors)
    for n, size in enumerate((3_000, 20_000, 90_000)):
        whole = archive(Put(f"SET{n}.DAT".encode(), random.Random(n).randbytes(size) + bytes(4 * size), method=8))
        (tmp_path / f"set{n}.zip").write_bytes(whole)
        path.write_text(path.read_text() + f'[[item]]\nid = "set{n}"\nsources = ["set{n}.zip"]\n')
    called("fetch", path)
    plan = called("plan", path, "--json").document
    forms = {item["id"]: [None, *(form["form"] for form in item["forms"])] for item in plan["items"]}
    for item in plan["items"]:
        packed = item["pulled"]["shape"] not in ("unpacked",) and item["id"] != "tool"
        assert item["unpack_s"] == (
            pytest.approx(30 + item["pulled"]["size_bytes"] / 20_000, abs=1e-3) if packed else 0
        )
    costs = {
        words: cost
        for words in product(*forms.values())
        if (cost := waited(plan, dict(zip(forms, words, strict=True)))) is not None
    }
    chosen = tuple(item["form"] for item in plan["items"])
    assert len(costs) > 3 and costs[chosen] == min(costs.values())
    assert sectors < 333_000 or "packed" not in chosen


def test_what_crosses_packed_is_a_task_of_the_sheet(tmp_path: Path) -> None:
    """Behind the fetching, with the minutes that the plan counts."""
    path = recipe(tmp_path, 'place = "later"\n')
    maps, _ = planned(path)
    assert called("prepare", path, "--out", tmp_path / "out").code == 0
    (sheet,) = (tmp_path / "out").rglob("bench-sheet.txt")
    task = next(line for line in sheet.read_text().splitlines() if "Unpack there what came packed" in line)
    assert f" {ceil(maps['unpack_s'] / 60)} min " in task and maps["unpack_s"] > 30


def test_names_that_the_machine_cannot_hold(tmp_path: Path) -> None:
    """What unpacks it on the machine could not write them: packed only if asked for, and then it is said."""
    long = b"the map of the second floor.data"
    maps, _ = planned(recipe(tmp_path, "", rate=AT_ONCE, name=long, speed=0.1))
    assert maps["form"] == "unpacked"
    (tmp_path / "asked").mkdir()
    maps, told = planned(recipe(tmp_path / "asked", 'form = "packed"\n', name=long))
    assert maps["form"] == "packed" and any("do not fit the machine" in words for words in told)


@pytest.mark.parametrize("form", ['form = "packed"', 'form = "both"'])
def test_nested_and_packed_contradict(form: str, tmp_path: Path) -> None:
    path = recipe(tmp_path, f"nested = 1\n{form}\n")
    ran = run("check", path)
    assert ran.code == 2 and "where nested cannot reach" in ran.err
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

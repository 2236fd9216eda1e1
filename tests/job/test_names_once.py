"""Once a run: names are mapped, trees made and archives opened for the figures, and taken over by the build and by what
is asked beside the plan, where they must be the same."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from support.bench_set import BenchSet, zip_bytes
from support.command import run

from discprep.disc import names
from discprep.disc.folder_names import name_folder
from discprep.disc.names import FolderNames, map_names
from discprep.job import at_hand
from discprep.job.prepare import prepare
from discprep.job.tree import Trees
from discprep.model import Content, NameRule, Profile, Staged, Volume

SECRET = '[secrets]\nkey = { env = "ROOM_KEY" }\n'
EDIT = '[[item.edit]]\nfile = "line.cfg"\nfind = "none"\nreplace = "{secrets.key}"\n'
LINK = "[link]\nrate = 9600\nmtu = 576\n[bridge]\nrate = 9600"
FILES = {"A.BIN": b"a" * 5000, "line.cfg": b"key=none\r\n", "in/a long name.text": b"b"}


class Counted:
    """What a run asked for: folders to name, trees to make, archives to open."""

    def __init__(self, patch: pytest.MonkeyPatch) -> None:
        self.folders: list[Any] = []
        self.trees: list[Any] = []
        self.opened: list[Any] = []
        make, open_all = Trees._make, at_hand.open_all

        def named(entries: Any, rule: Any, *more: Any) -> Any:
            self.folders.append((rule, tuple((entry.name, entry.folder, entry.fixed) for entry in entries)))
            return name_folder(entries, rule, *more)

        def made(trees: Trees, manifest: Any, opened: Any, forms: Any, *more: Any) -> Any:
            self.trees.append(dict(forms))
            return make(trees, manifest, opened, forms, *more)

        def all_opened(tasks: Any, **more: Any) -> Any:
            self.opened += tasks
            return open_all(tasks, **more)

        patch.setattr(names, "name_folder", named)
        patch.setattr(Trees, "_make", made)
        patch.setattr(at_hand, "open_all", all_opened)


@pytest.fixture
def counted(monkeypatch: pytest.MonkeyPatch) -> Iterator[Counted]:
    monkeypatch.setenv("ROOM_KEY", "quietly-turning-pages")
    yield Counted(monkeypatch)


@pytest.mark.parametrize(
    ("medium", "more", "items", "trees"),
    [
        ("sectors = 2000", "", {}, 1),
        ("sectors = 2000\nsecond_copy = true", "", {}, 2),
        ("sectors = 2000", EDIT, {}, 2),
        (f"sectors = 2000\n{LINK}", "", {"late": 'place = "later"', "had": "size = 9", "free": ""}, 1),
    ],
    ids=["plain", "second copies", "secrets", "later, there and two forms"],
)  # fmt: skip
def test_a_run_maps_names_once(
    counted: Counted, tmp_path: Path, medium: str, more: str, items: Mapping[str, str], trees: int
) -> None:
    """With nothing to choose, the tree that the figures measure is the one that is written, or has its names."""
    made = BenchSet(tmp_path)
    texts = [made.item("a", "a.zip", zip_bytes(FILES), f'place = "burn"\nto = "A"\n{more}')]
    texts += [made.item(key, f"{key}.zip", zip_bytes({f"{key}.BIN": key.encode() * 999}), f'to = "{key}"\n{words}')
              for key, words in items.items()]  # fmt: skip
    (tmp_path / "desk.toml").write_text(
        'format = 1\nname = "desk"\nprovides = ["unpack-zip"]\n[disc]\nname_rules = ["iso-level-2", "joliet"]\n'
        '[[volume]]\npath = "C:"\n'
    )
    made.write(*texts, medium=medium, head=SECRET if more else "", profile="desk.toml")
    if items:
        made.manifest.write_text(made.manifest.read_text().replace("[medium]", 'has = ["had"]\n[medium]', 1))
    built = prepare(made.manifest, made.out, cache_root=tmp_path / "cache", allow_secrets=bool(more))
    assert built.discs[0].files >= 3 and counted.folders
    assert len(counted.folders) == len(set(counted.folders)) and len(counted.trees) == trees
    assert len(counted.opened) == len(set(counted.opened)) == len(texts) - ("had" in items)


def test_what_is_there_need_not_be_here(tmp_path: Path) -> None:
    """An item that the machine has is not fetched, and nothing is asked about it: neither bytes nor size."""
    made = BenchSet(tmp_path)
    texts = [made.item("a", "a.zip", zip_bytes(FILES), 'place = "burn"\nneeds = ["had"]\n')]
    made.write(*texts, '[[item]]\nid = "had"\npage = "http://files.example/had"\n')
    made.manifest.write_text(made.manifest.read_text().replace("[medium]", 'has = ["had"]\n[medium]', 1))
    ran = run("prepare", made.manifest, "--out", made.out, *made.words, "--json")
    assert ran.code == 0, ran.out
    plan = run("plan", made.manifest, *made.words, "--json").document
    assert {item["id"]: item["place"] for item in plan["items"]} == {"a": "burn", "had": "present"}
    assert "had" not in run("plan", made.manifest, *made.words).err


def test_what_is_asked_beside_the_plan_opens_and_names_nothing_again(counted: Counted, tmp_path: Path) -> None:
    """Other capacities, staleness and places go by the same trees, other rates by the same names: each answer is that
    of a plan of its own."""
    made = BenchSet(tmp_path)
    texts = [made.item(key, f"{key}.zip", zip_bytes({f"{key}.BIN": key.encode() * size, "x y.text": b""}),
                       f'to = "{key}"\n') for key, size in (("a", 30_000), ("b", 90_000), ("c", 120_000))]  # fmt: skip
    made.write(*texts, medium=f"sectors = 400\n{LINK}\n[plan]\ndays_to_use = 30")
    run("fetch", made.manifest, *made.words)
    tries = {"medium.sectors": ("360", "420"), "item.a.renewed_every_days": ("1",), "item.b.place": ("later",),
             "link.rate": ("4800", "19200")}  # fmt: skip
    over = [word for key, values in tries.items() for word in ("--over", f"{key}={','.join(values)}")]
    counted.opened.clear()
    told = run("plan", made.manifest, *over, *made.words, "--json").document["over"]
    assert len(counted.opened) == len(set(counted.opened)) == 3
    assert len(counted.folders) == len(set(counted.folders))
    for one, (key, value) in zip(told, ((k, v) for k, values in tries.items() for v in values), strict=True):
        alone = run("plan", made.manifest, "--assume", f"{key}={value}", *made.words, "--json").document
        assert (one["objective_s"], one["seconds_at_link"]) == (alone["objective_s"], alone["seconds_at_link"]), key


def content(text: str) -> Content:
    return Content(Path(__file__), 0, len(text), text)


PLAIN = (Staged(("A", "Long name.text"), "i", content("one")), Staged(("A",), "i", None), Staged(("B",), "j", None))


@pytest.mark.parametrize(
    "change",
    [
        {"name": ("A", "Other.text")}, {"item": "j"}, {"content": None}, {"copied": False}, {"fixed_name": True},
        {"content": content("two")}, {"time_s": 5},
    ],
    ids=lambda change: "".join(change),
)  # fmt: skip
def test_known_names_are_those_that_would_be_mapped(change: Mapping[str, Any]) -> None:
    """Whatever changes between two questions, in the files, the machine or its volumes."""
    second: tuple[Staged, ...] = (replace(PLAIN[0], **change), *PLAIN[1:])
    rules: tuple[NameRule, ...] = ("iso-level-2", "joliet")
    machines = [Profile("p", name_rules=rules, volumes=(Volume("C:", stem_max=8, extension_max=3), Volume("D:"))),
                Profile("p", volumes=(Volume("C:"),)), Profile("p", companion_file="{name}.inf")]  # fmt: skip
    known = FolderNames()
    for volumes in ({}, {"i": machines[0].volumes[1]}):
        for staged in (PLAIN, second):
            for machine in machines:
                assert map_names(staged, machine, volumes, known) == map_names(staged, machine, volumes)

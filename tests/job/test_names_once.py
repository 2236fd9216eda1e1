"""Names are mapped once a run: the build takes over those of the figures, where they must be the same."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from support.bench_set import BenchSet, zip_bytes

from discprep.disc import names
from discprep.disc.names import KnownNames, map_names
from discprep.job.prepare import prepare
from discprep.model import Content, NameRule, Profile, Staged, Volume

SECRET = '[secrets]\nkey = { env = "ROOM_KEY" }\n'
EDIT = '[[item.edit]]\nfile = "line.cfg"\nfind = "none"\nreplace = "{secrets.key}"\n'


@pytest.mark.parametrize(
    ("medium", "more", "allow"),
    [("sectors = 2000", "", False), ("sectors = 2000\nsecond_copy = true", "", False), ("sectors = 2000", EDIT, True)],
    ids=["plain", "second copies", "secrets"],
)
def test_a_run_maps_names_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, medium: str, more: str, allow: bool
) -> None:
    """With nothing to place, the tree that the figures measure has the names of the one that is written."""
    asked: list[int] = []

    def counted(staged: Sequence[Staged], *others: Any) -> Any:
        asked.append(len(staged))
        return map_names(staged, *others)

    monkeypatch.setenv("ROOM_KEY", "quietly-turning-pages")
    monkeypatch.setattr(names, "map_names", counted)
    made = BenchSet(tmp_path)
    item = made.item("a", "a.zip", zip_bytes({"A.BIN": b"a" * 5000, "line.cfg": b"key=none\r\n"}), more)
    made.write(item.replace('id = "a"', 'id = "a"\nplace = "burn"'), medium=medium, head=SECRET if more else "")
    built = prepare(made.manifest, made.out, cache_root=tmp_path / "cache", allow_secrets=allow)
    assert built.discs[0].files >= 2 and len(asked) == 1


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
                Profile("p", volumes=(Volume("C:"),))]  # fmt: skip
    for volumes in ({}, {"i": machines[0].volumes[1]}):
        known = KnownNames()
        for staged, machine in ((PLAIN, machines[0]), (second, machines[0]), (second, machines[1])):
            assert known.map(staged, machine, volumes) == map_names(staged, machine, volumes)

"""What a build depends on: every field of every record, unless it is marked where it is declared. The walk through the
records is by their type hints (PEP 484), not by a list of names that could fall behind."""

from __future__ import annotations

import types
from collections.abc import Iterator
from dataclasses import fields, is_dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

import pytest
from support.bench_set import MACHINES, BenchSet, usual
from support.command import run

from discprep.job.inputs import inputs_digest
from discprep.model import Manifest, Pin

HERE = {"Manifest.path", "Profile.where", "Item.where", "Item.pins_file", "Edit.where", "Expect.where", "Step.where"}
"""Where a thing stands on this computer, or in a file, for messages: no byte of a disc follows it."""


def choices(hint: Any) -> tuple[Any, ...]:
    """What may stand there, without None."""
    inner = get_args(hint) if get_origin(hint) in (Union, types.UnionType) else (hint,)
    return tuple(one for one in inner if one is not type(None))


def sample(hint: Any, folder: Path, other: bool = False) -> Any:
    """A value of a type, nothing left empty; with `other` another one."""
    (hint, *_), number = choices(hint), int(other)
    if is_dataclass(hint):
        hints = hints_of(hint)
        return hint(**{one.name: sample(hints[one.name], folder, other) for one in fields(hint)})
    if get_origin(hint) is Literal:
        return get_args(hint)[number % len(get_args(hint))]
    if get_origin(hint) is tuple:
        return tuple(sample(one, folder, other) for one in get_args(hint) if one is not ...)
    if hint is Path:
        return folder / ("other" if other else "one")
    return {str: "ab"[number], int: 7 + number, float: 1.5 + number, bool: other}[hint]


@cache
def hints_of(record: Any) -> dict[str, Any]:
    return get_type_hints(record)


def kinds(record: Any) -> Iterator[Any]:
    """A record's type and those of all that it can hold."""
    yield record
    for hint in hints_of(record).values():
        for one in _parts(hint):
            yield from kinds(one)


def _parts(hint: Any) -> Iterator[Any]:
    if is_dataclass(hint):
        yield hint
    for inner in get_args(hint):
        yield from _parts(inner)


def changed(value: Any, name: str, folder: Path) -> Any:
    """The same record with one field, `Record.field`, changed wherever such a record stands in it."""
    if isinstance(value, tuple):
        return tuple(changed(one, name, folder) for one in value)
    if not is_dataclass(value) or isinstance(value, type):
        return value
    hints, record = hints_of(type(value)), type(value).__name__
    new = {one.name: changed(getattr(value, one.name), name, folder) for one in fields(value)}
    own = {key: sample(hints[key], folder, other=True) for key in new if f"{record}.{key}" == name}
    return replace(value, **(new | own))


RECORDS = [*dict.fromkeys([*kinds(Manifest), Pin])]
FIELDS = [f"{record.__name__}.{one.name}" for record in RECORDS for one in fields(record)]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in ("one", "other"):
        (tmp_path / name).write_text(name)
    return tmp_path


@pytest.mark.parametrize("name", FIELDS)
def test_every_field_of_every_record_changes_the_digest(name: str, folder: Path) -> None:
    """Manifest, profile and pins, as deep as they go; what is marked changes nothing."""
    manifest, pin = sample(Manifest, folder), sample(Pin, folder)
    before = inputs_digest(manifest, {"a": pin}, {})
    after = inputs_digest(changed(manifest, name, folder), {"a": changed(pin, name, folder)}, {})
    assert (after == before) == (name in HERE)


def test_the_walk_reaches_what_the_disc_follows() -> None:
    """A few that were once passed over, or could be: the walk itself is seen to work."""
    wanted = {"Volume.path", "Volume.free_bytes", "Volume.forbidden", "Profile.charset", "Item.page", "Item.hint",
              "AttributeBit.set", "Hashes.crc32", "Shell.copy", "Limits.members", "Pin.ppp_escapes"}  # fmt: skip
    assert wanted <= set(FIELDS) and set(FIELDS) >= HERE and len(FIELDS) > 180


def test_local_sources_count_by_name(folder: Path) -> None:
    """The same recipe in another folder has the same digest; another host has not."""
    manifest = sample(Manifest, folder)

    def digest(*sources: str) -> str:
        return inputs_digest(replace(manifest, items=(replace(manifest.items[0], sources=sources),)), {}, {})

    assert digest("/one/a.zip") == digest("/two/a.zip") != digest("/one/b.zip")
    assert digest("http://one.example/a.zip") != digest("http://two.example/a.zip")


def test_files_count_by_content(folder: Path) -> None:
    """The path of a file that goes on the disc is nothing, its bytes are all."""
    manifest = sample(Manifest, folder)
    before = inputs_digest(manifest, {}, {})
    (folder / "copy").write_text("one")
    medium = replace(manifest.medium, system_area=folder / "copy")
    assert inputs_digest(replace(manifest, medium=medium), {}, {}) == before
    (folder / "one").write_text("now other")
    assert inputs_digest(manifest, {}, {}) != before


# ---------------------------------------------------------------------------------- tried as a new user would


@pytest.fixture
def bench(tmp_path: Path) -> BenchSet:
    """The usual set with a profile of its own, and a page for one of the items."""
    bench = usual(tmp_path)
    profile = (MACHINES / "catalogue-desk.toml").read_text()
    (tmp_path / "machine.toml").write_text(profile)
    text = bench.manifest.read_text().replace(str(MACHINES / "catalogue-desk.toml"), "machine.toml")
    bench.manifest.write_text(text.replace('id = "docs"', 'id = "docs"\npage = "http://room.example/docs"'))
    return bench


def standing(bench: BenchSet) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in bench.out.iterdir()}


WORDS = [
    ("machine.toml", 'path          = "C:"', 'path = "E:"'),
    ("machine.toml", 'charset  = "cp437"', 'charset = "cp850"'),
    ("m.toml", "room.example", "hall.example"),
    ("m.toml", 'title = "A test disc"', 'title = "A tried disc"'),
    ("m.toml", 'to = "MISC"', 'to = "MORE"'),
]


@pytest.mark.parametrize(("name", "word", "another"), WORDS, ids=[another for _, _, another in WORDS])
def test_a_word_changed_and_changed_back(name: str, word: str, another: str, bench: BenchSet) -> None:
    """The disc follows; then the first one comes out again, byte for byte, and nothing else stands there."""
    line = ("prepare", bench.manifest, "--out", bench.out, *bench.words, "--json")
    assert run(*line).code == 0
    first, path = standing(bench), bench.folder / name
    text = path.read_text()
    assert word in text
    path.write_text(text.replace(word, another))
    ran = run(*line)
    assert ran.code == 0 and not ran.document["discs"][0]["unchanged"], ran.out
    assert standing(bench) != first
    path.write_text(text)
    assert not run(*line).document["discs"][0]["unchanged"]
    assert standing(bench) == first
    assert run(*line).document["discs"][0]["unchanged"]

"""`probe`: a small test disc for a machine, and its answers into the machine's profile."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.items import AoT, Array

from discprep.disc.image import write_image
from discprep.disc.layout.options import ImageOptions
from discprep.disc.probe import Question, answer_sheet, probe_tree, questions, settle
from discprep.errors import ManifestError, UsageError
from discprep.fetch.files import scratch, write_atomically
from discprep.fetch.host import move
from discprep.manifest.load import load_profile
from discprep.manifest.source import read_source
from discprep.model import NameRule, Notice, Profile, Progress
from discprep.report.probe import Answered, Probed, sheet

EPOCH_S = 946_684_800  # 2000-01-01: the disc is the same whenever it is made
ALL_TREES: tuple[NameRule, ...] = ("iso-level-2", "joliet", "rock-ridge")


def profile_path(path: Path, machine: Path | None = None) -> Path:
    """The machine profile that a manifest names; `path` itself where it is one; `machine` before both.

    Raises:
        ManifestError: the file is neither
        StorageError: it cannot be read
    """
    if machine:
        return machine
    source = read_source(path)
    table = source.data.get("machine")
    name = table.get("profile") if isinstance(table, dict) else None
    if isinstance(name, str):
        return path.parent / name
    if "name" in source.data:
        return path
    raise ManifestError(
        "expected a manifest with [machine] profile = …, or a machine profile",
        where=source.label,
        hint="Name the profile with --machine.",
    )


def load(path: Path, machine: Path | None = None) -> tuple[Path, Profile]:
    """The profile's path and the profile. Raises as `profile_path` and `load_profile`."""
    found = profile_path(path, machine)
    profile = load_profile(found)
    assert profile is not None  # without a place to report to, it raises
    return found, profile


def probe(
    path: Path, out: Path, *, machine: Path | None = None, plain: bool = False, progress: Progress | None = None
) -> Probed:
    """Writes the test disc, its questions and a file for the answers into `out`.

    Arguments:
        path: a manifest, or a machine profile
        plain: short names only, for a machine that refuses the disc with all trees

    Raises:
        ManifestError, Faults: the profile is wrong
        StorageError, OSError: the folder cannot be written
    """
    _, profile = load(path, machine)
    to_ask = questions(profile)
    out.mkdir(parents=True, exist_ok=True)
    rules: tuple[NameRule, ...] = ("iso-level-1",) if plain else ALL_TREES
    image, part = out / "PROBE.iso", out / ".PROBE.iso.part"
    with scratch(out, ".probe-") as work:
        named = probe_tree(profile, work, plain=plain)
        written = write_image(named, part, ImageOptions("PROBE", EPOCH_S, rules, charset="latin-1"), progress)
        move(part, image)
    page, answers = out / "questions.txt", out / "answers.toml"
    write_atomically(page, sheet(profile.name, to_ask).encode())
    notices = []
    if answers.exists():
        notices.append(Notice("it is there already and was not written over", where=str(answers)))
    else:
        write_atomically(answers, answer_sheet(to_ask).encode())
    return Probed(profile.name, image, page, answers, written.sectors, written.sha256, to_ask, tuple(notices))


def asked(path: Path, machine: Path | None = None) -> tuple[Question, ...]:
    """The questions for a machine. Raises as `load`."""
    return questions(load(path, machine)[1])


def read_answers(path: Path) -> Mapping[str, object]:
    """A file of answers, question id to text or number. Raises as `read_source`, and UsageError for other values."""
    data = read_source(path).data
    wrong = [key for key, value in data.items() if not isinstance(value, str | int | float)]
    if wrong:
        raise UsageError(f"expected texts or numbers, got others for {', '.join(wrong)}", where=str(path))
    return data


def answer(
    path: Path, answers: Mapping[str, object], *, machine: Path | None = None, to: Path | None = None
) -> Answered:
    """Writes the answers into the profile, or into a copy of it at `to`; its comments and its order stay. With a
    fault among the answers nothing is written.

    Raises:
        ManifestError, Faults: the profile is wrong, before or after
        StorageError, OSError: it cannot be read or written
    """
    found, profile = load(path, machine)
    findings = settle(profile, answers)
    document = tomlkit.parse(read_source(found).text)
    changes = {key: _set(document, key, value) for key, value in findings.values.items()}
    assumed = _mark_tried(document, findings.tried, findings.doubtful)
    target = to or found
    if not findings.errors:
        write_atomically(target, tomlkit.dumps(document).encode())
    return Answered(target, findings, changes, tuple(assumed))


def _set(document: tomlkit.TOMLDocument, key: str, value: Any) -> tuple[Any, Any]:
    """Sets a dotted key, of the first table where there are several; the old and the new value. A value that is
    as it was keeps its spelling."""
    section, name = key.split(".")
    table: Any = document.get(section)
    if table is None:
        table = document[section] = tomlkit.table()
    table = table[0] if isinstance(table, AoT) else table
    old = table.get(name)
    plain = old.unwrap() if hasattr(old, "unwrap") else old
    same = plain == value or [plain] == value
    if not same:
        table[name] = value
    return plain, plain if same else value


def _mark_tried(document: tomlkit.TOMLDocument, tried: tuple[str, ...], doubtful: tuple[str, ...]) -> list[str]:
    """Takes what was tried off `assumed`, and puts on it what turned out wrong."""
    assumed = document.get("assumed")
    if not isinstance(assumed, Array):
        document["assumed"] = assumed = tomlkit.array()
    for index in reversed(range(len(assumed))):
        if str(assumed[index]) in tried:
            del assumed[index]
    for key in doubtful:
        if key not in assumed:
            assumed.append(key)
    return [str(key) for key in assumed]

"""What `probe` says."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from discprep.disc.probe import Findings, Question
from discprep.model import Notice
from discprep.report.faces import as_text, picked
from discprep.report.tables import WIDTH, typed
from discprep.units import SECTOR_BYTES, format_bytes


@dataclass(frozen=True, slots=True)
class Probed:
    """A probe disc as written."""

    machine: str
    image: Path
    sheet: Path  # the questions, for the bench
    answers: Path  # the file to fill in
    sectors: int
    sha256: str
    questions: tuple[Question, ...]
    notices: tuple[Notice, ...] = ()


@dataclass(frozen=True, slots=True)
class Answered:
    """A profile after its answers. `changes`: dotted key to its old and new value."""

    profile: Path
    findings: Findings
    changes: Mapping[str, tuple[Any, Any]]
    assumed: tuple[str, ...]  # what nobody has tried yet

    @property
    def errors(self) -> tuple[Any, ...]:
        return self.findings.errors

    @property
    def notices(self) -> tuple[Notice, ...]:
        return self.findings.notices


def document(result: Probed | Answered) -> dict[str, Any]:
    """The JSON face."""
    if isinstance(result, Probed):
        return {
            **picked(result, "machine", "image", "sheet", "answers", "sectors", "sha256"),
            "questions": [
                picked(question, "id", "key", "do", "ask") | {"choices": dict(question.choices)}
                for question in result.questions
            ],
        }
    return {
        **picked(result, "profile", "assumed"),
        "changes": {key: {"old": old, "new": new} for key, (old, new) in result.changes.items()},
        **picked(result.findings, "tried", "doubtful"),
    }


@as_text
def text(result: Probed | Answered, asked: Path) -> Iterator[str]:
    """The terminal face. `asked`: the manifest or the profile that the command was given."""
    return _probed(result, asked) if isinstance(result, Probed) else _answered(result)


def _probed(result: Probed, asked: Path) -> Iterator[str]:
    size = format_bytes(result.sectors * SECTOR_BYTES)
    yield f"A probe disc for the {result.machine}: {result.sectors:,} sectors ({size})."
    yield f"  image      {result.image}"
    yield f"  questions  {result.sheet}"
    yield f"  answers    {result.answers}"
    yield ""
    yield "next: burn the image, answer the questions at the machine, fill in the answers;"
    yield f"      then: discprep probe {typed(asked)} --answers {typed(result.answers)}"


def _answered(result: Answered) -> Iterator[str]:
    yield f"{result.profile}:"
    for key, (old, new) in result.changes.items():
        yield f"  {key}: {_shown(old)} -> {_shown(new)}" if old != new else f"  {key}: {_shown(new)}, as it was"
    held = [key for key in result.findings.tried if key not in result.changes]
    if held:
        yield f"  tried, and right: {', '.join(held)}"
    if not result.changes and not held:
        yield "  nothing changed"
    yield (
        f"Still assumed: {', '.join(result.assumed)}."
        if result.assumed
        else "Nothing in it is merely assumed any more."
    )


def _shown(value: object) -> str:
    return "not set" if value is None else ", ".join(map(str, value)) if isinstance(value, list) else str(value)


@as_text
def sheet(machine: str, questions: tuple[Question, ...]) -> Iterator[str]:
    """The questions as a page to keep beside the machine."""
    title = f"Probe disc for the {machine}"
    yield from (title, "=" * len(title))
    for number, question in enumerate(questions, 1):
        indent = " " * (len(str(number)) + 2)
        yield ""
        for words in (f"{number}. {question.do}", f"{indent}{question.ask}"):
            yield from textwrap.wrap(words, WIDTH, subsequent_indent=indent)
        if question.kind == "choice":
            yield from (f"{indent}  [ ] {name:<12} {look}" for name, look in question.choices)
        else:
            yield f"{indent}  ______________________"
    yield ""

"""How `unpack` tells what it wrote."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from discprep.errors import DiscprepError
from discprep.model import Notice, Opened, Unpacked
from discprep.report.faces import as_text, picked
from discprep.report.inspect import escaped, member_facts
from discprep.units import format_bytes

State = Literal["written", "there", "folder", "skipped", "refused", "damaged", "blocked"]
STATES: dict[State, str] = {
    "written": "written", "there": "there already, the same bytes", "folder": "folder", "skipped": "links, not made",
    "refused": "refused", "damaged": "damaged", "blocked": "blocked by what is there",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Extracted:
    """What became of one member. `path` is below the folder, `/` between parts; "" when nothing was made."""

    entry: Unpacked
    state: State
    path: str = ""


@dataclass(frozen=True, slots=True)
class Unpacking:
    """A whole run. `errors` names every member that was wanted and is not there now."""

    opened: Opened
    folder: Path
    files: tuple[Extracted, ...]
    errors: tuple[DiscprepError, ...]
    notices: tuple[Notice, ...]


def document(result: Unpacking) -> dict[str, Any]:
    """The facts for `--json`: for each wanted member what became of it and under which path."""
    return {
        "file": str(result.opened.path),
        "format": result.opened.format,
        "sha256": result.opened.sha256,
        "folder": str(result.folder),
        "members": [_member(file) for file in result.files],
        "problems": list(result.opened.problems),
    }


def _member(file: Extracted) -> dict[str, Any]:
    content = file.entry.content
    return {
        **member_facts(file.entry),
        **picked(file, "path", "state"),
        "renamed": bool(file.path) and file.path != file.entry.member.name,
        "sha256": content.sha256 if content else None,
    }


@as_text
def text(result: Unpacking) -> Iterator[str]:
    """How many files came to what, and every name that had to change."""
    states = [file.state for file in result.files]
    size = sum(file.entry.member.size_bytes for file in result.files if file.state == "written")
    yield f"{result.opened.path.name} ({result.opened.format}) into {result.folder}: {format_bytes(size)}"
    for state in STATES:
        if count := states.count(state):
            yield f"  {count:6} {'folders' if state == 'folder' and count != 1 else STATES[state]}"
    renamed = [file for file in result.files if file.path and file.path != file.entry.member.name]
    if renamed:
        yield from ("", "Names this host cannot hold, and what they are called here:")
        yield from (f"  {escaped(file.entry.member.name)}\n    {escaped(file.path)}" for file in renamed)

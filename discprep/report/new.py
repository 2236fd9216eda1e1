"""What `new` started, and its faces."""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from discprep.model import Notice
from discprep.report.faces import picked
from discprep.report.tables import typed
from discprep.units import format_bytes


@dataclass(frozen=True, slots=True)
class NewItem:
    """An archive at hand as it was written into the manifest."""

    id: str
    file: str
    size_bytes: int
    format: str


@dataclass(frozen=True, slots=True)
class Started:
    """A manifest that `check` accepts, and the profile beside it (None when the user named one)."""

    manifest: Path
    profile: Path | None
    items: tuple[NewItem, ...]
    notices: tuple[Notice, ...] = ()
    copied: bool = False  # the profile is a copy of a ready one


@dataclass(frozen=True, slots=True)
class ReadyProfile:
    """A machine profile that discprep comes with."""

    name: str
    told: str
    file: Path


@dataclass(frozen=True, slots=True)
class Ready:
    """What there is to begin from: profiles to copy, and whole manifests to read."""

    profiles: tuple[ReadyProfile, ...]
    manifests: tuple[Path, ...]


def ready_document(ready: Ready) -> dict[str, Any]:
    """The JSON face of the list."""
    return picked(ready)


def ready_text(ready: Ready) -> str:
    """The list for people."""
    width = max((len(one.name) for one in ready.profiles), default=0)
    lines = ["ready machine profiles:"]
    for one in ready.profiles:
        lines += textwrap.wrap(
            one.told, 78, initial_indent=f"  {one.name:<{width}}  ", subsequent_indent=" " * (width + 4)
        )
    lines += ["whole manifests to read:", *(f"  {path}" for path in ready.manifests), ""]
    first = f" --profile {ready.profiles[0].name}" if ready.profiles else ""
    return "\n".join([*lines, f"next: discprep new first.toml{first}"])


def document(started: Started) -> dict[str, Any]:
    """The JSON face."""
    return picked(started, "manifest", "profile", "items")


def text(started: Started) -> str:
    """The face for people: what was written and what to do next."""
    lines = [f"wrote {started.manifest}"]
    if started.profile and started.copied:
        lines.append(f"wrote {started.profile}, a copy of the ready one: change its words to those of your machine")
    elif started.profile:
        lines.append(f"wrote {started.profile}: what the machine can take, so far a guess; fill in what you know")
        lines.append("  its keys: discprep schema --profile; without [[volume]] and [shell] there is no setup script")
    for item in started.items:
        lines.append(f"  {item.id:<24}{format_bytes(item.size_bytes):>9}  {item.format:<8} {item.file}")
    lines.append("")
    lines.append(f"next: say what each item gives and needs, then: discprep check {typed(started.manifest)}")
    return "\n".join(lines)

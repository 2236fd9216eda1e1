"""What `new` started, and its faces."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from discprep.model import Notice
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


def document(started: Started) -> dict[str, Any]:
    """The JSON face."""
    return {
        "manifest": str(started.manifest),
        "profile": str(started.profile) if started.profile else None,
        "items": [asdict(item) for item in started.items],
    }


def text(started: Started) -> str:
    """The face for people: what was written and what to do next."""
    lines = [f"wrote {started.manifest}"]
    if started.profile:
        lines.append(f"wrote {started.profile}: what the machine can take, so far a guess; fill in what you know")
        lines.append("  its keys: discprep schema --profile; without [[volume]] and [shell] there is no setup script")
    for item in started.items:
        lines.append(f"  {item.id:<24}{format_bytes(item.size_bytes):>9}  {item.format:<8} {item.file}")
    lines.append("")
    lines.append(f"next: say what each item gives and needs, then: discprep check {typed(started.manifest)}")
    return "\n".join(lines)

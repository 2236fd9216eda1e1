"""What `add` appended, and its faces."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from discprep.errors import DiscprepError
from discprep.model import Item, Notice, Pin
from discprep.report.faces import as_text, picked
from discprep.report.tables import typed
from discprep.units import format_bytes


@dataclass(frozen=True, slots=True)
class Added:
    """The items that the manifest now has in addition, each with its pin; what could not be added is an error."""

    manifest: Path
    items: tuple[tuple[Item, Pin], ...]
    errors: tuple[DiscprepError, ...] = ()
    notices: tuple[Notice, ...] = ()


def document(added: Added) -> dict[str, Any]:
    """The JSON face."""
    return {
        "manifest": str(added.manifest),
        "items": [
            picked(item, "id", "title", "version", "sources") | picked(pin, "size_bytes", "sha256")
            for item, pin in added.items
        ],
    }


@as_text
def text(added: Added) -> Iterator[str]:
    """The face for people."""
    for item, pin in added.items:
        version = f" {item.version}" if item.version else ""
        yield f"added {item.id}: {item.title}{version}, {format_bytes(pin.size_bytes)}, SHA-256 {pin.sha256[:16]}…"
    if added.items:
        items = [item for item, _ in added.items]
        check = f"discprep check {typed(added.manifest)}"
        unsaid = [
            *(["what they give"] if not all(item.gives for item in items) else []),
            *(["what they need"] if not all(item.needs for item in items) else []),
            *(["where they go"] if not all(item.to for item in items) else []),
        ]
        if unsaid:
            yield f"next: say in {added.manifest} {' and '.join(unsaid)}, if anything;"
        yield f"{'      then' if unsaid else 'next'}: {check}"
    else:
        yield "nothing was added"

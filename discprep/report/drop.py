"""What `drop` took out, and its faces."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from discprep.report.tables import typed


@dataclass(frozen=True, slots=True)
class Dropped:
    """An item that the manifest no longer has. `pinned`: whether its pin went with it."""

    manifest: Path
    item: str
    title: str
    pinned: bool


def document(dropped: Dropped) -> dict[str, Any]:
    """The JSON face."""
    return {"manifest": str(dropped.manifest), "item": dropped.item, "pin": dropped.pinned}


def text(dropped: Dropped) -> str:
    """The face for people."""
    pin = " and its pin" if dropped.pinned else "; it had no pin"
    return (
        f"dropped {dropped.item}{pin}; what was fetched stays in the cache, discs stay as they are\n"
        f"next: discprep status {typed(dropped.manifest)}"
    )

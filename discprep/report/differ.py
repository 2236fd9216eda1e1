"""How the differences of two builds are shown."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from dataclasses import asdict
from typing import Any

from discprep.disc.differ import Change, Differences

HEADS = {"tool": "Tool", "setting": "Settings", "pin": "Pins", "item": "Items", "file": "Files", "layout": "Layout"}


def document(result: Differences) -> dict[str, Any]:
    """The facts for `--json`: causes before effects; an absent side is an empty text."""
    return {
        "before": result.before_id,
        "after": result.after_id,
        "same_image": result.same_image,
        "changes": [asdict(change) for change in result.changes],
    }


def text(result: Differences) -> str:
    """One block a kind of change."""
    return "\n".join(_lines(result))


def _lines(result: Differences) -> Iterator[str]:
    verdict = "the images are the same, byte for byte" if result.same_image else "the images differ"
    yield f"{result.before_id} -> {result.after_id}: {verdict}"
    for kind, head in HEADS.items():
        changes = [change for change in result.changes if change.kind == kind]
        if changes:
            yield ""
            yield head
        for change in changes:
            yield from textwrap.wrap(_sentence(change), 80, initial_indent="  ", subsequent_indent="    ")


def _sentence(change: Change) -> str:
    why = f" ({change.why})" if change.why else ""
    return f"{change.what}: {_short(change.before)} -> {_short(change.after)}{why}"


def _short(value: str) -> str:
    """A hash is told by its first digits; nothing is a dash."""
    if len(value) == 64 and set(value) <= set("0123456789abcdef"):
        return value[:10]
    return value or "-"

"""How the differences of two builds are shown."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import Any

from discprep.disc.differ import Change, Differences
from discprep.report.faces import as_text, plain

OWN = "written by discprep from the rest of the build"  # why a script or a list differs, as `disc.differ` says it
MOST_OWN = 4  # of them named
HEADS = {"tool": "Tool", "setting": "Settings", "pin": "Pins", "item": "Items", "file": "Files", "layout": "Layout"}


def document(result: Differences) -> dict[str, Any]:
    """The facts for `--json`: causes before effects; an absent side is an empty text."""
    return {
        "before": result.before_id,
        "after": result.after_id,
        "same_image": result.same_image,
        "changes": plain(result.changes),
    }


@as_text
def text(result: Differences) -> Iterator[str]:
    """One block a kind of change."""
    verdict = "the images are the same, byte for byte" if result.same_image else "the images differ"
    yield f"{result.before_id} -> {result.after_id}: {verdict}"
    for kind, head in HEADS.items():
        changes = [change for change in result.changes if change.kind == kind]
        if changes:
            yield ""
            yield head
        own = [change for change in changes if change.kind == "file" and change.why == OWN]
        for change in changes:
            if change not in own:
                yield from _wrapped(_sentence(change))
        if own:
            names = ", ".join(change.what.removesuffix(": bytes") for change in own[:MOST_OWN])
            more = f" and {len(own) - MOST_OWN} more (--json lists all)" if len(own) > MOST_OWN else ""
            yield from _wrapped(f"{OWN}: {names}{more}")


def _wrapped(sentence: str) -> list[str]:
    return textwrap.wrap(sentence, 80, initial_indent="  ", subsequent_indent="    ")


def _sentence(change: Change) -> str:
    why = f" ({change.why})" if change.why else ""
    if change.kind == "layout" and not change.before:
        return f"{change.what}: {change.after}{why}"  # a count, which nothing stood in place of
    return f"{change.what}: {_short(change.before)} -> {_short(change.after)}{why}"


def _short(value: str) -> str:
    """A hash is told by its first digits; nothing is a dash."""
    if len(value) == 64 and set(value) <= set("0123456789abcdef"):
        return value[:10]
    return value or "-"

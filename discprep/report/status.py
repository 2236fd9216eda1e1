"""Where each item stands, and its faces."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from discprep.model import Notice
from discprep.report.faces import as_text, picked
from discprep.report.tables import table
from discprep.units import format_bytes, format_day

ItemState = Literal["wanted", "fetched", "verified", "damaged", "present"]
MOST_NAMED = 8  # items of one step

Pulled = Literal["", "in part", "whole", "old version"]
AtSource = Literal["", "same", "changed", "unknown"]


@dataclass(frozen=True, slots=True)
class ItemStatus:
    """One item: at hand or not, burned or not, pulled or not, and what comes next.

    Attributes:
        dated_s: of the bytes that are pinned: their source's date, else when they came [s since 1970 UTC]
        discs, old_discs: build ids of the discs that carry it as it is pinned, and of those with another version
        pulled_s: when the machine last pulled any version [s since 1970 UTC]
    """

    id: str
    title: str
    place: str
    state: ItemState
    size_bytes: int | None
    dated_s: int | None = None
    discs: tuple[str, ...] = ()
    old_discs: tuple[str, ...] = ()
    pulled: Pulled = ""
    pulled_s: int | None = None
    at_source: AtSource = ""
    at_source_words: str = ""
    next: str = ""
    left_out: tuple[str, ...] = ()  # files that the setup could not bring, by their path on the machine


@dataclass(frozen=True, slots=True)
class DiscStatus:
    """One disc that was built, and what was done with it last [s since 1970 UTC]. `result` is "whole", "hurt" or
    "unread"."""

    build_id: str
    folder: Path
    built_s: int | None
    last: Literal["", "build", "burn", "readback"] = ""
    last_s: int | None = None
    result: str = ""


@dataclass(frozen=True, slots=True)
class Status:
    """Every item, the discs, the newest first, and the next steps for the whole in the order of the work."""

    manifest: Path
    items: tuple[ItemStatus, ...]
    steps: tuple[str, ...]
    discs: tuple[DiscStatus, ...] = ()
    notices: tuple[Notice, ...] = ()


def document(status: Status) -> dict[str, Any]:
    """The JSON face."""
    return {
        "manifest": str(status.manifest),
        **picked(status, "items", "discs"),
        "next": next(iter(status.steps), ""),
        "then": list(status.steps[1:]),
    }


@as_text
def text(status: Status) -> Iterator[str]:
    """The face for people: a table, and the next step."""
    asked = any(item.at_source for item in status.items)
    heads = ["item", ">size", "dated", "place", "state", "disc", "pulled", *(["at its source"] if asked else [])]
    rows = [
        [
            item.id,
            format_bytes(item.size_bytes) if item.size_bytes is not None else "?",
            format_day(item.dated_s) if item.dated_s is not None else "-",
            item.place,
            "on the machine" if item.state == "present" else item.state,
            item.discs[-1] if item.discs else f"{item.old_discs[-1]}, old version" if item.old_discs else "-",
            f"{item.pulled} {format_day(item.pulled_s)}" if item.pulled and item.pulled_s else item.pulled or "-",
            *([item.at_source or "-"] if asked else []),
        ]
        for item in status.items
    ]
    yield from table(heads, rows)
    for item in status.items:
        if item.at_source_words and item.at_source != "same":
            yield f"{item.id}: {item.at_source_words}"
    for item in status.items:
        if item.left_out:
            yield f"{item.id}: left out on the machine: {', '.join(item.left_out)}"
    for disc in status.discs:
        yield f"disc {disc.build_id} in {disc.folder}: {_done(disc)}"
    yield from _own_steps(status)
    for number, step in enumerate(status.steps):
        yield f"{'then' if number else 'next'}: {step}"


def _own_steps(status: Status) -> Iterator[str]:
    """What is next for single items, where that is not what is next for the whole."""
    steps: dict[str, list[str]] = {}
    for item in status.items:
        if item.next and item.next not in status.steps:
            steps.setdefault(item.next, []).append(item.id)
    for step, ids in steps.items():
        more = f" and {len(ids) - MOST_NAMED} more" if len(ids) > MOST_NAMED else ""
        yield f"{', '.join(ids[:MOST_NAMED])}{more}: {step}"


def _done(disc: DiscStatus) -> str:
    built = f"built {format_day(disc.built_s)}" if disc.built_s is not None else "built"
    if not disc.last or disc.last_s is None:
        return f"{built}, not burned or read back as far as is known"
    words = {"whole": "whole", "hurt": "hurt", "unread": "not read back yet"}[disc.result]
    return f"{built}, {'burned' if disc.last == 'burn' else 'read back'} {format_day(disc.last_s)}: {words}"

"""What `fetch` did, and its faces."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from discprep.errors import DiscprepError
from discprep.fetch.fetch import FetchReport
from discprep.model import Fetched, Inside, Manifest, Notice
from discprep.report.faces import as_text, picked
from discprep.report.tables import counted, cut, typed
from discprep.units import format_bytes, format_seconds

_WORDS = {
    "cached": "had it",
    "fetched": "fetched",
    "adopted": "taken from the folder",
    "missing": "MISSING",
    "failed": "MISSING",
    "changed": "CHANGED",
}


@dataclass(frozen=True, slots=True)
class FetchResult:
    """A manifest's items after a fetch into the cache at `cache`."""

    manifest: Manifest
    cache: Path
    report: FetchReport
    inside: Mapping[str, Inside] = field(default_factory=dict)  # of the items at hand

    @property
    def errors(self) -> tuple[DiscprepError, ...]:
        return self.report.errors

    @property
    def notices(self) -> tuple[Notice, ...]:
        return self.report.notices


def document(result: FetchResult) -> dict[str, Any]:
    """The JSON face: every item with its state, pin and what was tried."""
    report = result.report
    return {
        "manifest": str(result.manifest.path),
        "pins": str(result.manifest.pins_path),
        "cache": str(result.cache),
        "items": [_item(entry) | {"inside": result.inside.get(entry.item)} for entry in report.items],
        "moved_bytes": report.moved_bytes,
        "elapsed_s": round(report.elapsed_s, 3),
        "ok": not report.errors,
    }


def _item(entry: Fetched) -> dict[str, Any]:
    pin = entry.pin
    return {
        "id": entry.item,
        **picked(entry, "state", "path", "moved_bytes", "tried"),
        **{key: getattr(pin, key, None) for key in ("size_bytes", "sha256", "source")},
    }


@as_text
def text(result: FetchResult) -> Iterator[str]:
    """The face for people: what is new or missing item by item, the rest as a count."""
    report = result.report
    for entry in report.items:
        if entry.state != "cached":
            size = format_bytes(entry.pin.size_bytes) if entry.pin else ""
            yield f"  {cut(entry.item, 28):<28} {size:>9}  {_WORDS[entry.state]}"
    whole = [entry for entry in report.items if entry.path]
    total = sum(entry.pin.size_bytes for entry in whole if entry.pin)
    of_all = f"of {counted(len(report.items), 'item')} at hand"
    yield f"{len(whole)} {of_all} ({format_bytes(total)}), their bytes as pinned." if whole else f"None {of_all}."
    yield from _insides(result)
    if report.moved_bytes:
        yield f"{format_bytes(report.moved_bytes)} came over the network in {format_seconds(report.elapsed_s)}."
    lacking = len(report.items) - len(whole)
    if lacking:
        yield f"{lacking} still to be had: the reasons and the ways are below."


def _insides(result: FetchResult) -> Iterator[str]:
    """What is known of the archives themselves: bytes can be as pinned and damaged all the same."""
    verify = f"discprep verify {typed(result.manifest.path)}"
    damaged = [key for key, inside in result.inside.items() if inside == "damaged"]
    if damaged:
        yield f"DAMAGED inside: {', '.join(damaged)}; {verify} says where, and the ways out."
    unread = sum(inside == "unread" for inside in result.inside.values())
    if unread:
        yield f"{unread} not looked into yet, whether whole inside: {verify}"

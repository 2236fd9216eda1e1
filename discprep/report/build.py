"""What `build` and `prepare` made, and its faces."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from discprep.errors import DiscprepError
from discprep.model import AppliedEdit, Notice, Plan
from discprep.report.faces import as_text, picked
from discprep.report.tables import counted, typed
from discprep.units import SECTOR_BYTES, format_bytes, format_seconds


@dataclass(frozen=True, slots=True)
class BuiltDisc:
    """One disc as it stands in its folder."""

    folder: Path
    image: Path
    record: Path
    build_id: str
    sectors: int
    medium_sectors: int
    sha256: str
    files: int
    items: int
    copy_s: float | None = None
    replaced: str = ""  # the image of an earlier build that gave way
    unchanged: bool = False


@dataclass(frozen=True, slots=True)
class FetchTotals:
    """What the fetch of a `prepare` did."""

    items: int
    missing: int
    moved_bytes: int
    elapsed_s: float


@dataclass(frozen=True, slots=True)
class Built:
    """A whole build. `plan` is None where nothing had changed; `edits` are those of a dry run too."""

    title: str
    discs: tuple[BuiltDisc, ...]
    plan: Plan | None = None
    seconds_at_link: float = 0.0
    later: int = 0
    edits: tuple[AppliedEdit, ...] = ()
    dry_run: bool = False
    fetched: FetchTotals | None = None
    steps_s: tuple[tuple[str, float], ...] = ()
    notices: tuple[Notice, ...] = ()
    errors: tuple[DiscprepError, ...] = ()


def document(built: Built) -> dict[str, Any]:
    """The JSON face."""
    fetched = built.fetched
    return {
        **picked(built, "title", "dry_run", "discs", "edits"),
        "seconds_at_link": round(built.seconds_at_link, 3),
        "later_items": built.later,
        "fetched": picked(fetched) | {"elapsed_s": round(fetched.elapsed_s, 3)} if fetched else None,
        "steps_s": {name: round(elapsed_s, 3) for name, elapsed_s in built.steps_s},
    }


@as_text
def text(built: Built) -> Iterator[str]:
    """The face for people: a glance, then where everything is and what comes next."""
    return _dry_lines(built) if built.dry_run else _lines(built)


def _lines(built: Built) -> Iterator[str]:
    yield built.title
    if built.fetched:
        fetched = built.fetched
        missing = f", {fetched.missing} missing" if fetched.missing else ""
        moved = format_bytes(fetched.moved_bytes)
        yield f"  at hand    {counted(fetched.items, 'item')}{missing}; {moved} came over the network"
    for number, disc in enumerate(built.discs, 1):
        name = "  disc     " if len(built.discs) == 1 else f"  disc {number}   "
        state = "nothing has changed: it stands as it was" if disc.unchanged else "written, checked"
        yield f"{name}  {counted(disc.items, 'item')} in {counted(disc.files, 'file')}, {state}"
        size = format_bytes(disc.sectors * SECTOR_BYTES)
        yield (
            f"             {disc.sectors:,} of {disc.medium_sectors:,} sectors ({size})"
            + (f"; the old drive reads it in about {format_seconds(disc.copy_s)}" if disc.copy_s else "")
        )
        yield f"             {disc.image}"
        if disc.replaced:
            yield f"             it replaces {disc.replaced}"
    if built.later:
        yield f"  later      {counted(built.later, 'item')}, about {format_seconds(built.seconds_at_link)} at the link"
    elif built.discs:
        yield "  later      nothing"
    if len(built.discs) == 1:
        yield f"  sheet      {built.discs[0].folder / 'bench-sheet.html'}, and .txt to print"
        yield f"next: burn the image, then: discprep readback {typed(built.discs[0].record)} DEVICE"
    elif built.discs:
        yield "  sheets     bench-sheet.html beside each image, and .txt to print"
        yield "next: burn each image, and read each disc back:"
        yield from (f"      discprep readback {typed(disc.record)} DEVICE" for disc in built.discs)


def _dry_lines(built: Built) -> Iterator[str]:
    if not built.edits:
        yield "No file would be edited."
    for edit in built.edits:
        yield f"{edit.item}: {edit.file}, {counted(edit.times, 'place')}"
        yield from (f"  before  {line}" for line in edit.before)
        yield from (f"  after   {line}" for line in edit.after)
    yield "Nothing was written."

"""How a reading back is shown."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from discprep.disc.readback import FileState, ReadBack
from discprep.disc.record import Record
from discprep.errors import DiscprepError
from discprep.model import Notice
from discprep.report.faces import picked, plain
from discprep.report.tables import counted, typed
from discprep.units import format_bytes, format_rate, format_seconds


@dataclass(frozen=True, slots=True)
class ReadBackResult:
    """What a reading back found. `another`: what else the target is, "" for the disc itself. `errors` make the disc
    unfit; `notices` do not."""

    record: Record
    target: Path
    found: ReadBack
    another: str
    errors: tuple[DiscprepError, ...]
    notices: tuple[Notice, ...]


def document(result: ReadBackResult) -> dict[str, Any]:
    """The facts for `--json`. `files` lists only those of which a copy is hurt or missing, `spaces` unused bytes
    that differ; runs of sectors are inclusive."""
    found = result.found
    return {
        "build_id": result.record.build_id,
        "target": str(result.target),
        **picked(found, "kind", "identical", "volume", "burned_as_file", "structures_whole", "padding_whole",
                 "missing_sectors", "unreadable", "different", "strange", "read_bytes"),
        "another": result.another,
        "structure_sectors": plain(found.structure_runs),
        "spaces": [{"after": "/".join(space.after), "sectors": plain(space.runs)} for space in found.spaces],
        "files_whole": sum(state.state == "whole" for state in found.files),
        "files": [_file(state) for state in found.hurt],
        "elapsed_s": round(found.elapsed_s, 3),
        "rate_bytes_s": round(found.rate_bytes_s),
    }  # fmt: skip


def _file(state: FileState) -> dict[str, Any]:
    file = state.file
    return {
        "name": "/".join(file.iso),
        "wanted": "/".join(file.name),
        **picked(file, "item", "important"),
        **picked(state, "state", "second", "lost"),
        "sectors": plain(state.runs),
        "second_name": "/".join(file.second),
        "second_sectors": plain(state.second_runs),
    }


def text(result: ReadBackResult) -> str:
    """The verdict first, then the numbers; the faults themselves come after it as errors."""
    return "\n".join(line for part in _lines(result) for line in textwrap.wrap(part, 80, subsequent_indent="  "))


def sums_text(path: Path) -> str:
    """What is said of a checksum list that was written."""
    return f"wrote {path}\nnext: where the disc is mounted: sha256sum -c {typed(path.absolute())}"


def _lines(result: ReadBackResult) -> Iterator[str]:
    found, record = result.found, result.record
    yield f"{result.target}: {f'not this disc, but {result.another}' if result.another else _verdict(found)}"
    yield f"build {record.build_id}, volume {record.volume}, {counted(len(found.files), 'file')}"
    if found.kind == "sectors":
        unreadable = sum(last - first + 1 for first, last in found.unreadable) - found.missing_sectors
        yield f"{record.image_sectors} sectors: {max(unreadable, 0)} unreadable, {found.missing_sectors} missing"
    rate = format_rate(found.rate_bytes_s)
    yield f"{format_bytes(found.read_bytes)} read in {format_seconds(found.elapsed_s)}, {rate}"


def _verdict(found: ReadBack) -> str:
    if found.burned_as_file:
        return "the image was burned as a file"
    if found.identical:
        return "identical, byte for byte" if found.kind == "sectors" else "every file is as it was built"
    if files := sum(state.state != "whole" for state in found.files):
        lost = sum(state.lost for state in found.hurt)
        return f"{files} of {counted(len(found.files), 'file')} hurt, {lost} of them without a whole second copy"
    if found.hurt:
        copies = "second copy is" if len(found.hurt) == 1 else "second copies are"
        return f"every file is whole, but {len(found.hurt):,} {copies} hurt"
    return "every file is whole, but the disc is not identical"

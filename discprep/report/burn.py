"""What `burn` says."""

from __future__ import annotations

import shlex
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from discprep.disc.burn import CAUTIONS, BurnPlan
from discprep.disc.readback import ReadBack
from discprep.errors import DiscprepError
from discprep.model import Notice
from discprep.report.faces import as_text, picked
from discprep.report.tables import counted
from discprep.units import SECTOR_BYTES, format_bytes, format_rate


@dataclass(frozen=True, slots=True)
class Burned:
    """A burn as planned (`dry_run`), or as done. `readback` is None where the disc was not read back."""

    plan: BurnPlan
    dry_run: bool
    readback: ReadBack | None = None
    errors: tuple[DiscprepError, ...] = ()
    notices: tuple[Notice, ...] = ()


def document(result: Burned) -> dict[str, Any]:
    """The JSON face."""
    plan, back = result.plan, result.readback
    return {
        "device": plan.drive.name,
        "drive": plan.drive.model,
        "medium": picked(plan.drive.medium),
        **picked(plan, "image", "image_sectors", "build_id", "volume", "speed", "command"),
        "dry_run": result.dry_run,
        "cautions": list(CAUTIONS),
        "readback": None
        if back is None
        else {
            **picked(back, "identical", "unreadable"),
            "hurt": ["/".join(state.file.iso) for state in back.hurt],
            "rate_bytes_s": round(back.rate_bytes_s),
        },
    }


@as_text
def text(result: Burned) -> Iterator[str]:
    """The terminal face."""
    if result.dry_run:
        yield from ("Nothing was written. The command would be:", f"  {shlex.join(result.plan.command)}", *_cautions())
        return
    yield f"Burned {result.plan.volume}, build {result.plan.build_id}, with {result.plan.drive.name}."
    back = result.readback
    if back is None:
        yield "It was not read back."
    elif back.identical:
        yield f"Read back at {format_rate(round(back.rate_bytes_s))}: every sector is as it was built."
    elif result.errors:
        runs = counted(len(back.unreadable), "run")
        yield f"Read back: {counted(len(back.hurt), 'file')} hurt, {runs} of sectors unreadable."
        yield from (f"  {'/'.join(state.file.iso)}" for state in back.hurt[:20])
    else:
        yield f"Read back at {format_rate(round(back.rate_bytes_s))}: every file is whole."


@as_text
def question(plan: BurnPlan) -> Iterator[str]:
    """What is shown before the user types the device's name."""
    medium = plan.drive.medium
    known = " ".join(word for word in (medium.kind, medium.state) if word) or "not told by the drive"
    size = "not told by the drive"
    if medium.free_sectors is not None:
        size = f"{medium.free_sectors:,} sectors ({format_bytes(medium.free_sectors * SECTOR_BYTES)})"
    yield f"  device    {plan.drive.name}  {plan.drive.model}".rstrip()
    yield f"  medium    {known}"
    yield f"  capacity  {size}"
    yield f"  image     {plan.image}"
    yield f"            {plan.image_sectors:,} sectors ({format_bytes(plan.image_sectors * SECTOR_BYTES)})"
    yield f"  speed     {plan.speed:g}x" + (", which the drive rounds up to its lowest" if plan.speed <= 1 else "")
    yield f"  command   {shlex.join(plan.command)}"
    yield from _cautions()


def _cautions() -> Iterator[str]:
    yield ""
    yield "For old drives:"
    yield from (f"  - {caution}" for caution in CAUTIONS)

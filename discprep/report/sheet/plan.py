"""The plan with its reasons, and the curve of waiting over capacities."""

from __future__ import annotations

from discprep.report.sheet.blocks import Block, Entries, Paragraph, Picture, Section
from discprep.report.sheet.facts import Placement, SheetFacts
from discprep.report.sheet.pictures import curve_svg
from discprep.units import format_bytes, format_seconds


def section(facts: SheetFacts) -> Section | None:
    """The section; none without a plan."""
    if not facts.placements:
        return None
    blocks: list[Block] = [Entries(tuple(_entry(placement, facts.discs) for placement in facts.placements))]
    if facts.curve:
        here = facts.medium_sectors * 2048
        blocks.append(Paragraph("How the waiting at the link shrinks as the disc grows:"))
        blocks.append(Picture(curve_svg(facts.curve, here), _curve_lines(facts)))
    return Section("plan", "The plan and its reasons", tuple(blocks))


def _entry(placement: Placement, discs: int) -> tuple[str, tuple[tuple[str, str], ...]]:
    where = {"burn": "on the disc", "later": "over the link", "present": "already there"}[placement.place]
    if placement.place == "burn" and discs > 1:
        where = f"on disc {placement.disc}"
    if placement.form:
        where += f", {placement.form}"
    size = f", {format_bytes(placement.size_bytes)}" if placement.size_bytes is not None else ""
    return (f"{placement.title}: {where}{size}", (("why", placement.reason),))


def _curve_lines(facts: SheetFacts) -> tuple[str, ...]:
    most = max(point.waiting_s for point in facts.curve) or 1
    return tuple(
        f"{format_bytes(point.capacity_bytes):>9} {format_seconds(point.waiting_s):>13} "
        f"{'#' * round(50 * point.waiting_s / most)}"
        for point in facts.curve
    )

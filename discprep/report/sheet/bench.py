"""What must lie on the bench, and what must be free on the machine."""

from __future__ import annotations

from discprep.report.sheet.blocks import Block, Bullets, Paragraph, Section, Table
from discprep.report.sheet.facts import Room, SheetFacts
from discprep.units import format_bytes


def section(facts: SheetFacts) -> Section | None:
    """The section; always there."""
    blocks: list[Block] = [
        Paragraph("Read the cautions on the last page before anything is plugged in."),
        Bullets(facts.bench, boxes=True),
    ]
    if facts.rooms:
        rows = tuple(_row(room) for room in facts.rooms)
        head = ("Volume", "Must be free", "Said to be free", "Remark")
        blocks.append(Table("What must be free on the machine", head, rows, "lrrl", boxes=True))
    if facts.memory_bytes:
        blocks.append(Paragraph(f"Memory of the machine as told: {format_bytes(facts.memory_bytes)}."))
    if facts.assumed:
        words = ", ".join(facts.assumed)
        blocks.append(Paragraph(f"Nobody has tried yet, so look twice: {words}."))
    return Section("bench", "On the bench", tuple(blocks))


def _row(room: Room) -> tuple[str, ...]:
    wanted = room.needed_bytes + room.keep_free_bytes
    remarks = []
    if room.keep_free_bytes:
        remarks.append(f"{format_bytes(room.keep_free_bytes)} of it stay free")
    if room.volatile:
        remarks.append("forgets at power-off")
    if room.free_bytes is not None and room.free_bytes < wanted:
        remarks.append("TOO LITTLE: make room first")
    free = "not known" if room.free_bytes is None else format_bytes(room.free_bytes)
    return (room.volume, format_bytes(wanted), free, "; ".join(remarks))

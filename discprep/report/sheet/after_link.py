"""The work once the link stands, and its timeline: after how many minutes each later item is there."""

from __future__ import annotations

from discprep.report.sheet.blocks import Block, Paragraph, Picture, Section, Table, Tasks
from discprep.report.sheet.facts import Pull, SheetFacts
from discprep.report.sheet.pictures import timeline_svg
from discprep.units import format_bytes, format_seconds


def section(facts: SheetFacts) -> Section | None:
    """The section; none when nothing waits for the link."""
    if not facts.after_link:
        return None
    blocks: list[Block] = [Tasks(facts.after_link)]
    if facts.pulls:
        total = facts.pulls[-1].ready_s
        blocks.append(Paragraph(f"The timeline of the link, {format_seconds(total)} in all:"))
        blocks.append(Picture(timeline_svg(facts.pulls), tuple(_bar(pull, total) for pull in facts.pulls)))
        rows = tuple(_row(number, pull) for number, pull in enumerate(facts.pulls, 1))
        head = ("No.", "Item", "Size", "Takes", "There after")
        blocks.append(Table("What is pulled, in order", head, rows, "rlrrr", boxes=True))
    return Section("after-link", "After the link stands", tuple(blocks))


def _row(number: int, pull: Pull) -> tuple[str, ...]:
    size = format_bytes(pull.size_bytes) if pull.size_bytes is not None else "?"
    takes = format_seconds(pull.ready_s - pull.from_s)
    return (str(number), pull.title, size, takes, format_seconds(pull.ready_s))


def _bar(pull: Pull, total_s: float, width: int = 50) -> str:
    start = round(width * pull.from_s / total_s) if total_s else 0
    end = max(start + 1, round(width * pull.ready_s / total_s)) if total_s else 1
    bar = "." * start + "#" * (end - start) + "." * (width - end)
    return f"{pull.title[:26]:26} {bar}"

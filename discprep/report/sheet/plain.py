"""The text face: 80 columns, for a printer or the terminal beside the machine."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from textwrap import wrap

from discprep.report.sheet.blocks import (
    Block,
    Bullets,
    Entries,
    Ladder,
    Paragraph,
    Picture,
    Section,
    Table,
    Tasks,
)
from discprep.report.sheet.facts import Rung, SheetFacts, Task
from discprep.report.sheet.pictures import printable
from discprep.report.tables import WIDTH, table_rows

BOX = "[ ] "


def render(facts: SheetFacts, sections: Sequence[Section]) -> str:
    """The whole sheet as text. Control characters in names become `?`."""
    lines = list(_head(facts))
    for number, section in enumerate(sections, 1):
        if section.appendix and not sections[number - 2].appendix:
            lines += ["", "", "=" * WIDTH, "APPENDIX, to look things up: print up to here", "=" * WIDTH]
        lines += ["", "", f"{number}. {section.title.upper()}", "-" * WIDTH]
        for block in section.blocks:
            lines += ["", *_block(block)]
    lines += ["", "", *_foot(facts)]
    return "\n".join(printable(line).rstrip() for line in lines) + "\n"


def _head(facts: SheetFacts) -> Iterator[str]:
    yield "=" * WIDTH
    yield from wrap(facts.title, WIDTH)
    yield from wrap(f"Bench sheet for {facts.machine}", WIDTH)
    disc = f"disc {facts.disc} of {facts.discs}, " if facts.discs > 1 else ""
    yield from wrap(f"{disc}volume {facts.volume}, build {facts.build_id or '(not built yet)'}", WIDTH)
    if facts.date:
        yield f"made from what was current on {facts.date}"
    yield "=" * WIDTH


def _foot(facts: SheetFacts) -> Iterator[str]:
    yield "=" * WIDTH
    build = facts.build_id or "(not built yet)"
    yield from wrap(f"Build {build}. The same id stands on the disc, in its record and in the image's name.", WIDTH)


def _block(block: Block) -> Iterable[str]:
    match block:
        case Paragraph(text):
            return wrap(text, WIDTH)
        case Bullets(items, boxes):
            return [line for item in items for line in hanging(BOX if boxes else "- ", item)]
        case Tasks(tasks):
            return [line for number, task in enumerate(tasks, 1) for line in _task(number, task)]
        case Table():
            return _table(block)
        case Entries(entries):
            return [line for title, named in entries for line in _entry(title, named)]
        case Ladder(rungs):
            return [line for number, rung in enumerate(rungs, 1) for line in _rung(number, rung)]
        case Picture(lines=lines):
            return [line[:WIDTH] for line in lines]


def hanging(lead: str, text: str, width: int = WIDTH) -> list[str]:
    """Wrapped text whose first line starts with `lead`, the others below it."""
    return wrap(text, width, initial_indent=lead, subsequent_indent=" " * len(lead), break_on_hyphens=False) or [lead]


def _task(number: int, task: Task) -> Iterator[str]:
    time = f"{task.minutes:g} min" if task.minutes is not None else ""
    room = f"{time:>8} ____"
    first, *rest = hanging(f"{BOX}{number:>2}. ", task.text, WIDTH - len(room) - 1)
    yield f"{first:<{WIDTH - len(room)}}{room}"
    yield from rest
    for detail in task.details:
        yield from hanging(" " * 8, detail)
    if task.caution:
        yield from hanging("     ! ", task.caution)


def _entry(title: str, named: Iterable[tuple[str, str]]) -> Iterator[str]:
    yield from hanging("* ", title)
    for name, value in named:
        yield from hanging(f"    {name}: ", value)


def _rung(number: int, rung: Rung) -> Iterator[str]:
    yield from hanging(f"{BOX}{number}. ", rung.name)
    yield from hanging("       do    ", rung.do)
    yield from hanging("       see   ", rung.expect)
    for failure in rung.failures:
        yield from hanging("       if    ", f"{failure.see}: {failure.cause} -> {failure.move}")
    yield ""


# ------------------------------------------------------------------------------------------------ tables


def _table(table: Table) -> Iterator[str]:
    lead = BOX if table.boxes else ""
    heads = [">" * (side == "r") + head for head, side in zip(table.head, table.align, strict=True)]
    yield f"{table.caption}:"
    for number, lines in enumerate(table_rows(heads, table.rows, WIDTH - len(lead), wrapped=True)):
        for place, line in enumerate(lines):
            yield (lead if number and not place else " " * len(lead)) + line

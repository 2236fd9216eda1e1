"""The work once the link stands, its timeline, and how long all of it takes at other settings of the line."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from discprep.report.sheet.blocks import Block, Paragraph, Picture, Section, Table, Tasks
from discprep.report.sheet.facts import Pull, SheetFacts, Waited
from discprep.report.sheet.pictures import timeline_svg
from discprep.report.sheet.plots import rates_svg, windows_svg
from discprep.units import format_bytes, format_seconds

Draw = Callable[[Sequence[Waited], str], str]
FLAT = 1.03  # times that differ by less are the same to whoever waits


def after_link(facts: SheetFacts) -> Section | None:
    """The work once the link stands; none without a link."""
    if not facts.after_link:
        blocks: tuple[Block, ...] = (Paragraph("Nothing waits for the link: all that is wanted is on the disc."),)
        return Section("after-link", "After the link stands", blocks) if facts.line else None
    blocks = (Tasks(facts.after_link), *_timeline(facts.pulls), *_other_settings(facts))
    return Section("after-link", "After the link stands", blocks)


# ------------------------------------------------------------------------------------------------- the timeline


def _timeline(pulls: Sequence[Pull]) -> Iterator[Block]:
    if not pulls:
        return
    total = pulls[-1].ready_s
    yield Paragraph(f"The timeline of the link, {format_seconds(total)} in all:")
    yield Picture(timeline_svg(pulls), tuple(_bar(pull, total) for pull in pulls))
    rows = tuple(_row(number, pull) for number, pull in enumerate(pulls, 1))
    head = ("No.", "Item", "Size", "Takes", "There after")
    yield Table("What is pulled, in order", head, rows, "rlrrr", boxes=True)
    proofs = tuple((str(number), f"{pull.size_bytes:,}", pull.checksum or "see CRC32.TXT and SHA256SUMS on the shelf")
                   for number, pull in enumerate(pulls, 1))  # fmt: skip
    yield Table("What it must be on the machine, to the byte", ("No.", "Bytes", "Checksum"), proofs, "rrl")


def _row(number: int, pull: Pull) -> tuple[str, ...]:
    size = format_bytes(pull.size_bytes) + (f" in {pull.files:,} files" if pull.files > 1 else "")
    takes = format_seconds(round(pull.ready_s - pull.from_s, 3))  # as the plan has it, in whole milliseconds
    return (str(number), pull.title, size, takes, format_seconds(pull.ready_s))


def _bar(pull: Pull, total_s: float, width: int = 50) -> str:
    start = round(width * pull.from_s / total_s) if total_s else 0
    end = max(start + 1, round(width * pull.ready_s / total_s)) if total_s else 1
    bar = "." * start + "#" * (end - start) + "." * (width - end)
    return f"{pull.title[:26]:26} {bar}"


# --------------------------------------------------------------------------------------------- other settings


def _other_settings(facts: SheetFacts) -> Iterator[Block]:
    """The two curves, or in a sentence why there is none."""
    if facts.over_rates:
        yield from _rates(facts.over_rates)
        yield from _windows(facts.over_windows, bool(facts.line and facts.line.window_bytes))


def _rates(points: Sequence[Waited]) -> Iterator[Block]:
    here = next(point for point in points if point.chosen)
    if len(points) == 1:
        yield Paragraph(f"Both ends hold no other rate than {here.value:,} bit/s that is worth comparing.")
        return
    yield Paragraph(
        "All of it at some of the line rates that both ends hold. Both ends must be set alike; how far a time may be "
        "off, discprep estimate tells."
    )
    yield _picture(points, ("Line rate", "bit/s", "as set"), rates_svg)


def _windows(points: Sequence[Waited], told: bool) -> Iterator[Block]:
    least, most = (end(point.expected_s for point in points) for end in (min, max))
    if most <= FLAT * least:
        times = " to ".join(dict.fromkeys(map(format_seconds, (least, most))))
        ends = f"{points[0].value:,} to {points[-1].value:,} bytes"
        yield Paragraph(f"The machine's receive window decides little here: from {ends} all of it takes {times}.")
        return
    mark = "as set" if told else "taken"
    unknown = "" if told else " What it has is not told, so a usual one is taken."
    yield Paragraph(f"All of it with other receive windows of the machine, at the rate as set.{unknown}")
    yield _picture(points, ("Window", "bytes", mark), windows_svg)


def _picture(points: Sequence[Waited], words: tuple[str, str, str], draw: Draw) -> Picture:
    """A curve with its values; `words` are what varies, its unit, what is said of the chosen one."""
    what, unit, mark = words
    rows = tuple((f"{p.value:,}", format_seconds(p.expected_s), mark if p.chosen else "") for p in points)
    values = Table("The same in numbers", (f"{what}, {unit}", "Time", "Remark"), rows, "rrl")
    return Picture(draw(points, mark), tuple(_lines(points, rows, unit)), values=values)


def _lines(points: Sequence[Waited], rows: Sequence[tuple[str, ...]], unit: str, width: int = 36) -> Iterator[str]:
    most = max(point.expected_s for point in points)
    for point, (value, time, mark) in zip(points, rows, strict=True):
        bar = "#" * max(1, round(width * point.expected_s / most))
        yield f"{value:>9} {unit} {time:>13}  {bar} {mark}"

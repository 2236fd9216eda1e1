"""The work once the link stands, its timeline, and how long all of it takes at other settings of the line."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from discprep.report.sheet.blocks import Block, Paragraph, Picture, Section, Table, Tasks
from discprep.report.sheet.facts import Pull, SheetFacts, Waited
from discprep.report.sheet.pictures import timeline_svg
from discprep.report.sheet.plots import rates_svg, windows_svg
from discprep.units import format_seconds

Draw = Callable[[Sequence[Waited], str], str]
FLAT = 1.03  # times that differ by less are the same to whoever waits


def after_link(facts: SheetFacts) -> Section:
    """The work once the link stands; none without a link."""
    blocks: tuple[Block, ...] = (Tasks(facts.after_link),) if facts.after_link else ()
    if facts.line and not blocks:
        blocks = (Paragraph("Nothing waits for the link: all that is wanted is on the disc."),)
    return Section("after-link", "After the link stands", blocks)


# ------------------------------------------------------------------------------------------------- what is pulled


def pulled(facts: SheetFacts) -> Section:
    """What comes over the link, to the byte, and when; none where nothing does."""
    return Section("pulled", "What is pulled over the link", (_table(facts.pulls),) if facts.pulls else ())


def _table(pulls: Sequence[Pull]) -> Table:
    rows = tuple(_row(number, pull) for number, pull in enumerate(pulls, 1))
    caption = f"In this order, {format_seconds(pulls[-1].ready_s)} in all; to the byte as it must be on the machine"
    head = ("No.", "Item", "Files", "Bytes", "Takes", "There after", "Checksum")
    return Table(caption, head, rows, "rlrrrrl", boxes=True)


def _row(number: int, pull: Pull) -> tuple[str, ...]:
    takes = format_seconds(round(pull.ready_s - pull.from_s, 3))  # as the plan has it, in whole milliseconds
    proof = pull.checksum or "in CRC32.TXT and SHA256SUMS on the shelf"
    times = (takes, format_seconds(pull.ready_s))
    return (str(number), pull.title, f"{pull.files:,}", f"{pull.size_bytes:,}", *times, proof)


def _bar(pull: Pull, total_s: float, width: int = 50) -> str:
    start = round(width * pull.from_s / total_s) if total_s else 0
    end = max(start + 1, round(width * pull.ready_s / total_s)) if total_s else 1
    bar = "." * start + "#" * (end - start) + "." * (width - end)
    return f"{pull.title[:26]:26} {bar}"


# --------------------------------------------------------------------------------------------- other settings


def other_settings(facts: SheetFacts) -> Section:
    """The timeline and the two curves, or in a sentence why there is none; no section where nothing waits."""
    blocks = [*_timeline(facts.pulls)]
    if facts.over_rates:
        told = bool(facts.line and facts.line.window_bytes)
        blocks += [*_rates(facts.over_rates), *_windows(facts.over_windows, told)]
    title = "The timeline of the link, and other settings of the line"
    return Section("other-settings", title, tuple(blocks), appendix=True)


def _timeline(pulls: Sequence[Pull]) -> Iterator[Block]:
    if pulls:
        total = pulls[-1].ready_s
        yield Picture(timeline_svg(pulls), tuple(_bar(pull, total) for pull in pulls))


def _rates(points: Sequence[Waited]) -> Iterator[Block]:
    here = next(point for point in points if point.chosen)
    if len(points) == 1:
        yield Paragraph(f"Both ends hold no other rate than {here.value:,} bit/s that is worth comparing.")
        return
    yield Paragraph(
        "All of it at some of the line rates that both ends hold and the port is served at. Both ends must be set "
        "alike; how far a time may be off, discprep estimate tells."
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

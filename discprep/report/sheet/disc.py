"""The disc's picture: which item fills how much of it."""

from __future__ import annotations

from discprep.report.sheet.blocks import Block, Key, Paragraph, Picture, Section
from discprep.report.sheet.facts import Segment, SheetFacts
from discprep.report.sheet.pictures import disc_svg
from discprep.units import format_bytes, format_seconds

SECTOR_BYTES = 2048
MOST_SEGMENTS = 12


def section(facts: SheetFacts) -> Section | None:
    """The section; none before the disc is laid out."""
    if not facts.segments:
        return None
    shown = merged(facts.segments)
    blocks: list[Block] = [Paragraph(_words(facts)), _picture(shown, facts)]
    return Section("disc", "The disc", tuple(blocks))


def _words(facts: SheetFacts) -> str:
    words = f"Volume {facts.volume}: {facts.image_sectors:,} of {facts.medium_sectors:,} sectors"
    words += f" ({format_bytes(facts.image_sectors * SECTOR_BYTES)})"
    words += "." if facts.medium == "custom" else f" on {facts.medium}."  # of a medium without a name its size is all
    if facts.copy_s is not None:
        words += f" Reading it whole takes the old drive about {format_seconds(facts.copy_s)}."
    return words


def merged(segments: tuple[Segment, ...], most: int = MOST_SEGMENTS) -> tuple[Segment, ...]:
    """The largest segments in their order; neighbours that are too small to see stand together."""
    if len(segments) <= most:
        return segments
    kept = {id(segment) for segment in sorted(segments, key=lambda s: -s.sectors)[: most - 1]}
    small = [segment for segment in segments if id(segment) not in kept]
    rest = Segment(f"{len(small)} smaller items", sum(segment.sectors for segment in small))
    return (*(segment for segment in segments if id(segment) in kept), rest)


def _picture(segments: tuple[Segment, ...], facts: SheetFacts) -> Picture:
    whole = max(facts.medium_sectors, facts.image_sectors, 1)
    free = whole - facts.image_sectors
    keys = [Key(n, s.label, _amount(s.sectors, whole)) for n, s in enumerate(segments)]
    if free > 0:
        keys.append(Key(-1, "free", _amount(free, whole)))
    lines = tuple(_line(key.label, key.amount, s, whole) for key, s in zip(keys, segments, strict=False))
    tail = (_line("free", _amount(free, whole), Segment("free", free), whole),) if free > 0 else ()
    return Picture(disc_svg(segments, whole), (*lines, *tail), tuple(keys))


def _amount(sectors: int, whole: int) -> str:
    return f"{format_bytes(sectors * SECTOR_BYTES)}, {100 * sectors / whole:.1f} %"


def _line(label: str, amount: str, segment: Segment, whole: int, width: int = 28) -> str:
    mark = "." if segment.label == "free" else "#"
    bar = mark * max(1, round(width * segment.sectors / whole))
    return f"{label[:30]:30} {amount:>18} {bar}"

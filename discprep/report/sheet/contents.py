"""The sheet's sections, each made of blocks from the facts; without a block where it has nothing to say, and then it is
left out."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from discprep.report.sheet.blocks import Block, Bullets, Entries, Key, Ladder, Paragraph, Picture, Section, Table, Tasks
from discprep.report.sheet.facts import Origin, Placement, Pull, Room, Segment, SheetFacts, Waited
from discprep.report.sheet.pictures import curve_svg, disc_svg, timeline_svg
from discprep.report.sheet.plots import rates_svg, windows_svg
from discprep.report.sheet.wiring import wiring
from discprep.report.tables import counted
from discprep.report.verify import Renaming
from discprep.units import SECTOR_BYTES, format_bytes, format_memory, format_seconds

MOST_NAMES = 200
MOST_SEGMENTS = 12
FLAT = 1.03  # times that differ by less are the same to whoever waits

Entry = tuple[str, tuple[tuple[str, str], ...]]
Draw = Callable[[Sequence[Waited], str], str]

# ------------------------------------------------------------------------------------------- the order of work


def faults(facts: SheetFacts) -> Section:
    """What makes the link impossible as it is set."""
    blocks = (Bullets(facts.faults),) if facts.faults else ()
    return Section("faults", "The link cannot work as it is set: mend this first", blocks)


def cautions(facts: SheetFacts) -> Section:
    """Cautions, and what is known to go wrong with this line and this disc."""
    blocks: list[Block] = [Bullets(facts.cautions)] if facts.cautions else []
    if facts.notices:
        blocks += [Paragraph("Known of this disc and this line:"), Bullets(facts.notices)]
    return Section("cautions", "Before anything is plugged in", tuple(blocks))


def bench(facts: SheetFacts) -> Section:
    """What must lie on the bench, and what must be free on the machine."""
    blocks: list[Block] = [Bullets(facts.bench, boxes=True)]
    if facts.rooms:
        rows = tuple(_room(room) for room in facts.rooms)
        head = ("Volume", "Must be free", "Said to be free", "Remark")
        blocks.append(Table("What must be free on the machine", head, rows, "lrrl", boxes=True))
    if facts.memory_bytes:
        blocks.append(Paragraph(f"Memory of the machine as told: {format_memory(facts.memory_bytes)}."))
    if facts.assumed:
        blocks.append(Paragraph(f"Nobody has tried yet, so look twice: {', '.join(facts.assumed)}."))
    return Section("bench", "On the bench", tuple(blocks))


def _room(room: Room) -> tuple[str, ...]:
    wanted = room.needed_bytes + room.keep_free_bytes
    remarks = []
    if room.keep_free_bytes:
        remarks.append(f"{format_bytes(room.keep_free_bytes)} of it stay free")
    if room.saved:
        remarks.append(f"and as much as is saved there first: {room.saved}")
    if room.volatile:
        remarks.append("forgets at power-off")
    if room.free_bytes is not None and room.free_bytes < wanted:
        remarks.append("TOO LITTLE: make room first")
    free = "not known" if room.free_bytes is None else format_bytes(room.free_bytes)
    return (room.volume, format_bytes(wanted), free, "; ".join(remarks))


def desk(facts: SheetFacts) -> Section:
    """The work at the desk, in order."""
    blocks: list[Block] = [Tasks(facts.desk)] if facts.desk else []
    if blocks and facts.burn_rules:
        blocks += [Paragraph("A disc that an old drive reads:"), Bullets(facts.burn_rules)]
    return Section("desk", "At the desk", tuple(blocks))


def disc_tests(facts: SheetFacts) -> Section:
    """The disc's own ladder, the first hurdle; none where no disc is made."""
    lead = Paragraph("The machine lists the disc? Go on. Where it does not, one rung at a time:")
    blocks = (lead, Ladder(facts.disc_ladder)) if facts.disc_ladder else ()
    return Section("disc-tests", "Where the disc is not read", blocks)


def bridge(facts: SheetFacts) -> Section:
    """The work at the bridge, in order."""
    return Section("bridge", "At the bridge", (Tasks(facts.bridge),) if facts.bridge else ())


def machine(facts: SheetFacts) -> Section:
    """The work at the machine, in order."""
    blocks: list[Block] = [Tasks(facts.on_machine)] if facts.on_machine else []
    blocks += map(Paragraph, facts.spare_scripts if blocks else ())
    return Section("machine", "At the machine", tuple(blocks))


# ------------------------------------------------------------------------------------------------- the line


def settings(facts: SheetFacts) -> Section:
    """The settings that must agree, as they stand on both ends; none without a link."""
    rows = tuple((row.name, row.machine, row.bridge or "-", row.remark) for row in facts.settings)
    head = ("Setting", "Machine", "Bridge", "Remark")
    table = Table("Tick each end", head, rows, "llll", boxes=True)
    blocks = (table, *(wiring(facts.wiring) if facts.wiring else ())) if rows else ()
    return Section("settings", "The line on both ends", blocks)


def tests(facts: SheetFacts) -> Section:
    """The ladder of small tests; none without a link."""
    lead = Paragraph(
        "One rung at a time, from the first. Garbage points to the rate, silence to the wiring, a stall to MTU or "
        "overrun. Change one thing, then go back to the rung that last held. With a serial adapter in the bridge's "
        "place, `discprep listen PORT --answer` on the PC tells in words what comes, and answers up to the name."
    )
    return Section("tests", "A ladder of small tests", (lead, Ladder(facts.ladder)) if facts.ladder else ())


# ------------------------------------------------------------------------------------------ once the link stands


def after_link(facts: SheetFacts) -> Section:
    """The work once the link stands; none without a link."""
    blocks: tuple[Block, ...] = (Tasks(facts.after_link),) if facts.after_link else ()
    if facts.ladder and not blocks:
        blocks = (Paragraph("Nothing waits for the link: all that is wanted is on the disc."),)
    return Section("after-link", "After the link stands", blocks)


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


def _pull_bar(pull: Pull, total_s: float, width: int = 50) -> str:
    start = round(width * pull.from_s / total_s) if total_s else 0
    end = max(start + 1, round(width * pull.ready_s / total_s)) if total_s else 1
    bar = "." * start + "#" * (end - start) + "." * (width - end)
    return f"{pull.title[:26]:26} {bar}"


# --------------------------------------------------------------------------------- other settings of the line


def other_settings(facts: SheetFacts) -> Section:
    """The timeline and the two curves, or in a sentence why there is none; no section where nothing waits."""
    blocks = [*_timeline(facts.pulls)]
    if facts.over_rates:
        blocks += [*_rates(facts.over_rates), *_windows(facts.over_windows, facts.window_told)]
    title = "The timeline of the link, and other settings of the line"
    return Section("other-settings", title, tuple(blocks), appendix=True)


def _timeline(pulls: Sequence[Pull]) -> Iterator[Block]:
    if pulls:
        total = pulls[-1].ready_s
        yield Picture(timeline_svg(pulls), tuple(_pull_bar(pull, total) for pull in pulls))


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


# ------------------------------------------------------------------------------------------------- the disc


def disc(facts: SheetFacts) -> Section:
    """The disc's picture, which item fills how much of it; none before the disc is laid out."""
    words = f"Volume {facts.volume}: {facts.image_sectors:,} of {facts.medium_sectors:,} sectors"
    words += f" ({format_bytes(facts.image_sectors * SECTOR_BYTES)})"
    words += "." if facts.medium == "custom" else f" on {facts.medium}."  # of a medium without a name its size is all
    if facts.copy_s is not None:
        words += f" Reading it whole takes the old drive about {format_seconds(facts.copy_s)}."
    blocks = (Paragraph(words), _fill(merged(facts.segments), facts)) if facts.segments else ()
    return Section("disc", "The disc", blocks, appendix=True)


def merged(segments: tuple[Segment, ...], most: int = MOST_SEGMENTS) -> tuple[Segment, ...]:
    """The largest segments in their order; neighbours that are too small to see stand together."""
    if len(segments) <= most:
        return segments
    kept = {id(segment) for segment in sorted(segments, key=lambda s: -s.sectors)[: most - 1]}
    small = [segment for segment in segments if id(segment) not in kept]
    rest = Segment(f"{len(small)} smaller items", sum(segment.sectors for segment in small))
    return (*(segment for segment in segments if id(segment) in kept), rest)


def _fill(segments: tuple[Segment, ...], facts: SheetFacts) -> Picture:
    whole = max(facts.medium_sectors, facts.image_sectors, 1)
    free = whole - facts.image_sectors
    keys = [Key(n, s.label, _amount(s.sectors, whole)) for n, s in enumerate(segments)]
    bars = [_bar(key, "#", s.sectors / whole) for key, s in zip(keys, segments, strict=True)]
    if free > 0:
        keys.append(Key(-1, "free", _amount(free, whole)))
        bars.append(_bar(keys[-1], ".", free / whole))
    return Picture(disc_svg(segments, whole), tuple(bars), tuple(keys))


def _amount(sectors: int, whole: int) -> str:
    percent = f"{100 * sectors / whole:.1f}"
    return f"{format_bytes(sectors * SECTOR_BYTES)}, {'under 0.1' if percent == '0.0' else percent} %"


def _bar(key: Key, mark: str, part: float, width: int = 27) -> str:
    return f"{key.label[:28]:28} {key.amount:>21} {mark * max(1, round(width * part))}"


def plan(facts: SheetFacts) -> Section:
    """The plan with its reasons, and the curve of waiting over capacities; none without a plan."""
    blocks: list[Block] = []
    if facts.placements:
        blocks.append(Entries(tuple(_placement(placement, facts.discs) for placement in facts.placements)))
    if blocks and facts.curve:
        here = facts.medium_sectors * SECTOR_BYTES
        blocks.append(Paragraph(
            "With so much room on one disc, so much waiting at the link is enough. The plan itself weighs waiting by "
            "what an item is worth, and may wait longer."
        ))  # fmt: skip
        blocks.append(Picture(curve_svg(facts.curve, here), _curve_lines(facts)))
    return Section("plan", "The plan and its reasons", tuple(blocks), appendix=True)


def _placement(placement: Placement, discs: int) -> Entry:
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


# -------------------------------------------------------------------------------------- names, origins


def names(facts: SheetFacts) -> Section:
    """Names that the disc or the machine cannot hold as they were; none when every name stayed."""
    more = len(facts.renamed) - MOST_NAMES
    tail = (Paragraph(f"And {more} more; the list on the disc has all."),) if more > 0 else ()
    shown = Entries(tuple(map(_renamed, facts.renamed[:MOST_NAMES])))
    return Section("names", "Names changed", (shown, *tail) if facts.renamed else (), appendix=True)


def _renamed(renamed: Renaming) -> Entry:
    lines = (("on the disc", renamed.on_disc), ("on the machine", renamed.on_machine), ("why", renamed.why))
    return (renamed.wanted, tuple(line for line in lines if line[1]))


def origins(facts: SheetFacts) -> Section:
    """What is on the disc and comes over the link, and where it came from."""
    blocks = (Entries(tuple(map(_origin, facts.origins))),) if facts.origins else ()
    return Section("origins", "What it is and where it came from", blocks, appendix=True)


def _origin(origin: Origin) -> Entry:
    title = " ".join(part for part in (origin.title, origin.version) if part)
    size = f"{origin.size_bytes:,} bytes" if origin.size_bytes is not None else ""
    on_disc = f"{counted(origin.files, 'file')} on this disc" if origin.files else "not on this disc"
    lines = (
        ("from", origin.source or "nobody's server: see its page or hint"),
        ("page", origin.page),
        ("hint", origin.hint),
        ("fetched", ", ".join(part for part in (origin.date or "not yet", size, on_disc) if part)),
        ("SHA-256", origin.sha256),
        ("licence", origin.licence or "not stated"),
        ("sharing", "" if origin.share else "NOT TO BE PASSED ON"),
    )
    return (title, tuple(line for line in lines if line[1]))

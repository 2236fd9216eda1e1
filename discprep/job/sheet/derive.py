"""From the records of a build to the facts of its bench sheet: pure, and without paths of this computer or secrets."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from math import ceil

from discprep.disc.media import read_seconds
from discprep.disc.parts import Part, packed_only, parts
from discprep.fetch.source import host, scheme, shown
from discprep.job.sheet import cautions, ladder, leftover, waiting
from discprep.link import rates_both_hold
from discprep.link.ends import bridge_rate, machine_rate
from discprep.link.line import characters_per_second
from discprep.manifest.substitute import mask
from discprep.model import (
    Item,
    LinkSettings,
    Manifest,
    Notice,
    Pin,
    Placed,
    Plan,
    Pulled,
    Step,
    Volume,
)
from discprep.report.sheet.facts import (
    Capacity,
    Line,
    Origin,
    Placement,
    Pull,
    Renamed,
    Room,
    Segment,
    Setting,
    SheetFacts,
    Task,
)
from discprep.report.tables import counted
from discprep.units import format_bytes, format_seconds

PING_BYTES = 84  # 56 bytes of data, 8 of ICMP, 20 of IP: what a ping sends unless told otherwise


def facts_from(
    manifest: Manifest,
    plan: Plan,
    *,
    pins: Mapping[str, Pin],
    pulled: Mapping[str, Pulled],
    placed: Sequence[Placed] = (),
    build_id: str = "",
    disc: int = 1,
    discs: int = 1,
    image: str = "",
    image_sectors: int = 0,
    copy_s: float | None = None,
    date_s: int | None = None,
    curve: Iterable[tuple[int, float]] = (),
    notices: Iterable[Notice] = (),
) -> SheetFacts:
    """The facts of one disc's sheet.

    Arguments:
        pins: of every item that was fetched, by id
        pulled: what crosses the link for an item that waits, by id
        placed: the files of this disc as laid out
        image: the image's file name, without a path
        copy_s: seconds that the old drive takes to read the disc
        date_s: the build's date (SOURCE_DATE_EPOCH, else the newest pin)
        curve: (capacity in bytes, expected seconds at the link) for the picture
        notices: what the build remarked, already without paths
    """
    burned = tuple(d.id for d in plan.decisions if d.place == "burn" and (d.disc or 1) == disc)
    earlier = {d.id for d in plan.decisions if d.place == "present" or (d.disc is not None and d.disc < disc)}
    found = parts(manifest, burned, earlier, packed_only(entry.named.staged for entry in placed))
    line = line_of(manifest)
    load = waiting.load_of([pulled[item_id] for item_id in plan.order])
    steps_wipe = any(step.wipes for step in manifest.steps)
    unshared = not {item.id for item in manifest.items if not item.share}.isdisjoint(burned)
    return SheetFacts(
        title=manifest.title,
        machine=manifest.profile.name,
        build_id=build_id,
        volume=manifest.medium.volume,
        disc=disc,
        discs=discs,
        image=image,
        date=day(date_s) if date_s is not None else "",
        medium=manifest.medium.kind,
        medium_sectors=manifest.medium.sectors,
        image_sectors=image_sectors,
        copy_s=copy_s,
        bench=bench_of(manifest, plan, discs),
        rooms=rooms_of(manifest, placed),
        memory_bytes=manifest.profile.memory_bytes,
        desk=_desk(manifest, image),
        bridge=_bridge(manifest),
        on_machine=_machine(manifest, found, placed, {*burned, *earlier}),
        spare_scripts=leftover.spare_scripts(manifest, placed),
        after_link=_after_link(manifest, plan, (*burned, *earlier)),
        line=line,
        settings=settings_of(manifest),
        ladder=ladder.rungs(line) if line else (),
        segments=segments_of(manifest, placed, image_sectors),
        curve=tuple(Capacity(capacity, waits_s) for capacity, waits_s in curve),
        placements=placements_of(manifest, plan, pins),
        pulls=pulls_of(manifest, plan, pulled),
        over_rates=waiting.over_rates(manifest, load) if load else (),
        over_windows=waiting.over_windows(manifest, load) if load else (),
        renamed=renamed_of(placed, _separator(manifest)),
        origins=origins_of(manifest, pins, placed, {*burned, *plan.order}),
        cautions=cautions.cautions(manifest, wipes=steps_wipe, unshared=unshared),
        notices=tuple(dict.fromkeys(mask(_with_item(notice)) for notice in (*plan.notices, *notices))),
        assumed=manifest.profile.assumed,
    )


def _with_item(notice: Notice) -> str:
    return f"{notice.item}: {notice.message}" if notice.item else notice.message


def day(time_s: int) -> str:
    """The date of a time: `2026-03-04`."""
    return datetime.fromtimestamp(time_s, UTC).date().isoformat()


def name_of(item: Item) -> str:
    """An item as the sheet calls it: its title, else its id."""
    return item.title or item.id


def public_source(source: str) -> str:
    """A source that may stand on paper: an address without a password; a local path is only said to be one."""
    return "a file at hand" if scheme(source) == "file" else shown(source)


# --------------------------------------------------------------------------------------------- the bench


def bench_of(manifest: Manifest, plan: Plan, discs: int) -> tuple[str, ...]:
    """What must lie on the bench before anything starts."""
    count = "the disc" if discs == 1 else f"the {discs} discs"
    things = [
        f"{count}, read back without a fault",
        f"the machine ({manifest.profile.name}) with its optical drive, screen and keyboard working",
        "something to save the present settings on: another disk, or paper",
        "the maker's papers for the machine",
        "this sheet and a pencil",
    ]
    if manifest.link:
        flow = _flow(manifest)
        wires = "with RTS and CTS wired both ways" if flow == "rts-cts" else "transmit, receive and ground at least"
        things[2:2] = [
            f"a serial cable for the machine's plug, {wires}",
            "the serial bridge with its own supply, and a level converter if its pins are at logic level",
            "a piece of wire or a plug for the loop-back test",
        ]
    if plan.order:
        things.append("the PC, on the network that the bridge is on, with this manifest and its cache")
    return tuple(things)


def rooms_of(manifest: Manifest, placed: Iterable[Placed]) -> tuple[Room, ...]:
    """Bytes that the copied files take on each volume, in its blocks, beside what the profile says is free."""
    needed: dict[str, int] = {}
    volumes = {volume.path: volume for volume in manifest.profile.volumes}
    homes = {item.id: _volume(manifest, item) for item in manifest.items}
    for entry in placed:
        staged = entry.named.staged
        if staged.copied and staged.content and entry.named.target and staged.rate_bit_s is None:
            volume = homes.get(staged.item) or _volume(manifest, None)
            blocks = -(-staged.content.size_bytes // volume.block_bytes)
            needed[volume.path] = needed.get(volume.path, 0) + blocks * volume.block_bytes
            volumes.setdefault(volume.path, volume)
    return tuple(
        Room(path, size, volumes[path].free_bytes, volumes[path].keep_free_bytes, volumes[path].volatile)
        for path, size in needed.items()
    )


def _volume(manifest: Manifest, item: Item | None) -> Volume:
    volumes = manifest.profile.volumes or (Volume("the machine's volume"),)
    wanted = item.volume if item else None
    return next((volume for volume in volumes if volume.path == wanted), volumes[0])


# ----------------------------------------------------------------------------------------- the order of work


def _separator(manifest: Manifest) -> str:
    """What stands between folders where the machine writes a path."""
    return manifest.profile.shell.separator if manifest.profile.shell else "/"


def _task(manifest: Manifest, step: Step) -> Task:
    wiped = ", ".join(path.replace("/", _separator(manifest)) for path in step.wipes)
    saved = (f"The setup saves first: {wiped}",) if wiped else ()
    return Task(mask(step.text), saved, step.minutes, mask(step.caution))


def _steps(manifest: Manifest, where: str) -> list[Task]:
    return [_task(manifest, step) for step in manifest.steps if step.at == where]


def _desk(manifest: Manifest, image: str) -> tuple[Task, ...]:
    name = image or "the image"
    lead = [Task("Print this sheet, and write its build id on the disc's label with a soft pen.")]
    own = _steps(manifest, "desk")
    burn = Task(f"Burn {name} as an image, at the drive's lowest speed that the blank allows, one closed session.")
    check = Task(
        "Read the disc back in another drive if there is one:",
        ("discprep readback record.json DEVICE", "Every file must come out identical."),
    )
    return (*lead, *(own or [burn]), check)


def _bridge(manifest: Manifest) -> tuple[Task, ...]:
    own = _steps(manifest, "bridge")
    bridge = manifest.bridge
    if bridge is None:
        return tuple(own)
    details = [f"rate {bridge.rate_bit_s}, framing {bridge.framing}, flow control {_flow(manifest)}"]
    if manifest.link:
        details.append(f"protocol {manifest.link.protocol.upper()}, MTU {manifest.link.mtu_bytes}")
    if bridge.address:
        details.append(f"its own address {bridge.address}")
    if bridge.machine_address:
        details.append(f"the machine's address {bridge.machine_address}")
    set_up = Task("Set the bridge, before it is connected to the machine:", tuple(details))
    note = Task("Write down what it was set to before: ______________________________")
    return (note, set_up, *own)


def _machine(manifest: Manifest, found: Sequence[Part], placed: Sequence[Placed], there: set[str]) -> tuple[Task, ...]:
    tasks = [Task("Save the present settings and start-up files; note where: ____________________")]
    shell = manifest.profile.shell
    waiting = [step for step in manifest.steps if step.at == "machine"]
    for part in found:
        tasks += [_task(manifest, step) for step in part.before]
        tasks.append(_part_task(manifest, part, placed, shell.script_name if shell else ""))
        tasks.append(leftover.unpack_task(manifest, part, placed, there))
        tasks += [_task(manifest, step) for step in part.after]
        waiting = [step for step in waiting if step not in (*part.before, *part.after)]
    tasks.append(_line_task(manifest))
    return tuple(task for task in tasks if task.text)


def _part_task(manifest: Manifest, part: Part, placed: Sequence[Placed], script: str) -> Task:
    if not part.items:
        return Task("")
    mine, items = set(part.items), _by_id(manifest)
    copied = [entry.named.staged for entry in placed if entry.named.staged.item in mine and entry.named.staged.copied]
    size = sum(staged.content.size_bytes for staged in copied if staged.content)
    folders = len({staged.name[:-1] for staged in copied})
    seconds = read_seconds(size, folders + 1, _drive_speed(manifest), manifest.profile.access_s)
    how = _run(manifest, part.number, script) if script else f"Copy part {part.number} from the disc by hand"
    amount = f" {format_bytes(size)}" if size else ""
    titles = ", ".join(name_of(items[item]) for item in part.items if items[item].use == "copy")
    used = ", ".join(name_of(items[item]) for item in part.items if items[item].use == "disc")
    details = (titles, f"stays on the disc, to be used from there: {used}" if used else "")
    return Task(f"{how}:{amount}", tuple(filter(None, details)), float(ceil(seconds / 60)) if size else None)


def _run(manifest: Manifest, number: int, script: str) -> str:
    """How a part's script is started, by its place where the machine's name for the drive is known."""
    name = script.replace("{part}", str(number))
    where = "" if manifest.profile.disc_path else " from the disc"
    return f"Run setup part {number}{where} ({leftover.on_disc(manifest, name)})"


def _drive_speed(manifest: Manifest) -> float:
    return manifest.medium.drive_speed or manifest.profile.drive_speed


def _line_task(manifest: Manifest) -> Task:
    link = manifest.link
    if link is None:
        return Task("")
    details = [f"rate {link.rate_bit_s}, framing {link.framing}, flow control {manifest.profile.serial_flow}"]
    details.append(f"protocol {link.protocol.upper()}, MTU {link.mtu_bytes}")
    bridge = manifest.bridge
    if bridge and bridge.machine_address:
        details.append(f"address {bridge.machine_address}, gateway {bridge.address}")
    resolver = dict(manifest.values).get("resolver", "")
    if resolver:
        details.append(f"resolver {mask(resolver)}")
    return Task("Check the line's settings on the machine:", tuple(details))


def _after_link(manifest: Manifest, plan: Plan, before: Sequence[str]) -> tuple[Task, ...]:
    if not plan.order:
        return ()
    tasks = [
        Task("Climb the ladder of tests below to its top.", minutes=15),
        Task("On the PC, start the shelf; it prints the address to use:",
             (f"discprep serve {shlex.quote(manifest.path.name)} --bind ADDRESS:PORT", *_held_back(manifest, plan))),
        Task(f"On the machine, fetch what waits, in the order of the timeline ({counted(len(plan.order), 'item')}, "
             f"{format_seconds(plan.seconds_at_link)}). An evening can end anywhere: a part that came is not lost.",
             minutes=float(ceil(plan.seconds_at_link / 60))),
    ]  # fmt: skip
    done = {*before, *plan.order}
    on_disc = {step for part in parts(manifest, before) for step in (*part.before, *part.after)}
    late = [s for s in manifest.steps if s.at == "machine" and s not in on_disc and done.issuperset(s.after)]
    return (*tasks, *(_task(manifest, step) for step in late))


def _held_back(manifest: Manifest, plan: Plan) -> Sequence[str]:
    """What the shelf does not offer unless it is told to."""
    names = [name_of(item) for item in manifest.items if not item.share and item.id in plan.order]
    return [f"with --allow-unshared, or the shelf holds back: {', '.join(names)}"] if names else []


# ------------------------------------------------------------------------------------------------ the line


def _flow(manifest: Manifest) -> str:
    bridge = manifest.bridge
    return (bridge.flow if bridge and bridge.flow else None) or manifest.profile.serial_flow


def line_of(manifest: Manifest) -> Line | None:
    """The line's settings with the rates that the clocks really make; None without a link."""
    link, bridge = manifest.link, manifest.bridge
    if link is None:
        return None
    profile = manifest.profile
    slower = [r for r in rates_both_hold(profile, bridge, link.framing) if r < link.rate_bit_s]
    return Line(
        rate_bit_s=link.rate_bit_s,
        framing=link.framing,
        protocol=link.protocol,
        mtu_bytes=link.mtu_bytes,
        window_bytes=link.window_bytes,
        round_trip_s=link.round_trip_s,
        flow=_flow(manifest),
        machine_rate_bit_s=machine_rate(profile, link.rate_bit_s).actual_bit_s if profile.serial_clock_hz else None,
        bridge_rate_bit_s=bridge_rate(bridge, link.rate_bit_s).actual_bit_s if bridge and bridge.clock_hz else None,
        bridge_set_bit_s=bridge.rate_bit_s if bridge else None,
        bridge_framing=bridge.framing if bridge else "",
        bridge_flow=(bridge.flow or "") if bridge else "",
        bridge_address=bridge.address if bridge else "",
        machine_address=bridge.machine_address if bridge else "",
        resolver=mask(dict(manifest.values).get("resolver", "")),
        slower_bit_s=slower[-1] if slower else None,
        fifo=profile.serial_fifo,
        ping_s=_ping_s(link),
        kilobyte_s=waiting.ten_kilobytes_s(link, manifest),
        example_host=_example_host(manifest),
    )


def _ping_s(link: LinkSettings) -> float:
    """A ping's way to the bridge and back [s]: both packets clocked over the line, framing left out."""
    return 2 * PING_BYTES / characters_per_second(link.rate_bit_s, link.framing)


def _example_host(manifest: Manifest) -> str:
    for item in manifest.items:
        for source in item.sources:
            name = host(source).rpartition(":")[0]
            if name and not re.fullmatch(r"[0-9.]+|localhost|.*:.*", name):
                return name
    return ""


def settings_of(manifest: Manifest) -> tuple[Setting, ...]:
    """Every setting that must agree, as it stands on both ends."""
    line = line_of(manifest)
    if line is None:
        return ()
    rows = [
        Setting("Line rate", f"{line.rate_bit_s} bit/s", _or_blank(line.bridge_set_bit_s, " bit/s"), _rates(line)),
        Setting("Framing", line.framing, line.bridge_framing or line.framing),
        Setting("Flow control", manifest.profile.serial_flow, line.bridge_flow or "as the machine"),
        Setting("Protocol", line.protocol.upper(), line.protocol.upper()),
        Setting("MTU", f"{line.mtu_bytes} bytes", f"{line.mtu_bytes} bytes"),
    ]
    if line.window_bytes:
        rows.append(Setting("Receive window", f"{line.window_bytes} bytes"))
    rows.append(Setting("Address", line.machine_address or "________", line.bridge_address or "________"))
    rows.append(Setting("Gateway", line.bridge_address or "________"))
    rows.append(Setting("Resolver", line.resolver or "________"))
    other = [(key, value) for key, value in manifest.values if key != "resolver"]
    return (*rows, *(Setting(key, mask(value)) for key, value in other))


def _or_blank(value: int | None, unit: str) -> str:
    return f"{value}{unit}" if value is not None else "________"


def _rates(line: Line) -> str:
    known = [("machine", line.machine_rate_bit_s), ("bridge", line.bridge_rate_bit_s)]
    made = [f"{name} makes {actual:.0f} ({_percent(actual / line.rate_bit_s - 1)})" for name, actual in known if actual]
    return ", ".join(made)


def _percent(fraction: float) -> str:
    return f"{100 * fraction:+.2f} %"


# --------------------------------------------------------------------------------------- the disc, the plan


def segments_of(manifest: Manifest, placed: Iterable[Placed], image_sectors: int) -> tuple[Segment, ...]:
    """Sectors by item, in the order of the disc; each extent counted once; the rest is the file system's own."""
    found: dict[str, int] = {}
    seen: set[int] = set()
    titles = {item.id: name_of(item) for item in manifest.items}
    for entry in sorted(placed, key=lambda entry: entry.extent):
        for extent in (entry.extent, entry.second_extent):
            if extent and extent not in seen and entry.sectors:
                seen.add(extent)
                item = entry.named.staged.item
                label = titles.get(item, "setup and lists")
                found[label] = found.get(label, 0) + entry.sectors
    rest = image_sectors - sum(found.values())
    own = [Segment("file system", rest)] if rest > 0 else []
    return (*own, *(Segment(label, sectors) for label, sectors in found.items()))


def _by_id(manifest: Manifest) -> dict[str, Item]:
    return {item.id: item for item in manifest.items}


def _size(item: Item, pins: Mapping[str, Pin]) -> int | None:
    pin = pins.get(item.id)
    return pin.size_bytes if pin else item.size_bytes


def placements_of(manifest: Manifest, plan: Plan, pins: Mapping[str, Pin]) -> tuple[Placement, ...]:
    """Every item in the manifest's order, with its place and the reason."""
    decided = {decision.id: decision for decision in plan.decisions}
    return tuple(
        Placement(item.id, name_of(item), d.place, d.form, _size(item, pins), d.saves_s, d.reason, d.disc)
        for item in manifest.items
        if (d := decided.get(item.id))
    )


def pulls_of(manifest: Manifest, plan: Plan, pulled: Mapping[str, Pulled]) -> tuple[Pull, ...]:
    """The later items on the link's timeline, in order."""
    ready = {decision.id: decision.ready_s for decision in plan.decisions}
    items = _by_id(manifest)
    pulls, start = [], 0.0
    for item_id in plan.order:
        end = max(start, ready.get(item_id) or start)
        what = pulled[item_id]
        pulls.append(Pull(item_id, name_of(items[item_id]), what.size_bytes, what.files, start, end))
        start = end
    return tuple(pulls)


def renamed_of(placed: Iterable[Placed], separator: str) -> tuple[Renamed, ...]:
    """Files whose name on disc or machine is not the wanted one; the machine's with its own `separator`."""
    return tuple(
        Renamed("/".join(e.named.staged.name), "/".join(e.named.iso), separator.join(e.named.target), e.named.why)
        for e in placed
        if e.named.why
    )


def origins_of(
    manifest: Manifest, pins: Mapping[str, Pin], placed: Iterable[Placed], wanted: set[str]
) -> tuple[Origin, ...]:
    """Where each item of this disc and of the link came from."""
    files: dict[str, int] = {}
    for entry in placed:
        if entry.named.staged.content:
            files[entry.named.staged.item] = files.get(entry.named.staged.item, 0) + 1
    items = [item for item in manifest.items if item.id in wanted]
    return tuple(_origin(item, pins.get(item.id), files.get(item.id, 0)) for item in items)


def _origin(item: Item, pin: Pin | None, files: int) -> Origin:
    first = pin.source if pin and pin.source else next(iter(item.sources), "")
    return Origin(
        id=item.id,
        title=name_of(item),
        version=item.version,
        source=public_source(first) if first else "",
        page=shown(item.page) if item.page else "",
        sha256=(pin.sha256 if pin else item.hashes.sha256) or "",
        date=day(pin.fetched_s) if pin else "",
        size_bytes=pin.size_bytes if pin else item.size_bytes,
        licence=item.licence,
        share=item.share,
        files=files,
        hint=item.hint,
    )

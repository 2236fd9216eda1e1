"""From the records of a build to the facts of its bench sheet: pure, and without paths of this computer or secrets."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Collection
from dataclasses import replace

from discprep.disc.burn import CAUTIONS as BURN_RULES
from discprep.disc.media import hard_to_read
from discprep.fetch.source import host, scheme, shown
from discprep.job.line import line_troubles
from discprep.job.sheet import cautions, ladder, waiting, work
from discprep.job.sheet.disc_ladder import disc_rungs
from discprep.job.sheet.ladder import Line
from discprep.job.sheet.made import DiscMade
from discprep.job.verify import renamings
from discprep.link.ends import bridge_flow, bridge_rate, machine_rate, rates_both_hold
from discprep.link.line import characters_per_second
from discprep.machine import CHECKSUM_NAMES, checksum_kind, size_of, title_of
from discprep.manifest.substitute import mask
from discprep.model import Item, LinkSettings, Manifest, Notice, Pin
from discprep.report.sheet.facts import (
    Capacity,
    Origin,
    Placement,
    Pull,
    Segment,
    Setting,
    SheetFacts,
    Wiring,
)
from discprep.report.verify import Renaming
from discprep.units import format_day

BLANK = "________"


def facts_from(made: DiscMade) -> SheetFacts:
    """The facts of one disc's sheet."""
    manifest, plan, profile = made.manifest, made.plan, made.manifest.profile
    line = line_of(manifest, {*made.burned, *made.earlier})
    load = waiting.load_of([made.pulled[item_id] for item_id in plan.order], plan.seconds_at_link)
    troubles = line_troubles(manifest)
    hard = (_with_hint(notice) for notice in hard_to_read(manifest.medium))
    slow = (_with_hint(trouble.notice) for trouble in troubles if not trouble.impossible)
    unshared = not {item.id for item in manifest.items if not item.share}.isdisjoint(made.burned)
    return SheetFacts(
        title=manifest.title,
        machine=profile.name,
        build_id=made.build_id,
        volume=manifest.medium.volume,
        disc=made.number,
        discs=made.discs,
        image=made.image,
        date=format_day(made.date_s) if made.date_s is not None else "",
        medium=manifest.medium.kind,
        medium_sectors=manifest.medium.sectors,
        image_sectors=made.image_sectors,
        copy_s=made.copy_s,
        bench=work.bench_of(manifest, made.discs, bool(plan.order)),
        rooms=work.rooms_of(made),
        memory_bytes=profile.memory_bytes,
        desk=work.desk_tasks(made),
        burn_rules=BURN_RULES,
        bridge=work.bridge_tasks(manifest),
        on_machine=work.machine_tasks(made),
        spare_scripts=work.spare_scripts(made),
        after_link=work.after_link_tasks(made),
        window_told=bool(line and line.link.window_bytes),
        settings=_settings(manifest, line) if line else (),
        wiring=_wiring(manifest) if line else None,
        disc_ladder=disc_rungs(profile.disc_path),
        ladder=ladder.rungs(line) if line else (),
        segments=_segments(made),
        curve=tuple(Capacity(capacity, waits_s) for capacity, waits_s in made.curve),
        placements=_placements(made),
        pulls=_pulls(made),
        over_rates=waiting.over_rates(manifest, load) if load else (),
        over_windows=waiting.over_windows(manifest, load) if load else (),
        renamed=_renamed(made),
        origins=_origins(made),
        cautions=cautions.cautions(manifest, wipes=any(step.wipes for step in manifest.steps), unshared=unshared),
        faults=tuple(_with_hint(trouble.notice) for trouble in troubles if trouble.impossible),
        notices=tuple(dict.fromkeys((*slow, *hard, *(mask(_with_item(n)) for n in (*plan.notices, *made.notices))))),
        assumed=profile.assumed,
    )


def _with_item(notice: Notice) -> str:
    return f"{notice.item}: {notice.message}" if notice.item else notice.message


def _with_hint(notice: Notice) -> str:
    """A remark with what to do about it: no hint about link or medium names a path of this computer."""
    return f"{notice.message[:1].upper()}{notice.message[1:]}. {notice.hint}"


# ------------------------------------------------------------------------------------------------ the line


def line_of(manifest: Manifest, there: Collection[str]) -> Line | None:
    """The line's settings with what its ladder tells; None without a link. `there`: the items that the machine has
    before the link stands."""
    link, bridge, profile = manifest.link, manifest.bridge, manifest.profile
    if link is None:
        return None
    slower = [r for r in rates_both_hold(profile, bridge, link.framing) if r < link.rate_bit_s]
    return Line(
        link=link,
        flow=bridge_flow(bridge, profile),
        bridge_address=bridge.address if bridge else "",
        machine_address=bridge.machine_address if bridge else "",
        resolver=mask(dict(manifest.values).get("resolver", "")),
        slower_bit_s=slower[-1] if slower else None,
        ping_s=_ping_s(link),
        ten_kilobytes_s=waiting.ten_kilobytes_s(link, manifest),
        example_host=_example_host(manifest),
        beyond=_beyond(manifest),
        terminal=_has_terminal(manifest, there),
        auto_rts=profile.serial_auto_rts,
    )


def _has_terminal(manifest: Manifest, there: Collection[str]) -> bool:
    given = {role for item in manifest.items if item.id in there for role in item.gives}
    return "terminal" in {*manifest.roles_present, *given}


def _beyond(manifest: Manifest) -> str:
    """The resolver's address where it is another than those of the two ends; "" where nothing beyond is known."""
    bridge, resolver = manifest.bridge, mask(dict(manifest.values).get("resolver", ""))
    return "" if bridge and resolver in (bridge.address, bridge.machine_address) else resolver


def _wiring(manifest: Manifest) -> Wiring:
    machine, bridge = manifest.profile, manifest.bridge
    ends = (bridge.plug, bridge.end) if bridge else ("unknown", "unknown")
    return Wiring(machine.serial_plug, machine.serial_end, *ends)


def _ping_s(link: LinkSettings) -> float:
    """A ping's way to the bridge and back [s]: both packets clocked over the line, framing left out."""
    return 2 * ladder.PING_BYTES / characters_per_second(link.rate_bit_s, link.framing)


def _example_host(manifest: Manifest) -> str:
    for item in manifest.items:
        for source in item.sources:
            name = host(source).rpartition(":")[0]
            if name and not re.fullmatch(r"[0-9.]+|localhost|.*:.*", name):
                return name
    return ""


def _settings(manifest: Manifest, line: Line) -> tuple[Setting, ...]:
    """Every setting that must agree, as it stands on both ends."""
    link, bridge = line.link, manifest.bridge
    protocol, mtu = link.protocol.upper(), f"{link.mtu_bytes} bytes"
    window = [Setting("Receive window", f"{link.window_bytes} bytes")] if link.window_bytes else []
    return (
        Setting("Line rate", f"{link.rate_bit_s} bit/s", f"{bridge.rate_bit_s} bit/s" if bridge else BLANK,
                _rates(manifest, link)),
        Setting("Framing", link.framing, bridge.framing if bridge else link.framing),
        Setting("Flow control", manifest.profile.serial_flow, (bridge and bridge.flow) or "as the machine"),
        Setting("Protocol", protocol, protocol),
        Setting("MTU", mtu, mtu),
        *window,
        Setting("Address", line.machine_address or BLANK, line.bridge_address or BLANK),
        Setting("Gateway", line.bridge_address or BLANK),
        Setting("Resolver", line.resolver or BLANK),
        *(Setting(key, mask(value)) for key, value in manifest.values if key != "resolver"),
    )  # fmt: skip


def _rates(manifest: Manifest, link: LinkSettings) -> str:
    """What the clocks really make of the rate, where they are known."""
    profile, bridge = manifest.profile, manifest.bridge
    known = [("machine", machine_rate(profile, link.rate_bit_s))] if profile.serial_clock_hz else []
    known += [("bridge", bridge_rate(bridge, link.rate_bit_s))] if bridge and bridge.clock_hz else []
    made = [(name, one.actual_bit_s) for name, one in known]
    told = (f"{name} makes {actual:.0f} ({_percent(actual / link.rate_bit_s - 1)})" for name, actual in made if actual)
    return ", ".join(told)


def _percent(fraction: float) -> str:
    return f"{100 * fraction:+.2f} %"


# --------------------------------------------------------------------------------------- the disc, the plan


def _segments(made: DiscMade) -> tuple[Segment, ...]:
    """Sectors by item, in the order of the disc; each extent counted once; the rest is the file system's own."""
    found: Counter[str] = Counter()
    seen: set[int] = set()
    titles = {item.id: title_of(item) for item in made.manifest.items}
    for entry in sorted(made.placed, key=lambda entry: entry.extent):
        for extent in (entry.extent, entry.second_extent):
            if extent and extent not in seen and entry.sectors:
                seen.add(extent)
                found[titles.get(entry.named.staged.item, "setup and lists")] += entry.sectors
    rest = made.image_sectors - found.total()
    own = [Segment("file system", rest)] if rest > 0 else []
    return (*own, *(Segment(label, sectors) for label, sectors in found.items()))


def _placements(made: DiscMade) -> tuple[Placement, ...]:
    """Every item in the manifest's order, with its place and the reason."""
    decided = {decision.id: decision for decision in made.plan.decisions}
    return tuple(
        Placement(title_of(item), d.place, d.form, size_of(item, made.pins.get(item.id)), d.reason, d.disc)
        for item in made.manifest.items
        if (d := decided.get(item.id))
    )  # fmt: skip


def _pulls(made: DiscMade) -> tuple[Pull, ...]:
    """The later items on the link's timeline, in order."""
    ready = {decision.id: decision.ready_s for decision in made.plan.decisions}
    pulls, start = [], 0.0
    for item_id in made.plan.order:
        end = max(start, ready.get(item_id) or start)
        what = made.pulled[item_id]
        title = title_of(made.manifest.item(item_id))
        known = made.checksums.get(item_id)
        checksum = f"{CHECKSUM_NAMES[checksum_kind(made.manifest.profile)]} {known}" if known else ""
        pulls.append(Pull(title, what.size_bytes, what.files, start, end, checksum))
        start = end
    return tuple(pulls)


def _renamed(made: DiscMade) -> tuple[Renaming, ...]:
    """The names that are not as they were wanted; a file that is there for each line rate is one line."""
    named = [entry.named for entry in made.placed if entry.named.why]
    lines: Counter[Renaming] = Counter()
    for entry, one in zip(named, renamings(named, made.manifest.profile), strict=True):
        if (rate := entry.staged.rate_bit_s) is not None:
            wanted, disc, machine = (
                way.replace(str(rate), "RATE") for way in (one.wanted, one.on_disc, one.on_machine)
            )
            one = replace(one, wanted=wanted, on_disc=disc, on_machine=machine)
        lines[one] += 1
    return tuple(
        replace(one, wanted=f"{one.wanted}, for {count} line rates") if count > 1 else one
        for one, count in lines.items()
    )


def _origins(made: DiscMade) -> tuple[Origin, ...]:
    """Where each item of this disc and of the link came from."""
    files = Counter(staged.item for entry in made.placed if (staged := entry.named.staged).content)
    wanted = {*made.burned, *made.earlier, *made.plan.order}
    items = (item for item in made.manifest.items if item.id in wanted)
    return tuple(_origin(item, made.pins.get(item.id), files[item.id]) for item in items)


def _origin(item: Item, pin: Pin | None, files: int) -> Origin:
    first = pin.source if pin and pin.source else next(iter(item.sources), "")
    return Origin(
        title=title_of(item),
        version=item.version,
        source=_public(first) if first else "",
        page=shown(item.page) if item.page else "",
        sha256=(pin.sha256 if pin else item.hashes.sha256) or "",
        date=format_day(pin.fetched_s) if pin else "",
        size_bytes=size_of(item, pin),
        licence=item.licence,
        share=item.share,
        files=files,
        hint=item.hint,
    )


def _public(source: str) -> str:
    """A source that may stand on paper: an address without a password; a local path is only said to be one."""
    return "a file at hand" if scheme(source) == "file" else shown(source)

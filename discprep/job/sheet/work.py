"""The order of work of one disc: what lies ready, and the tasks at the desk, the bridge, the machine and the link."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator, Sequence
from dataclasses import replace
from math import ceil

from discprep.disc.media import read_seconds
from discprep.disc.parts import Part, parts
from discprep.disc.setup.site import BYTES_ALONE, CONTENTS, UNSEEN
from discprep.job.sheet.made import DiscMade
from discprep.link.ends import bridge_flow
from discprep.machine import (
    MachinePath,
    block_bytes,
    drive_speed,
    first_volume,
    forgotten,
    kind_of,
    lasting_volume,
    path_text,
    script_ending,
    script_language,
    title_of,
    unpack_seconds,
    volume_of,
    volumes_of,
    wiped,
)
from discprep.manifest.substitute import mask
from discprep.members import kind_by_name
from discprep.model import UNPACK_ROLES, Item, Manifest, Placed, Role, Shell, Step, Where
from discprep.report.sheet.facts import Room, Task
from discprep.report.tables import counted
from discprep.serve.gate import SERVER
from discprep.serve.script import join_name
from discprep.units import format_bytes, format_seconds


def bench_of(manifest: Manifest, discs: int, waits: bool) -> tuple[str, ...]:
    """What must lie on the bench before anything starts."""
    count = "the disc" if discs == 1 else f"the {discs} discs"
    things = [
        f"{count}, read back without a fault",
        f"the machine ({manifest.profile.name}) with its optical drive, screen and keyboard working",
        "something to save the present settings on: another disk, or paper",
        "the maker's papers for the machine",
        "blanks in reserve, of another make too: CD-R and no CD-RW, 74 minutes; and a pressed data disc, to compare",
        "this sheet and a pencil",
    ]
    if manifest.link:
        flow = bridge_flow(manifest.bridge, manifest.profile)
        wires = "with RTS and CTS wired both ways" if flow == "rts-cts" else "transmit, receive and ground at least"
        things[2:2] = [
            f"a serial cable for the machine's plug, {wires}",
            "the serial bridge with its own supply, and a level converter if its pins are at logic level",
            "a piece of wire or a plug for the loop-back test",
        ]
    if waits:
        things.append("the PC, on the network that the bridge is on, with this manifest and its cache")
    return tuple(things)


def rooms_of(made: DiscMade) -> tuple[Room, ...]:
    """Bytes that the copied files take on each volume, in its blocks, beside what the profile says is free; on the one
    that what is saved goes to, with what the setup leaves there for later."""
    profile = made.manifest.profile
    homes = volumes_of(made.manifest)
    needed: dict[str, int] = {}
    volumes = {volume.path: volume for volume in (*profile.volumes, first_volume(profile))}
    for staged in (entry.named.staged for entry in made.placed if entry.named.target):
        if staged.copied and staged.content and staged.rate_bit_s is None:
            volume = homes.get(staged.item) or first_volume(profile)
            needed[volume.path] = needed.get(volume.path, 0) + block_bytes(staged.content.size_bytes, volume)
    keeps, saved, shell = lasting_volume(profile), "", script_language(profile)
    if shell and shell.conditions and made.placed:
        steps = [step for part in made.parts for step in (*part.before, *part.after)]
        lost = [path_text(one.path, shell) for step in steps for one in wiped(profile, step) if one.path]
        saved = ", ".join(["old files in the way", *dict.fromkeys(lost)])
        needed[keeps.path] = needed.get(keeps.path, 0) + _kept_bytes(made, shell)
    return tuple(
        Room(path or "the machine's volume", size, room.free_bytes, room.keep_free_bytes, room.volatile,
             saved if path == keeps.path else "")
        for path, size in needed.items()
        if (room := volumes[path])
    )  # fmt: skip


def _kept_bytes(made: DiscMade, shell: Shell) -> int:
    """What the setup keeps beside the saved files, in blocks: its scripts with the settings for each rate, the list of
    what is on the disc, and a mark for each item and part."""
    own = [staged for entry in made.placed if not (staged := entry.named.staged).copied]
    kept = [one.content.size_bytes for one in own if one.content and one.name[0] in (shell.folder, CONTENTS)]
    marks = [1] * (len(made.burned) + 2 * len(made.parts))
    return sum(block_bytes(size, lasting_volume(made.manifest.profile)) for size in (*kept, *marks))


# ----------------------------------------------------------------------------------------------- desk and bridge


def _task(manifest: Manifest, step: Step, *, by_script: bool = False) -> Task:
    """A step with what it wipes: saved by the part's script that it stands beside, else by the person."""
    shell = script_language(manifest.profile)
    paths = [path_text(one.path, shell) for one in wiped(manifest.profile, step) if one.path]
    who = "The setup saves first" if by_script and shell and shell.conditions else "Save first, by hand"
    saved = (f"{who}: {', '.join(paths)}",) if paths else ()
    return Task(mask(step.text), saved, step.minutes, mask(step.caution))


def _steps(manifest: Manifest, where: Where) -> list[Task]:
    return [_task(manifest, step) for step in manifest.steps if step.at == where]


def desk_tasks(made: DiscMade) -> tuple[Task, ...]:
    """Printing, burning, reading back."""
    name = made.image or "the image"
    burn = Task(f"Burn {name} as an image, at the drive's lowest speed that the blank allows, one closed session.")
    return (
        Task("Print this sheet, and write its build id on the disc's label with a soft pen."),
        *(_steps(made.manifest, "desk") or [burn]),
        Task(
            "Read the disc back in another drive if there is one:",
            ("discprep readback record.json DEVICE", "Every file must come out identical."),
        ),
    )


def bridge_tasks(manifest: Manifest) -> tuple[Task, ...]:
    """Setting the bridge, where the manifest speaks of one."""
    own = _steps(manifest, "bridge")
    bridge, link = manifest.bridge, manifest.link
    if bridge is None:
        return tuple(own)
    flow = bridge_flow(bridge, manifest.profile)
    details = [f"rate {bridge.rate_bit_s}, framing {bridge.framing}, flow control {flow}"]
    if link:
        details.append(f"protocol {link.protocol.upper()}, MTU {link.mtu_bytes}")
    if bridge.address:
        details.append(f"its own address {bridge.address}")
    if bridge.machine_address:
        details.append(f"the machine's address {bridge.machine_address}")
    set_up = Task("Set the bridge, before it is connected to the machine:", tuple(details))
    note = Task("Write down what it was set to before: ______________________________")
    return (note, set_up, *own)


# ---------------------------------------------------------------------------------------------- at the machine


def machine_tasks(made: DiscMade) -> tuple[Task, ...]:
    """The parts of the disc with the steps done by hand between them, then the line's settings."""
    shell = script_language(made.manifest.profile)
    unseen = UNSEEN if shell and shell.conditions and not shell.unprotect else ""
    saved = Task("Save the present settings and start-up files; note where: ____________________", caution=unseen)
    tasks = [saved, *_taken_off(made)]
    packed = _packed(made)
    to_come = [step for part in made.parts for step in part.after]
    for part in made.parts:
        tasks += [_at_machine(made, step, first=True) for step in part.before]
        tasks += _part_tasks(made, part)
        here = [entry for entry in packed if entry.named.staged.item in part.items]
        for step in part.after:
            tasks += _unpacking(made, part, [entry for entry in here if _can_open(made.manifest, entry, to_come)])
            here = [entry for entry in here if not _can_open(made.manifest, entry, to_come)]
            tasks.append(_at_machine(made, step))
            to_come.remove(step)
        tasks += _unpacking(made, part, here)
    return (*tasks, *_line_task(made.manifest))


def _at_machine(made: DiscMade, step: Step, *, first: bool = False) -> Task:
    """A step beside the disc's parts. `first`: before anything of it is copied."""
    task = _task(made.manifest, step, by_script=True)
    return replace(task, caution=" ".join(filter(None, (task.caution, _drive_gone(made, step, first)))))


def _drive_gone(made: DiscMade, step: Step, first: bool) -> str:
    """That what a step wipes may cost the drive, where a disc is still needed after it; and what to do."""
    to_come = _discs_to_come(made)
    discs = [f"disc {number}" if made.discs > 1 else "this disc" for number in ([made.number] * first + [*to_come])]
    if not step.wipes or not discs:
        return ""
    those = " and ".join(discs)
    warning = f"After it the drive may not be seen, and {those} {'is' if len(discs) == 1 else 'are'} still to come."
    if not first and not any(step for steps in to_come.values() for step in steps):
        return f"{warning} So run the parts of {those} before this step."
    shell = script_language(made.manifest.profile)
    undo = f"start {_kept(made.manifest, shell.undo_name)}" if shell and shell.conditions else "put back what was saved"
    again = "" if first else ", and this disc's parts again"
    return f"{warning} If it is gone: {undo}, restart, run {those}{again}, and do this step last."


def _discs_to_come(made: DiscMade) -> dict[int, list[Step]]:
    """The numbers of the further discs, each with its own steps at the machine."""
    burned: dict[int, list[str]] = {}
    for decision in made.plan.decisions:
        if decision.place == "burn" and (decision.disc or 1) > made.number:
            burned.setdefault(decision.disc or 1, []).append(decision.id)
    found, there = {}, {*made.earlier, *made.burned}
    for number, items in sorted(burned.items()):
        found[number] = [s for part in parts(made.manifest, items, there) for s in (*part.before, *part.after)]
        there.update(items)
    return found


def _taken_off(made: DiscMade) -> Iterator[Task]:
    """To take what is on an archive's disc off it, into the folder that the profile calls the disc."""
    manifest = made.manifest
    if manifest.medium.layout != "tar":
        return
    sizes = [entry.named.staged.content.size_bytes for entry in made.placed if entry.named.staged.content]
    folder = manifest.profile.disc_path or "FOLDER"
    yield Task(
        "Take the disc's files off it: it is one tar archive, without a file system. They need "
        f"{format_bytes(sum(sizes))} beside what is installed, and may go once all is done.",
        (f"mkdir {folder}; cd {folder}; tar xf DEVICE", "DEVICE is the raw optical drive, by its name on this machine; "
         "where tar cannot read it: dd if=DEVICE bs=2048 | tar xf -"),
    )  # fmt: skip


def _packed(made: DiscMade) -> list[Placed]:
    """The archives that the setup copies as they are, in the order of the parts."""
    order = {item: number for number, item in enumerate(item for part in made.parts for item in part.items)}
    packed = [
        entry
        for entry in made.placed
        if (staged := entry.named.staged).item in order and staged.form in ("packed", "both") and staged.copied
        and not staged.member
    ]  # fmt: skip
    return sorted(packed, key=lambda entry: order[entry.named.staged.item])


def _roles(manifest: Manifest, entry: Placed) -> tuple[Role, ...]:
    """What the machine must have to unpack an archive."""
    kind = kind_by_name(entry.named.staged.name[-1]) or kind_of(manifest.item(entry.named.staged.item))
    return UNPACK_ROLES.get(kind, ())


def _openers(manifest: Manifest, entry: Placed) -> list[Item]:
    """The items that unpack an archive."""
    roles = _roles(manifest, entry)
    return [item for item in manifest.items if any(role in roles for role in item.gives)]


def _can_open(manifest: Manifest, entry: Placed, to_come: Sequence[Step]) -> bool:
    """Whether what unpacks it is installed: no step of it is still to come."""
    openers = {item.id for item in _openers(manifest, entry)}
    return not any(openers & set(step.after) for step in to_come)


def _part_tasks(made: DiscMade, part: Part) -> Iterator[Task]:
    if not part.items:
        return
    manifest = made.manifest
    items, mine = [manifest.item(item) for item in part.items], set(part.items)
    copied = [s for entry in made.placed if (s := entry.named.staged).item in mine and s.copied]
    size = sum(staged.content.size_bytes for staged in copied if staged.content)
    folders = len({staged.name[:-1] for staged in copied})
    seconds = read_seconds(size, folders + 1, drive_speed(manifest), manifest.profile.access_s)
    amount = f" {format_bytes(size)}" if size else ""
    titles = ", ".join(title_of(item) for item in items if item.use == "copy")
    used = ", ".join(title_of(item) for item in items if item.use == "disc")
    kept = f"stays on the disc, to be used from there: {used}" if used else ""
    minutes = float(ceil(seconds / 60)) if size else None
    details = (titles, kept, *_plain_list(manifest, part))
    yield Task(f"{_how(manifest, part.number)}:{amount}", tuple(filter(None, details)), minutes)


def _plain_list(manifest: Manifest, part: Part) -> Iterator[str]:
    """What to know of a script in a language without conditions."""
    shell = script_language(manifest.profile)
    if shell is None or shell.conditions:
        return
    if not shell.stops_at_failure:
        yield (
            "It is a plain list of copies, each with its number, and cannot tell whether one failed: watch for errors, "
            "and copy by hand what stands under that number."
        )
        return
    if part.number == 1:
        folders = _script(manifest, f"FOLDERS{script_ending(shell)}")
        yield f"Before it, once: {folders} makes the folders. It stops at one that is there; make the rest by hand."
    yield (
        "It is a plain list of copies that stops at the first error; the number shown last says where. Only its last "
        "line says that it is done."
    )


def _how(manifest: Manifest, number: int) -> str:
    """How a part is copied: by its script, with its place where the machine's name for the drive is known."""
    shell = manifest.profile.shell
    if shell is None:
        return f"Copy part {number} from the disc by hand"
    where = "" if manifest.profile.disc_path else " from the disc"
    return f"Run setup part {number}{where} ({_script(manifest, shell.script_name.replace('{part}', str(number)))})"


def _unpacking(made: DiscMade, part: Part, packed: Sequence[Placed]) -> Iterator[Task]:
    """To unpack what a part copied packed, with the tool and its command where they are known, and the minutes.

    No script does it: what an unpacker of the machine wants to be told is its own affair.
    """
    if not packed:
        return
    there = {*made.burned, *made.earlier}
    tools = {item.id: item for entry in packed for item in _openers(made.manifest, entry) if item.id in there}
    titles = [title_of(item) for item in tools.values()]
    using = f", with {' or '.join(titles)}" if titles else ""  # nothing is said where the machine's own system does it
    lines, seconds = [], 0.0
    for entry in packed:
        tool = next((item for item in _openers(made.manifest, entry) if item.id in there), None)
        where = _on_machine(made.manifest, entry)
        lines.append(tool.unpack.replace("{path}", where) if tool and tool.unpack else where)
        content = entry.named.staged.content
        seconds += unpack_seconds(made.manifest, _roles(made.manifest, entry), content.size_bytes if content else 0)
    task = f"Unpack what part {part.number} copied packed, each where it lies{using}:"
    yield Task(task, tuple(lines), float(ceil(seconds / 60)))


def _on_machine(manifest: Manifest, entry: Placed) -> str:
    """Where a file lies on the machine, in the words of its system."""
    name = entry.named.target or entry.named.staged.name
    volume = volume_of(manifest.profile, manifest.item(entry.named.staged.item))
    return path_text(MachinePath(volume.path, name), manifest.profile.shell)


def _script(manifest: Manifest, name: str) -> str:
    """Where a script lies on the disc, as the machine calls it: `D:\\SETUP\\PART1.BAT`."""
    shell, drive = manifest.profile.shell, manifest.profile.disc_path
    return path_text(MachinePath(drive, (shell.folder, name)), shell) if shell and drive else name


def _kept(manifest: Manifest, *name: str) -> str:
    """Where part 1 leaves a script on the machine, or the folder for all of them."""
    shell = manifest.profile.shell
    folder = (shell.save_folder,) if shell else ()
    return path_text(MachinePath(lasting_volume(manifest.profile).path, (*folder, *name)), shell)


def _line_task(manifest: Manifest) -> Iterator[Task]:
    link, bridge = manifest.link, manifest.bridge
    if link is None:
        return
    details = [f"rate {link.rate_bit_s}, framing {link.framing}, flow control {manifest.profile.serial_flow}"]
    details.append(f"protocol {link.protocol.upper()}, MTU {link.mtu_bytes}")
    if bridge and bridge.machine_address:
        details.append(f"address {bridge.machine_address}, gateway {bridge.address}")
    resolver = dict(manifest.values).get("resolver", "")
    if resolver:
        details.append(f"resolver {mask(resolver)}")
    yield Task("Check the line's settings on the machine:", tuple(details))


def spare_scripts(made: DiscMade) -> tuple[str, ...]:
    """The scripts that are no part of the order of work: putting things back, another line rate."""
    manifest, shell = made.manifest, made.manifest.profile.shell
    if shell is None:
        return ()
    places = [entry.named.staged.name for entry in made.placed]
    names = [place[-1] for place in places if place[:-1] == (shell.folder,)]
    said = []
    if shell.undo_name in names:
        kept = _kept(manifest, shell.undo_name)
        alone = "" if shell.copy_with_attributes else f" {BYTES_ALONE}"
        undo = _script(manifest, shell.undo_name)
        said.append(f"To put back the files that were there before: {undo}, or {kept}.{alone}")
        said.append(
            f"If the drive is not seen after a restart: start {kept}, which puts the old start-up files back, and "
            "restart. Part 1 leaves it on the machine, with the scripts for other line rates and the list of what is "
            f"on the disc, all in {_kept(manifest)}."
        )
    again = forgotten(manifest, [item for part in made.parts for item in part.items])
    start = f"START{script_ending(shell)}"
    if again and start in names:
        titles = ", ".join(title_of(manifest.item(item)) for item in again)
        text = f"After each power-on: {_script(manifest, start)}. It brings back what the machine forgets"
        said.append(f"{text}: {titles}.")
    before, _, after = shell.rate_name.partition("{rate}")
    pattern = re.compile(f"{re.escape(before)}([0-9]+){re.escape(after)}")
    rates = sorted(int(found[1]) for name in names if (found := pattern.fullmatch(name)))
    if rates:
        ends = dict.fromkeys((rates[0], rates[-1]))
        span = " to ".join(_script(manifest, f"{before}{rate}{after}") for rate in ends)
        said.append(f"To set another line rate on the machine without an editor: {span}.")
    return tuple(said)


# -------------------------------------------------------------------------------------------- after the link stands


def after_link_tasks(made: DiscMade) -> tuple[Task, ...]:
    """Fetching what waits, then the steps that wait for it."""
    manifest, plan = made.manifest, made.plan
    if not plan.order:
        return ()
    tasks = [
        Task("Climb the ladder of tests below to its top.", minutes=15),
        Task("On the PC, start the shelf; it prints the address to use:",
             (f"discprep serve {shlex.quote(manifest.path.name)} --bind ADDRESS:PORT", *_held_back(made))),
        Task(f"On the machine, fetch what waits, in the order of the table below ({counted(len(plan.order), 'item')}, "
             f"{format_seconds(plan.seconds_at_link)}). {_evenings(manifest)}",
             minutes=float(ceil(plan.seconds_at_link / 60))),
    ]  # fmt: skip
    before = (*made.burned, *made.earlier)
    done = {*before, *plan.order}
    on_disc = {step for part in parts(manifest, before) for step in (*part.before, *part.after)}
    late = [s for s in manifest.steps if s.at == "machine" and s not in on_disc and done.issuperset(s.after)]
    return (*tasks, *_unpacking_later(made), *(_task(manifest, step) for step in late))


def _unpacking_later(made: DiscMade) -> Iterator[Task]:
    """To unpack what crossed the link packed, in its order."""
    waits = {decision.id: decision.unpack_s for decision in made.plan.decisions if decision.unpack_s}
    titles = [title_of(made.manifest.item(key)) for key in made.plan.order if key in waits]
    if titles:
        text = "Unpack there what came packed, each before what needs it:"
        yield Task(text, (", ".join(titles),), float(ceil(sum(waits.values()) / 60)))


def _evenings(manifest: Manifest) -> str:
    """How sure the times are, and where an evening can end without loss: many old fetchers cannot take up a file that
    broke off."""
    unsure = "The times are those of any server, as this computer cannot see what is under way. "
    return (unsure if SERVER == "other" else "") + _ends(manifest)


def _ends(manifest: Manifest) -> str:
    slice_s = manifest.link.slice_s if manifest.link else None
    if slice_s:
        return (
            f"An evening can end anywhere: no more than a slice of {format_seconds(slice_s)} is pulled again. "
            f"{_joins(manifest)}"
        )
    return "An evening can end after any file: what came whole is not pulled again, and what broke off begins anew."


def _joins(manifest: Manifest) -> str:
    """Who joins slices, and whether they are checked then."""
    shell = manifest.profile.shell
    name = join_name(shell) if shell else ""
    if not shell or not name:
        return "Slices are joined by hand, in the order of their numbers."
    checks = "and checks them" if shell.checksum else "and says what to compare"
    return f"When all slices are there, {name} from the shelf joins them {checks}."


def _held_back(made: DiscMade) -> Sequence[str]:
    """What the shelf does not offer unless it is told to."""
    names = [title_of(item) for item in made.manifest.items if not item.share and item.id in made.plan.order]
    return [f"with --allow-unshared, or the shelf holds back: {', '.join(names)}"] if names else []

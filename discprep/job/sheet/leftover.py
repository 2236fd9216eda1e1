"""What the setup scripts leave to a person: archives copied as they are, and the scripts that wait to be needed."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable

from discprep.disc.parts import Part
from discprep.disc.setup.language import Language
from discprep.disc.setup.language import Path as MachinePath
from discprep.model import Manifest, Placed
from discprep.report.sheet.facts import Task
from discprep.serve.shapes import volume_of


def unpack_task(manifest: Manifest, part: Part, placed: Iterable[Placed], there: Collection[str]) -> Task:
    """To unpack what a part copies packed, in the order of the part; a task without a text where nothing is.

    No script does it: what an unpacker of the machine wants to be told is its own affair.

    Arguments:
        there: ids of the items that the machine has by then
    """
    order = {item: number for number, item in enumerate(part.items)}
    packed = [
        entry
        for entry in placed
        if entry.named.staged.form in ("packed", "both") and entry.named.staged.item in order
        and entry.named.staged.copied and not entry.named.staged.member
    ]  # fmt: skip
    if not packed:
        return Task("")
    packed.sort(key=lambda entry: order[entry.named.staged.item])
    openers = _openers(manifest, there)
    using = f", with {' or '.join(openers)}" if openers else ""
    return Task(
        f"Unpack what part {part.number} copied packed, each where it lies{using}:",
        tuple(_on_machine(manifest, entry) for entry in packed),
    )


def _openers(manifest: Manifest, there: Collection[str]) -> tuple[str, ...]:
    """What opens archives on the machine, by title; nothing is said where its own system does."""
    items = (item for item in manifest.items if item.id in there)
    return tuple(item.title or item.id for item in items if any(role.startswith("unpack-") for role in item.gives))


def _on_machine(manifest: Manifest, entry: Placed) -> str:
    """Where a file lies on the machine, in the words of its system."""
    name = entry.named.target or entry.named.staged.name
    item = manifest.item(entry.named.staged.item)
    volume = volume_of(item, manifest.profile).path
    shell = manifest.profile.shell
    if shell is None:
        return "/".join((volume, *name)).lstrip("/")
    return Language(shell, manifest.profile).path(MachinePath(volume, name))


def on_disc(manifest: Manifest, script: str) -> str:
    """Where a script lies on the disc, as the machine calls it: `D:\\SETUP\\PART1.BAT`."""
    shell = manifest.profile.shell
    if shell is None or not manifest.profile.disc_path:
        return script
    return Language(shell, manifest.profile).path(MachinePath(manifest.profile.disc_path, (shell.folder, script)))


def spare_scripts(manifest: Manifest, placed: Iterable[Placed]) -> tuple[str, ...]:
    """The scripts that are no part of the order of work: putting things back, another line rate."""
    shell = manifest.profile.shell
    if shell is None:
        return ()
    there = [entry.named.staged.name[-1] for entry in placed if entry.named.staged.name[:-1] == (shell.folder,)]
    said = []
    if shell.undo_name in there:
        said.append(f"To put back the files that were there before: {on_disc(manifest, shell.undo_name)}.")
    before, _, after = shell.rate_name.partition("{rate}")
    pattern = re.compile(f"{re.escape(before)}([0-9]+){re.escape(after)}")
    rates = sorted(int(found[1]) for name in there if (found := pattern.fullmatch(name)))
    if rates:
        ends = dict.fromkeys((rates[0], rates[-1]))
        names = " to ".join(on_disc(manifest, f"{before}{rate}{after}") for rate in ends)
        said.append(f"To set another line rate on the machine without an editor: {names}.")
    return tuple(said)

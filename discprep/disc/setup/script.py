"""What the setup scripts do on the machine, as trees of commands. Pure; `language.py` knows the words.

A part: is the disc there, was the part before it done; save what is there already; make folders; copy in the order
of the extents, each file checked as well as the machine can; then attribute bits and comments; then what to do next.
Nothing is ever saved over an older copy: a copy has its place by its path, and is skipped where it stands.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby

from discprep.disc.parts import Part
from discprep.disc.setup.flow import Node
from discprep.disc.setup.language import FIRST, SECOND, Language
from discprep.errors import NameRuleError
from discprep.machine import MachinePath, disc_title, first_volume, script_ending, wiped
from discprep.model import Manifest, Named, Shell, Step, Volume

Checksum = Callable[[Named], str]
ROOM, SAVE = "ROOM", "SAVE"


@dataclass(frozen=True, slots=True)
class PartNames:
    """A part's own script, the one that does its work ("" where they are one), the next part's ("" after the last)."""

    own: str
    work: str
    next: str


@dataclass(frozen=True, slots=True)
class Site:
    """Where things stand on one machine: the disc, the volumes, the folder for what is saved."""

    manifest: Manifest
    shell: Shell
    build: str
    count: int  # of parts
    volumes: Mapping[str, Volume]  # by item

    @property
    def volume(self) -> Volume:
        """The first volume: saved copies and marks stand there."""
        return first_volume(self.manifest.profile)

    @property
    def saved(self) -> MachinePath:
        return MachinePath(self.volume.path, (self.shell.save_folder,))

    @property
    def hurt_list(self) -> MachinePath:
        return self.saved / "HURT.TXT"

    @property
    def saved_list(self) -> MachinePath:
        return self.saved / "LIST.TXT"

    def mark(self, kind: str, part: int) -> MachinePath:
        """A file whose presence says that a part of this build has saved (`S`) or is done (`P`)."""
        return self.saved / f"{self.build[:5].upper()}{kind}{part}"

    def item_mark(self, entries: Sequence[Named]) -> MachinePath:
        """A file whose presence says that some build has put these very files on the machine."""
        digest = hashlib.sha256("\n".join(sorted(self._key(self.target(entry)) for entry in entries)).encode())
        return self.saved / f"{digest.hexdigest()[:8].upper()}.IN"

    @property
    def room_at_rest(self) -> MachinePath:
        return self.saved / f"ROOM{self.ending}"

    def trial(self, volume: str) -> MachinePath:
        return MachinePath(volume, (f"ROOMTRY{self.ending}",))

    @property
    def ending(self) -> str:
        return script_ending(self.shell)

    @property
    def title(self) -> str:
        return disc_title(self.manifest)

    def volume_of(self, named: Named) -> Volume:
        """The volume an entry is installed on."""
        return self.volumes.get(named.staged.item, self.volume)

    def target(self, named: Named) -> MachinePath:
        return MachinePath(self.volume_of(named).path, named.target)

    def on_disc(self, named: Named) -> MachinePath:
        return MachinePath(self.manifest.profile.disc_path, disc_parts(named))

    def saved_copy(self, path: MachinePath) -> MachinePath:
        """Where a path's older copy stands: named by its hash, so that each build finds the same."""
        digest = hashlib.sha256(self._key(path).encode()).hexdigest().upper()
        return self.saved / f"{digest[:8]}.{digest[8:11]}"

    def _key(self, path: MachinePath) -> str:
        """Equal for paths that the machine takes for one."""
        volume = next((v for v in self.manifest.profile.volumes if v.path == path.base), self.volume)
        text = f"{path.base}\0{'/'.join(path.parts)}"
        return text if volume.case_sensitive else text.casefold()


def disc_parts(named: Named) -> tuple[str, ...]:
    """A path on the disc as the machine sees it, in the richest tree it reads."""
    return named.rock_ridge or named.joliet or _seen(named.iso)


def second_parts(named: Named) -> tuple[str, ...]:
    """The same for the second copy, whose path is one in every tree."""
    return _seen(named.second)


def _seen(iso: tuple[str, ...]) -> tuple[str, ...]:
    """An identifier's path without the dot of an empty extension, which machines do not show."""
    return (*iso[:-1], iso[-1].removesuffix("."))


@dataclass(frozen=True, slots=True)
class Scripts:
    """Writes the scripts of one disc."""

    site: Site
    say: Language
    tools: dict[str, MachinePath]  # the tool's own files on the disc, by wanted name
    checksum: Checksum | None

    # ------------------------------------------------------------------------------------------ a part

    def part(self, part: Part, entries: Sequence[Named], names: PartNames) -> list[Node]:
        """The script that a person starts. Where the language can call another, it only brings the work to the
        machine and calls it there, so that the drive need not go back to the script after every file."""
        work = self._call_work(names.work) if names.work else self.work(part, entries, names)
        return [
            *self._opening(self._part_title(part)),
            *self.say.say(self._part_title(part), self.site.shell.read_error),
            *self._disc_is_there(names.own),
            *self._earlier_part_done(part),
            *self._folder(self.site.saved),
            *self._room_file(),
            *work,
        ]

    def _call_work(self, name: str) -> list[Node]:
        here = self.site.saved / name
        return [*self._save_file(), *self._bring(name), *self._if_full(here.base), *self.say.call(here)]

    def work(self, part: Part, entries: Sequence[Named], names: PartNames) -> list[Node]:
        """What a part does.

        Arguments:
            entries: what it copies, files and folders, in the order of the extents
        """
        return [
            *(self._opening(self._part_title(part)) if names.work else []),
            *self._save_all(part, entries),
            *(node for step in part.before for node in self._step(step)),
            *(self.say.when("exists", self.site.hurt_list, self.say.command("delete", self.site.hurt_list))),
            *(node for folder in _folders(self.site, entries) for node in self._folder(folder)),
            *(node for item in _by_item(entries) for node in self._copy_item(item)),
            *(node for entry in entries for node in self._give_back(entry)),
            *self._done(part, names.next),
        ]

    def _part_title(self, part: Part) -> str:
        return f"{self.site.title}: part {part.number} of {self.site.count}"

    def _opening(self, title: str) -> list[Node]:
        return [
            *self.say.raw(self.site.shell.opening, title=title, build=self.site.build),
            *self.say.comment(f"{title}; build {self.site.build}"),
        ]

    def closing(self) -> list[Node]:
        """What ends every script."""
        return self.say.raw(self.site.shell.closing, title=self.site.title, build=self.site.build)

    def _bring(self, name: str) -> list[Node]:
        """A file of the tool's own, brought to the folder for what is saved."""
        here = self.site.saved / name
        full = self._full_stop(here.base)
        return [
            *self.say.when("exists", here, self.say.command("delete", here)),
            *self.say.copy(self.tools[name], here),
            *self.say.failed("copy", full),
            *self.say.when("missing", here, full, rare=True),
        ]

    def _mark(self, mark: MachinePath) -> list[Node]:
        """Leaves a mark on the machine that a later run finds."""
        made = self.say.when("missing", mark, self.say.append(self.site.build, mark), rare=True)
        return [*made, *self.say.when("missing", mark, self._full_stop(mark.base))] if made else []

    def _disc_is_there(self, own_name: str) -> list[Node]:
        own = self.tools[own_name]
        wrong = self.say.stop(
            f"{self.say.path(own)} is not there: the disc is not in the drive, or the drive has another name.",
            f"This script expects it as {self.site.manifest.profile.disc_path}. Nothing was changed.",
        )
        return self.say.when("missing", own, wrong, rare=True)

    def _earlier_part_done(self, part: Part) -> list[Node]:
        if part.number == 1:
            return []
        wrong = self.say.stop(
            f"Part {part.number - 1} of this disc is not done on this machine yet. Run it first. Nothing was changed."
        )
        return self.say.when("missing", self.site.mark("P", part.number - 1), wrong, rare=True)

    def _room_file(self) -> list[Node]:
        """Brings the file that shows whether there is room to the machine, so that asking costs no seek."""
        if not self.site.shell.if_full:
            return []
        return self._bring(ROOM + self.site.ending)

    def _save_file(self) -> list[Node]:
        return self._bring(SAVE + self.site.ending) if self.site.shell.call else []

    def _step(self, step: Step) -> list[Node]:
        caution = [f"Caution: {step.caution}"] if step.caution else []
        return [*self.say.say("", "By hand, before this goes on:", step.text, *caution), *self.say.wait()]

    # ----------------------------------------------------------------------------------- saving first

    def _save_all(self, part: Part, entries: Sequence[Named]) -> list[Node]:
        """Saves what the part would copy over and what its hand steps wipe, before anything of it is lost.

        Settings and what is wiped are looked at in every run. Programs are not: what this build, or an earlier one
        with the same files, has put there is no loss, and saving it would fill the volume.
        """
        wiped = [path for step in (*part.before, *part.after) for path in self.wipes(step)]
        settings = [(self.site.target(entry), False) for entry in _files(entries) if entry.staged.edits]
        always = {self.site.saved_copy(path): (path, folder) for path, folder in [*wiped, *settings]}
        nodes = [node for path, folder in always.values() for node in self._save(path, folder)]
        bulk: list[Node] = []
        for item in _by_item(entries):
            rest = [entry for entry in item if self.site.saved_copy(self.site.target(entry)) not in always]
            bulk += self.say.when("missing", self.site.item_mark(item), self._save_files(rest))
        bulk += self._mark(self.site.mark("S", part.number))
        return [*nodes, *self.say.when("missing", self.site.mark("S", part.number), bulk)]

    def _save_files(self, entries: Sequence[Named]) -> list[Node]:
        nodes: list[Node] = []
        for folder, files in groupby(entries, lambda entry: self.site.target(entry).folder):
            saves = [node for entry in files for node in self._save(self.site.target(entry), False)]
            # A block that is not entered costs nothing; a jump costs a look through the script.
            nodes += self.say.when("folder", folder, saves) if folder.parts and self.site.shell.blocks else saves
        return nodes

    def wipes(self, step: Step) -> list[tuple[MachinePath, bool]]:
        """What a step wipes: each path, and whether it is a folder. Raises NameRuleError for what cannot be saved."""
        found = []
        for one in wiped(self.site.manifest.profile, step):
            if one.problem or one.path is None:
                raise NameRuleError(f"wipes {one.text!r} {one.problem}", hint=one.hint)
            found.append((one.path, one.folder))
        return found

    def saving(self, step: Step) -> list[Node]:
        """Saves what a step wipes, and puts it back."""
        wiped = self.wipes(step)
        saves = [node for path, folder in wiped for node in self._save(path, folder)]
        return [*saves, *(node for path, folder in wiped for node in self._put_back(path, folder))]

    def _save(self, path: MachinePath, folder: bool) -> list[Node]:
        """Copies `path` under a name of its own before it is lost, unless an older copy stands there."""
        copy = self.site.saved_copy(path)
        kind = "folder" if folder else "exists"
        awkward = any(old in self.say.path(path) for old, _ in self.site.shell.path_escapes)  # as an argument
        if folder or awkward or not self.site.shell.call:
            return self.say.when(
                kind, path, self.say.when("missing", copy, self._saving(path, copy, folder), rare=True)
            )
        call = self.say.call(self.site.saved / (SAVE + self.site.ending), self.say.path(path), copy.name)
        unsaved = self.say.when("missing", copy, self.say.stop("It stops here, before anything is lost."))
        return [*self.say.when("exists", path, call, rare=True), *self.say.when("exists", path, unsaved)]

    def save_script(self) -> list[Node]:
        """The script that saves one file: its arguments are the file, and the name of the copy."""
        return [
            *self._opening("Saves one file"),
            *self.say.when(
                "missing", self.site.saved / SECOND, self._saving(MachinePath(FIRST), self.site.saved / SECOND, False)
            ),
        ]

    def _saving(self, path: MachinePath, copy: MachinePath, folder: bool) -> list[Node]:
        """Saves one file. The copy gets its name last, so that one cut short is never taken for whole."""
        part = self.site.saved / "SAVING.TMP"
        renames = bool(self.site.shell.rename) and not folder
        to = part if renames else copy
        failed = self.say.stop(
            "The file named above could not be saved. It was not changed; make room and run this again."
        )
        return [
            *self.say.say(f"Saving {self.say.path(path)}"),
            *(self.say.when("exists", part, self.say.command("delete", part)) if renames else []),
            *(self.say.copy_folder(path, copy) if folder else self.say.copy(path, to)),
            *self.say.failed("copy", failed),
            *self.say.when("missing", to, failed, rare=True),
            *self._if_full(self.site.volume.path),
            *(self.say.rename(part, copy.name) if renames else []),
            *self.say.when("missing", copy, failed, rare=True),
            *self.say.append(f"{copy.name} was {self.say.path(path)}", self.site.saved_list),
        ]

    # ---------------------------------------------------------------------------------------- copying

    def _folder(self, folder: MachinePath) -> list[Node]:
        stop = self.say.stop(
            f"The folder {self.say.path(folder)} could not be made: the volume is full or write-protected, or a file "
            "has its name."
        )
        return [
            *self.say.when("no_folder", folder, self.say.command("make_folder", folder)),
            *self.say.when("no_folder", folder, stop, rare=True),
        ]

    def _copy_item(self, entries: Sequence[Named]) -> list[Node]:
        nodes = [node for entry in entries for node in self._copy_file(entry)]
        volumes = dict.fromkeys(self.site.volume_of(entry).path for entry in entries)
        full = [node for volume in volumes for node in self._if_full(volume)]
        return [*nodes, *full, *self._mark(self.site.item_mark(entries))]

    def _copy_file(self, entry: Named) -> list[Node]:
        target = self.site.target(entry)
        return [
            *self._old_away(target),
            *self._copy(entry, self.site.on_disc(entry), target),
            *self._second_copy(entry, target),
            *(self._stop_without(target) if entry.staged.important else self._list_without(entry, target)),
        ]

    def _old_away(self, target: MachinePath) -> list[Node]:
        """Where a failed copy does not tell, only a missing target shows it: an old one must go first."""
        if "copy" in self.site.shell.tells:
            return []
        return self.say.when("exists", target, self.say.command("delete", target))

    def _copy(self, entry: Named, source: MachinePath, target: MachinePath) -> list[Node]:
        """Copies and checks; what is not right is taken away, so that from here on missing means hurt."""
        content = entry.staged.content
        if content is None:
            return []
        if content.size_bytes == 0 and self.site.shell.create_empty:
            return self.say.command("create_empty", target)
        away = self.say.when("exists", target, self.say.command("delete", target))
        nodes = [*self.say.copy(source, target), *self.say.failed("copy", away)]
        size = self.say.command("check_size", target, size=str(content.size_bytes))
        nodes += [*self._present(target, [*size, *self.say.failed("check_size", away)])] if size else []
        if self.checksum and self.site.shell.checksum:
            check = self.say.command("checksum", target, sum=self.checksum(entry))
            nodes += self._present(target, [*check, *self.say.failed("checksum", away)])
        return nodes

    def _present(self, target: MachinePath, check: list[Node]) -> list[Node]:
        """A check only of a file that is there: asking after another may end the script in some languages."""
        return self.say.when("exists", target, check)

    def _second_copy(self, entry: Named, target: MachinePath) -> list[Node]:
        """A hurt file from its other place on the disc."""
        if not (entry.second and entry.staged.content and entry.staged.content.size_bytes):
            return []
        source = MachinePath(self.site.manifest.profile.disc_path, second_parts(entry))
        copy = self._copy(entry, source, target)
        return self.say.when("missing", target, copy, rare=True)

    def _stop_without(self, target: MachinePath) -> list[Node]:
        stop = self.say.stop(
            "It is needed. Clean the disc, or make room, and run this part again; else burn the disc again."
        )
        said = f"Could not be copied: {self.say.path(target)}"
        return self.say.blame(target, said, [*self._if_full(target.base), *stop])

    def _list_without(self, entry: Named, target: MachinePath) -> list[Node]:
        name = self.say.path(self.site.on_disc(entry))
        listed = [*self.say.say(f"Could not be copied: {name}"), *self.say.append(name, self.site.hurt_list)]
        return self.say.when("missing", target, listed, rare=True)

    def _if_full(self, volume: str) -> list[Node]:
        return self.say.full(self.site.room_at_rest, self.site.trial(volume), self._full_stop(volume))

    def _full_stop(self, volume: str) -> list[Node]:
        return self.say.stop(
            f"The volume {volume} is full. The last files copied may be cut short. Make room and run this part again."
        )

    def _give_back(self, entry: Named) -> list[Node]:
        """Attribute bits and comment."""
        target = self.site.target(entry)
        nodes = [*self.say.remark(entry.staged, target), *self.say.attributes(entry.staged, target)]
        sure = entry.staged.important or entry.staged.content is None
        return nodes if sure else self.say.when("exists", target, nodes)

    # ---------------------------------------------------------------------------------- what comes next

    def _done(self, part: Part, next_name: str) -> list[Node]:
        hurt = self.say.say(
            "",
            f"Files that could not be read, none of them needed, are listed in {self.say.path(self.site.hurt_list)}.",
        )
        following = [line for step in part.after for line in ("", f"Now, by hand: {step.text}", *_caution(step))]
        then = (
            f"Then start part {part.number + 1}: {self._start(next_name)}" if next_name else "This was the last part."
        )
        return [
            *self.say.when("exists", self.site.hurt_list, hurt, rare=True),
            *self._mark(self.site.mark("P", part.number)),
            *self.say.say("", f"Part {part.number} is done.", *following, then),
        ]

    def _start(self, name: str) -> str:
        return self.site.shell.run.replace("{path}", self.say.quoted(self.say.path(self.tools[name])))

    # -------------------------------------------------------------------------------- undo, line rates

    def undo(self, parts: Sequence[tuple[Part, Sequence[Named]]]) -> list[Node]:
        """Puts back what the parts saved; what they copied anew stays."""
        title = f"{self.site.title}: put back what was there before"
        paths: dict[MachinePath, tuple[MachinePath, bool]] = {}
        for part, entries in parts:
            wiped = [path for step in (*part.before, *part.after) for path in self.wipes(step)]
            for path, folder in [*wiped, *((self.site.target(entry), False) for entry in _files(entries))]:
                paths.setdefault(self.site.saved_copy(path), (path, folder))
        back = [node for path, folder in paths.values() for node in self._put_back(path, folder)]
        return [
            *self._opening(title),
            *self.say.say(title),
            *self.say.when(
                "no_folder", self.site.saved, self.say.stop("Nothing was saved on this machine."), rare=True
            ),
            *back,
            *self.say.say("", "The files that were there before are back. Restart the machine to use them."),
        ]

    def _put_back(self, path: MachinePath, folder: bool) -> list[Node]:
        copy = self.site.saved_copy(path)
        back = self.say.copy_folder(copy, path) if folder else self.say.copy(copy, path)
        if "copy" in self.site.shell.tells:
            lost = f"{self.say.path(path)} could not be put back; it is safe as {self.say.path(copy)}."
            back += self.say.failed("copy", self.say.say(lost))
        return self.say.when("folder" if folder else "exists", copy, back)

    def rate(self, rate_bit_s: int, variants: Iterable[tuple[Named, Named]], own_name: str) -> list[Node]:
        """Sets the machine's line to one rate.

        Arguments:
            variants: each settings file for this rate, and the file it stands for
        """
        title = f"{self.site.title}: the line at {rate_bit_s} baud"
        copies = [node for variant in variants for node in self._set_variant(*variant)]
        return [
            *self._opening(title),
            *self.say.say(title),
            *self._disc_is_there(own_name),
            *(self._ready_to_save() if copies else []),
            *copies,
            *self.say.raw(self.site.shell.line_settings, rate=str(rate_bit_s)),
            *self.say.say("", f"The machine's side is set to {rate_bit_s} baud. Set the bridge to the same."),
        ]

    def _ready_to_save(self) -> list[Node]:
        volume = self.site.volume.path
        return [*self._folder(self.site.saved), *self._room_file(), *self._save_file(), *self._if_full(volume)]

    def _set_variant(self, variant: Named, original: Named) -> list[Node]:
        target = self.site.target(original)
        stop = self.say.stop(f"{self.say.path(target)} could not be written.")
        return [
            *self._save(target, False),
            *(self._folder(target.folder) if len(target.parts) > 1 else []),
            *self._old_away(target),
            *self._copy(variant, self.site.on_disc(variant), target),
            *self._second_copy(variant, target),
            *self.say.when("missing", target, stop, rare=True),
        ]


def _caution(step: Step) -> list[str]:
    return [f"Caution: {step.caution}"] if step.caution else []


def _files(entries: Iterable[Named]) -> list[Named]:
    return [entry for entry in entries if entry.staged.content is not None]


def _by_item(entries: Iterable[Named]) -> list[list[Named]]:
    return [list(group) for _, group in groupby(_files(entries), lambda entry: entry.staged.item)]


def _folders(site: Site, entries: Iterable[Named]) -> list[MachinePath]:
    """Every folder that a part's entries need on the machine, the outer ones first."""
    found: dict[MachinePath, None] = {}
    for entry in entries:
        path = site.target(entry)
        inner = len(path.parts) if entry.staged.content is None else len(path.parts) - 1
        for depth in range(1, inner + 1):
            found.setdefault(MachinePath(path.base, path.parts[:depth]))
    return sorted(found, key=lambda folder: len(folder.parts))


def copied(entries: Iterable[Named], items: Collection[str]) -> list[Named]:
    """The entries that a part with these items copies to the machine."""
    return [entry for entry in entries if entry.staged.copied and entry.target and entry.staged.item in items]

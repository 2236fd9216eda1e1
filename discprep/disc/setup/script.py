"""What the setup scripts do on the machine, as trees of commands. Pure; `language.py` knows the words, `files.py` what
is done with one file.

A part: is the disc there, was the part before it done; bring what the machine needs with the drive gone; save what is
there already; make folders and copy in the order of the extents, each file checked as well as the machine can; then
attribute bits and comments; then what to do next.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby

from discprep.disc.parts import Part
from discprep.disc.setup.files import Files
from discprep.disc.setup.flow import Do, Node, in_turn
from discprep.disc.setup.language import Language
from discprep.disc.setup.site import (
    ALL,
    BACK,
    BYTES_ALONE,
    CONTENTS,
    FILE,
    OLD,
    PUT,
    ROOM,
    SAVE,
    TEMPORARY,
    UNSEEN,
    Site,
    called_stems,
    part_name,
    work_name,
)
from discprep.errors import NameRuleError
from discprep.machine import MachinePath, wiped
from discprep.model import Named, Step

Parts = Sequence[tuple[Part, Sequence[Named]]]
Variants = Sequence[tuple[Named, Named]]  # each settings file for a rate, and the file it stands for


@dataclass(frozen=True, slots=True)
class Scripts:
    """Writes the scripts of one disc.

    Attributes:
        tools: the tool's own files on the disc, by wanted name
        rates: the script for each line rate, by its name, with the settings files that it puts in place
    """

    files: Files
    tools: Mapping[str, MachinePath]
    rates: Mapping[str, Variants]

    @property
    def site(self) -> Site:
        return self.files.site

    @property
    def say(self) -> Language:
        return self.files.say

    # ------------------------------------------------------------------------------------------ a part

    def part(self, part: Part, entries: Sequence[Named]) -> list[Node]:
        """The script that a person starts. Where the language can call another, it only brings the work to the
        machine and calls it there, so that the drive need not go back to the script after every file."""
        done = self.site.mark("P", part.number)
        own, called = part_name(self.site.shell, part.number), work_name(self.site.shell, part.number)
        work = self._call_work(called) if self.site.shell.call else self.work(part, entries)
        return [
            *self._opening(self._part_title(part)),
            *self.say.say(self._part_title(part), self.site.shell.read_error),
            *(self.say.say(UNSEEN) if part.number == 1 and not self.site.shell.unprotect else []),
            *self._disc_is_there(own),
            *self._earlier_part_done(part),
            *self.files.folder(self.site.saved),
            *self.files.away(done),
            *(self._kit() if part.number == 1 else []),
            *work,
        ]

    def _call_work(self, name: str) -> list[Node]:
        here = self.site.saved / name
        return [*self._bring(name), *self.files.if_full(here.base), *self.say.call(here)]

    def work(self, part: Part, entries: Sequence[Named]) -> list[Node]:
        """What a part does.

        Arguments:
            entries: what it copies, files and folders, in the order of the extents
        """
        return [
            *(self._opening(self._part_title(part)) if self.site.shell.call else []),
            *self._save_all(part, entries),
            *(node for step in part.before for node in step_first(self.say, step)),
            *self._no_list(part.number),
            *in_turn(_by_item(entries), self._copy_item),
            *in_turn(entries, self._give_back),
            *self._done(part),
        ]

    def _part_title(self, part: Part) -> str:
        return f"{self.site.title}: part {part.number} of {self.site.count}"

    def _opening(self, title: str) -> list[Node]:
        return self.say.opening(title, self.site.build)

    def closing(self) -> list[Node]:
        """What ends every script."""
        return self.say.raw(self.site.shell.closing, title=self.site.title, build=self.site.build)

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

    # ------------------------------------------------------------------ what must be there with the drive gone

    def _kit(self) -> list[Node]:
        """Brings what the machine needs though the drive may be gone after a restart: what puts back, the settings for
        each rate, the list; and what the scripts call. This disc's share of putting back comes last, so that where it
        stands, all stands."""
        shell = self.site.shell
        stems = (*((ROOM,) if shell.if_full else ()), *called_stems(shell))
        names = [f"{stem}{self.site.ending}" for stem in stems]
        nodes = [node for name in (*names, shell.undo_name, *self.rates, CONTENTS) for node in self._bring(name)]
        for name, variants in self.rates.items():
            for number, (variant, _) in enumerate(variants, 1):
                nodes += self.files.bring(self.site.places(variant), self._kept(name, number))
        return [*nodes, *(self._register() if shell.call else [])]

    def _bring(self, name: str) -> list[Node]:
        """A file of the tool's own, brought to the folder for what is saved."""
        return self.files.bring([self.tools[name]], self.site.saved / name) if name in self.tools else []

    def _kept(self, rate_name: str, number: int) -> MachinePath:
        """Where a settings file for a rate stands on the machine."""
        stem, _, _ = rate_name.partition(".")
        return self.site.saved / f"{stem}.{number:03d}"

    def _register(self) -> list[Node]:
        """This disc's share of putting back joins those of the discs before it."""
        whole, share = self.site.own(ALL), self.site.old
        opening = [line for node in self.say.raw(self.site.shell.opening, title=self.site.title, build=self.site.build)
                   if isinstance(node, Do) for line in node.lines]  # fmt: skip
        begin = [node for line in opening for node in self.say.append(line, whole)]
        call = [line for node in self.say.call(share) if isinstance(node, Do) for line in node.lines]
        joined = [node for line in call for node in self.say.append(line, whole)]
        return [
            *self.say.when("missing", whole, begin, rare=True),
            *self.say.when("missing", share, joined, rare=True),
            *self.files.bring([self.tools[f"{OLD}{self.site.ending}"]], share),
        ]

    def called(self) -> dict[str, Callable[[], list[Node]]]:
        """The scripts that others call, by name, where the language can call."""
        files = self.files
        nodes = {
            SAVE: lambda: [*self._opening("Saves one file"), *files.save_script()],
            BACK: lambda: [*self._opening("Puts one file back"), *files.back_script()],
            PUT: lambda: [*self._opening("Replaces one file"), *files.put_script()],
            FILE: lambda: [*self._opening("Copies one file"), *files.file_script()],
        }
        return {f"{stem}{self.site.ending}": nodes[stem] for stem in called_stems(self.site.shell)}

    # ----------------------------------------------------------------------------------- saving first

    def _save_all(self, part: Part, entries: Sequence[Named]) -> list[Node]:
        """Saves what the part would copy over and what its hand steps wipe, before anything of it is lost.

        Settings and what is wiped are looked at in every run. Programs are not: what this build, or an earlier one
        with the same files, has put there is no loss, and saving it would fill the volume.
        """
        wiped = [path for step in (*part.before, *part.after) for path in self.wipes(step)]
        settings = [(self.site.target(entry), False) for entry in _files(entries) if entry.staged.edits]
        always = {self.site.saved_copy(path): (path, folder) for path, folder in [*wiped, *settings]}
        nodes = [node for path, folder in always.values() for node in self.files.save(path, folder)]
        bulk: list[Node] = []
        for item in _by_item(_files(entries)):
            rest = [entry for entry in item if self.site.saved_copy(self.site.target(entry)) not in always]
            bulk += self.say.when("missing", self.site.item_mark(item), self._save_files(rest))
        bulk += self.files.mark(self.site.mark("S", part.number))
        return [*nodes, *self.say.when("missing", self.site.mark("S", part.number), bulk)]

    def _save_files(self, entries: Sequence[Named]) -> list[Node]:
        return in_turn(self._by_folder(entries), lambda group: self._save_group(*group))

    def _save_group(self, folder: MachinePath, entries: Sequence[Named]) -> list[Node]:
        saves = in_turn(entries, lambda entry: self.files.save(self.site.target(entry)))
        return self.say.when("folder", folder, saves) if folder.parts else saves

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
        saves = [node for path, folder in wiped for node in self.files.save(path, folder)]
        return [*saves, *(node for path, folder in wiped for node in self.files.put_back(path, folder))]

    # ---------------------------------------------------------------------------------------- copying

    def _no_list(self, part: int | str) -> list[Node]:
        """Takes away what an earlier run has listed."""
        return [*self.files.away(self.site.missed), *self.files.away(self.site.hurt_list(part))]

    def _list_kept(self, part: int | str) -> list[Node]:
        """Gives the list of what was left out the part's name, where the language can."""
        if not self.site.shell.rename:
            return []
        named = self.say.rename(self.site.missed, self.site.hurt_list(part).name)
        return self.say.when("exists", self.site.missed, named, rare=True)

    def _copy_item(self, entries: Sequence[Named], *, mark: bool = True) -> list[Node]:
        """One item: folders, then files. What is not needed stops nothing: it is listed."""
        files = _files(entries)
        needed = any(entry.staged.important for entry in entries)
        list_at = None if needed else self.site.missed
        folders = folders_of_entries(self.site, entries)
        nodes = [node for folder in folders for node in self.files.folder(folder, needed)]
        nodes += in_turn(self._by_folder(files), lambda group: self._copy_group(*group, list_at))
        for volume in dict.fromkeys(self.site.volume_of(entry).path for entry in files):
            nodes += self.files.if_full(volume)
        return [*nodes, *(self.files.mark(self.site.item_mark(files)) if files and mark else [])]

    def _by_folder(self, files: Iterable[Named]) -> list[tuple[MachinePath, list[Named]]]:
        """Files by the folder that they go to, one behind the other."""
        return [(folder, list(group)) for folder, group in groupby(files, lambda entry: self.site.target(entry).folder)]

    def _copy_group(self, folder: MachinePath, files: Sequence[Named], list_at: MachinePath | None) -> list[Node]:
        puts = [*self.files.away(folder / TEMPORARY)] if self.site.shell.rename else []
        puts += self.files.enter(folder) if list_at else []
        puts += in_turn(files, lambda entry: self._copy_file(entry, list_at))
        return self._where_made(folder, puts, list_at)

    def _copy_file(self, entry: Named, list_at: MachinePath | None) -> list[Node]:
        if entry.link:
            return self.files.link(entry, self.site.target(entry), list_at)
        return self.files.put(entry, self.site.places(entry), self.site.target(entry), list_at)

    def _where_made(self, folder: MachinePath, puts: list[Node], list_at: MachinePath | None) -> list[Node]:
        """What goes into a folder, where the folder could be made; else it is listed as left out."""
        if list_at is None or not folder.parts:
            return puts
        name = self.say.path(folder)
        text = f"{name} could not be made; what belongs there is left out"
        return self.say.either("no_folder", folder, [*self.say.say(text), *self.say.append(text, list_at)], puts)

    def _give_back(self, entry: Named) -> list[Node]:
        """Attribute bits and comment."""
        target = self.site.target(entry)
        nodes = [*self.say.remark(entry.staged, target), *self.say.attributes(entry.staged, target)]
        return nodes if entry.staged.important else self.say.when("exists", target, nodes)

    # ---------------------------------------------------------------------------------- what comes next

    def _done(self, part: Part) -> list[Node]:
        hurt = [node for number in range(1, part.number + 1) for node in self._say_hurt(number)]
        following = [line for step in part.after for line in ("", f"Now, by hand: {step.text}", *caution_of(step))]
        then, last = "This was the last part.", part.number == self.site.count
        if not last:
            script = self.tools[part_name(self.site.shell, part.number + 1)]
            then = f"Then start part {part.number + 1}: {self.say.start(script)}"
        done = f"Part {part.number} is done."
        if not self.files.proves:
            done = (f"Part {part.number} has run. This machine's language cannot tell whether every file came: compare "
                    f"them with {CONTENTS} on the disc.")  # fmt: skip
        return [
            *self._list_kept(part.number),
            *(hurt if last else self._say_hurt(part.number)),
            *self.files.mark(self.site.mark("P", part.number)),
            *self.say.say("", done, *following, *self._without_drive(part), then),
        ]

    def _say_hurt(self, part: int | str, what: str = "") -> list[Node]:
        at = self.site.hurt_list(part) if self.site.shell.rename else self.site.missed
        left = what or f"What part {part} left out"
        said = self.say.say("", f"{left}, none of it needed, is listed in {self.say.path(at)}.")
        return self.say.when("exists", at, said, rare=True)

    def _without_drive(self, part: Part) -> list[str]:
        """After a step that replaces start-up files the drive may be gone: what stands on the machine for that."""
        if not any(step.wipes for step in part.after):
            return []
        text = f"Should the drive not be seen afterwards: {self.say.start(self.site.undo)} puts the old files back."
        if self.site.manifest.medium.discs != 1:
            text += " If another disc of this set is still to come, see first what the bench sheet says at this step."
        return ["", text, f"The scripts for other line rates stand in {self.say.path(self.site.saved)} too." ] \
            if self.rates else ["", text]  # fmt: skip

    # ----------------------------------------------------------------------------------- each power-on

    def start(self, entries: Sequence[Named], own_name: str) -> list[Node]:
        """Brings back what a power-off took: all that goes to volumes that forget. It saves nothing, since what stands
        there is the disc's."""
        title = f"{self.site.title}: after each power-on"
        first = self.say.stop("Run the parts of this disc first. Nothing was changed.")
        kept = self.site.old if self.site.shell.call else self.site.undo
        ready = self._kit() if self.site.volume.volatile else self.say.when("missing", kept, first, rare=True)
        return [
            *self._opening(title),
            *self.say.say(title),
            *self._disc_is_there(own_name),
            *(self.files.folder(self.site.saved) if self.site.volume.volatile else []),
            *ready,
            *self._no_list("S"),
            *in_turn(_by_item(entries), lambda item: self._copy_item(item, mark=False)),
            *in_turn(entries, self._give_back),
            *self._list_kept("S"),
            *self._say_hurt("S", "What was left out"),
            *self.say.say("", "What the power-off took is there again."),
        ]

    # -------------------------------------------------------------------------------- undo, line rates

    def undo(self, parts: Parts) -> list[Node]:
        """What a person starts to put everything back: all discs' shares, or this one's where no script calls another.
        It names no place on the disc, and is brought to the machine."""
        title = f"{self.site.title}: put back what was there before"
        none = self.say.stop("Nothing was saved on this machine.")
        lost = self.say.stop(
            f"The others are back. What could not be put back is listed in {self.say.path(self.site.lost_list)}; its "
            f"older copies are safe in {self.say.path(self.site.saved)}."
        )
        if self.site.shell.call:
            whole = self.site.own(ALL)
            back = [*self.say.when("missing", whole, none, rare=True), *self.files.away(self.site.lost_list),
                    *self.say.call(whole)]  # fmt: skip
        else:
            back = [*self.files.away(self.site.lost_list), *self._puts_back(parts)]
        return [
            *self._opening(title),
            *self.say.say(title, *(() if self.site.shell.copy_with_attributes else (BYTES_ALONE,))),
            *self.say.when("no_folder", self.site.saved, none, rare=True),
            *back,
            *self.say.when("exists", self.site.lost_list, lost, rare=True),
            *self.say.say("", "The files that were there before are back. Restart the machine to use them."),
        ]

    def share(self, parts: Parts) -> list[Node]:
        """This disc's share of putting back."""
        return [*self._opening(f"{self.site.title}: its older files"), *self._puts_back(parts)]

    def _puts_back(self, parts: Parts) -> list[Node]:
        """Puts back what the parts saved; what they copied anew stays."""
        paths: dict[MachinePath, tuple[MachinePath, bool]] = {}
        for part, entries in parts:
            wiped = [path for step in (*part.before, *part.after) for path in self.wipes(step)]
            for path, folder in [*wiped, *((self.site.target(entry), False) for entry in _files(entries))]:
                paths.setdefault(self.site.saved_copy(path), (path, folder))
        cleared = in_turn([path for path, folder in paths.values() if not folder], self.files.clear)
        back = in_turn([*paths.values()], lambda one: self.files.put_back(*one))
        volumes = dict.fromkeys(path.base for path, _ in paths.values())
        return [*cleared, *back, *(node for volume in volumes for node in self.files.cut_short(volume))]

    def rate(self, rate_bit_s: int, own_name: str) -> list[Node]:
        """Sets the machine's line to one rate, from what the machine has: the disc need not be there."""
        title = f"{self.site.title}: the line at {rate_bit_s} baud"
        variants = self.rates[own_name]
        copies = [
            node
            for number, (variant, original) in enumerate(variants, 1)
            for node in self._set_variant(variant, original, self._kept(own_name, number))
        ]
        return [
            *self._opening(title),
            *self.say.say(title),
            *(self._ready_to_save() if copies else []),
            *copies,
            *self.say.raw(self.site.shell.line_settings, rate=str(rate_bit_s)),
            *self.say.say("", f"The machine's side is set to {rate_bit_s} baud. Set the bridge to the same."),
        ]

    def _ready_to_save(self) -> list[Node]:
        kit = self.site.old if self.site.shell.call else self.site.undo
        none = self.say.stop("Run part 1 of this disc first: it brings the settings. Nothing was changed.")
        return [*self.say.when("missing", kit, none, rare=True), *self.files.if_full(self.site.volume.path)]

    def _set_variant(self, variant: Named, original: Named, kept: MachinePath) -> list[Node]:
        target = self.site.target(original)
        return [
            *self.files.save(target),
            *(self.files.folder(target.folder) if len(target.parts) > 1 else []),
            *(self.files.away(target.folder / TEMPORARY) if self.site.shell.rename else []),
            *self.files.put(variant, [kept], target, None),
        ]


def caution_of(step: Step) -> list[str]:
    """A step's caution, as a line."""
    return [f"Caution: {step.caution}"] if step.caution else []


def step_first(say: Language, step: Step) -> list[Node]:
    """A step that is done before anything is copied."""
    return [*say.say("", "By hand, before this goes on:", step.text, *caution_of(step)), *say.wait()]


def _files(entries: Iterable[Named]) -> list[Named]:
    return [entry for entry in entries if entry.staged.content is not None]


def _by_item(entries: Iterable[Named]) -> list[list[Named]]:
    """Entries by item, the items in the order of the first."""
    found: dict[str, list[Named]] = {}
    for entry in entries:
        found.setdefault(entry.staged.item, []).append(entry)
    return list(found.values())


def folders_of_entries(site: Site, entries: Iterable[Named]) -> list[MachinePath]:
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

"""How one file is saved, comes to its place, and is put back; nothing counts as done that was not seen. Pure.

A new file gets a name of its own first. It is looked at as well as the language can, and takes its place by a rename:
if the old file resists (write-protected, hidden, in use), the new one still stands under the first name, and that is
what the script asks. Nothing is ever saved over an older copy.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from discprep.disc.setup.flow import Do, Node
from discprep.disc.setup.language import FIRST, SECOND, Language
from discprep.disc.setup.site import BACK, FILE, PUT, SAVE, TEMPORARY, Site, called_stems
from discprep.machine import MachinePath
from discprep.model import Content, Named, Shell

Checksum = Callable[[Content], str]
PROTECTED = "it is write-protected, or in use"
WHY = {"missing": "Could not be copied", "exists": f"Could not take its place ({PROTECTED})"}


@dataclass(frozen=True, slots=True)
class Files:
    """Single files on one machine."""

    site: Site
    say: Language
    checksum: Checksum | None

    @property
    def shell(self) -> Shell:
        return self.site.shell

    @property
    def proves(self) -> bool:
        """Whether the language can tell a file that came from one that did not, an older one in its place or not."""
        return bool(self.shell.rename and self.shell.delete) or "copy" in self.shell.tells

    # -------------------------------------------------------------------------------- folders and small things

    def folder(self, folder: MachinePath, needed: bool = True) -> list[Node]:
        """Makes a folder; stops where a needed one cannot be made."""
        stop = self.say.stop(
            f"The folder {self.say.path(folder)} could not be made: the volume is full or write-protected, or a file "
            "has its name."
        )
        return [
            *self.say.make_folder(folder),
            *(self.say.when("no_folder", folder, stop, rare=True) if needed else []),
        ]

    def gone(self, path: MachinePath) -> list[Node]:
        """Takes a file away, protected or not. It is unprotected unasked: some languages do not see what is hidden."""
        away = self.say.when("exists", path, self.say.command("delete", path))
        return [*self.say.command("unprotect", path), *away] if away else []

    def away(self, path: MachinePath) -> list[Node]:
        """The same; stops where it stays."""
        stay = self.say.stop(f"{self.say.path(path)} cannot be replaced: {PROTECTED}.")
        gone = self.gone(path)
        found = [*gone, *self.say.when("exists", path, stay, rare=True)]
        return self.say.when("exists", path, found, rare=True) if gone else []

    def bring(self, sources: Sequence[MachinePath], here: MachinePath) -> list[Node]:
        """A file of the setup's own, from the disc to the folder for what is saved."""
        full = self.full_stop(here.base)
        first, *others = sources
        return [
            *self.away(here),
            *self.say.copy(first, here),
            *(self.say.failed("copy", self.gone(here) if others else full)),
            *(node for other in others for node in self.say.when("missing", here, self.say.copy(other, here))),
            *(self.say.failed("copy", full) if others else []),
            *(self.say.compare(first, here, full) if not others else []),
            *self.say.when("missing", here, full, rare=True),
        ]

    def mark(self, mark: MachinePath) -> list[Node]:
        """Leaves a mark on the machine that a later run finds."""
        made = self.say.when("missing", mark, self.say.append(self.site.build, mark), rare=True)
        return [*made, *self.say.when("missing", mark, self.full_stop(mark.base))] if made else []

    def if_full(self, volume: str) -> list[Node]:
        return self.say.full(volume, self.full_stop(volume))

    def full_stop(self, volume: str) -> list[Node]:
        return self.say.stop(
            f"The volume {volume or 'of the current folder'} is full, or cannot be written to. The last files copied "
            "may be cut short. Make room and run this part again."
        )

    # ----------------------------------------------------------------------------------- saving first

    def save(self, path: MachinePath, folder: bool = False) -> list[Node]:
        """Copies `path` under a name of its own before it is lost, unless an older copy stands there. It is unprotected
        first, as some languages neither see nor copy what is hidden; but not where its attributes are copied too."""
        copy = self.site.saved_copy(path)
        kind = "folder" if folder else "exists"
        kept = folder or self.shell.copy_with_attributes
        unprotect = [] if kept else self.say.command("unprotect", path)
        if folder or not self._by_call(path):
            none = "no_folder" if folder else "missing"
            saving = self.say.when(none, copy, self.saving(path, copy, folder), rare=True)
            return [*unprotect, *self.say.when(kind, path, saving)]
        call = self.say.call(self.site.own(SAVE), self.say.path(path), copy.name)
        unsaved = self.say.when("missing", copy, self.say.stop("It stops here, before anything is lost."))
        return [*unprotect, *self.say.when("exists", path, call, rare=True), *self.say.when("exists", path, unsaved)]

    def _by_call(self, path: MachinePath) -> bool:
        """Whether a called script takes this path as its argument."""
        awkward = any(old in self.say.path(path) for old, _ in self.shell.path_escapes)
        return bool(self.shell.call) and not awkward

    def save_script(self) -> list[Node]:
        """Saves one file: its arguments are the file, and the name of the copy."""
        copy = self.site.saved / SECOND
        return self.say.when("missing", copy, self.saving(MachinePath(FIRST), copy, False))

    def saving(self, path: MachinePath, copy: MachinePath, folder: bool) -> list[Node]:
        """Saves one file. The copy gets its name last, so that one cut short is never taken for whole."""
        part = self.site.saved / "SAVING.TMP"
        renames = bool(self.shell.rename) and not folder
        to, none = part if renames else copy, "no_folder" if folder else "missing"
        failed = self.say.stop(
            "The file named above could not be saved. It was not changed; make room and run this again."
        )
        copied = [*self.say.copy_owners(path, to), *self.say.failed("copy", failed)]
        if self.shell.copy_with_attributes:  # one that may not be read comes without them
            plain = [*self.say.command("unprotect", path), *self.say.copy(path, to), *self.say.failed("copy", failed)]
            copied = [*self.say.copy_owners(path, to), *self.say.failed("copy", plain)]
        return [
            *self.say.say(f"Saving {self.say.path(path)}"),
            *(self.away(part) if renames else []),
            *([*self.say.copy_folder(path, copy), *self.say.failed("copy", failed)] if folder else copied),
            *([] if folder else self.say.compare(path, to, failed)),
            *self.say.when(none, to, failed, rare=True),
            *self.if_full(self.site.volume.path),
            *(self.say.rename(part, copy.name) if renames else []),
            *self.say.when(none, copy, failed, rare=True),
            *self.say.append(f"{copy.name} was {self.say.path(path)}", self.site.saved_list),
        ]

    # ---------------------------------------------------------------------------------------- copying

    def put(
        self, entry: Named, sources: Sequence[MachinePath], target: MachinePath, list_at: MachinePath | None
    ) -> list[Node]:
        """Copies a file to its place, from the first of its sources that is whole. One that does not come is written to
        the list `list_at` where one is given, else the script stops."""
        if not (self.shell.rename and self.shell.delete):
            return [*self._copies(entry, sources, target), *self._lost(entry, "missing", target, target, list_at)]
        if list_at and self._by_file(entry, sources, target):
            return self.say.call(self.site.own(FILE), self.say.path(sources[0]), target.name)
        new = target.folder / TEMPORARY
        copies = self._copies(entry, sources, new)
        missing = self._lost(entry, "missing", new, target, list_at)
        stays = self._lost(entry, "exists", new, target, list_at)
        if self.say.blocks:  # a rename may have put it elsewhere: into a folder of that name
            stays += self._lost(entry, "missing", target, target, list_at)
        if list_at is None:
            return [*copies, *missing, *self._place(new, target), *stays]
        return [
            *copies,
            *self.say.either("missing", new, self._listed(entry, "missing", new, list_at),
                             [*self._place(new, target), *stays]),
        ]  # fmt: skip

    def link(self, entry: Named, target: MachinePath, list_at: MachinePath | None) -> list[Node]:
        """Makes a symbolic link; a file in its place was saved, and gives way. What else stands there stays, a folder
        or a link of the machine's own, and it counts as one that did not come."""
        shown = f"{self.say.path(target)} -> {entry.target_link}"
        told = f"Could not be made, as its name is taken or the volume is full: {shown}"
        needed = "It is needed. Free its name, or make room, and run this part again."
        name = self.say.path(self.site.on_disc(entry))
        lost = [*self.say.say(told), *(self.say.append(name, list_at) if list_at else self.say.stop(needed))]
        made = self.say.when("no_folder", target, self.say.link(target, entry.target_link))
        anew = [*self.say.when("exists", target, self.say.command("delete", target)), *made]
        return [
            *self.say.compare_link(target, entry.target_link, anew),
            *self.say.compare_link(target, entry.target_link, lost),
        ]

    def _lost(
        self, entry: Named, kind: str, path: MachinePath, target: MachinePath, list_at: MachinePath | None
    ) -> list[Node]:
        """Where `path` says so, the file did not come to `target`: it is listed, or the script stops."""
        if list_at:
            return self.say.when(kind, path, self._listed(entry, kind, path, list_at), rare=True)
        remedy = {
            "missing": "It is needed. Clean the disc, or make room, and run this part again; else burn the disc again.",
            "exists": "It is needed. Free the old file, or its name, and run this part again.",
        }
        stop = [*self.if_full(target.base), *self.say.stop(remedy[kind])]
        return self.say.blame(kind, path, f"{WHY[kind]}: {self.say.path(target)}", stop)

    def _listed(self, entry: Named, kind: str, path: MachinePath, list_at: MachinePath) -> list[Node]:
        name = self.say.path(self.site.on_disc(entry))
        gone = self.gone(path) if kind == "exists" else []
        return [*gone, *self.say.say(f"{WHY[kind]}: {name}"), *self.say.append(name, list_at)]

    def _by_file(self, entry: Named, sources: Sequence[MachinePath], target: MachinePath) -> bool:
        """Whether a called script copies it in the current folder: a line for each file, where no check is its own."""
        shell, content = self.shell, entry.staged.content
        checked = shell.check_size or (self.checksum and shell.checksum)
        empty = content and content.size_bytes == 0 and shell.create_empty
        plain = len(sources) == 1 and self._by_call(sources[0]) and self._by_call(target)
        return FILE in called_stems(shell) and plain and not (checked or empty)

    def enter(self, folder: MachinePath) -> list[Node]:
        """Goes to the folder that files are copied to, where a called script wants that."""
        return [Do(self.say.enter(folder), inline=False)] if FILE in called_stems(self.shell) else []

    def file_script(self) -> list[Node]:
        """Copies one file that is not needed into the current folder, or lists it: its arguments are the file on the
        disc, and its name."""
        new, old = MachinePath("", (TEMPORARY,)), MachinePath("", (SECOND,))
        left = [*self.say.say(f"Left out: {FIRST}"), *self.say.append(FIRST, self.site.missed)]
        away = self.say.when("exists", new, self.say.command("delete", new))
        source = MachinePath(FIRST)
        again = [*self.say.full("", self.full_stop("")), *self.gone(old), *self.say.rename(new, SECOND)]
        return [
            *self.say.copy(source, new),
            *self.say.failed("copy", away),
            *self._present(new, self.say.compare(source, new, away)),
            *self.say.when("missing", new, [*left, Do(self.shell.stop, ends=True)], rare=True),
            *self.say.rename(new, SECOND),
            *self.say.when("exists", new, again, rare=True),
            *self.say.when("exists", new, [*self.gone(new), *left], rare=True),
        ]

    def _copies(self, entry: Named, sources: Sequence[MachinePath], to: MachinePath) -> list[Node]:
        """One copy after the other until one is right."""
        first, *others = sources
        nodes = self._copy(entry, first, to)
        for other in others:
            nodes += self.say.when("missing", to, self._copy(entry, other, to), rare=True)
        return nodes

    def _copy(self, entry: Named, source: MachinePath, to: MachinePath) -> list[Node]:
        """Copies and checks; what is not right is taken away, so that from here on missing means hurt."""
        content = entry.staged.content
        if content is None:
            return []
        if content.size_bytes == 0 and self.shell.create_empty:
            return self.say.command("create_empty", to)
        away = self.say.when("exists", to, self.say.command("delete", to))
        nodes = [*self.say.copy(source, to), *self.say.failed("copy", away)]
        size = self.say.command("check_size", to, size=str(content.size_bytes))
        checks = [(size, "check_size")] if size else []
        if self.checksum and self.shell.checksum:
            checks.append((self.say.command("checksum", to, sum=self.checksum(content)), "checksum"))
        for check, key in checks:
            nodes += self._present(to, [*check, *self.say.failed(key, away)])
        return nodes + self._present(to, self.say.compare(source, to, away))

    def _present(self, target: MachinePath, check: list[Node]) -> list[Node]:
        """A check only of a file that is there: asking after another may end the script in some languages."""
        return self.say.when("exists", target, check)

    def _place(self, new: MachinePath, target: MachinePath) -> list[Node]:
        """Gives a new file its name; an older one of that name goes only now, and only where there is room left: what
        it sets free must not hide that the new one was cut short."""
        renamed = self.say.rename(new, target.name)
        if PUT in called_stems(self.shell) and self._by_call(target):
            call = self.say.call(self.site.own(PUT), self.say.path(target), target.name)
            return [*renamed, *self.say.when("exists", new, call, rare=True)]
        again = [*self.if_full(target.base), *self.gone(target), *self.say.rename(new, target.name)]
        return [*renamed, *self.say.when("exists", new, again, rare=True)]

    def put_script(self) -> list[Node]:
        """The new file in the current folder takes an old one's place: its arguments are that one's path and name."""
        here, old, new = MachinePath(""), MachinePath(FIRST), MachinePath("", (TEMPORARY,))
        return [
            *self.say.full(here.base, self.full_stop("")),
            *self.gone(old),
            *self.say.rename(new, SECOND),
        ]

    # ------------------------------------------------------------------------------------ putting back

    def clear(self, path: MachinePath) -> list[Node]:
        """Makes way for a saved copy, where there is one."""
        copy = self.site.saved_copy(path)
        unprotect = self.say.when("exists", copy, self.say.command("unprotect", path))
        delete = self.say.command("delete", path)  # asked first, as a link that leads nowhere is not seen
        delete = delete if self.shell.link else self.say.when("exists", path, delete)
        return [*unprotect, *self.say.when("exists", copy, delete)]

    def put_back(self, path: MachinePath, folder: bool) -> list[Node]:
        """A saved copy back to its place, where there is one."""
        copy = self.site.saved_copy(path)
        if folder:
            return self.say.when("folder", copy, self._folder_back(path, copy))
        if self._by_call(path):
            call = self.say.call(self.site.own(BACK), self.say.path(path), copy.name)
            return self.say.when("exists", copy, call, rare=True)
        return self.say.when("exists", copy, self.back(path, copy), rare=True)

    def cut_short(self, volume: str) -> list[Node]:
        """Told where a volume is full after files were put back on it; none is taken away between them, so that one
        that was cut short cannot hide."""
        text = f"The volume {volume} is full: what was put back last may be cut short"
        return self.say.full(volume, [*self.say.say(f"{text}."), *self.say.append(text, self.site.lost_list)])

    def _folder_back(self, path: MachinePath, copy: MachinePath) -> list[Node]:
        back = self.say.copy_folder(copy, path)
        if "copy" in self.shell.tells:
            return [*back, *self.say.failed("copy", self._not_back(path, copy))]
        unsure = f"{self.say.path(path)} was copied back; compare it with {self.say.path(copy)} by hand."
        return [*back, *self.say.say(unsure), *self.say.append(unsure, self.site.lost_list)]

    def back(self, path: MachinePath, copy: MachinePath) -> list[Node]:
        """One file back to where none is: what stands there then is the copy."""
        lost = self._not_back(path, copy)
        if not self.shell.delete:
            return [*self.say.copy_owners(copy, path), *self.say.failed("copy", lost)]
        away = self.say.when("exists", path, self.say.command("delete", path))
        copied = [
            *self.say.copy_owners(copy, path),
            *self.say.failed("copy", away),
            *self._present(path, self.say.compare(copy, path, away)),
            *self.say.when("missing", path, lost, rare=True),
        ]
        return self.say.either("exists", path, lost, copied)

    def back_script(self) -> list[Node]:
        """Puts one file back: its arguments are the file, and the name of the copy."""
        return self.back(MachinePath(FIRST), self.site.saved / SECOND)

    def _not_back(self, path: MachinePath, copy: MachinePath) -> list[Node]:
        said = self.say.say(f"Could not be put back: {self.say.path(path)}", f"It is safe as {self.say.path(copy)}.")
        return [*said, *self.say.append(f"{copy.name} was {self.say.path(path)}", self.site.lost_list)]

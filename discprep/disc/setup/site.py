"""Where everything stands on one machine: the disc, the volumes, the folder for what is saved and kept. Pure."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

from discprep.machine import MachinePath, disc_title, first_volume, lasting_volume, names_shown, script_ending
from discprep.manifest.substitute import substitute
from discprep.model import Manifest, Named, NameShown, Shell, Volume

ALL, BACK, FILE, OLD, PUT, ROOM, SAVE, START = "ALL", "BACK", "FILE", "OLD", "PUT", "ROOM", "SAVE", "START"
FOLDERS = "FOLDERS"
"""Stems of scripts."""
CONTENTS = "CONTENTS.TXT"  # the list of what is on the disc
TEMPORARY = "COPYING.TMP"  # a file under way to its name
UNSEEN = (
    "Nothing here can clear what hides or protects a file: one of yours that is hidden may not be seen, and is not "
    "saved then. Look for such files first, and clear that by hand."
)
BYTES_ALONE = "Attributes, such as hidden or write-protected, are not given back: set them again by hand."
"""What a language lacks: told by its scripts and on the bench sheet."""


@dataclass(frozen=True)
class Site:
    """One disc and the machine it is for."""

    manifest: Manifest
    shell: Shell
    build: str
    count: int  # of parts
    volumes: Mapping[str, Volume]  # by item

    @cached_property
    def volume(self) -> Volume:
        """What is saved and kept stands here: the first volume that does not forget."""
        return lasting_volume(self.manifest.profile)

    @cached_property
    def saved(self) -> MachinePath:
        return MachinePath(self.volume.path, (self.shell.save_folder,))

    def own(self, stem: str) -> MachinePath:
        """A script of the setup's own, on the machine."""
        return self.saved / f"{stem}{self.ending}"

    @property
    def undo(self) -> MachinePath:
        """The script on the machine that puts back what all discs have replaced."""
        return self.saved / self.shell.undo_name

    @property
    def old(self) -> MachinePath:
        """This disc's share of it."""
        return self.own(f"{self._short}U")

    @property
    def saved_list(self) -> MachinePath:
        return self.saved / "LIST.TXT"

    @property
    def missed(self) -> MachinePath:
        """What the part that runs has left out so far."""
        return self.saved / "MISSED.TXT"

    @property
    def lost_list(self) -> MachinePath:
        """What could not be put back."""
        return self.saved / "LOST.TXT"

    def hurt_list(self, part: int | str) -> MachinePath:
        """What a part left out, or the start script (`S`)."""
        return self.saved / f"{self._short}H{part}.TXT"

    def mark(self, kind: str, part: int) -> MachinePath:
        """A file whose presence says that a part of this build has saved (`S`) or is done (`P`)."""
        return self.saved / f"{self._short}{kind}{part}"

    @property
    def _short(self) -> str:
        return self.build[:5].upper()

    def item_mark(self, entries: Sequence[Named]) -> MachinePath:
        """A file whose presence says that some build has put these very files on the machine."""
        digest = hashlib.sha256("\n".join(sorted(self._key(self.target(entry)) for entry in entries)).encode())
        return self.saved / f"{digest.hexdigest()[:8].upper()}.IN"

    @property
    def ending(self) -> str:
        return script_ending(self.shell)

    @property
    def title(self) -> str:
        return disc_title(self.manifest)

    def volume_of(self, named: Named) -> Volume:
        """The volume an entry is installed on."""
        return self.volumes.get(named.staged.item, first_volume(self.manifest.profile))

    def target(self, named: Named) -> MachinePath:
        return MachinePath(self.volume_of(named).path, named.target)

    def on_disc(self, named: Named) -> MachinePath:
        parts = disc_parts(named, names_shown(self.manifest))
        return MachinePath(self.manifest.profile.disc_path, parts)

    def places(self, named: Named) -> list[MachinePath]:
        """Where an entry lies on the disc: once, or twice."""
        disc, shown = self.manifest.profile.disc_path, names_shown(self.manifest)
        second = [MachinePath(disc, second_parts(named, shown))] if named.second else []
        return [self.on_disc(named), *second]

    def saved_copy(self, path: MachinePath) -> MachinePath:
        """Where a path's older copy stands: named by its hash, so that each build finds the same."""
        digest = hashlib.sha256(self._key(path).encode()).hexdigest().upper()
        return self.saved / f"{digest[:8]}.{digest[8:11]}"

    def _key(self, path: MachinePath) -> str:
        """Equal for paths that the machine takes for one."""
        volume = next((v for v in self.manifest.profile.volumes if v.path == path.base), self.volume)
        text = f"{path.base}\0{'/'.join(path.parts)}"
        return text if volume.case_sensitive else text.casefold()


def part_name(shell: Shell, number: int) -> str:
    """The script of a part, which a person starts."""
    return substitute(shell.script_name, {"part": str(number)})


def work_name(shell: Shell, number: int) -> str:
    """The script that does a part's work on the machine, where parts only call it."""
    return f"WORK{number}{script_ending(shell)}"


def called_stems(shell: Shell) -> tuple[str, ...]:
    """The scripts that other scripts call, where the language can: one saves a file, one puts one back; one that
    replaces a file and one that copies what is not needed spare a language that jumps a jump for each."""
    if not shell.call:
        return ()
    jumps = shell.change_folder and shell.rename and shell.delete and shell.append and not shell.blocks
    return (SAVE, BACK, *((PUT, FILE) if jumps else ()))


def disc_parts(named: Named, shown: Collection[NameShown] = ()) -> tuple[str, ...]:
    """A path on the disc as the machine sees it, in the richest tree it reads; `shown`: how it shows the primary one's
    names."""
    return named.rock_ridge or named.joliet or _seen(named.iso, shown, named.staged.content is None)


def second_parts(named: Named, shown: Collection[NameShown] = ()) -> tuple[str, ...]:
    """The same for the second copy, whose path is one in every tree; the richer ones show it as it is written."""
    return _seen(named.second, () if named.rock_ridge or named.joliet else shown, False)


def _seen(iso: tuple[str, ...], shown: Collection[NameShown], folder: bool) -> tuple[str, ...]:
    """An identifier's path as the machine shows it: most leave the dot of an empty extension and the version away.

    >>> _seen(("NET", "README."), ("lower-case", "version"), False), _seen(("NET", "README."), (), False)
    (('net', 'readme.;1'), ('NET', 'README'))
    """
    whole = not folder and ("version" in shown or "dot" in shown)
    name = iso[-1] if whole else iso[-1].removesuffix(".")
    parts = (*iso[:-1], name + (";1" if "version" in shown and not folder else ""))
    return tuple(part.lower() for part in parts) if "lower-case" in shown else parts

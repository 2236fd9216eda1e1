"""A folder of files got by hand: which of them are items that are wanted, whatever their names."""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from discprep.errors import StorageError
from discprep.fetch.digest import Digests, differs
from discprep.fetch.download import Wanted
from discprep.machine import source_name
from discprep.members import without_layer
from discprep.model import Hashes, Item, Notice, Progress

_MOST_FILES = 100_000
_DEEPEST = 8
_GZIP = b"\x1f\x8b"

Ask = Callable[[Item, Path, str], bool]
"""Item without any hash, a file with its name, the file's SHA-256: whether it is the one."""


@dataclass(slots=True)
class Found:
    """Item id to file, and what deserves a word."""

    matches: dict[str, Path] = field(default_factory=dict)
    notices: list[Notice] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class LookIn:
    """`folder` and all below it. `ask` settles items that have no hash; without it they are only listed."""

    folder: Path
    ask: Ask | None = None

    def find(self, items: Sequence[Item], wanted: Mapping[str, Wanted], progress: Progress) -> Found:
        """Compares sizes first, then hashes each candidate once.

        Raises:
            StorageError: the folder cannot be read
        """
        return _Look(items, wanted, progress, self.ask).over(self.folder)


class _Look:
    def __init__(
        self, items: Sequence[Item], wanted: Mapping[str, Wanted], progress: Progress, ask: Ask | None
    ) -> None:
        self.wanted = wanted
        self.progress = progress
        self.ask = ask
        self.found = Found()
        self.sure = [item for item in items if wanted[item.id].covered or wanted[item.id].hashes.any]
        self.unsure = [item for item in items if item not in self.sure]
        self.named = _by_names(self.unsure, lambda name: {name.casefold()})
        self.unpacked = _by_names(items, _unpacked_names)
        self.sizes = {wanted[item.id].likely_bytes for item in self.sure}
        self.weak = _asked_for([wanted[item.id].hashes for item in self.sure])

    def over(self, folder: Path) -> Found:
        files = list(_files(folder))
        for path, size_bytes in files:
            if size_bytes in self.sizes or None in self.sizes:
                self._compare(path, size_bytes)
        for path, size_bytes in files:
            self._by_name(path, size_bytes)
        return self.found

    def _compare(self, path: Path, size_bytes: int) -> None:
        """One file against every item with a hash that may have its size."""
        open_items = [
            item
            for item in self.sure
            if item.id not in self.found.matches and self.wanted[item.id].likely_bytes in (None, size_bytes)
        ]
        digests = self._digests(path) if open_items else None
        for item in open_items if digests else ():
            if digests and _is(self.wanted[item.id], digests):
                self.found.matches[item.id] = path

    def _by_name(self, path: Path, size_bytes: int) -> None:
        """A file that bears an item's name though no hash says it is that item."""
        names = _names(path.name)
        for item in _each(self.unpacked, names):
            if item.id not in self.found.matches and not _packed(path):
                self._say_unpacked(item, path)
        for item in _each(self.named, names):
            if item.id not in self.found.matches and (_packed(path) or not _each(self.unpacked, names)):
                self._ask(item, path, size_bytes)

    def _ask(self, item: Item, path: Path, size_bytes: int) -> None:
        digests = self._digests(path) if item.size_bytes in (None, size_bytes) else None
        if digests is None:
            return
        if self.ask and self.ask(item, path, digests.sha256):
            self.found.matches[item.id] = path
            return
        self.found.notices.append(
            Notice(
                f"{path} has its name, but no hash tells whether it is the one; it was not taken",
                item=item.id,
                hint=f'If it is, give the item sha256 = "{digests.sha256}" and run it again.',
            )
        )

    def _say_unpacked(self, item: Item, path: Path) -> None:
        self.found.notices.append(
            Notice(
                f"{path} seems to be it, but the browser has already unpacked it while saving; it was not taken",
                item=item.id,
                hint='Save it again with the browser\'s "Save Link As", or with a program that does not unpack.',
            )
        )

    def _digests(self, path: Path) -> Digests | None:
        """All that any item asks for, in one reading; None for a file that cannot be read."""
        digests, key = Digests(self.weak), f"look {path}"
        self.progress.begin(key, path.name, None)
        try:
            digests.read(path, lambda size_bytes: self.progress.advance(key, size_bytes))
        except OSError as error:
            self.found.notices.append(Notice(f"it cannot be read: {error.strerror or error}", where=str(path)))
            return None
        finally:
            self.progress.end(key)
        return digests


def _asked_for(all_hashes: Sequence[Hashes]) -> Hashes:
    """Every weak hash that some item needs because it has none that is strong."""
    names = ("sha1", "md5", "crc32")
    return Hashes(**{n: next((getattr(h, n) for h in all_hashes if getattr(h, n)), None) for n in names})


def _is(wanted: Wanted, digests: Digests) -> bool:
    return not differs(wanted.hashes, digests.hashes) and wanted.pinned in (None, digests.sha256)


def _names(have: str) -> set[str]:
    """A file's name in small letters, also without the number that browsers add: `tools (1).lha`."""
    return {have.casefold(), re.sub(r" ?\(\d+\)(?=\.[^.]*$|$)", "", have).casefold()}


def _unpacked_names(want: str) -> set[str]:
    """Names that a file called `want` may have once its gzip layer was taken off; none for other files."""
    low = want.casefold()
    inner = without_layer(low, "gz")
    return {low, inner} if inner else set()


def _by_names(items: Sequence[Item], names: Callable[[str], set[str]]) -> dict[str, list[Item]]:
    table: dict[str, list[Item]] = {}
    for item in items:
        for name in {found for source in item.sources for found in names(source_name(source)) if found}:
            table.setdefault(name, []).append(item)
    return table


def _each(table: Mapping[str, list[Item]], names: set[str]) -> list[Item]:
    return [item for name in sorted(names) for item in table.get(name, ())]


def _packed(path: Path) -> bool:
    """Whether a file still has its gzip layer; one that cannot be read counts as such."""
    try:
        with path.open("rb") as file:
            return file.read(2) == _GZIP
    except OSError:
        return True


def _files(folder: Path) -> Iterator[tuple[Path, int]]:
    """Plain files with their sizes [B], in order of their paths; links to folders are not followed."""
    if not folder.is_dir():
        hint = "Name the folder of your downloads."
        raise StorageError("expected a folder to look in, found none", where=str(folder), hint=hint)
    count = 0
    for base, folders, names in os.walk(folder):
        folders.sort()
        if len(Path(base).relative_to(folder).parts) >= _DEEPEST:
            folders.clear()
        for name in sorted(names):
            count += 1
            if count > _MOST_FILES:
                return
            path = Path(base, name)
            try:
                found = path.stat()
            except OSError:
                continue
            if stat.S_ISREG(found.st_mode):
                yield path, found.st_size

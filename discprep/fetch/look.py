"""A folder of files got by hand: which of them are items that are wanted, whatever their names."""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from difflib import SequenceMatcher
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

_MOST_CANDIDATES = 5  # told or asked about for one item
_ALIKE = 0.75  # likeness of two names, of 1, from which on they are taken for alike

Ask = Callable[[Item, Path, str], bool]
"""Item without any hash, a file that could be it, the file's SHA-256: whether it is the one."""
Kind = Callable[[Path], str]
"""The format of an archive by its content, "file" for anything else. Raises OSError."""


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
    kind: Kind = lambda path: "file"

    def find(self, items: Sequence[Item], wanted: Mapping[str, Wanted], progress: Progress) -> Found:
        """Compares sizes first, then hashes each candidate once.

        Raises:
            StorageError: the folder cannot be read
        """
        return _Look(items, wanted, progress, self.ask, self.kind).over(self.folder)


@dataclass(eq=False)
class _Look:
    items: Sequence[Item]
    wanted: Mapping[str, Wanted]
    progress: Progress
    ask: Ask | None
    kind: Kind

    def __post_init__(self) -> None:
        self.told: set[tuple[str, Path]] = set()  # item and file that were asked about
        self.found = Found()
        self.sure = [item for item in self.items if self._has_hash(item)]
        self.unsure = [item for item in self.items if not self._has_hash(item)]
        self.named = _by_names(self.unsure, lambda name: {name.casefold()})
        self.unpacked = _by_names(self.items, _unpacked_names)
        self.sizes = {self.wanted[item.id].likely_bytes for item in self.sure}
        self.weak = _asked_for([self.wanted[item.id].hashes for item in self.sure])

    def _has_hash(self, item: Item) -> bool:
        return self.wanted[item.id].covered or self.wanted[item.id].hashes.any

    def over(self, folder: Path) -> Found:
        files = list(_files(folder))
        for path, size_bytes in files:
            if size_bytes in self.sizes or None in self.sizes:
                self._compare(path, size_bytes)
        for path, size_bytes in files:
            self._by_name(path, size_bytes)
        for item in self.unsure:
            for path, why in self._candidates(item, files):
                if item.id not in self.found.matches:
                    self._offer(item, path, why)
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
            fits = item.id not in self.found.matches and item.size_bytes in (None, size_bytes)
            if fits and (_packed(path) or not _each(self.unpacked, names)):
                self._offer(item, path, "has its name")

    def _offer(self, item: Item, path: Path, why: str) -> None:
        """Asks whether a file is the item; else tells the line that would say so."""
        digests = None if (item.id, path) in self.told else self._digests(path)
        if digests is None:
            return
        self.told.add((item.id, path))
        fits = item.size_bytes in (None, digests.size_bytes)
        if fits and self.ask and self.ask(item, path, digests.sha256):
            self.found.matches[item.id] = path
            return
        size = "" if fits else f" and size = {digests.size_bytes}"
        self.found.notices.append(
            Notice(
                f"{path} {why}, but no hash tells whether it is the one; it was not taken",
                where=item.where,
                item=item.id,
                hint=f'If it is, give the item sha256 = "{digests.sha256}"{size} and run it again.',
            )
        )

    def _candidates(self, item: Item, files: Sequence[tuple[Path, int]]) -> list[tuple[Path, str]]:
        """The files that could be an item, the likeliest first, each with why: by size, by name, by what they are."""
        if item.id in self.found.matches or any(key == item.id for key, _ in self.told):
            return []
        taken = {*self.found.matches.values()}
        found = []
        for path, size_bytes in files:
            if path in taken or not size_bytes:
                continue
            alike, sized = _alike(item, path.name), item.size_bytes == size_bytes
            kind = self._kind(path)
            if sized or alike >= _ALIKE or (item.size_bytes is None and kind != "file"):
                found.append(((sized, alike, kind != "file"), path, _why(item, size_bytes, kind, alike >= _ALIKE)))
        best = sorted(found, key=lambda one: (*(-rank for rank in one[0]), one[1]))
        return [(path, why) for _, path, why in best[:_MOST_CANDIDATES]]

    def _kind(self, path: Path) -> str:
        try:
            return self.kind(path)
        except OSError:
            return "file"

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


def _why(item: Item, size_bytes: int, kind: str, alike: bool) -> str:
    """What speaks for a file, and what does not."""
    what = "a plain file" if kind == "file" else f"an archive ({kind})"
    said = [f"{what} of {size_bytes:,} bytes"]
    said += ["its name is alike"] if alike else []
    if item.size_bytes is not None:
        same = size_bytes == item.size_bytes
        said.append("just as many as it has" if same else f"where the manifest says {item.size_bytes:,}")
    return f"could be it ({', '.join(said)})"


def _alike(item: Item, name: str) -> float:
    """How much a file's name is like an item's id, its title, or a file that its hint names, from 0 to 1."""
    words = [item.id, item.title, *map(source_name, item.sources), *re.findall(r"[\w.+-]+\.\w{1,4}\b", item.hint)]
    own = _letters(name)
    return max((SequenceMatcher(None, _letters(word), own).ratio() for word in words if word), default=0.0)


def _letters(name: str) -> str:
    """Letters and digits alone, in small letters, without an ending."""
    stem = re.sub(r"(\.tar)?\.[A-Za-z0-9]{1,4}$", "", name)
    return re.sub(r"[\W_]", "", stem).casefold()


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

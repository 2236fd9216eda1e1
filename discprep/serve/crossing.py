"""The files of one item that cross the link, in a shape: as fetched, taken apart, or packed anew; kept by content.

The plan reckons with these very files, and the shelf hands them out.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from discprep.disc.stage import mending, stage
from discprep.errors import ArchiveError, flatten, raise_all
from discprep.fetch.files import scratch, storage
from discprep.fetch.host import file_sha256, move
from discprep.machine import folders_of, volume_of
from discprep.model import Content, Escapes, Item, Manifest, Opened, Pulled, Shape, Staged
from discprep.serve import repack
from discprep.serve.names import tree_names
from discprep.serve.repack import Entry

ENDINGS: Mapping[Shape, str] = {"zip": ".zip", "zip-stored": ".zip", "tar": ".tar", "lha": ".lha"}
WORK = "shelf"  # the folder of the cache for what is edited and packed anew


@dataclass(frozen=True, slots=True)
class Crossing:
    """One file that crosses the link. `path` lies below the item's folder on the machine; () is the item's one file,
    under the name it has on the shelf. `time_s` is that of the member, where it is one."""

    path: tuple[str, ...]
    content: Content
    time_s: int | None = None


def crossing(
    manifest: Manifest, item: Item, opened: Opened, shape: Shape, *, work: Path, kept: Path
) -> tuple[Crossing, ...]:
    """The files of an item in a shape.

    Arguments:
        work: a folder for edited files, named by content
        kept: a folder for packed ones, named by what they are packed from; those of earlier runs are found there

    Raises:
        ArchiveError: the archive is damaged
        DiscprepError: its edits or names do not work out
        StorageError: a folder cannot be used
    """
    if shape == "archive":
        if opened.hurt or not opened.whole:
            words = "the archive is damaged, and is not handed out as it is"
            raise ArchiveError(words, item=item.id, hint=mending(item))
        return (Crossing((), Content(opened.path, 0, opened.path.stat().st_size, opened.sha256)),)
    staged = _staged(manifest, item, opened, work)
    prefix = len(folders_of(item))
    volume = replace(volume_of(manifest.profile, item), case_sensitive=False)
    paths = tree_names([entry.name[prefix:] for entry in staged], volume, manifest.profile)
    named = [(paths[entry.name[prefix:]], entry) for entry in staged]
    if shape == "unpacked":
        return tuple(Crossing(path, entry.content, entry.time_s) for path, entry in named if entry.content)
    entries = [_entry(entry, "/".join(path)) for path, entry in named]
    return (Crossing((), _packed(entries, shape, manifest.profile.charset, kept)),)


def pulled(files: Sequence[Crossing], shape: Shape, escapes: Escapes | None) -> Pulled:
    """The same in figures; `escapes` are those of the archive as fetched."""
    return Pulled(shape, tuple(file.content.size_bytes for file in files), escapes if shape == "archive" else None)


def _staged(manifest: Manifest, item: Item, opened: Opened, work: Path) -> list[Staged]:
    """The item's files as they would stand on a disc: chosen, renamed, edited, in the machine's text form."""
    with storage("filling the shelf", work):
        result = stage(manifest, {item.id: opened}, {item.id: "unpacked"}, None, work)
    # What is expected of other items is of no concern here.
    raise_all([error for error in flatten(result.errors) if error.item in ("", item.id)])
    files = [entry for entry in result.staged if entry.item == item.id and entry.content is not None and not entry.link]
    if not files:
        raise ArchiveError("it holds no file that could be offered", item=item.id)
    return files


def _packed(entries: Sequence[Entry], shape: Shape, charset: str, kept: Path) -> Content:
    """An archive of the entries, from its folder when the same one was packed before."""
    system = "68k" if any(entry.attribute_system == "68k" for entry in entries) else "dos"
    path = kept / f"packed-{_key(entries, shape, charset, system)}{ENDINGS[shape]}"
    with storage("filling the shelf", path):
        if not path.exists():
            kept.mkdir(parents=True, exist_ok=True)
            with scratch(kept, "packing-") as folder:
                with (folder / "part").open("w+b") as file:
                    repack.writer(shape, charset, system)(file, entries)
                    file.flush()
                    os.fsync(file.fileno())
                move(folder / "part", path)
        with suppress(OSError):  # another user's: that one keeps it
            os.utime(path)  # `trim` goes by it
        return Content(path, 0, path.stat().st_size, file_sha256(path))


def trim(kept: Path, now_s: float, age_max_days: float = 90.0) -> None:
    """Removes what was packed once and has not been asked for since; all of it can be made again."""
    with suppress(OSError):
        for path in kept.glob("packed-*"):
            if now_s - path.stat().st_mtime > age_max_days * 86_400:
                path.unlink()


def _entry(staged: Staged, name: str) -> Entry:
    assert staged.content
    return Entry(name, staged.content, staged.time_s, staged.attributes, staged.attribute_system)


def _key(entries: Sequence[Entry], shape: Shape, charset: str, system: str) -> str:
    """A hash of all that a packed archive's bytes follow from."""
    return hashlib.sha256(b"".join(_parts(entries, shape, charset, system))).hexdigest()


def _parts(entries: Sequence[Entry], shape: Shape, charset: str, system: str) -> Iterator[bytes]:
    yield f"1 {shape} {charset} {system}\n".encode()
    for entry in entries:
        yield f"{entry.name}\0{entry.content.sha256} {entry.time_s} {entry.attributes}\n".encode()

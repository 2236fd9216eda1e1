"""Earlier builds in a build's folder: it holds one build, so they give way to the one that is made there.

Nothing of theirs goes before the new one stands, and nothing goes that no build has written. What was written is told
by SHA256SUMS, and by a note that is made before an image gets its name: a run that is ended leaves nothing that the
next one would not know.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from pathlib import Path

from discprep.fetch.files import storage, write_atomically
from discprep.job.standing import (
    IMAGE_PART,
    RECORD,
    SHEETS,
    SUMS,
    image_of,
    is_image,
    record_in,
    settings_in,
    sums_in,
    sums_of,
    sums_text,
)
from discprep.report.build import BuiltDisc

_DISC = re.compile("disc-[1-9][0-9]{0,2}")
CLAIMED = ".images.part"
_PARTS = (IMAGE_PART, *(f"{name}.part" for name in (RECORD, *SHEETS, SUMS, CLAIMED)))  # of a run that was killed


def images_in(folder: Path) -> dict[str, str]:
    """SHA-256 by name of the images that builds have written into a folder."""
    return _images(_listed(folder) | _sums(folder, CLAIMED))


def _images(listed: Mapping[str, str]) -> dict[str, str]:
    return {name: sha256 for name, sha256 in listed.items() if is_image(name)}


def claim(image: Path, sha256: str) -> None:
    """Notes an image that is about to get its name, for the next run where this one is ended. Raises StorageError."""
    folder = image.parent
    write_atomically(folder / CLAIMED, sums_text(_sums(folder, CLAIMED) | {image.name: sha256}).encode())


def seal(image: Path, sha256: str) -> None:
    """Lists the new build whole: with that it counts as made. Earlier images stay listed until they give way. Raises
    StorageError."""
    folder = image.parent
    with storage("reading what was written", folder):
        own = sums_of(folder)
    earlier = _images(_sums(folder, SUMS) | _sums(folder, CLAIMED))  # the record that stands is the new build's
    _list(folder, earlier | own | {image.name: sha256})


def left(out: Path, discs: Iterable[BuiltDisc]) -> tuple[Path, ...]:
    """What earlier builds have left below `out`, besides the discs that stand there now; each folder's list last, and
    folders of single discs that are empty."""
    kept = {disc.folder: disc.image.name for disc in discs}
    found: list[Path] = []
    for folder in (out, *_disc_folders(out)):
        if folder in kept:
            found += [folder / name for name in images_in(folder) if name != kept[folder]]
            found += _there(folder, (*_PARTS, CLAIMED))
        elif folder == out or _of_several(folder):
            found += _written(folder) or _empty(folder)
    return tuple(found)


def give_way(out: Path, discs: Iterable[BuiltDisc]) -> tuple[Path, ...]:
    """Removes it, and the folders of single discs that are empty then; called by whoever has the folder to himself.

    Returns:
        the images that went

    Raises:
        StorageError: a file cannot be removed
    """
    kept = {disc.folder: disc.image.name for disc in discs}
    gone = left(out, discs)
    for path in gone:
        if not path.is_dir():
            with storage("removing an earlier build", path):
                path.unlink(missing_ok=True)
    for folder in {path.parent for path in gone if is_image(path.name)} & set(kept):
        _list(folder, {name: sha256 for name, sha256 in _listed(folder).items() if folder / name not in gone})
    for folder in set(_disc_folders(out)) - set(kept):
        with suppress(OSError):  # what else lies in it is the user's
            folder.rmdir()
    return tuple(path for path in gone if is_image(path.name))


def _written(folder: Path) -> list[Path]:
    """All that a build has written into a folder and that is there. A list that names other files too stays."""
    listed = _listed(folder)
    own = [name for name in listed if name in (RECORD, *SHEETS) or is_image(name)]
    lists = [SUMS, CLAIMED] if own and len(own) == len(listed) else [CLAIMED]
    return _there(folder, dict.fromkeys([*_PARTS, *own, *images_in(folder), *lists]))


def _there(folder: Path, names: Iterable[str]) -> list[Path]:
    return [folder / name for name in names if (folder / name).is_file()]


def _disc_folders(out: Path) -> Iterator[Path]:
    with suppress(OSError):
        yield from sorted(path for path in out.iterdir() if _DISC.fullmatch(path.name) and path.is_dir())


def _empty(folder: Path) -> list[Path]:
    return [] if any(folder.iterdir()) else [folder]


def _of_several(folder: Path) -> bool:
    """Whether it holds one of several discs, or what a run that was ended has left of one; else it is the folder of
    another build, which stays."""
    try:
        return settings_in(record_in(folder))["build.discs"] != "1"
    except FileNotFoundError:
        return True
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return False


def _listed(folder: Path) -> dict[str, str]:
    """SHA-256 by name as the list has it; where that is lost, by the record."""
    if found := _sums(folder, SUMS):
        return found
    try:
        record = record_in(folder)
        return {image_of(record): record["image_sha256"]} | sums_of(folder)
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return {}


def _sums(folder: Path, name: str) -> dict[str, str]:
    try:
        return sums_in(folder, name)
    except (OSError, ValueError):
        return {}


def _list(folder: Path, sums: Mapping[str, str]) -> None:
    write_atomically(folder / SUMS, sums_text(sums).encode())

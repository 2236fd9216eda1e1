"""What the setup left out on the machine, read back from the list that it leaves there: typed in, or brought as a file.

A line names a file of the disc as the machine shows it, or a folder on the machine that could not be made.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path

from discprep.disc.record import RecordFile
from discprep.errors import StorageError
from discprep.job.builds import Build
from discprep.model import Notice

MOST_BYTES = 2**20
NOT_MADE = " could not be made"  # what a line says of a folder


def left_out(path: Path, builds: Iterable[Build]) -> tuple[dict[str, tuple[str, ...]], tuple[Notice, ...]]:
    """Item id to the files of it that were left out, and the lines that no disc explains.

    Raises:
        StorageError: the list cannot be read
    """
    try:
        with path.open("rb") as file:
            text = file.read(MOST_BYTES).decode("utf-8", "replace")
    except OSError as error:
        raise StorageError(f"it cannot be read: {error.strerror}", where=str(path)) from None
    known = _known([file for build in builds for file in build.record.files if file.item and file.copied])
    found: dict[str, dict[str, None]] = {}
    odd: list[Notice] = []
    for number, line in enumerate(text.splitlines(), 1):
        if not line.strip("\x1a \t"):  # a text file of some systems ends with 1A
            continue
        files = _named(line, known)
        if not files:
            odd.append(Notice(f"no disc that was built explains the line {line[:80]!r}", where=f"{path.name}:{number}"))
        for one in files:
            found.setdefault(one.item, {}).setdefault("/".join(one.target or one.name))
    return {item: tuple(names) for item, names in found.items()}, tuple(odd)


def _known(files: Iterable[RecordFile]) -> Mapping[str, list[RecordFile]]:
    """Files by every path that a machine may show, and by the folders that they go to."""
    known: dict[str, list[RecordFile]] = {}
    for file in files:
        folders = {file.target[:depth] for depth in range(1, len(file.target))}
        for parts in {file.iso, file.joliet, file.rock_ridge, file.target, *folders} - {()}:
            known.setdefault("/".join(map(_plain, parts)), []).append(file)
    return known


def _named(line: str, known: Mapping[str, list[RecordFile]]) -> list[RecordFile]:
    """The files that a line speaks of: its path without the volume's or the drive's name before it."""
    text, folder, _ = line.strip("\x1a \t").partition(NOT_MADE)
    path = text.partition(":")[2] or text
    parts = [name for name in map(_plain, path.replace("\\", "/").split("/")) if name]
    for start in range(len(parts)):
        if files := known.get("/".join(parts[start:])):
            return files if folder else [file for file in files if _is(file, parts[start:])]
    return []


def _is(file: RecordFile, parts: list[str]) -> bool:
    """Whether this is the path of a file itself, not of a folder above it."""
    paths = (file.iso, file.joliet, file.rock_ridge, file.target)
    return any([_plain(part) for part in path] == parts for path in paths)


def _plain(name: str) -> str:
    """A name as it is compared: without a version, the dot of an empty extension, and capitals."""
    return name.partition(";")[0].rstrip(".").casefold()

"""What was done with the discs of a manifest: a log of JSON lines beside it, a line for each disc that was built, read
back or burned. It is how `status` and `serve` find builds, wherever they were made; no build depends on it.

Folders below the manifest's own are noted as seen from there, so that all of it can be moved together.
"""

from __future__ import annotations

import json
import time
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Literal, get_args

from discprep.disc.record import Record
from discprep.fetch import lines
from discprep.fetch.cache import default_root
from discprep.fetch.lines import lines_of
from discprep.model import Notice
from discprep.report.build import BuiltDisc

FORMAT = 1
ELSEWHERE = "elsewhere.jsonl"
MADE_FROM = "build.manifest"
"""The record's setting that holds the file name of the manifest it was made from."""

What = Literal["build", "readback", "burn"]
Result = Literal["", "whole", "hurt", "unread"]
Kind = Literal["", "drive", "file", "folder"]


@dataclass(frozen=True, slots=True)
class Event:
    """One thing done with one disc.

    Attributes:
        at_s: when, seconds since 1970 UTC
        folder: of the build; in the file as seen from the manifest, where it lies below
        target, kind: the device, image or folder that was read or written, and which of them; "" for a build
        result: whether all that was built was found there; "" for a build, "unread" where a burned disc could not
            be read yet
    """

    what: What
    at_s: int
    build_id: str
    folder: Path
    target: str = ""
    kind: Kind = ""
    result: Result = ""

    @property
    def of_a_disc(self) -> bool:
        """Whether it was done with a burned disc, or with what stands for one, not with an image."""
        return self.kind in ("drive", "folder")


def log_path(manifest: Path) -> Path:
    """`first.toml` has its log in `first.discs.jsonl` beside it."""
    return manifest.with_suffix(".discs.jsonl")


def look(manifest: Path) -> tuple[tuple[Event, ...], tuple[Notice, ...]]:
    """What was done, oldest first, folders as paths of this computer; and a remark where lines were passed over."""
    log, home = log_path(manifest), manifest.resolve().parent
    try:
        found, odd = lines.records(log, "disc", FORMAT, Event, _sound)
    except OSError as error:
        return (), (Notice(f"it cannot be read: {error.strerror or error}", where=str(log), hint=_HINT),)
    events = tuple(replace(event, folder=home / event.folder) for event in found)
    count = len(found) + len(odd)
    words = f"{len(odd)} of {count} lines are half-written or tell of no disc: passed over, all others count"
    return events, (Notice(words, where=str(log), hint=_HINT),) if odd else ()


_HINT = "A build that status does not find is told to it with --built FOLDER."


def note_builds(manifest: Path, discs: Sequence[BuiltDisc], cache: Path) -> tuple[Notice, ...]:
    """Notes discs that were built, and those that stand but are not known; a remark where that cannot be done.

    Arguments:
        cache: its folder, which remembers the manifest of discs that do not lie below it
    """
    known = {(event.build_id, event.folder) for event in look(manifest)[0]}
    new = [disc for disc in discs if not disc.unchanged or (disc.build_id, disc.folder.resolve()) not in known]
    events = [Event("build", int(time.time()), disc.build_id, disc.folder.resolve()) for disc in new]
    with suppress(OSError):  # it only saves looking
        for event in events:
            _remember(cache / ELSEWHERE, event.folder, manifest.resolve())
    return _note(manifest, events)


def _remember(index: Path, folder: Path, manifest: Path) -> None:
    if manifest.parent not in folder.parents and manifest not in _remembered(index, folder):
        lines.append(index, {"folder": str(folder), "manifest": str(manifest)})


def _remembered(index: Path, folder: Path) -> Iterator[Path]:
    """The manifests that were built into a folder, the newest first."""
    with suppress(OSError):
        for _, line in reversed(lines_of(index)):
            with suppress(ValueError, KeyError, TypeError, RecursionError):
                values = json.loads(line)
                manifest = Path(values["manifest"])
                if values["folder"] == str(folder) and manifest.is_absolute() and manifest.name:
                    yield manifest


def note_disc(
    what: What, record: Record, folder: Path, target: str, place: Path, result: Result
) -> tuple[Notice, ...]:
    """Notes that a disc was read back or burned, in the log that knows its build; nowhere where none does.

    Arguments:
        folder: of the build
        target, place: what was read or written, as the user named it and as a path
    """
    kind: Kind = "file" if place.is_file() else "folder" if place.is_dir() else "drive"
    event = Event(what, int(time.time()), record.build_id, folder.resolve(), target, kind, result)
    manifest = _manifest_of(record, event.folder)
    return _note(manifest, [event]) if manifest else ()


def _manifest_of(record: Record, folder: Path) -> Path | None:
    """The manifest of a build whose log knows it: in a folder above the build's or the working folder, or where the
    usual cache remembers it."""
    name = dict(record.settings).get(MADE_FROM, "")
    if not name or Path(name).name != name:
        return None
    here = Path.cwd()
    near = [place / name for place in dict.fromkeys([*folder.parents, here, *here.parents])]
    for manifest in (*near, *_remembered(default_root() / ELSEWHERE, folder)):
        if log_path(manifest).is_file() and any(one.build_id == record.build_id for one in look(manifest)[0]):
            return manifest
    return None


def _note(manifest: Path, events: Sequence[Event]) -> tuple[Notice, ...]:
    home = manifest.resolve().parent
    try:
        for event in events:
            folder = event.folder
            near = folder.relative_to(home) if folder.is_relative_to(home) else folder
            lines.append(log_path(manifest), {"disc": FORMAT, **asdict(event), "folder": near.as_posix()})
    except OSError as error:
        words = f"what was done could not be noted: {error.strerror or error}"
        return (Notice(words, where=str(log_path(manifest)), hint=f"The discs are right. {_HINT}"),)
    return ()


def _sound(event: Event) -> bool:
    texts = (event.build_id, event.target, event.folder)  # as JSON has it: not yet a path
    known = event.what in get_args(What) and event.result in get_args(Result) and event.kind in get_args(Kind)
    return known and isinstance(event.at_s, int) and all(isinstance(text, str) and "\0" not in text for text in texts)


def folders(events: Sequence[Event]) -> Iterator[Path]:
    """Where builds were, each once."""
    yield from dict.fromkeys(event.folder for event in events)

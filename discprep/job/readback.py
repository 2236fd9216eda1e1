"""`readback`: a burned disc, an image or a mounted folder against the record of its build."""

from __future__ import annotations

import errno
from collections.abc import Iterator
from pathlib import Path

from discprep.disc.layout.fields import FIRST_DESCRIPTOR
from discprep.disc.readback import FileState, Names, ReadBack, checksum_list, read_back
from discprep.disc.record import Record, load_record
from discprep.errors import DiscError, DiscprepError, StorageError, UsageError
from discprep.job.history import note_disc
from discprep.job.standing import image_name
from discprep.model import Notice, Progress
from discprep.report.readback import ReadBackResult
from discprep.report.tables import counted

ANOTHER = "Burn another disc at the lowest speed that drive and blank both list; clean the lens and try another blank."


def readback(record_path: Path, target: Path, progress: Progress | None = None) -> ReadBackResult:
    """Reads a target against a record; where the built image lies beside the record, it names the sectors that differ.

    Raises:
        DiscError: a damaged record, or nothing in the drive
        UsageError: no such record or target
        StorageError: the target cannot be opened
    """
    record = load(record_path)
    if not target.exists():
        raise UsageError("there is no such device, file or folder", where=str(target))
    try:
        found = read_back(record, target, progress, image=_image_beside(record, record_path, target))
    except OSError as error:
        raise _cannot_open(target, error) from error
    another = "" if found.burned_as_file else _another(record, found)
    errors = tuple([_other_disc(record, target, another)] if another else faults(found, str(target)))
    notices = () if another else tuple(remarks(found))
    if not another:
        folder = record_path if record_path.is_dir() else record_path.parent
        notices += note_disc("readback", record, folder, str(target), target, "hurt" if errors else "whole")
    return ReadBackResult(record, target, found, another, errors, notices)


def sums(record_path: Path, names: Names | None = None) -> str:
    """The disc's files as lines for `sha256sum -c`. Raises as `readback`."""
    return checksum_list(load(record_path), names)


def load(record_path: Path) -> Record:
    """The record at a path, or in a build's folder."""
    return load_record(path_of(record_path))


def path_of(record_path: Path) -> Path:
    """The record's file at a path, or in a build's folder. Raises UsageError: there is none."""
    path = record_path / "record.json" if record_path.is_dir() else record_path
    if not path.is_file():
        raise UsageError("there is no record here", where=str(path), hint="Name the record.json that a build left.")
    return path


def _image_beside(record: Record, record_path: Path, target: Path) -> Path | None:
    folder = record_path if record_path.is_dir() else record_path.parent
    image = folder / image_name(record.volume, record.build_id, record.layout)
    return image if image.is_file() and not (target.exists() and image.samefile(target)) else None


def _cannot_open(target: Path, error: OSError) -> DiscprepError:
    if error.errno == getattr(errno, "ENOMEDIUM", None):
        hint = "Put it in, and wait until its light is out."
        return DiscError("there is no disc in the drive", where=str(target), hint=hint)
    return StorageError(
        f"it cannot be read: {error.strerror or error}", where=str(target), hint="Is it ready, and may you read it?"
    )


def _other_disc(record: Record, target: Path, another: str) -> DiscError:
    return DiscError(
        f"this is {another}; expected {record.volume!r}, build {record.build_id}",
        where=str(target),
        hint="Is the right disc in the drive?",
    )


def faults(found: ReadBack, where: str) -> Iterator[DiscprepError]:
    """What makes a disc unfit. Its padding does not: drives differ in how much of it they show."""
    if found.burned_as_file:
        yield DiscError(
            f"the image was burned as a file ({found.burned_as_file}) instead of being the disc",
            where=where,
            hint="Take a new blank and choose the burner's function for writing an image.",
        )
        return
    if found.structures_whole is False:
        place = f", {words(found.structure_runs)}" if found.structure_runs else ""
        text = f"the disc's own structures (descriptors, folders) are hurt{place}"
        yield DiscError(text, where=where, hint=ANOTHER)
    for state in found.hurt:
        yield DiscError(_hurt(state), where=where, item=state.file.item, hint=_next(state))
    for space in found.spaces:
        text = f"the unused space after the end of {'/'.join(space.after)} is hurt, {words(space.runs)}"
        yield DiscError(f"{text}; no file is touched", where=where, hint=ANOTHER)


def _another(record: Record, found: ReadBack) -> str:
    """What else the target is, in words; "" where it is the right disc, or too hurt to tell.

    A drive gives a sector whole or not at all, so what reads well and differs nearly everywhere is another disc.
    """
    if found.kind != "sectors" or found.structures_whole:
        return ""
    ends = record.image_sectors - found.missing_sectors
    hurt = [run for run in found.unreadable if run[0] < ends]
    named = record.layout == "iso"  # an archive has no volume's name
    if named and found.volume != record.volume and not any(first <= FIRST_DESCRIPTOR <= last for first, last in hurt):
        return f"another disc: its volume is {found.volume!r}" if found.volume else "no disc of this standard"
    full = sum(bool(file.size_bytes) for file in record.files)
    displaced = sum(state.state != "whole" for state in found.hurt)
    if not hurt and 2 * displaced > full:
        return f"another build of that volume: {displaced:,} of {full:,} files are not where this build has them"
    return ""


def _hurt(state: FileState) -> str:
    name, second = "/".join(state.file.iso), f"second copy {'/'.join(state.file.second)}"
    if state.state == "whole":
        return f"{name} is whole; its {second} {_so(state.second, state.second_runs)}"
    text = f"{name} {_so(state.state, state.runs)}"
    if state.second is None:
        return text
    return (
        f"{text}; its {second} is whole"
        if state.second == "whole"
        else (f"{text}; its {second} {_so(state.second, state.second_runs)} too")
    )


def _so(state: str | None, runs: tuple[tuple[int, int], ...]) -> str:
    return "is missing" if state == "missing" else f"is hurt, {words(runs)}"


def words(runs: tuple[tuple[int, int], ...], most: int = 8) -> str:
    """Runs of sectors for people: `sectors 40-43, 77`, and how many more there are."""
    lone = len(runs) == 1 and runs[0][0] == runs[0][1]
    shown = [f"{first}-{last}" if last > first else str(first) for first, last in runs[:most]]
    more = f" and {len(runs) - most} more runs" if len(runs) > most else ""
    return f"sector{'' if lone else 's'} {', '.join(shown)}{more}"


def _next(state: FileState) -> str:
    if state.lost:
        return ANOTHER
    does = "takes the second copy" if state.state != "whole" else "finds the file itself"
    return f"The setup script {does}; burn another disc when you can."


def remarks(found: ReadBack) -> Iterator[Notice]:
    """What the user should know and makes no disc unfit."""
    if not found.padding_whole and not found.burned_as_file:
        yield Notice(
            "the padding at the end of the disc is missing or hurt; no file lies there",
            hint="Old drives that read ahead may stumble there: burn with padding, in one closed session.",
        )
    if found.strange:
        yield Notice(
            f"{counted(len(found.strange), 'file')} that the record does not know: {', '.join(found.strange[:5])}"
        )

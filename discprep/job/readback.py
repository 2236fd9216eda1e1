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
from discprep.model import Notice, Progress
from discprep.report.readback import ReadBackResult

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
    errors = tuple([_other_disc(record, target, another)] if another else _errors(found, target))
    notices = () if another else tuple(_notices(found))
    if not another:
        folder = record_path if record_path.is_dir() else record_path.parent
        notices += note_disc("readback", record, folder, str(target), target, "hurt" if errors else "whole")
    return ReadBackResult(record, target, found, another, errors, notices)


def sums(record_path: Path, names: Names | None = None) -> str:
    """The disc's files as lines for `sha256sum -c`. Raises as `readback`."""
    return checksum_list(load(record_path), names)


def load(record_path: Path) -> Record:
    """The record at a path, or in a build's folder."""
    path = record_path / "record.json" if record_path.is_dir() else record_path
    if not path.is_file():
        raise UsageError("there is no record here", where=str(path), hint="Name the record.json that a build left.")
    return load_record(path)


def _image_beside(record: Record, record_path: Path, target: Path) -> Path | None:
    folder = record_path if record_path.is_dir() else record_path.parent
    image = folder / f"{record.volume}-{record.build_id}.iso"
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


def _errors(found: ReadBack, target: Path) -> Iterator[DiscprepError]:
    where = str(target)
    if found.burned_as_file:
        yield DiscError(
            f"the image was burned as a file ({found.burned_as_file}) instead of being the disc",
            where=where,
            hint="Take a new blank and choose the burner's function for writing an image.",
        )
        return
    if found.structures_whole is False:
        yield DiscError("the disc's own structures (descriptors, folders) are hurt", where=where, hint=ANOTHER)
    for state in found.hurt:
        yield DiscError(_hurt(state), where=where, item=state.file.item, hint=_next(state.lost))
    if _between_files(found):
        yield DiscError("bytes after a file's end differ; no file is touched", where=where, hint=ANOTHER)


def _another(record: Record, found: ReadBack) -> str:
    """What else the target is, in words; "" where it is the right disc, or too hurt to tell.

    A drive gives a sector whole or not at all, so what reads well and differs nearly everywhere is another disc.
    """
    if found.kind != "sectors" or found.structures_whole:
        return ""
    ends = record.image_sectors - found.missing_sectors
    hurt = [run for run in found.unreadable if run[0] < ends]
    if found.volume != record.volume and not any(first <= FIRST_DESCRIPTOR <= last for first, last in hurt):
        return f"another disc: its volume is {found.volume!r}" if found.volume else "no disc of this standard"
    full = sum(bool(file.size_bytes) for file in record.files)
    if not hurt and 2 * len(found.hurt) > full:
        return f"another build of that volume: {len(found.hurt):,} of {full:,} files are not where this build has them"
    return ""


def _between_files(found: ReadBack) -> bool:
    whole = bool(found.structures_whole) and found.padding_whole and not found.hurt
    return found.kind == "sectors" and whole and not found.identical


def _hurt(state: FileState) -> str:
    name = "/".join(state.file.iso)
    text = f"{name} is missing" if state.state == "missing" else f"{name} is hurt, {words(state.runs)}"
    if state.second == "whole":
        text += f"; its second copy {'/'.join(state.file.second)} is whole"
    elif state.second is not None:
        text += "; its second copy is hurt too"
    return text


def words(runs: tuple[tuple[int, int], ...], most: int = 8) -> str:
    """Runs of sectors for people: `sectors 40-43, 77`, and how many more there are."""
    lone = len(runs) == 1 and runs[0][0] == runs[0][1]
    shown = [f"{first}-{last}" if last > first else str(first) for first, last in runs[:most]]
    more = f" and {len(runs) - most} more runs" if len(runs) > most else ""
    return f"sector{'' if lone else 's'} {', '.join(shown)}{more}"


def _next(lost: bool) -> str:
    return ANOTHER if lost else "The setup script takes the second copy; burn another disc when you can."


def _notices(found: ReadBack) -> Iterator[Notice]:
    if not found.padding_whole and not found.burned_as_file:
        yield Notice(
            "the padding at the end of the disc is missing or hurt; no file lies there",
            hint="Old drives that read ahead may stumble there: burn with padding, in one closed session.",
        )
    if found.strange:
        yield Notice(f"{len(found.strange)} files that the record does not know: {', '.join(found.strange[:5])}")

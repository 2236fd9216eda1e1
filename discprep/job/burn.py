"""`burn`: the user's burner on a checked image, after the user has named the device; then the disc is read back."""

from __future__ import annotations

import os
import subprocess
import tempfile
from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path

from discprep.disc.burn import ENVIRONMENT, LOWEST_SPEED, BurnPlan, burner_command, obstacles, remarks
from discprep.disc.drive import Drive, Host, Medium, find_drive
from discprep.disc.readback import ReadBack, read_back
from discprep.disc.record import Record, load_record
from discprep.errors import DiscError, DiscprepError, IntegrityError, MissingError, ToolError, UsageError, raise_all
from discprep.fetch.host import file_sha256
from discprep.job import readback as reading
from discprep.job.history import Result, note_disc
from discprep.job.standing import image_name
from discprep.model import Notice, Progress, Silent
from discprep.report.burn import Burned
from discprep.units import SECTOR_BYTES

LAST_LINES = 12

Confirm = Callable[[BurnPlan], str]


def burn(
    record_path: Path,
    device: str,
    *,
    confirm: Confirm,
    burner: str = "",
    speed: float = LOWEST_SPEED,
    image: Path | None = None,
    dry_run: bool = False,
    show: int | None = None,
    progress: Progress | None = None,
    host: Host | None = None,
    environment: Mapping[str, str] = os.environ,
) -> Burned:
    """Burns the image of a record.

    Arguments:
        record_path: record.json of a build; the image lies beside it
        device: an optical drive's device file; "stdio:FILE" writes to a new plain file with a burner that can
        confirm: shown the plan, gives the device's name as the user typed it
        burner: the command with {device}, {image} and {speed}; "" takes it from DISCPREP_BURNER
        image: the image, where it lies elsewhere
        dry_run: only the command; the device is not touched, nor looked at
        show: a file descriptor for what the burner prints; None keeps it for the error message

    Raises:
        UsageError: no burner, no such drive, or another name typed
        MissingError, IntegrityError: the image is not there, or not as it was built
        CapacityError, DiscError: it does not fit, or the medium is not blank; a record that cannot be believed
        ToolError: the drive is in use, or the burner failed
    """
    progress = progress or Silent()
    template = burner or environment.get(ENVIRONMENT, "")
    record = load_record(record_path)
    source = _image(record, record_path, image)
    command = burner_command(template, device=device, image=str(source), speed=speed)

    def plan_for(drive: Drive) -> BurnPlan:
        return BurnPlan(drive, str(source), record.image_sectors, record.build_id, record.volume, speed, command)

    if dry_run:
        return Burned(plan_for(Drive(device, Path(device), "", Medium())), True)
    plan = plan_for(find_drive(device, host))
    raise_all(obstacles(plan))
    _check_image(record, source, progress)
    typed = confirm(plan)
    if typed != device:
        raise UsageError(f"expected the name {device!r} to be typed, got {typed!r}; nothing was written")
    again = find_drive(device, host)
    if again != plan.drive:
        raise ToolError(
            "the drive or its medium changed meanwhile; nothing was written", where=device, hint="Start again."
        )
    _run(command, show)
    back, faults = _read_back(record, again, source, progress)
    result: Result = "hurt" if faults else "whole" if back else "unread"
    noted = note_disc("burn", record, record_path.parent, device, again.path, result)
    return Burned(plan, False, back, tuple(faults), (*remarks(plan), *_not_read(back, faults), *noted))


def _image(record: Record, record_path: Path, image: Path | None) -> Path:
    """The image's file: as named, else beside the record."""
    folder = record_path.resolve().parent
    if image:
        candidates = [image.resolve()]
    else:
        usual = folder / image_name(record.volume, record.build_id, record.layout)
        candidates = [usual, *sorted(folder.glob(f"*.{record.layout}"))]
    for candidate in candidates:
        if candidate.is_file() and candidate.stat().st_size == record.image_sectors * SECTOR_BYTES:
            return candidate
    raise MissingError(
        f"expected an image of {record.image_sectors:,} sectors for build {record.build_id}, found none",
        where=str(image or folder),
        hint="Name it with --image, or build again.",
    )


def _check_image(record: Record, source: Path, progress: Progress) -> None:
    """The image is hashed before a disc is spent on it."""
    progress.begin("image", "checking the image", source.stat().st_size)
    try:
        sha256 = file_sha256(source, partial(progress.advance, "image"))
    finally:
        progress.end("image")
    if sha256 != record.image_sha256:
        raise IntegrityError(
            f"expected SHA-256 {record.image_sha256}, got {sha256}; nothing was written",
            where=str(source),
            hint="The image was changed since it was built: build again.",
        )


def _run(command: tuple[str, ...], show: int | None) -> None:
    """Runs the burner without a shell; interrupted, it is ended too."""
    with tempfile.TemporaryFile() as kept:
        output = kept if show is None else show
        try:
            process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=output, stderr=output)
        except OSError as error:
            raise ToolError(
                f"the burner {command[0]!r} cannot be started: {error.strerror}; nothing was written",
                hint="Install it, or name another with --burner.",
            ) from None
        try:
            code = process.wait()
        except BaseException:
            process.terminate()
            process.wait()
            raise
        if code:
            kept.seek(0)
            said = kept.read().decode(errors="replace").strip().splitlines()[-LAST_LINES:]
            raise ToolError(
                "\n".join([f"the burner ended with {code}; do not use this disc", *said]),
                where=command[0],
                hint="See what it said, and try another blank at a lower speed.",
            )


def _read_back(
    record: Record, drive: Drive, source: Path, progress: Progress
) -> tuple[ReadBack | None, list[DiscprepError]]:
    try:
        back = read_back(record, drive.path, progress, image=source)
    except (OSError, DiscError):
        return None, []
    if not any(reading.faults(back, drive.name)):
        return back, []
    return back, [
        DiscError(
            f"the disc differs from what was built: {len(back.hurt)} files are hurt",
            where=drive.name,
            hint="Burn another blank at a lower speed; discprep readback shows the sectors.",
        )
    ]


def _not_read(back: ReadBack | None, faults: list[DiscprepError]) -> list[Notice]:
    if back:
        return [] if faults else list(reading.remarks(back))
    hint = "Open and close the drive, then run discprep readback RECORD DEVICE."
    return [Notice("the disc could not be read back yet: many drives want it put in again first", hint=hint)]

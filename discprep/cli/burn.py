"""`discprep burn`."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from discprep.cli.frame import Frame, Json, Quiet, command

if TYPE_CHECKING:
    from discprep.disc.burn import BurnPlan


def burn(
    record: Annotated[
        Path, typer.Argument(metavar="RECORD", help="The record.json that the build left, or its folder.")
    ],
    device: Annotated[
        str,
        typer.Option(
            "--device", metavar="DEV", help="The optical drive, for instance /dev/sr0; stdio:FILE is a new plain file."
        ),
    ],
    burner: Annotated[
        str,
        typer.Option(
            "--burner",
            metavar="COMMAND",
            help="Your burner's command with {device}, {image} and {speed}. [default: what DISCPREP_BURNER holds]",
        ),
    ] = "",
    speed: Annotated[
        float, typer.Option(min=0.1, max=100, help="The speed to ask for; 1 is the drive's lowest.")
    ] = 1.0,
    image: Annotated[
        Path | None, typer.Option(metavar="FILE", help="The image, where it does not lie beside the record.")
    ] = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Show the command and write nothing.")] = False,
    yes_device: Annotated[
        str | None,
        typer.Option(
            "--yes-device", metavar="NAME", help="The device's name again, for scripts: it is not asked then."
        ),
    ] = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Burn a build's image with your own burner, after asking for the device's name; then read the disc back.

    The burner is yours; the usual lines on a Debian system are:

      wodim -v dev={device} speed={speed} -dao -data {image}

      xorriso -as cdrecord -v dev={device} speed={speed} -sao -data {image}

      growisofs -dvd-compat -speed={speed} -Z {device}={image}

    A device that is mounted, or that is not an optical drive, is never touched.
    """
    with command("burn", as_json, quiet) as frame:
        from discprep.job.burn import burn as job
        from discprep.report import burn as face

        record = _record(record)

        def confirm(plan: "BurnPlan") -> str:
            return yes_device if yes_device is not None else _ask(plan, as_json)

        done = job(
            record,
            device,
            confirm=confirm,
            burner=burner,
            speed=speed,
            image=image,
            dry_run=dry_run,
            show=_shown(frame),
            progress=frame.progress,
        )
        frame.finish(face.document(done), face.text(done), errors=done.errors, notices=done.notices)


def _record(path: Path) -> Path:
    """The record at a path, or in a build's folder."""
    from discprep.errors import UsageError

    found = path / "record.json" if path.is_dir() else path
    if not found.is_file():
        raise UsageError("there is no record here", where=str(found), hint="Name the record.json that a build left.")
    return found


def _ask(plan: "BurnPlan", as_json: bool) -> str:
    from discprep.errors import UsageError
    from discprep.report.burn import question

    if as_json or not sys.stdin.isatty():
        raise UsageError(
            "nobody is there to be asked; nothing was written", hint="Give --yes-device with the device's name."
        )
    typer.echo(question(plan), err=True)
    return str(typer.prompt("Type the device's name to burn", default="", show_default=False, err=True))


def _shown(frame: Frame) -> int | None:
    """Where the burner's own words go: to stderr, or nowhere under --quiet."""
    try:
        return None if frame.quiet else sys.stderr.fileno()
    except (OSError, ValueError):
        return None

"""`discprep burn`."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from typer import Argument, Option

from discprep.cli.frame import Frame, Json, Quiet, command

if TYPE_CHECKING:
    from discprep.disc.burn import BurnPlan


def burn(
    record: Annotated[Path, Argument(metavar="RECORD", help="The record.json that the build left, or its folder.")],
    device: Annotated[
        str,
        Option(metavar="DEV", help="The optical drive, for instance /dev/sr0; stdio:FILE is a new plain file."),
    ],
    burner: Annotated[
        str,
        Option(
            metavar="COMMAND",
            help="Your burner's command with {device}, {image} and {speed}. [default: what DISCPREP_BURNER holds]",
        ),
    ] = "",
    speed: Annotated[float, Option(min=0.1, max=100, help="The speed to ask for; 1 is the drive's lowest.")] = 1.0,
    image: Annotated[
        Path | None, Option(metavar="FILE", help="The image, where it does not lie beside the record.")
    ] = None,
    dry_run: Annotated[bool, Option("--dry-run", help="Show the command and write nothing.")] = False,
    yes_device: Annotated[
        str | None,
        Option(metavar="NAME", help="The device's name again, for scripts: it is not asked then."),
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
        from discprep.job.readback import path_of
        from discprep.report import burn as face

        def confirm(plan: "BurnPlan") -> str:
            return yes_device if yes_device is not None else _ask(plan, as_json)

        done = job(
            path_of(record),
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

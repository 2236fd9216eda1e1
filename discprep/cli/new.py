"""`discprep new`."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from discprep.cli.frame import Json, Quiet, command


def new(
    manifest: Annotated[Path, typer.Argument(metavar="MANIFEST", help="The TOML file to start.")],
    folder: Annotated[
        Path | None, typer.Option("--from", metavar="FOLDER", help="List the archives that lie in this folder.")
    ] = None,
    title: Annotated[str, typer.Option(help="What the disc is for.")] = "",
    profile: Annotated[
        Path | None, typer.Option(metavar="FILE", help="A machine profile that is there already.")
    ] = None,
    machine: Annotated[str, typer.Option(help="The machine's name, for a new profile.")] = "",
    medium: Annotated[str, typer.Option(metavar="KIND", help="The blank disc: cd-74, cd-63, cd-80, …")] = "",
    baud: Annotated[int | None, typer.Option(help="The serial line's rate, if there is to be one.")] = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Start a manifest: from a folder of archives at hand, from flags, or by asking.

    It ends with a manifest that `discprep check` accepts.
    """
    with command("new", as_json, quiet) as frame:
        from discprep.job.new import Wishes
        from discprep.job.new import new as job
        from discprep.report import new as face

        asks = (
            sys.stdin.isatty()
            and sys.stderr.isatty()
            and not (as_json or folder or title or profile or machine or medium)
        )
        if asks:
            title, machine, medium, baud, folder = _ask(manifest)
        wishes = Wishes(title, profile, machine or "My machine", medium or "cd-74", baud)
        started = job(manifest, folder, wishes, frame.progress)
        frame.finish(face.document(started), face.text(started), notices=started.notices)


def _ask(manifest: Path) -> tuple[str, str, str, int | None, Path | None]:
    """The five questions of a first run; Enter takes what stands in brackets."""
    title = typer.prompt("What is the disc for?", default=manifest.stem, err=True)
    machine = typer.prompt("What do you call the machine?", default="My machine", err=True)
    medium = typer.prompt("Which blank disc (cd-74, cd-63, cd-80)?", default="cd-74", err=True)
    rate = typer.prompt("At which baud will its serial line run (0: none)?", default=57600, type=int, err=True)
    folder = typer.prompt(
        "In which folder do your archives lie (Enter: none yet)?", default="", show_default=False, err=True
    )
    return title, machine, medium, rate or None, Path(folder).expanduser() if folder else None

"""`discprep new`."""

import sys
from pathlib import Path
from typing import Annotated

import typer
from typer import Argument, Option

from discprep.cli.frame import Json, Quiet, command


def new(
    manifest: Annotated[
        Path | None,
        Argument(metavar="MANIFEST", help="The TOML file to start; without it, what is ready is told."),
    ] = None,
    folder: Annotated[
        Path | None, Option("--from", metavar="FOLDER", help="List the archives that lie in this folder.")
    ] = None,
    title: Annotated[str, Option(help="What the disc is for.")] = "",
    profile: Annotated[
        Path | None,
        Option(metavar="FILE", help="A machine profile that is there already, or a ready one's name."),
    ] = None,
    machine: Annotated[str, Option(help="The machine's name, for a new profile.")] = "",
    medium: Annotated[str, Option(metavar="KIND", help="The blank disc: cd-74, cd-63, cd-80, …")] = "",
    baud: Annotated[int | None, Option(help="The serial line's rate, if there is to be one.")] = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Start a manifest: from a folder of archives at hand, from flags, or by asking.

    It ends with a manifest that `discprep check` accepts.
    """
    with command("new", as_json, quiet) as frame:
        from discprep.job.new import Wishes, profile_beside, ready, refuse_existing
        from discprep.job.new import new as job
        from discprep.report import new as face

        if manifest is None:
            _nothing_else(folder, title, profile, machine, medium, baud)
            listed = ready()
            frame.finish(face.ready_document(listed), face.ready_text(listed))
            return
        _check_given(profile, medium)
        asks = (
            sys.stdin.isatty()
            and sys.stderr.isatty()
            and not (as_json or folder or title or profile or machine or medium)
        )
        if asks:
            refuse_existing(manifest, profile_beside(manifest))
            title, machine, medium, baud, folder = _ask(manifest)
        wishes = Wishes(title, profile, machine or "My machine", medium or "cd-74", baud)
        started = job(manifest, folder, wishes, frame.progress)
        frame.finish(face.document(started), face.text(started), notices=started.notices)


def _nothing_else(*given: object) -> None:
    """Without a manifest there is nothing that options could say."""
    from discprep.errors import UsageError

    if any(given):
        raise UsageError("no manifest is named", hint="discprep new first.toml … starts one of that name.")


def _check_given(profile: Path | None, medium: str) -> None:
    """What would else be told as a fault of a line in a manifest that is not kept."""
    from discprep.errors import UsageError

    if profile is not None and not profile.is_file():
        from discprep.manifest.ready import profiles

        if str(profile) not in profiles():
            raise UsageError(
                f"--profile {profile}: there is no such file, and no ready profile of that name",
                hint=f"Ready ones: {', '.join(profiles())}. Without it, a profile is started too.",
            )
    if medium:
        try:
            _medium(medium)
        except typer.BadParameter as error:
            raise UsageError(f"--medium: {error.message}") from None


def _ask(manifest: Path) -> tuple[str, str, str, int | None, Path | None]:
    """The five questions of a first run; Enter takes what stands in brackets. A wrong answer is asked for again:
    whoever starts over for the fifth one has learnt to answer none."""
    from functools import partial

    ask = partial(typer.prompt, err=True, prompt_suffix=" ")
    title = ask("What is the disc for?", default=manifest.stem)
    machine = ask("What do you call the machine?", default="My machine")
    medium = ask("Which blank disc (cd-74, cd-63, cd-80)?", default="cd-74", value_proc=_medium)
    rate = ask("At which rate will its serial line run, in bit/s (0: none)?", default="57600", value_proc=_rate)
    folder = ask("In which folder do your archives lie (Enter: none yet)?", default="", show_default=False,
                 value_proc=_folder)  # fmt: skip
    return title, machine, medium, rate or None, folder


def _medium(answer: str) -> str:
    """A kind of medium. Raises BadParameter for one that nobody knows."""
    from discprep.manifest.media import MEDIA

    if answer not in MEDIA:
        raise typer.BadParameter(f"no medium is called {answer!r}; known: {', '.join(MEDIA)}")
    return answer


def _rate(answer: str) -> int:
    """A line rate in bit/s, 0 for no line. Raises BadParameter for anything else."""
    if not answer.isdecimal() or not (answer == "0" or 50 <= int(answer) <= 4_000_000):
        raise typer.BadParameter(f"{answer!r} is no rate from 50 to 4,000,000 bit/s")
    return int(answer)


def _folder(answer: str) -> Path | None:
    """A folder, None for no answer. Raises BadParameter where there is none."""
    folder = Path(answer).expanduser() if answer else None
    if folder is not None and not folder.is_dir():
        raise typer.BadParameter(f"{folder} is not a folder")
    return folder

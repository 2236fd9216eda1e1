"""`discprep unpack`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from typer import Argument, Option

from discprep.cli.frame import Json, Quiet, command
from discprep.cli.inspect import CharsetOption, FileArgument, NestedOption

FolderArgument = Annotated[Path, Argument(metavar="DIR", help="The folder to unpack into; made when absent.")]
OnlyOption = Annotated[
    list[str] | None, Option(metavar="PATTERN", help="Only members with a matching path; repeatable.")
]
MaxSizeOption = Annotated[str | None, Option(metavar="SIZE", help='Allow members up to this size, such as "8 GB".')]


def unpack(
    file: FileArgument,
    folder: FolderArgument,
    only: OnlyOption = None,
    charset: CharsetOption = None,
    nested: NestedOption = 0,
    max_size: MaxSizeOption = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Unpack a file's members safely: whole ones only, under names this host can hold, nothing overwritten."""
    with command("unpack", as_json, quiet) as frame:
        from discprep.job import unpack as job
        from discprep.report import unpack as face

        limits = job.limits_of(max_size)
        result = job.unpack(
            file, folder, only=only or (), charset=charset, nested=nested, limits=limits, progress=frame.progress
        )
        text = "" if as_json else face.text(result)
        frame.finish(face.document(result), text, errors=result.errors, notices=result.notices)

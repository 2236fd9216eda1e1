"""`discprep inspect`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from typer import Argument, Option

from discprep.cli.frame import Json, Quiet, command

FileArgument = Annotated[Path, Argument(metavar="FILE", help="An archive, a floppy image or a disc image.")]
CharsetOption = Annotated[str | None, Option(metavar="NAME", help="How member names are written, such as cp437.")]
NestedOption = Annotated[int, Option(min=0, max=8, help="Levels of archives in archives to open.")]


def inspect(
    file: FileArgument,
    charset: CharsetOption = None,
    nested: NestedOption = 0,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Show what is inside a file and read every member; exit 0 when all of them are whole."""
    with command("inspect", as_json, quiet) as frame:
        from discprep.job import inspect as job
        from discprep.report import inspect as face

        result = job.inspect(file, charset=charset, nested=nested, progress=frame.progress)
        # Of tens of thousands of members each face takes its time: only the one that is asked for is made.
        text, document = "", {}
        if as_json:
            document = face.document(result)
        else:
            text = face.text(result)
        if result.image:
            from discprep.report import disc_inspect as disc_face

            if as_json:
                document |= disc_face.document(result.image, document["members"])
            else:
                text = f"{disc_face.text(result.image)}\n\n{text}"
        frame.finish(document, text, errors=result.errors, notices=result.notices)

"""`discprep readback`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from typer import Argument, Option

from discprep.cli.frame import Json, Quiet, command

RecordArgument = Annotated[Path, Argument(metavar="RECORD", help="The record.json that the build left, or its folder.")]
TargetArgument = Annotated[
    Path | None,
    Argument(metavar="TARGET", help="The burned disc's device, an image, or the folder it is mounted on."),
]
SumsOption = Annotated[
    Path | None,
    Option(metavar="FILE", help="Write a list for `sha256sum -c`, run where the disc is mounted."),
]
NamesOption = Annotated[
    Literal["rock-ridge", "joliet", "iso", "lower"] | None,
    Option(help="Whose names the list has. [default: those a mounted disc shows on a modern system]"),
]


def readback(
    record: RecordArgument,
    target: TargetArgument = None,
    sums: SumsOption = None,
    names: NamesOption = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Read a burned disc, an image or a mounted folder against its record; exit 0 when every copy of a file is whole.

    A disc is read sector by sector, past those that cannot be read. Every file of which a bad sector touches a copy is
    named, with the sectors and what the other copy is. The padding at the end may be missing or hurt: no file lies
    there and drives differ in how much of it they show, so that is a notice, and exit 0.
    """
    with command("readback", as_json, quiet) as frame:
        from discprep.errors import UsageError
        from discprep.job import readback as job
        from discprep.report import readback as face

        if sums is not None:
            sums.write_text(job.sums(record, names), encoding="utf-8", errors="surrogateescape", newline="\n")
        if target is None and sums is not None:
            frame.finish({"sums": str(sums)}, face.sums_text(sums))
        if target is None:
            raise UsageError("nothing to do", hint="Name the disc's device, or ask for a list with --sums FILE.")
        result = job.readback(record, target, frame.progress)
        listed = {"sums": str(sums)} if sums else {}
        frame.finish(face.document(result) | listed, face.text(result), errors=result.errors, notices=result.notices)

"""`discprep differ`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from typer import Argument

from discprep.cli.frame import Json, Quiet, command

BeforeArgument = Annotated[Path, Argument(metavar="BEFORE", help="The older record.json, or its build's folder.")]
AfterArgument = Annotated[Path, Argument(metavar="AFTER", help="The newer one.")]


def differ(before: BeforeArgument, after: AfterArgument, as_json: Json = False, quiet: Quiet = False) -> None:
    """Say what changed between two builds, and why: settings, pins, items, then the files they touch."""
    with command("differ", as_json, quiet) as frame:
        from discprep.job.differ import differ as job
        from discprep.report import differ as face

        result = job(before, after)
        frame.finish(face.document(result), face.text(result))

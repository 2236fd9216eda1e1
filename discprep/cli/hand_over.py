"""`discprep hand-over`."""

from pathlib import Path
from typing import Annotated

from typer import Argument

from discprep.cli.frame import Json, MachineOption, ManifestPath, Quiet, command


def hand_over(
    manifest: ManifestPath,
    out: Annotated[Path, Argument(metavar="OUT", help="A new folder, or a .zip or .tar by its name.")],
    machine: MachineOption = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Write the recipe for someone else: manifest, includes, machine profile and pins, and what they must obtain.

    No software goes with it, no secret, no path of this computer: of sources that are local files only the bare names
    go out, since the disc's names come from them. Every file is read through before anything gets its name.
    """
    with command("hand-over", as_json, quiet) as frame:
        from discprep.job.hand_over import hand_over as job
        from discprep.report import hand_over as face

        result = job(manifest, out, machine=machine, progress=frame.progress)
        frame.finish(face.document(result), face.text(result), notices=result.notices)

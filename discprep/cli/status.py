"""`discprep status`."""

from pathlib import Path
from typing import Annotated

from typer import Option

from discprep.cli.frame import CacheOption, Json, MachineOption, ManifestPath, Quiet, command


def status(
    manifest: ManifestPath,
    built: Annotated[
        list[Path] | None,
        Option(metavar="DIR", help="A folder that a build went to, if it was not noted beside the manifest."),
    ] = None,
    ask: Annotated[
        bool, Option("--ask", help="Ask the sources whether they have something newer than what is pinned.")
    ] = False,
    left: Annotated[
        Path | None,
        Option(
            "--left-out", metavar="FILE", help="The list of what the setup left out, brought or typed from the machine."
        ),
    ] = None,
    machine: MachineOption = None,
    cache: CacheOption = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Show where each item stands: fetched, verified, on which disc, pulled by the machine; and the next step.

    Only --ask uses the network.
    """
    with command("status", as_json, quiet) as frame:
        from discprep.job.status import status as job
        from discprep.report import status as face

        found = job(
            manifest, machine=machine, cache=cache, built=built or (), ask=ask, left=left, progress=frame.progress
        )
        frame.finish(face.document(found), face.text(found), notices=found.notices)

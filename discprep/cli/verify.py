"""`discprep verify`."""

from typing import Annotated

from typer import Option

from discprep.cli.frame import CacheOption, Json, MachineOption, ManifestPath, Quiet, command


def verify(
    manifest: ManifestPath,
    machine: MachineOption = None,
    cache: CacheOption = None,
    again: Annotated[
        bool, Option("--again", help="Read the kept archives anew, even those found whole before.")
    ] = False,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Verify what was fetched: hashes, every member of every archive, names, sizes on the machine."""
    with command("verify", as_json, quiet) as frame:
        from discprep.job.verify import verify as job
        from discprep.report import verify as face

        verified = job(manifest, machine=machine, cache_root=cache, again=again, progress=frame.progress)
        frame.finish(face.document(verified), face.text(verified), errors=verified.errors, notices=verified.notices)

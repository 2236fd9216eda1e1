"""`discprep prepare`."""

from pathlib import Path
from typing import Annotated

from typer import Option

from discprep.cli.build import EvenSoOption, OutOption, SecretsOption
from discprep.cli.frame import CacheOption, Json, MachineOption, ManifestPath, Quiet, ask_secret, command


def prepare(
    manifest: ManifestPath,
    out: OutOption,
    look_in: Annotated[
        Path | None, Option(metavar="DIR", help="Take files got by hand from this folder, by hash.")
    ] = None,
    secrets: SecretsOption = False,
    even_so: EvenSoOption = False,
    machine: MachineOption = None,
    cache: CacheOption = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Fetch, verify, plan and build in one go: from the manifest to a checked image and its sheet.

    Stop it at any moment and run it again: it goes on where it was.
    """
    with command("prepare", as_json, quiet) as frame:
        from discprep.job.prepare import prepare as job
        from discprep.report import build as face

        built = job(
            manifest,
            out,
            machine=machine,
            cache_root=cache,
            look_in=look_in,
            allow_secrets=secrets,
            even_so=even_so,
            ask=ask_secret(as_json),
            progress=frame.progress,
        )
        frame.finish(face.document(built), face.text(built), errors=built.errors, notices=built.notices)

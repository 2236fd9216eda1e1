"""`discprep build`."""

from pathlib import Path
from typing import Annotated

from typer import Option

from discprep.cli.frame import CacheOption, Json, MachineOption, ManifestPath, Quiet, ask_secret, command

OutOption = Annotated[
    Path,
    Option("--out", metavar="DIR", help="Where the image, its record and the sheets go.", show_default=False),
]
SecretsOption = Annotated[
    bool, Option("--secrets-on-disc", help="Let secrets stand on the disc; then treat it as you treat them.")
]
EvenSoOption = Annotated[
    bool, Option("--even-so", help="Build although the link cannot work as it is set; the sheet says so first.")
]


def build(
    manifest: ManifestPath,
    out: OutOption,
    dry_run: Annotated[bool, Option("--dry-run", help="Show every edit before and after; write nothing.")] = False,
    secrets: SecretsOption = False,
    even_so: EvenSoOption = False,
    machine: MachineOption = None,
    cache: CacheOption = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Build the disc image, its record and the bench sheet from what was fetched.

    DIR then holds VOLUME-BUILDID.iso, record.json, bench-sheet.txt and .html, SHA256SUMS (a folder disc-N for each
    when there are several). The image of an earlier build there is replaced.
    """
    with command("build", as_json, quiet) as frame:
        from discprep.job.build import build as job
        from discprep.report import build as face

        built = job(
            manifest,
            out,
            machine=machine,
            cache_root=cache,
            dry_run=dry_run,
            allow_secrets=secrets,
            even_so=even_so,
            ask=ask_secret(as_json),
            progress=frame.progress,
        )
        frame.finish(face.document(built), face.text(built), errors=built.errors, notices=built.notices)

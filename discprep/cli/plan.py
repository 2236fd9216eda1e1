"""`discprep plan`."""

from pathlib import Path
from typing import Annotated

from typer import Argument, Option

from discprep.cli.frame import CacheOption, Json, MachineOption, ManifestPath, Quiet, command


def plan(
    manifest: ManifestPath,
    item: Annotated[str | None, Argument(metavar="ITEM", help="The item to explain, by its id.")] = None,
    machine: MachineOption = None,
    cache: CacheOption = None,
    explain: Annotated[
        bool,
        Option("--explain", help="Show how the plan is found; with ITEM, what would change that item's place."),
    ] = False,
    assume: Annotated[
        list[str] | None,
        Option(metavar="KEY=VALUE", help="Plan as if the manifest said so; may be repeated."),
    ] = None,
    over: Annotated[
        list[str] | None,
        Option(metavar="KEY=V1,V2,…", help="Compare plans under several values; may be repeated."),
    ] = None,
    log: Annotated[
        Path | None, Option(metavar="FILE", help="The log that `serve` wrote; calibrates the times.")
    ] = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Decide what to burn and what to download later, exactly, with reasons and times."""
    with command("plan", as_json, quiet) as frame:
        from discprep.errors import UsageError
        from discprep.job import plan as job
        from discprep.report import plan as face

        if item and not explain:
            raise UsageError(f"{item!r} is one word too many", hint="To explain an item: --explain ITEM")
        if item and Path(item).is_file() and not manifest.is_file():
            manifest, item = Path(item), str(manifest)  # the option stood before the manifest
        planned = job.plan(
            manifest,
            machine=machine,
            cache_root=cache,
            settings=job.assumptions(assume or []),
            over=[job.what_if(text) for text in over or []],
            explain=(item or "") if explain else None,
            log=log,
            progress=frame.progress,
        )
        frame.finish(face.document(planned), face.text(planned), errors=planned.errors, notices=planned.notices)

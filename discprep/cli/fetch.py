"""`discprep fetch`."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from typer import Option

from discprep.cli.frame import CacheOption, Frame, Json, MachineOption, ManifestPath, Quiet, command

if TYPE_CHECKING:
    from discprep.fetch.look import Ask
    from discprep.model import Item


def fetch(
    manifest: ManifestPath,
    look_in: Annotated[
        Path | None,
        Option(metavar="DIR", help="Take files got by hand from this folder, by hash, whatever their names."),
    ] = None,
    renew: Annotated[
        list[str] | None,
        Option(metavar="ITEM", help="Move the item's pin to what its source has now, if its edits still fit."),
    ] = None,
    machine: MachineOption = None,
    cache: CacheOption = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Fetch every item into the cache, check it, and pin what is new.

    Goes on past what is missing and lists it at the end. Run it again at any time: it goes on where it stopped, and
    fetches nothing twice.
    """
    with command("fetch", as_json, quiet) as frame:
        from discprep.job.fetch import fetch as job
        from discprep.report import fetch as face

        ask = _asker(frame) if sys.stdin.isatty() and not as_json and not quiet else None
        result = job(
            manifest, machine=machine, cache=cache, look_in=look_in, renew=renew or (), ask=ask, progress=frame.progress
        )
        frame.finish(face.document(result), face.text(result), errors=result.errors, notices=result.notices)


def _asker(frame: Frame) -> "Ask":
    """Asks the person whether a file that no hash covers is the item."""

    def ask(item: "Item", path: Path, sha256: str) -> bool:
        close = getattr(frame.progress, "close", None)
        if close:
            close()
        size = f"{path.stat().st_size:,} bytes"
        typer.echo(f"{item.id} has no hash. {path} could be it: {size}, SHA-256\n{sha256}", err=True)
        return typer.confirm("Is it the one?", default=False, err=True)

    return ask

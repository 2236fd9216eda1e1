"""`discprep drop`."""

from typing import Annotated

from typer import Argument

from discprep.cli.frame import Json, ManifestPath, Quiet, command


def drop(
    manifest: ManifestPath,
    item: Annotated[str, Argument(metavar="ITEM", help="The item's id.")],
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Take an item and its pin out of a manifest; comments and all else stay.

    Nothing changes where the rest would not hold without it: what needs it is named then.
    """
    with command("drop", as_json, quiet) as frame:
        from discprep.job.drop import drop as job
        from discprep.report import drop as face

        dropped = job(manifest, item)
        frame.finish(face.document(dropped), face.text(dropped))

"""`discprep add`."""

from typing import Annotated

from typer import Argument, Option

from discprep.cli.frame import CacheOption, Json, ManifestPath, Quiet, command


def add(
    manifest: ManifestPath,
    sources: Annotated[
        list[str],
        Argument(metavar="SOURCE…", help="Where the item is: an http, https or ftp address, or a file."),
    ],
    item_id: Annotated[str, Option("--id", help="The item's id. [default: from the file's name]")] = "",
    title: Annotated[str, Option(help="What it is. [default: from the file's name]")] = "",
    gives: Annotated[
        list[str] | None, Option(metavar="ROLE", help="A role it gives the machine; may be said again.")
    ] = None,
    needs: Annotated[
        list[str] | None, Option(metavar="ITEM|ROLE", help="What it needs there; may be said again.")
    ] = None,
    place: Annotated[str, Option(metavar="PLACE", help="burn, later, or either: the plan decides.")] = "either",
    use: Annotated[str, Option(metavar="USE", help="copy: installed; disc: used from the disc.")] = "copy",
    to: Annotated[str, Option(metavar="FOLDER", help="Its folder on the disc and on the machine.")] = "",
    page: Annotated[str, Option(metavar="URL", help="The page where a person finds it.")] = "",
    mirror: Annotated[
        list[str] | None, Option(metavar="SOURCE", help="Another place that has it; may be said again.")
    ] = None,
    take_damaged: Annotated[
        bool, Option("--take-damaged", help="Add a damaged archive too: what can be read of it is taken.")
    ] = False,
    cache: CacheOption = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Fetch what some sources have, pin it, and append it to a manifest; its comments and order stay."""
    with command("add", as_json, quiet) as frame:
        from discprep.job.add import add as job
        from discprep.job.add import wished
        from discprep.report import add as face

        wish = wished(
            id=item_id, title=title, gives=gives or (), needs=tuple(needs or ()), place=place, use=use, to=to,
            page=page, take_damaged=take_damaged,
        )  # fmt: skip
        added = job(manifest, sources, wish, mirrors=mirror or (), cache=cache, progress=frame.progress)
        frame.finish(face.document(added), face.text(added), errors=added.errors, notices=added.notices)

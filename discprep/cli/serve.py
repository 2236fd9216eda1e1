"""`discprep serve`."""

from functools import partial
from pathlib import Path
from typing import Annotated

from typer import Exit, Option

from discprep.cli.frame import CacheOption, Json, MachineOption, ManifestPath, Quiet, command


def serve(
    manifest: ManifestPath,
    bind: Annotated[
        str,
        Option(
            metavar="ADDR:PORT",
            help="Where to listen: this computer's address on the bridge's network. Port 0 takes any free one.",
        ),
    ] = "",
    serial: Annotated[
        str,
        Option(
            metavar="PORT",
            help="Serve straight over this serial port instead, such as /dev/ttyUSB0 or COM3: this computer is the "
            "other end of the line, as the manifest's link says.",
        ),
    ] = "",
    whole: Annotated[bool, Option("--whole", help="Offer the whole set, not only what waits for the link.")] = False,
    shapes: Annotated[
        list[str] | None,
        Option(
            "--as",
            metavar="[ITEM=]SHAPE",
            help="archive, unpacked, zip, zip-stored, tar or lha; for all, or for one item. "
            "[default: what the machine opens]",
        ),
    ] = None,
    allow_unshared: Annotated[
        bool, Option("--allow-unshared", help="Offer items with share = false too, this time.")
    ] = False,
    log: Annotated[
        Path | None,
        Option(metavar="FILE", help="Where transfers are logged. [default: beside MANIFEST]"),
    ] = None,
    ftp: Annotated[
        str, Option(metavar="ADDR:PORT", help="Offer the same over FTP too, for fetchers without HTTP.")
    ] = "",
    take_in: Annotated[
        Path | None,
        Option(
            metavar="FOLDER",
            help="Also take files from the machine, by PUT or over FTP, into this folder and over no other file. "
            "Without it nothing can be written.",
        ),
    ] = None,
    machine: MachineOption = None,
    cache: CacheOption = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Hand the machine what waits for the link, over plain HTTP that its old fetcher or browser speaks.

    Only planned items can be fetched; nothing can be written without --take-in. Prints the addresses to use, then a
    line for each transfer. Ctrl-C ends after the running transfers, a second Ctrl-C at once.
    """
    with command("serve", as_json, quiet, lines=True) as frame:
        from discprep.errors import UsageError
        from discprep.job.serve import Wish
        from discprep.job.serve import serve as job
        from discprep.report import serve as face

        if bind and serial:
            raise UsageError("--bind and --serial exclude each other", hint="Serve over one of them.")
        if ftp and serial:
            raise UsageError("--ftp and --serial exclude each other", hint="Over a serial port the shelf is HTTP.")
        if take_in and serial:
            raise UsageError(
                "--take-in and --serial exclude each other", hint="`discprep take PORT FOLDER` takes files by blocks."
            )
        wish = Wish(bind, whole, tuple(shapes or ()), allow_unshared, log, serial, ftp, take_in)
        tell = partial(frame.tell, face)
        ended = job(manifest, wish, tell=tell, machine=machine, cache=cache, progress=frame.progress)
        tell(ended)
        raise Exit(130 if ended.broken_off else 0)

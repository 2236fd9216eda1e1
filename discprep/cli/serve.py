"""`discprep serve`."""

import json
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NoReturn

import typer

from discprep.cli.frame import CacheOption, Frame, Json, MachineOption, ManifestPath, Quiet, command, print_json, say

if TYPE_CHECKING:
    from discprep.errors import DiscprepError
    from discprep.report.serve import Event


def serve(
    manifest: ManifestPath,
    bind: Annotated[
        str,
        typer.Option(
            "--bind",
            metavar="ADDR:PORT",
            help="Where to listen: this computer's address on the bridge's network. Port 0 takes any free one.",
        ),
    ] = "",
    serial: Annotated[
        str,
        typer.Option(
            "--serial",
            metavar="PORT",
            help="Serve straight over this serial port instead, such as /dev/ttyUSB0 or COM3: this computer is the "
            "other end of the line, as the manifest's link says.",
        ),
    ] = "",
    whole: Annotated[
        bool, typer.Option("--whole", help="Offer the whole set, not only what waits for the link.")
    ] = False,
    shapes: Annotated[
        list[str] | None,
        typer.Option(
            "--as",
            metavar="[ITEM=]SHAPE",
            help="archive, unpacked, zip, zip-stored, tar or lha; for all, or for one item. "
            "[default: what the machine opens]",
        ),
    ] = None,
    allow_unshared: Annotated[
        bool, typer.Option("--allow-unshared", help="Offer items with share = false too, this time.")
    ] = False,
    log: Annotated[
        Path | None,
        typer.Option("--log", metavar="FILE", help="Where transfers are logged. [default: beside MANIFEST]"),
    ] = None,
    ftp: Annotated[
        str, typer.Option("--ftp", metavar="ADDR:PORT", help="Offer the same over FTP too, for fetchers without HTTP.")
    ] = "",
    take_in: Annotated[
        Path | None,
        typer.Option(
            "--take-in",
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
    with command("serve", as_json, quiet) as frame:
        from discprep.errors import DiscprepError, UsageError
        from discprep.job.serve import Wish
        from discprep.job.serve import serve as job

        if bind and serial:
            raise UsageError("--bind and --serial exclude each other", hint="Serve over one of them.")
        if ftp and serial:
            raise UsageError("--ftp and --serial exclude each other", hint="Over a serial port the shelf is HTTP.")
        if take_in and serial:
            raise UsageError(
                "--take-in and --serial exclude each other", hint="`discprep take PORT FOLDER` takes files by blocks."
            )
        teller = _Teller(frame)
        wish = Wish(bind, whole, tuple(shapes or ()), allow_unshared, log, serial, ftp, take_in)
        try:
            ended = job(manifest, wish, tell=teller.tell, machine=machine, cache=cache, progress=frame.progress)
        except DiscprepError as error:
            if not as_json:
                raise
            teller.fail(error)
        teller.tell(ended)
        raise typer.Exit(130 if ended.broken_off else 0)


class _Teller:
    """Prints events as they come, one at a time, as words or as JSON lines."""

    def __init__(self, frame: Frame) -> None:
        self._frame = frame
        self._lock = threading.Lock()

    def tell(self, event: "Event") -> None:
        from discprep.report import serve as face

        with self._lock:
            if self._frame.as_json:
                print(json.dumps({"discprep": 1, "command": "serve", **face.document(event)}), flush=True)
                return
            print(face.text(event), flush=True)
            for notice in getattr(event, "notices", ()) if not self._frame.quiet else ():
                say(f"note: {notice}", notice.hint)

    def fail(self, error: "DiscprepError") -> NoReturn:
        """A fault as one JSON line."""
        from discprep.errors import exit_code

        print_json("serve", {"event": "failed"}, [error], [], indent=None)
        raise typer.Exit(exit_code([error]))

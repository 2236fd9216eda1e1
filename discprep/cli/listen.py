"""`discprep listen`."""

from __future__ import annotations

import json
from enum import Enum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from discprep.cli.frame import Frame, Json, MachineOption, Quiet, command, print_json, say
from discprep.cli.send import PortArgument

if TYPE_CHECKING:
    from discprep.report.listen import Event


class AnyFlow(Enum):
    """Who may hold the other back."""

    none = "none"
    rts_cts = "rts-cts"
    xon_xoff = "xon-xoff"


def listen(
    port: PortArgument,
    manifest: Annotated[
        Path | None,
        typer.Option("--manifest", metavar="MANIFEST", help="What the line should be; differences are told."),
    ] = None,
    rate: Annotated[
        int | None,
        typer.Option(
            "--baud",
            metavar="RATE",
            min=50,
            help="Line rate in bit/s; listen at it alone. [default: the manifest's, then the usual ones while nothing "
            "makes sense]",
        ),
    ] = None,
    framing: Annotated[
        str | None, typer.Option("--framing", metavar="8N1", help="[default: the manifest's, else 8N1]")
    ] = None,
    flow: Annotated[AnyFlow | None, typer.Option("--flow", help="[default: the manifest's, else none]")] = None,
    answer: Annotated[
        bool, typer.Option("--answer", help="Take part in what the machine speaks: ping, a name, PPP's agreements.")
    ] = False,
    loop: Annotated[
        bool, typer.Option("--loop", help="Send marks and tell whether they come back: a loop-back is in place.")
    ] = False,
    seconds: Annotated[
        float | None, typer.Option("--seconds", metavar="S", min=0, help="End after so long. [default: at Ctrl-C]")
    ] = None,
    machine: MachineOption = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Tell in words what comes over a serial line, each thing with the rung of the bench sheet's ladder.

    Sends nothing, unless asked to. An adapter for logic levels (3.3 V or 5 V) is no RS-232; connect with both ends off.
    """
    with command("listen", as_json, quiet) as frame:
        from discprep.errors import DiscprepError, exit_code
        from discprep.job import listen as job

        wish = job.Wish(port, manifest, rate, framing, flow.value if flow else None, answer, loop, seconds)
        try:
            ended = job.listen(wish, lambda event: _tell(frame, event), frame.progress, machine=machine)
        except DiscprepError as error:
            if not as_json:
                raise
            print_json("listen", {"event": "failed"}, [error], [], indent=None)
            raise typer.Exit(exit_code([error])) from None
        _tell(frame, ended)
        raise typer.Exit(0)


def _tell(frame: Frame, event: Event) -> None:
    from discprep.report import listen as face

    if frame.as_json:
        print(json.dumps({"discprep": 1, "command": "listen", **face.document(event)}), flush=True)
        return
    print(face.text(event), flush=True)
    for notice in getattr(event, "notices", ()) if not frame.quiet else ():
        say(f"note: {notice}", notice.hint)

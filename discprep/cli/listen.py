"""`discprep listen`."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Annotated, Literal

from typer import Exit, Option

from discprep.cli.frame import Json, MachineOption, Quiet, command
from discprep.cli.send import PortArgument


def listen(
    port: PortArgument,
    manifest: Annotated[
        Path | None,
        Option(metavar="MANIFEST", help="What the line should be; differences are told."),
    ] = None,
    rate: Annotated[
        int | None,
        Option(
            "--baud",
            metavar="RATE",
            min=50,
            help="Line rate in bit/s; listen at it alone. [default: the manifest's, then the usual ones while nothing "
            "makes sense]",
        ),
    ] = None,
    framing: Annotated[str | None, Option(metavar="8N1", help="[default: the manifest's, else 8N1]")] = None,
    flow: Annotated[
        Literal["none", "rts-cts", "xon-xoff"] | None, Option(help="[default: the manifest's, else none]")
    ] = None,
    answer: Annotated[
        bool, Option("--answer", help="Take part in what the machine speaks: ping, a name, PPP's agreements.")
    ] = False,
    loop: Annotated[
        bool, Option("--loop", help="Send marks and tell whether they come back: a loop-back is in place.")
    ] = False,
    seconds: Annotated[float | None, Option(metavar="S", min=0, help="End after so long. [default: at Ctrl-C]")] = None,
    machine: MachineOption = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Tell in words what comes over a serial line, each thing with the rung of the bench sheet's ladder.

    Sends nothing, unless asked to. An adapter for logic levels (3.3 V or 5 V) is no RS-232; connect with both ends off.
    """
    with command("listen", as_json, quiet, lines=True) as frame:
        from discprep.job import listen as job
        from discprep.report import listen as face

        wish = job.Wish(port, manifest, rate, framing, flow, answer, loop, seconds)
        frame.tell(face, job.listen(wish, partial(frame.tell, face), frame.progress, machine=machine))
        raise Exit(0)

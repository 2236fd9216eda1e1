"""`discprep send`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from typer import Argument, Option

from discprep.cli.frame import Json, Quiet, command

PortArgument = Annotated[
    str, Argument(metavar="PORT", help="The serial port, such as /dev/ttyUSB0 or COM3.", show_default=False)
]
RateOption = Annotated[
    int,
    Option("--baud", metavar="RATE", help="Line rate in bit/s, as the machine is set.", min=50, show_default=False),
]
FramingOption = Annotated[str, Option(metavar="8N1", help="Data bits, parity and stop bits, as the machine is set.")]
FlowOption = Annotated[Literal["none", "rts-cts"], Option(help="Flow control, as the machine is set.")]
ProtocolOption = Annotated[
    Literal["xmodem", "xmodem-1k", "ymodem"], Option(help="What the machine's program receives by.")
]


def send(
    port: PortArgument,
    files: Annotated[list[Path], Argument(metavar="FILE…", help="What to send, in this order.")],
    rate: RateOption,
    protocol: ProtocolOption = "ymodem",
    framing: FramingOption = "8N1",
    flow: FlowOption = "none",
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Send files over a serial port by a block protocol, to a machine that has only a terminal program.

    Starts when the machine's program asks. An adapter for logic levels (3.3 V or 5 V) is no RS-232; connect with both
    ends off.
    """
    with command("send", as_json, quiet) as frame:
        from discprep.job import over_blocks as job
        from discprep.report import over_blocks as face

        wish = job.LineWish(port, rate, framing, flow, protocol)
        result = job.send(wish, files, frame.progress)
        frame.finish(face.document(result), face.text(result))

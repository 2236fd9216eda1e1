"""`discprep send`."""

from __future__ import annotations

from enum import Enum
from pathlib import Path
from typing import Annotated

import typer

from discprep.cli.frame import Json, Quiet, command


class BlockProtocol(Enum):
    """What is spoken on the line."""

    xmodem = "xmodem"
    xmodem_1k = "xmodem-1k"
    ymodem = "ymodem"


class FlowControl(Enum):
    """Who may hold the other back."""

    none = "none"
    rts_cts = "rts-cts"


PortArgument = Annotated[
    str, typer.Argument(metavar="PORT", help="The serial port, such as /dev/ttyUSB0 or COM3.", show_default=False)
]
RateOption = Annotated[
    int,
    typer.Option(
        "--baud", metavar="RATE", help="Line rate in bit/s, as the machine is set.", min=50, show_default=False
    ),
]
FramingOption = Annotated[
    str, typer.Option("--framing", metavar="8N1", help="Data bits, parity and stop bits, as the machine is set.")
]
FlowOption = Annotated[FlowControl, typer.Option("--flow", help="Flow control, as the machine is set.")]
ProtocolOption = Annotated[BlockProtocol, typer.Option("--protocol", help="What the machine's program receives by.")]


def send(
    port: PortArgument,
    files: Annotated[list[Path], typer.Argument(metavar="FILE…", help="What to send, in this order.")],
    rate: RateOption,
    protocol: ProtocolOption = BlockProtocol.ymodem,
    framing: FramingOption = "8N1",
    flow: FlowOption = FlowControl.none,
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

        wish = job.LineWish(port, rate, framing, flow.value, protocol.value)
        result = job.send(wish, files, frame.progress)
        frame.finish(face.document(result), face.text(result))

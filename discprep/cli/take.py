"""`discprep take`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from typer import Argument, Option

from discprep.cli.frame import Json, Quiet, command
from discprep.cli.send import FlowOption, FramingOption, PortArgument, ProtocolOption, RateOption


def take(
    port: PortArgument,
    folder: Annotated[Path, Argument(metavar="FOLDER", help="Where the files go; nothing there is replaced.")],
    rate: RateOption,
    protocol: ProtocolOption = "ymodem",
    name: Annotated[str, Option(metavar="FILE", help="The file's name, where the protocol tells none.")] = "",
    framing: FramingOption = "8N1",
    flow: FlowOption = "none",
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Take files that a machine sends over a serial port by a block protocol.

    A file gets its name when it is whole by the checks of all its blocks.
    """
    with command("take", as_json, quiet) as frame:
        from discprep.job import over_blocks as job
        from discprep.report import over_blocks as face

        wish = job.LineWish(port, rate, framing, flow, protocol)
        result = job.take(wish, folder, name, frame.progress)
        frame.finish(face.document(result), face.text(result))

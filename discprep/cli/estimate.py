"""`discprep estimate`."""

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

from typer import Argument, Option

from discprep.cli.frame import CacheOption, Json, MachineOption, Quiet, command, takes

# Options of these names are settings that `--over` can vary, and fields of the link.
VARIED = ("baud", "framing", "protocol", "mtu", "window", "latency_ms", "round_trip_ms", "error_rate", "ack_every",
          "turnaround_ms")  # fmt: skip
LINK = ("keep_alive", "name_lookup", "field_compression", "header_compression", "cap_bytes_s")


@dataclass(frozen=True)
class Options:
    """The command line as it was typed. None and empty: not said."""

    manifest: Annotated[
        Path | None, Argument(metavar="[MANIFEST]", help="A manifest: every item that is not always burned.")
    ] = None
    size_bytes: Annotated[int | None, Option(metavar="N", min=1, help="So many bytes, taken as random.")] = None
    file: Annotated[Path | None, Option(metavar="F", help="This file; its bytes that need an escape are counted.")] = (
        None
    )
    files: Annotated[int | None, Option(metavar="N", min=1, help="The size comes in so many files. [default: 1]")] = (
        None
    )
    baud: Annotated[str | None, Option(metavar="RATE", help="Line rate in bit/s.")] = None
    framing: Annotated[str | None, Option(metavar="8N1", help="Data bits, parity, stop bits.")] = None
    protocol: Annotated[
        str | None,
        Option(
            metavar="NAME",
            help="slip, cslip, ppp; or without a network xmodem, xmodem-crc, xmodem-1k, ymodem, ymodem-g, zmodem, "
            "kermit, kermit-long, kermit-streaming.",
        ),
    ] = None
    mtu: Annotated[str | None, Option(metavar="BYTES", help="Largest packet, headers included.")] = None
    window: Annotated[str | None, Option(metavar="BYTES", help="The machine's TCP receive window.")] = None
    latency_ms: Annotated[str | None, Option(metavar="MS", help="One way, from the bridge to the server.")] = None
    round_trip_ms: Annotated[str | None, Option(metavar="MS", help="There and back, as ping shows it.")] = None
    error_rate: Annotated[str | None, Option(metavar="E", help="Byte errors a byte, such as 1e-5.")] = None
    ack_every: Annotated[str | None, Option(metavar="1|2", help="Segments for each acknowledgement, if known.")] = None
    turnaround_ms: Annotated[
        str | None,
        Option(metavar="MS", help="Block protocols: from a block to its reply. [usual: 16]"),
    ] = None
    over: Annotated[
        str, Option(metavar="KEY=V1,V2,…", help="A table and a plot over one setting: baud=9600,19200.")
    ] = ""
    clock_hz: Annotated[int | None, Option(metavar="HZ", min=1, help="The machine's serial clock.")] = None
    divider: Annotated[str | None, Option(metavar="KIND", help="How it divides: n, n+1, 16n or 16n/16.")] = None
    bridge_clock_hz: Annotated[int | None, Option(metavar="HZ", min=1, help="The bridge's serial clock.")] = None
    bridge_divider: Annotated[str | None, Option(metavar="KIND", help="How the bridge divides.")] = None
    measured: Annotated[
        list[str] | None,
        Option(metavar="BYTES:SECONDS", help="A download you timed; calibrates. May be repeated."),
    ] = None
    log: Annotated[Path | None, Option(metavar="FILE", help="The log that `serve` wrote; calibrates.")] = None
    scheme: Annotated[Literal["http", "ftp"], Option(help="What brings the files.")] = "http"
    server: Annotated[
        Literal["own", "other"] | None,
        Option(
            help="own: discprep's, which never floods the line; other: any. [default: own with MANIFEST, else other]",
        ),
    ] = None
    keep_alive: Annotated[
        bool | None, Option("--keep-alive/--close-each", help="One connection for all files, or one for each.")
    ] = None
    name_lookup: Annotated[
        bool | None, Option("--name-lookup/--no-name-lookup", help="Count one name look-up over the line.")
    ] = None
    accm: Annotated[str | None, Option(metavar="HEX", help="PPP: map of escaped control characters.")] = None
    field_compression: Annotated[
        bool | None, Option("--field-compression/--full-fields", help="PPP: shorter protocol, address, control.")
    ] = None
    header_compression: Annotated[
        bool | None, Option("--header-compression/--full-headers", help="PPP: TCP/IP headers after RFC 1144.")
    ] = None
    cap_bytes_s: Annotated[float | None, Option(metavar="N", min=1, help="A limit of server or machine.")] = None
    segment_ms: Annotated[float | None, Option(metavar="MS", min=0, help="The machine's own time for a segment.")] = (
        None
    )
    machine: MachineOption = None
    cache: CacheOption = None
    as_json: Json = False
    quiet: Quiet = False


@takes(Options)
def estimate(said: Options) -> None:
    """Say how long a download takes over the serial link: best, expected and worst, and why.

    Give a manifest, or --size-bytes, or --file. Flags go before the manifest's own settings.
    """
    with command("estimate", said.as_json, said.quiet) as frame:
        from discprep.job.estimate import Asked, read_map
        from discprep.job.estimate import estimate as job
        from discprep.report import estimate as face

        link = {name: getattr(said, name) for name in LINK} | {
            "accm": read_map(said.accm), "segment_s": None if said.segment_ms is None else said.segment_ms / 1000,
        }  # fmt: skip
        found = job(Asked(
            said.manifest, said.machine, said.size_bytes, said.file, said.files or 1, said.scheme, said.server,
            settings={name.replace("_", "-"): value for name in VARIED if (value := getattr(said, name)) is not None},
            link={name: value for name, value in link.items() if value is not None},
            machine_clock=(said.clock_hz, said.divider), bridge_clock=(said.bridge_clock_hz, said.bridge_divider),
            over=said.over, measured=tuple(said.measured or ()), log=said.log, cache=said.cache,
        ), frame.progress)  # fmt: skip
        frame.finish(face.document(found), face.text(found), notices=found.notices)

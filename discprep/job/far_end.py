"""This computer as the far end of the machine's line: the manifest's settings, an open port, what to say about both."""

from __future__ import annotations

from collections.abc import Iterator
from ipaddress import IPv4Address

from discprep.errors import ManifestError, UsageError
from discprep.link.encapsulation import negotiated
from discprep.link.ends import bridge_flow
from discprep.model import LinkSettings, Manifest, Notice, Progress
from discprep.peer.port import Port
from discprep.serve.exchange import Answers
from discprep.serve.line_server import Ends, LineServer
from discprep.serve.reach import Reachable

# Where the manifest names none: addresses of a private network (RFC 1918) that few use.
OWN, MACHINE = IPv4Address("192.168.77.1"), IPv4Address("192.168.77.2")


def link_of(manifest: Manifest) -> LinkSettings:
    """The line as the manifest sets it.

    Raises:
        UsageError: it sets none, or one whose characters have fewer than 8 bits
    """
    if manifest.link is None:
        raise UsageError(
            "serve --serial needs to know the line",
            where=str(manifest.path),
            hint='Add a [link] with rate and protocol, as the machine is set: rate = 19200, protocol = "slip".',
        )
    if not manifest.link.framing.startswith("8"):
        raise UsageError(
            f"{manifest.link.framing} carries no whole bytes, and {manifest.link.protocol} needs them",
            where=str(manifest.path), hint="Set 8N1 on the machine and in [link].",
        )  # fmt: skip
    return manifest.link


def ends_of(manifest: Manifest) -> Ends:
    """The two addresses: those of the bridge, whose place this computer takes.

    Raises:
        ManifestError: one is no IPv4 address, or both are the same
    """
    bridge = manifest.bridge
    own = _address(manifest, bridge.address if bridge else "", OWN)
    machine = _address(manifest, bridge.machine_address if bridge else "", MACHINE)
    if own == machine:
        raise ManifestError(f"both ends of the line have the address {own}", where=str(manifest.path),
                            hint="Set bridge.address and bridge.machine_address apart.")  # fmt: skip
    return Ends(own, machine)


def _address(manifest: Manifest, text: str, default: IPv4Address) -> IPv4Address:
    try:
        return IPv4Address(text) if text else default
    except ValueError:
        raise ManifestError(f"{text!r} is no IPv4 address", where=str(manifest.path),
                            hint="The line knows addresses such as 192.0.2.1.") from None  # fmt: skip


def open_line(
    manifest: Manifest, link: LinkSettings, name: str, answers: Answers, progress: Progress
) -> LineServer:
    """Opens the port and stands at its line.

    Raises:
        ManifestError, UsageError: addresses, or the port
    """
    ends = ends_of(manifest)
    flow = bridge_flow(manifest.bridge, manifest.profile)
    port = Port(name, link.rate_bit_s, link.framing, flow)
    link = negotiated(link, xon_xoff=flow == "xon-xoff")
    return LineServer(port, link, ends, answers, say=progress.say)


def at_the_line(manifest: Manifest, link: LinkSettings, name: str) -> tuple[Reachable, ...]:
    """Where the shelf answers: at one address, which the machine alone can reach."""
    ends = ends_of(manifest)
    return (Reachable(str(ends.own), 80, f"the machine on {name}, as {ends.machine}, and nobody else", False),)


def line_notices(manifest: Manifest, link: LinkSettings) -> Iterator[Notice]:
    """What is to be set on the machine, and the usual cautions."""
    ends = ends_of(manifest)
    words = f"{link.rate_bit_s} {link.framing}, {link.protocol.upper()}, MTU {link.mtu_bytes}"
    yield Notice(
        f"set on the machine: {words}; its address {ends.machine}, the other end and the name server {ends.own}",
        hint="The name `shelf` stands for the other end.",
    )
    yield LEVELS


LEVELS = Notice(
    "an adapter for logic levels (3.3 V or 5 V) is no RS-232: on an RS-232 plug it is destroyed, or the port is",
    hint="Use one that says RS-232, or a level shifter between; both ends off before you connect, ground first. "
    "The maker's papers decide.",
)

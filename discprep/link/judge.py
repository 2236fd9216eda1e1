"""What is wrong with a link's settings, asked in one place: what the ends disagree about, and what costs an evening."""

from __future__ import annotations

from dataclasses import replace

from discprep.link import tcp
from discprep.link.ends import compare_ends, overruns
from discprep.link.path import first_flight_packets, overflows, path_of
from discprep.link.trouble import SLOWER, Trouble
from discprep.model import BridgeSettings, LinkSettings, Notice, Profile


def troubles(
    link: LinkSettings, bridge: BridgeSettings | None, profile: Profile | None, *, other_server: bool
) -> tuple[Trouble, ...]:
    """What makes the link impossible, loses characters or costs time, as far as both ends are described.
    `other_server`: it may be any at the other end, not one that knows its line."""
    ends = (*compare_ends(link, bridge, profile), *overruns(link, profile, bridge))
    if not other_server:
        return ends
    return (*ends, *resends(link, bridge, profile), *drops(link, bridge, profile))


def resends(link: LinkSettings, bridge: BridgeSettings | None, profile: Profile | None) -> tuple[Trouble, ...]:
    """Whether a server will send again what is still queued in the bridge; `advice` looks for what avoids it.

    The server's first timeout comes from the handshake, which holds no full segment; on a slow line the first
    acknowledgement comes later than that.
    """
    path = path_of(link, bridge, profile)
    if not tcp.resends_needlessly(replace(path, ack_every=link.ack_every or 2)):
        return ()
    sure = tcp.resends_needlessly(path)
    return (Trouble("resend", SLOWER, Notice(
        f"a full packet of {link.mtu_bytes} bytes takes {path.segment_wire_s:.2f} s at {link.rate_bit_s:,} bit/s; "
        f"the server {'will' if sure else 'may'} take it for lost and send again what is still queued"
    )),)  # fmt: skip


def drops(link: LinkSettings, bridge: BridgeSettings | None, profile: Profile | None) -> tuple[Trouble, ...]:
    """Whether the bridge drops what a server sends at first; `advice` looks for what avoids it."""
    path = path_of(link, bridge, profile)
    if not overflows(path):
        return ()
    return (Trouble("overflow", SLOWER, Notice(
        f"the bridge holds {path.buffer_packets} packets, and a server sends up to {first_flight_packets(path)} at "
        "once: what finds no room is lost and sent again"
    )),)  # fmt: skip

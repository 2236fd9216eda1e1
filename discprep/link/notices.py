"""What the link will do that costs an evening, in words."""

from __future__ import annotations

from dataclasses import replace

from discprep.link import tcp
from discprep.link.encapsulation import conventional_mtus
from discprep.link.path import first_flight_packets, overflows, path_of
from discprep.link.trouble import SLOWER, Trouble
from discprep.model import BridgeSettings, LinkSettings, Notice, Profile


def resends(link: LinkSettings, bridge: BridgeSettings | None, profile: Profile | None) -> tuple[Trouble, ...]:
    """Whether a server will send again what is still queued in the bridge, and the MTU that avoids it.

    The server's first timeout comes from the handshake, which holds no full segment; on a slow line the first
    acknowledgement comes later than that.
    """
    path = path_of(link, bridge, profile)
    if not tcp.resends_needlessly(replace(path, ack_every=link.ack_every or 2)):
        return ()
    sure = tcp.resends_needlessly(path)
    return (Trouble("resend", SLOWER, Notice(
        f"a full packet of {link.mtu_bytes} bytes takes {path.segment_wire_s:.2f} s at {link.rate_bit_s:,} bit/s; "
        f"the server {'will' if sure else 'may'} take it for lost and send again what is still queued",
        hint=_smaller_mtu(link, bridge, profile),
    )),)  # fmt: skip


def drops(link: LinkSettings, bridge: BridgeSettings | None, profile: Profile | None) -> tuple[Trouble, ...]:
    """Whether the bridge drops what a server sends at first, and the window that avoids it."""
    path = path_of(link, bridge, profile)
    if not overflows(path):
        return ()
    quiet_bytes = (path.buffer_packets - 1) * path.mss_bytes  # one place is for the answer to the request
    return (Trouble("overflow", SLOWER, Notice(
        f"the bridge holds {path.buffer_packets} packets, and a server sends up to {first_flight_packets(path)} at "
        "once: what finds no room is lost and sent again",
        hint=f"A receive window of {quiet_bytes} bytes or less avoids it." if quiet_bytes
        else "Only a larger buffer avoids it.",
    )),)  # fmt: skip


def quiet_mtu(link: LinkSettings, bridge: BridgeSettings | None, profile: Profile | None) -> int | None:
    """The largest conventional MTU at which no server sends again needlessly; None: not even the smallest."""
    for mtu in sorted(conventional_mtus(), reverse=True):
        path = path_of(replace(link, mtu_bytes=mtu), bridge, profile)
        if path.segment_wire_s <= 0.2 / (link.ack_every or 2):
            return mtu
    return None


def _smaller_mtu(link: LinkSettings, bridge: BridgeSettings | None, profile: Profile | None) -> str:
    mtu = quiet_mtu(link, bridge, profile)
    if mtu is None:
        return "None of the usual MTUs avoids it at this rate; a faster line does."
    return (
        f"An MTU of {mtu} or less on both ends avoids it, at the price of more headers: "
        f"discprep estimate --over mtu={mtu},{link.mtu_bytes} compares."
    )

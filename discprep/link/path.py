"""The way that the settings of both ends make for TCP. A check of a manifest needs this and nothing of `transfer`."""

from __future__ import annotations

import math

from discprep.link import tcp
from discprep.link.encapsulation import encapsulation, negotiated
from discprep.link.ends import bridge_rate, machine_rate
from discprep.link.line import characters_per_second
from discprep.model import BridgeSettings, LinkSettings, Profile

WINDOW_BYTES = 8192  # taken when no window is told, 4096 to 16384 as range: common practice, no source


def path_of(link: LinkSettings, bridge: BridgeSettings | None, profile: Profile | None) -> tcp.Path:
    """The way that these settings make for random bytes, every unknown at its usual value."""
    link = negotiated(link, xon_xoff="xon-xoff" in (bridge and bridge.flow, profile and profile.serial_flow))
    known = (bridge.address, bridge.machine_address) if bridge else ()
    window = link.window_bytes or WINDOW_BYTES
    return tcp.Path(
        down_char_s=characters_per_second(bridge_rate(bridge, link.rate_bit_s).actual_bit_s, link.framing),
        up_char_s=characters_per_second(machine_rate(profile, link.rate_bit_s).actual_bit_s, link.framing),
        encapsulation=encapsulation(link, addresses=tuple(address for address in known if address)),
        mss_bytes=tcp.sent_segment_size(link.mtu_bytes, window),
        window_bytes=window,
        round_trip_s=link.round_trip_s,
        ack_every=link.ack_every or 1,
        segment_s=link.segment_s,
        cap_bytes_s=link.cap_bytes_s or math.inf,
        buffer_packets=(bridge.buffer_packets or 0) if bridge else 0,
    )


def first_flight_packets(path: tcp.Path) -> int:
    """What a server may send before the first acknowledgement: its own of the request, and full segments after RFC 6928
    or as the window holds."""
    return 1 + min(tcp.initial_window(path.mss_bytes) // path.mss_bytes, path.window_segments)


def overflows(path: tcp.Path) -> bool:
    """Whether a server's first packets do not all find room in the bridge."""
    return 0 < path.buffer_packets < first_flight_packets(path)

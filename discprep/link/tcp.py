"""TCP over a slow line: closed forms for one connection on which a file comes down and acknowledgements go up.

    MSS          s  = MTU - 40                              RFC 879, RFC 6691
    segment      Ts = wire bytes of a full segment / characters a second
    round trip   R  = what the network takes without the serial line
    a            wire time of one acknowledgement
    window       w  = whole segments in the receiver's window
    d            segments for each acknowledgement, 1 or 2   RFC 1122 4.2.3.2
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from discprep.link.encapsulation import HEADER_BYTES, SYN_BYTES, Encapsulation

ACK_DELAY_S = 0.2  # common practice, no source; RFC 1122 asks for less than 0.5 s
RTO_FLOOR_S = 0.2  # what servers in use take for the variance term; RFC 6298 2.4 asks for a whole second
REQUEST_BYTES = 100  # a short HTTP request; real ones have 100 to 400: common practice, no source
WORST_LOSS = 0.999  # beyond it nothing comes through in any time worth a number
FAST_RETRANSMIT_SEGMENTS = 4  # in flight, so that three duplicate acknowledgements can come (RFC 5681 3.2)


def segment_size(mtu_bytes: int) -> int:
    """The MSS [B] for an MTU: 40 bytes of headers off."""
    return mtu_bytes - HEADER_BYTES


def sent_segment_size(mtu_bytes: int, window_bytes: float) -> int:
    """The segments [B] that a sender makes: the MSS, or half of a small window, so that one is on its way while the
    other is acknowledged (RFC 1122 4.2.3.4; servers in use do so above the default MSS of 536)."""
    most = window_bytes / 2 if window_bytes > 536 else window_bytes
    return max(1, min(segment_size(mtu_bytes), int(most)))


def initial_window(mss_bytes: int) -> int:
    """Bytes that a sender may have in flight at first: RFC 6928."""
    return min(10 * mss_bytes, max(2 * mss_bytes, 14_600))


def initial_window_older(mss_bytes: int) -> int:
    """Segments that a sender of the older rule starts with: RFC 5681 3.1."""
    return 2 if mss_bytes > 2190 else 3 if mss_bytes > 1095 else 4


@dataclass(frozen=True, slots=True)
class Path:
    """One connection's way: the line in both directions, its packets, the network behind it."""

    down_char_s: float
    up_char_s: float
    encapsulation: Encapsulation
    mss_bytes: int
    window_bytes: float
    round_trip_s: float
    ack_every: int = 1
    segment_s: float = 0.0  # the machine's own time for a segment
    cap_bytes_s: float = math.inf
    buffer_packets: int = 0  # that the bridge holds; 0: any number

    @property
    def segment_wire_s(self) -> float:
        """Ts: a full segment on the wire."""
        return self.encapsulation.segment_bytes(self.mss_bytes) / self.down_char_s

    def packet_s(self, data_bytes: int, *, again: bool = False) -> float:
        """What one segment takes on its way: line, machine or cap. `again`: it steps back, so that its header is not
        compressed."""
        wire_s = self.encapsulation.segment_bytes(data_bytes, compressed=not again) / self.down_char_s
        return max(wire_s, self.segment_s, data_bytes / self.cap_bytes_s)

    @property
    def pace_s(self) -> float:
        """The time from one full segment to the next when nothing waits: line, machine or cap."""
        return max(self.segment_wire_s, self.segment_s, self.mss_bytes / self.cap_bytes_s)

    @property
    def ack_s(self) -> float:
        """a: an acknowledgement on the wire."""
        return self.encapsulation.ack_bytes() / self.up_char_s

    @property
    def window_segments(self) -> int:
        """w: whole segments in the window, at least one."""
        return max(1, int(self.window_bytes // self.mss_bytes))


def handshake_s(path: Path) -> float:
    """T_conn [s]: SYN up, SYN with ACK down, and the network between."""
    size_bytes = path.encapsulation.control_bytes(SYN_BYTES - HEADER_BYTES)
    return size_bytes / path.up_char_s + size_bytes / path.down_char_s + path.round_trip_s


def first_round_trip_s(path: Path) -> float:
    """What the server sees in the handshake [s]: SYN with ACK down, the ACK up, whose header is not compressed yet."""
    encapsulation = path.encapsulation
    down_s = encapsulation.control_bytes(SYN_BYTES - HEADER_BYTES) / path.down_char_s
    return down_s + encapsulation.control_bytes() / path.up_char_s + path.round_trip_s


def request_s(path: Path, request_bytes: int) -> float:
    """T_req [s]: the handshake's ACK and the request share the way up, then the network there and back.

    The ACK is the first of its connection that could be compressed, so it is not (RFC 1144 3.2.3); nothing steps
    between it and the request.
    """
    wire = path.encapsulation
    up = wire.control_bytes() + wire.segment_header + wire.growth * request_bytes + wire.frame_bytes
    return up / path.up_char_s + path.round_trip_s


def answer_s(path: Path) -> float:
    """The server's ACK of a connection's first request on its way down [s], before the first data: servers in use
    send it at once, and later ones along with data. As the first of its direction it is never compressed."""
    return path.encapsulation.control_bytes() / path.down_char_s


def close_s(path: Path) -> float:
    """What goes up after a file before the next connection's SYN can [s]: its last ACK and the FIN."""
    return path.ack_s + path.encapsulation.control_bytes() / path.up_char_s


def exchange_s(path: Path, up_bytes: int, down_bytes: int) -> float:
    """A command up and a reply down [s], each in a segment of its own, and the network there and back."""
    wire = path.encapsulation
    up = wire.ack_bytes() + wire.growth * up_bytes
    return up / path.up_char_s + (wire.ack_bytes() + wire.growth * down_bytes) / path.down_char_s + path.round_trip_s


def query_bytes(name: str) -> tuple[int, int]:
    """IP bytes of a name query and of its answer with one address (RFC 1035 4.1, 3.1)."""
    query = 20 + 8 + 12 + (len(name) + 2) + 4
    return query, query + 16


def lookup_s(path: Path, name: str) -> float:
    """T_dns [s]: one query over the line."""
    query, answer = query_bytes(name)
    up = path.encapsulation.wire_bytes(query) / path.up_char_s
    return up + path.encapsulation.wire_bytes(answer) / path.down_char_s + path.round_trip_s


def first_timeout_s(path: Path) -> float:
    """The sender's first retransmission timeout [s], from the handshake's round trip, which holds no full segment.

    RFC 6298 2.2 with the variance term floored at 0.2 s, as servers in use do.
    """
    round_trip_s = handshake_s(path)
    return round_trip_s + max(RTO_FLOOR_S, 2 * round_trip_s)


def first_ack_s(path: Path) -> float:
    """When the sender sees the acknowledgement of its first d segments [s]."""
    return path.ack_every * path.segment_wire_s + path.ack_s + path.round_trip_s


def resends_needlessly(path: Path) -> bool:
    """Whether the first timeout ends before the first acknowledgement can come: the sender then sends again what is
    still queued in the bridge.
    """
    return first_ack_s(path) > first_timeout_s(path)


def segment_loss(path: Path, error_rate: float) -> float:
    """p: the probability that a full segment is hurt, from the byte error rate; at most `WORST_LOSS`."""
    return min(WORST_LOSS, -math.expm1(path.encapsulation.segment_bytes(path.mss_bytes) * math.log1p(-error_rate)))

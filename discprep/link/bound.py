"""How much a sender that knows its line has under way, so that nothing queued is ever taken for lost and sent again.

A kernel learns its timeout from the handshake, which holds no full segment. So the first bytes go in pairs of pieces
that fit into the timeout, a pair on the line and one behind it, and the timeout grows with each; in pairs, as a machine
that acknowledges every second segment answers those at once (RFC 1122 4.2.3.2). When two full segments fit, as many are
kept under way as the line holds while an acknowledgement comes back, and no more: what is queued beyond only waits.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from discprep.link.tcp import Path

SHARE_OF_TIMEOUT = 0.8  # that an acknowledgement may take: timers and the line's rate are not exact
LEAST_PIECE_BYTES = 24  # below it a piece is mostly header
_NEARLY = 1.001


@dataclass(frozen=True, slots=True)
class UnderWay:
    """What is on the line and not acknowledged yet: packets, and the seconds on the wire that they take; those of the
    asking connection and those of all others."""

    own_packets: int = 0
    own_s: float = 0.0
    other_packets: int = 0
    other_s: float = 0.0


def depth_packets(path: Path, round_trip_s: float) -> int:
    """Full segments that keep the line busy until acknowledgements come back: what one round trip holds, and those
    that one acknowledgement waits for. At most what the bridge holds, one place kept for the answer to a request."""
    on_the_way = math.ceil((path.ack_s + round_trip_s) / path.pace_s)
    wanted = on_the_way + 2
    return max(1, min(wanted, path.buffer_packets - 1)) if path.buffer_packets else wanted


def blind_bytes(path: Path) -> int:
    """The smallest buffer [B] for a system that tells nothing: one segment on the line and one behind it."""
    return 2 * path.mss_bytes


def pieces(
    path: Path, left_bytes: int, under_way: UnderWay, timeout_s: float, round_trip_s: float, *, began: bool
) -> tuple[int, ...]:
    """The sizes [B] of the pieces that may go out now, each a packet of its own; none: not yet.

    Args:
        path: the line, with the connection's own segment size
        left_bytes: what is left to send, above zero
        timeout_s: the kernel's timeout as it stands
        round_trip_s: of the network without the line
        began: whether anything of this connection was acknowledged before
    """
    waited_s = under_way.other_s if not under_way.own_packets else 0.0  # the timer starts anew at each acknowledgement
    spare_s = SHARE_OF_TIMEOUT * timeout_s - path.ack_s - round_trip_s
    if 2 * path.pace_s <= spare_s - waited_s:
        return (min(path.mss_bytes, left_bytes),) if _has_room(path, under_way, round_trip_s) else ()
    if under_way.own_packets + under_way.other_packets > _pair_ahead(path, began=began):
        return ()
    size_bytes = _fitting(path, (spare_s - under_way.other_s) / 2)
    if size_bytes < LEAST_PIECE_BYTES:
        if under_way.own_packets or under_way.other_packets:
            return ()
        size_bytes = LEAST_PIECE_BYTES
    first = min(size_bytes, math.ceil(left_bytes / 2))
    second = min(size_bytes, left_bytes - first)
    return (first, second) if second else (first,)


def _has_room(path: Path, under_way: UnderWay, round_trip_s: float) -> bool:
    """Whether one more full segment is within what the line holds."""
    depth = depth_packets(path, round_trip_s)
    line_s = under_way.own_s + under_way.other_s + path.pace_s
    return under_way.own_packets < depth and line_s <= depth * path.pace_s * _NEARLY


def _pair_ahead(path: Path, *, began: bool) -> int:
    """Packets that may be under way when the next pair goes: one pair, once the answer to the request is off the
    line, so that it is never idle; none through a bridge that does not hold two pairs."""
    return 2 if began and (not path.buffer_packets or path.buffer_packets >= 4) else 0


def _fitting(path: Path, wire_s: float) -> int:
    """Data bytes of the largest piece that the line carries in so many seconds, at most a full segment."""
    wire = path.encapsulation
    data_bytes = (wire_s * path.down_char_s - wire.full_header - wire.frame_bytes) / wire.data_growth
    return max(0, min(path.mss_bytes, int(data_bytes)))

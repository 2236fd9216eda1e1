"""Judges of the link's model: the closed form of a window-limited rate, and a whole download in one call."""

from typing import Any

from discprep.link.tcp import ACK_DELAY_S, Path
from discprep.link.transfer import Transfer, estimate
from discprep.model import Escapes, Seconds


def download(size_bytes: int, *, escapes: Escapes | None, files: int = 1, **ends: Any) -> Seconds:
    """The range of a download over HTTP, `ends` being link, bridge and profile."""
    return estimate(Transfer(size_bytes, escapes, files), **ends).seconds


def window_rate(path: Path) -> float:
    """Payload bytes a second [B/s] in the long run: the line's rate or what the window lets through a round trip, which
    includes the serialisation of the d segments that one acknowledgement waits for."""
    w, d, s = path.window_segments, path.ack_every, path.mss_bytes
    if w < d:
        return w * s / (w * path.pace_s + ACK_DELAY_S + path.ack_s + path.round_trip_s)
    whole, rest = divmod(w, d)
    return min(s / path.pace_s, d * whole * s / ((d - rest) * path.pace_s + path.ack_s + path.round_trip_s))

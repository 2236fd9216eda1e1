"""Whole downloads: what a size takes over the line, as a range, with the parts of the expected time."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from discprep.link import tcp
from discprep.link.encapsulation import COMPRESSED_BYTES, encapsulation, growth_of
from discprep.link.ends import bridge_rate, machine_rate
from discprep.link.line import parse_framing
from discprep.model import BridgeSettings, LinkSettings, Profile, Seconds

REQUEST_BYTES = 100  # a short HTTP request; real ones have 100 to 400: common practice, no source
REPLY_BYTES = 200  # the head of the reply; real ones have 200 to 400: common practice, no source
LOOKUP_NAME = "www.files.example"
WINDOW_BYTES = 8192  # taken when no window is told: common practice, no source

Parts = dict[str, float]


@dataclass(frozen=True, slots=True)
class Transfer:
    """What is to come down: so many bytes in so many files. `escapes` (slip, ppp) are counted, or None."""

    size_bytes: int
    escapes: tuple[int, int] | None = None
    files: int = 1
    request_bytes: int = REQUEST_BYTES
    reply_bytes: int = REPLY_BYTES


def download(
    size_bytes: int,
    *,
    escapes: tuple[int, int] | None,
    link: LinkSettings,
    bridge: BridgeSettings | None,
    profile: Profile | None,
    files: int = 1,
) -> Seconds:
    """Seconds for `files` files of together `size_bytes` over HTTP, best, expected and worst.

    `escapes` (slip, ppp) are the file's counted bytes that need an escape; None takes random bytes. The parts sum to
    the expected time.
    """
    transfer = Transfer(size_bytes, escapes, files)
    times = [parts_of(transfer, path, link) for path in paths(transfer, link, bridge, profile)]
    best, expected, worst = (sum(parts.values()) for parts in times)
    ordered = sorted([best, expected, worst])
    return Seconds(ordered[0], expected, ordered[2], tuple(times[1].items()))


def paths(
    transfer: Transfer, link: LinkSettings, bridge: BridgeSettings | None, profile: Profile | None
) -> tuple[tcp.Path, tcp.Path, tcp.Path]:
    """The way in its best, expected and worst case, from what is not known for certain."""
    path = path_of(transfer, link, bridge, profile)
    habit = (link.ack_every, link.ack_every, link.ack_every) if link.ack_every else (1, 1, 2)
    windows = (path.window_bytes,) * 3 if link.window_bytes else (2 * WINDOW_BYTES, WINDOW_BYTES, WINDOW_BYTES / 2)
    latency = (0.8, 1.0, 1.25)
    return tuple(  # type: ignore[return-value]
        replace(path, ack_every=d, window_bytes=w, round_trip_s=path.round_trip_s * x)
        for d, w, x in zip(habit, windows, latency, strict=True)
    )


def path_of(
    transfer: Transfer, link: LinkSettings, bridge: BridgeSettings | None, profile: Profile | None
) -> tcp.Path:
    """The way that these settings make, every unknown at its expected value."""
    bits = parse_framing(link.framing).bits
    known = (bridge.address, bridge.machine_address) if bridge else ()
    return tcp.Path(
        down_char_s=bridge_rate(bridge, link.rate_bit_s).actual_bit_s / bits,
        up_char_s=machine_rate(profile, link.rate_bit_s).actual_bit_s / bits,
        encapsulation=encapsulation(
            link,
            data_growth=growth_of(transfer.size_bytes, transfer.escapes, link),
            addresses=tuple(address for address in known if address),
        ),
        mss_bytes=tcp.segment_size(link.mtu_bytes),
        window_bytes=link.window_bytes or WINDOW_BYTES,
        round_trip_s=link.round_trip_s,
        ack_every=link.ack_every or 1,
        segment_s=link.segment_s,
        cap_bytes_s=link.cap_bytes_s or math.inf,
    )


def parts_of(transfer: Transfer, path: tcp.Path, link: LinkSettings) -> Parts:
    """The parts [s] of one case; they sum to its time."""
    files, encapsulation_ = transfer.files, path.encapsulation
    connections = 1 if link.keep_alive else files
    body = transfer.size_bytes + transfer.reply_bytes * files
    segments = max(files, math.ceil(body / files / path.mss_bytes) * files)
    line_s = _line_parts(transfer, path, segments, body)
    on_line = sum(line_s.values())
    loss = tcp.segment_loss(path, link.error_rate)
    return {
        "name look-up": tcp.lookup_s(path, LOOKUP_NAME) if link.name_lookup else 0.0,
        "connect": connections * tcp.handshake_s(path),
        "request": files * tcp.request_s(path, transfer.request_bytes),
        **line_s,
        "waiting for the window": max(0.0, body / min(tcp.window_rate(path), path.mss_bytes / path.pace_s) - on_line),
        "sent again needlessly": connections * _needless_s(path, segments / connections),
        "line errors": on_line * loss / (1 - loss) + _stalls(path, encapsulation_.compressed, segments, loss),
    }


def _line_parts(transfer: Transfer, path: tcp.Path, segments: int, body_bytes: int) -> Parts:
    wire = path.encapsulation
    escapes = (wire.data_growth - 1) * body_bytes + segments * (wire.segment_header - _header_bytes(path))
    return {
        "payload": transfer.size_bytes / path.down_char_s,
        "reply heads": (body_bytes - transfer.size_bytes) / path.down_char_s,
        "headers": segments * _header_bytes(path) / path.down_char_s,
        "escapes": escapes / path.down_char_s,
        "framing": segments * wire.frame_bytes / path.down_char_s,
    }


def _header_bytes(path: tcp.Path) -> int:
    return COMPRESSED_BYTES if path.encapsulation.compressed else 40


def _needless_s(path: tcp.Path, segments: float) -> float:
    if not tcp.resends_needlessly(path):
        return 0.0
    in_flight = min(10, path.window_segments, segments)
    return in_flight * path.segment_wire_s


def _stalls(path: tcp.Path, compressed: bool, segments: int, loss: float) -> float:
    if path.window_segments >= tcp.FAST_RETRANSMIT_SEGMENTS and not compressed:
        return 0.0
    smoothed = path.window_segments * path.segment_wire_s + path.ack_s + path.round_trip_s
    return segments * loss / (1 - loss) * (smoothed + tcp.RTO_FLOOR_S)



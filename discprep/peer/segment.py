"""TCP segments as bytes (RFC 9293 3.1), with the one option that is used: the largest segment."""

from __future__ import annotations

import struct
from dataclasses import dataclass, replace
from ipaddress import IPv4Address

from discprep.peer.ip import TCP, Packet, checksum, pseudo_header, summed

FIN, SYN, RST, PSH, ACK = 1, 2, 4, 8, 16
DEFAULT_MSS = 536  # RFC 9293 3.7.1
_END, _NOTHING, _MSS = 0, 1, 2


@dataclass(frozen=True, slots=True)
class Segment:
    """One segment. Sequence numbers are those on the wire; `mss` is 0 where the option is not there."""

    source_port: int
    target_port: int
    seq: int
    ack: int
    flags: int
    window: int
    data: bytes = b""
    mss: int = 0


def parse(packet: Packet) -> Segment | None:
    """The segment in a packet; None where its checksum or its lengths are wrong."""
    data = packet.payload
    if packet.protocol != TCP or len(data) < 20:
        return None
    source, target, seq, ack, offset, flags, window = struct.unpack_from("!HHIIBBH", data)
    start = (offset >> 4) * 4
    if not 20 <= start <= len(data) or checksum(pseudo_header(packet) + data):
        return None
    return Segment(source, target, seq, ack, flags & 0x3F, window, data[start:], _mss(data[20:start]))


def _mss(options: bytes) -> int:
    at = 0
    while at < len(options) and options[at] != _END:
        if options[at] == _NOTHING:
            at += 1
            continue
        size = options[at + 1] if at + 1 < len(options) else 0
        if size < 2 or at + size > len(options):
            break
        if options[at] == _MSS and size == 4:
            return int.from_bytes(options[at + 2 : at + 4], "big")
        at += size
    return 0


def build(segment: Segment, source: IPv4Address, target: IPv4Address) -> Packet:
    """The packet of a segment."""
    options = struct.pack("!BBH", _MSS, 4, segment.mss) if segment.mss else b""
    head = struct.pack(
        "!HHIIBBHHH", segment.source_port, segment.target_port, segment.seq & 0xFFFFFFFF, segment.ack & 0xFFFFFFFF,
        (20 + len(options)) << 2, segment.flags, segment.window, 0, 0,
    )  # fmt: skip
    plain = Packet(source, target, TCP, head + options + segment.data)
    return replace(plain, payload=summed(plain.payload, 16, pseudo_header(plain)))


def reset_for(segment: Segment) -> Segment | None:
    """What a segment to nobody gets (RFC 9293 3.5.2, group 1); None for a reset, which gets nothing."""
    if segment.flags & RST:
        return None
    length = len(segment.data) + bool(segment.flags & SYN) + bool(segment.flags & FIN)
    if segment.flags & ACK:
        return Segment(segment.target_port, segment.source_port, segment.ack, 0, RST, 0)
    return Segment(segment.target_port, segment.source_port, 0, segment.seq + length, RST | ACK, 0)

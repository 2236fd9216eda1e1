"""ICMP (RFC 792): echo, and what cannot be reached."""

from __future__ import annotations

import struct
from ipaddress import IPv4Address

from discprep.peer.ip import ICMP, Packet, checksum, summed

ECHO_REPLY, UNREACHABLE, ECHO = 0, 3, 8
HOST, PORT = 1, 3  # codes of "unreachable"


def echo_reply(packet: Packet) -> Packet | None:
    """The answer to a ping; None for any other message or a hurt one."""
    data = packet.payload
    if len(data) < 8 or data[0] != ECHO or data[1] or checksum(data):
        return None
    return Packet(packet.target, packet.source, ICMP, _message(ECHO_REPLY, 0, data[4:]))


def unreachable(packet: Packet, code: int, source: IPv4Address) -> Packet:
    """ "Nothing of that address, or port, here": the packet's header and eight bytes go back with it."""
    told = bytes(4) + packet.header + packet.payload[:8]
    return Packet(source, packet.source, ICMP, _message(UNREACHABLE, code, told))


def _message(kind: int, code: int, rest: bytes) -> bytes:
    return summed(struct.pack("!BBH", kind, code, 0) + rest, 2)

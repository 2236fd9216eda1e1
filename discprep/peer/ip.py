"""IPv4 packets without options of ours and without fragments (RFC 791), and the checksum of RFC 1071."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from ipaddress import IPv4Address

ICMP, TCP, UDP = 1, 6, 17
HEADER_BYTES = 20
_DO_NOT_FRAGMENT, _FRAGMENT = 0x4000, 0x3FFF
_TTL = 64


@dataclass(frozen=True, slots=True)
class Packet:
    """One packet: the two addresses, what it carries, and its whole header as it came, for what is told back."""

    source: IPv4Address
    target: IPv4Address
    protocol: int
    payload: bytes
    header: bytes = b""


def checksum(data: bytes) -> int:
    """RFC 1071: the complement of the ones' complement sum of 16-bit words.

    >>> hex(checksum(bytes.fromhex("0001f203f4f5f6f7")))
    '0x220d'
    """
    if len(data) % 2:
        data += b"\0"
    total: int = sum(struct.unpack(f"!{len(data) // 2}H", data))
    while total >> 16:
        total = (total & 0xFFFF) + (total >> 16)
    return ~total & 0xFFFF


def summed(data: bytes, at: int, before: bytes = b"") -> bytes:
    """The bytes with the checksum over `before` and themselves at `at`, where two zeros stand."""
    return data[:at] + checksum(before + data).to_bytes(2, "big") + data[at + 2 :]


def parse(data: bytes) -> Packet | None:
    """The packet in `data`; None for what is no whole, sound, unfragmented IPv4 packet."""
    if len(data) < HEADER_BYTES or data[0] >> 4 != 4:
        return None
    header_bytes = (data[0] & 0x0F) * 4
    length, _, fragment = struct.unpack_from("!HHH", data, 2)
    if not HEADER_BYTES <= header_bytes <= length <= len(data) or fragment & _FRAGMENT:
        return None
    header = data[:header_bytes]
    if checksum(header):
        return None
    source, target = IPv4Address(data[12:16]), IPv4Address(data[16:20])
    return Packet(source, target, data[9], data[header_bytes:length], header)


def build(packet: Packet, ident: int) -> bytes:
    """The bytes of a packet; it may not be fragmented on its way."""
    length = HEADER_BYTES + len(packet.payload)
    head = struct.pack(
        "!BBHHHBBH4s4s", 0x45, 0, length, ident & 0xFFFF, _DO_NOT_FRAGMENT, _TTL, packet.protocol, 0,
        packet.source.packed, packet.target.packed,
    )  # fmt: skip
    return summed(head, 10) + packet.payload


def pseudo_header(packet: Packet) -> bytes:
    """What TCP and UDP put before their own bytes for the checksum (RFC 9293 3.1, RFC 768)."""
    return packet.source.packed + packet.target.packed + struct.pack("!BBH", 0, packet.protocol, len(packet.payload))

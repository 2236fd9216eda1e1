"""UDP (RFC 768), and a name server that knows one name: its own (RFC 1035)."""

from __future__ import annotations

import struct
from ipaddress import IPv4Address

from discprep.peer.ip import UDP, Packet, checksum, pseudo_header

PORT = 53
OWN_NAME = b"shelf"
_TTL_S = 600
_ADDRESS, _ANY, _INTERNET = 1, 255, 1
_QUERY = 0xF800  # response bit and operation code: zero in a standard query
_NO_ERROR, _FORMAT, _NO_NAME, _NOT_DONE = 0, 1, 3, 4


def udp_ports(packet: Packet) -> tuple[int, int, bytes] | None:
    """Source port, target port and data of a sound datagram, None otherwise."""
    data = packet.payload
    if len(data) < 8:
        return None
    source, target, length, told = struct.unpack_from("!HHHH", data)
    if not 8 <= length <= len(data):
        return None
    cut = Packet(packet.source, packet.target, UDP, data[:length])
    if told and checksum(pseudo_header(cut) + cut.payload):
        return None
    return source, target, data[8:length]


def datagram(source: IPv4Address, target: IPv4Address, source_port: int, target_port: int, data: bytes) -> Packet:
    """A UDP packet with its checksum."""
    head = struct.pack("!HHHH", source_port, target_port, 8 + len(data), 0)
    plain = Packet(source, target, UDP, head + data)
    total = checksum(pseudo_header(plain) + plain.payload) or 0xFFFF  # zero would say that there is none
    return Packet(source, target, UDP, head[:6] + struct.pack("!H", total) + data)


def answer(query: bytes, address: IPv4Address) -> bytes | None:
    """The reply to a query: our address for our own name (with any domain behind it), "no such name" for others.

    None for what is no query at all.
    """
    if len(query) < 12:
        return None
    ident, flags, questions, answers, authorities, _ = struct.unpack_from("!6H", query)
    if flags & 0x8000:
        return None
    recursion = flags & 0x0100
    if flags & _QUERY:
        return _reply(ident, recursion, _NOT_DONE, b"")
    asked = question_in(query) if questions == 1 and not answers and not authorities else None
    if asked is None:
        return _reply(ident, recursion, _FORMAT, b"")
    labels, kind, group, question = asked
    if not labels or labels[0].lower() != OWN_NAME:
        return _reply(ident, recursion, _NO_NAME, question)
    known = kind in (_ADDRESS, _ANY) and group in (_INTERNET, _ANY)
    record = struct.pack("!HHHIH", 0xC00C, _ADDRESS, _INTERNET, _TTL_S, 4) + address.packed if known else b""
    return _reply(ident, recursion, _NO_ERROR, question, record)


def question_in(query: bytes) -> tuple[list[bytes], int, int, bytes] | None:
    """Labels, type and class of the only question, and its bytes (RFC 1035 4.1.2); it may not point elsewhere."""
    labels, at = [], 12
    while at < len(query) and query[at]:
        size = query[at]
        if size > 63 or at + 1 + size > len(query) or at > 12 + 255:
            return None
        labels.append(query[at + 1 : at + 1 + size])
        at += 1 + size
    if at + 5 > len(query):
        return None
    kind, group = struct.unpack_from("!HH", query, at + 1)
    return labels, kind, group, query[12 : at + 5]


def _reply(ident: int, recursion: int, code: int, question: bytes, record: bytes = b"") -> bytes:
    flags = 0x8400 | recursion | code  # a response, by the authority for the name
    return struct.pack("!6H", ident, flags, 1 if question else 0, 1 if record else 0, 0, 0) + question + record

"""TCP/IP headers for slow lines, both directions (RFC 1144): 40 bytes become 3 to 16."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from enum import IntEnum

from discprep.peer.ip import TCP, checksum, summed

SLOTS = 16  # RFC 1144 4.1 and the usual number on SLIP
_NEW_C, _NEW_I, _PUSHED, _NEW_S, _NEW_A, _NEW_W, _NEW_U = 0x40, 0x20, 0x10, 0x08, 0x04, 0x02, 0x01
_SPECIAL_I, _SPECIAL_D, _SPECIALS = _NEW_S | _NEW_W | _NEW_U, _NEW_S | _NEW_A | _NEW_W | _NEW_U, 0x0F
_FIN, _SYN, _RST, _PSH, _ACK, _URG = 1, 2, 4, 8, 16, 32
_LONG = 1 << 32


class Kind(IntEnum):
    """What a packet is on the wire; the values are those that RFC 1144 3.2.2 puts into SLIP's first byte."""

    IP = 0x40
    UNCOMPRESSED = 0x70
    COMPRESSED = 0x80


def on_slip(packet: bytes) -> tuple[Kind, bytes]:
    """What a packet of SLIP is by its first bits, and the packet without them."""
    if packet[0] & Kind.COMPRESSED:
        return Kind.COMPRESSED, packet
    if packet[0] & 0xF0 == Kind.UNCOMPRESSED:
        return Kind.UNCOMPRESSED, bytes([packet[0] & 0x4F]) + packet[1:]
    return Kind.IP, packet


@dataclass(slots=True)
class _Fields:
    """The fields of a header that change from packet to packet."""

    ident: int
    seq: int
    ack: int
    window: int
    urgent: int
    flags: int
    length: int

    @classmethod
    def of(cls, header: bytes) -> _Fields:
        at = _ip_bytes(header)
        length, ident = struct.unpack_from("!HH", header, 2)
        seq, ack, _, flags, window, _, urgent = struct.unpack_from("!IIBBHHH", header, at + 4)
        return cls(ident, seq, ack, window, urgent, flags, length)


def _ip_bytes(header: bytes) -> int:
    return (header[0] & 0x0F) * 4


def _header_bytes(packet: bytes) -> int:
    """IP and TCP headers of a packet together; 0 when it is no whole TCP packet."""
    if len(packet) < 40 or packet[9] != TCP:
        return 0
    at = _ip_bytes(packet)
    if at < 20 or len(packet) < at + 20:
        return 0
    size = at + (packet[at + 12] >> 4) * 4
    return size if at + 20 <= size <= len(packet) else 0


class Compressor:
    """Our way to the machine. `slots` and whether a slot's number may be left out is what the machine can take."""

    def __init__(self, slots: int = SLOTS, *, omit_slot: bool = True) -> None:
        self._held: dict[bytes, tuple[int, bytes]] = {}  # by connection, the longest unused first: slot, last header
        self._free = list(range(slots))
        self._last = -1
        self._omit_slot = omit_slot

    def compress(self, packet: bytes) -> tuple[Kind, bytes]:
        """The packet as it is to be sent, without framing (RFC 1144 A.2)."""
        size = _header_bytes(packet)
        if not size or struct.unpack_from("!H", packet, 6)[0] & 0x3FFF:
            return Kind.IP, packet
        at = _ip_bytes(packet)
        if packet[at + 13] & (_SYN | _FIN | _RST | _ACK) != _ACK:
            return Kind.IP, packet
        header = packet[:size]
        slot, before = self._slot(header)
        changed = _changes(before, header) if before else None
        if changed is None:
            self._last = slot
            return Kind.UNCOMPRESSED, packet[:9] + bytes([slot]) + packet[10:]
        mask, deltas = changed
        numbered = b""
        if slot != self._last or not self._omit_slot:
            mask |= _NEW_C
            numbered = bytes([slot])
        self._last = slot
        return Kind.COMPRESSED, bytes([mask]) + numbered + packet[at + 16 : at + 18] + deltas + packet[size:]

    def _slot(self, header: bytes) -> tuple[int, bytes | None]:
        """The slot of the packet's connection, and the last header there; the longest unused one for a new one."""
        at = _ip_bytes(header)
        connection = header[12:20] + header[at : at + 4]  # addresses and ports
        before = None
        if connection in self._held:
            slot, before = self._held.pop(connection)
        elif self._free:
            slot = self._free.pop(0)
        else:
            slot, _ = self._held.pop(next(iter(self._held)))
        self._held[connection] = slot, header
        return slot, before


def _same(before: bytes, now: bytes) -> bool:
    """Whether all fields are equal that compression takes as constant: version, service, fragments, time to live,
    both header lengths, options of both."""
    at = _ip_bytes(now)
    return (
        len(before) == len(now)
        and before[:2] == now[:2]
        and before[6:10] == now[6:10]
        and before[20:at] == now[20:at]
        and before[at + 12] == now[at + 12]
        and before[at + 20 :] == now[at + 20 :]
    )


def _changes(before: bytes, header: bytes) -> tuple[int, bytes] | None:
    """The mask of changes and the deltas; None when the header must go in full."""
    if not _same(before, header):
        return None
    old, new = _Fields.of(before), _Fields.of(header)
    seq, ack = (new.seq - old.seq) % _LONG, (new.ack - old.ack) % _LONG
    if seq > 0xFFFF or ack > 0xFFFF or (not new.flags & _URG and new.urgent != old.urgent):
        return None
    mask, deltas = 0, b""
    window = (new.window - old.window) & 0xFFFF
    if new.flags & _URG:
        mask, deltas = mask | _NEW_U, _with_zero(new.urgent)
    for bit, delta in ((_NEW_W, window), (_NEW_A, ack), (_NEW_S, seq)):
        if delta:
            mask, deltas = mask | bit, deltas + _number(delta)
    carried = old.length - len(before)
    if mask in (_SPECIAL_I, _SPECIAL_D):
        return None
    if mask == 0 and (new.length == old.length or carried):
        return None  # sent again, or a window's probe: full, so that the other side falls in step
    if mask == _NEW_S | _NEW_A and seq == ack == carried:
        mask, deltas = _SPECIAL_I, b""
    elif mask == _NEW_S and seq == carried:
        mask, deltas = _SPECIAL_D, b""
    ident = (new.ident - old.ident) & 0xFFFF
    if ident != 1:
        mask, deltas = mask | _NEW_I, deltas + _with_zero(ident)
    return mask | (_PUSHED if new.flags & _PSH else 0), deltas


def _number(value: int) -> bytes:
    return bytes([value]) if value < 256 else b"\0" + struct.pack("!H", value)


def _with_zero(value: int) -> bytes:
    return bytes([value]) if 0 < value < 256 else b"\0" + struct.pack("!H", value)


class Decompressor:
    """The machine's way to us. After a hurt frame, packets that name no slot are tossed (RFC 1144 4.1)."""

    def __init__(self) -> None:
        self._slots: list[bytes | None] = [None] * SLOTS
        self._last = -1
        self._tossing = True

    def hurt(self) -> None:
        """A frame was lost or hurt: what builds on it would be wrong."""
        self._tossing = True

    def restore(self, kind: Kind, data: bytes) -> bytes | None:
        """The IP packet; None for one that cannot be restored."""
        if kind is Kind.IP:
            return data
        restored = self._full(data) if kind is Kind.UNCOMPRESSED else self._compressed(data)
        if restored is None:
            self._tossing = True
        return restored

    def _full(self, data: bytes) -> bytes | None:
        if len(data) < 40 or data[9] >= len(self._slots):
            return None
        slot = data[9]
        packet = data[:9] + bytes([TCP]) + data[10:]
        size = _header_bytes(packet)
        if not size or checksum(packet[: _ip_bytes(packet)]):
            return None
        self._slots[slot], self._last, self._tossing = packet[:size], slot, False
        return packet

    def _compressed(self, data: bytes) -> bytes | None:
        left = iter(data)
        try:
            mask = next(left)
            if mask & _NEW_C:
                self._last, self._tossing = next(left), False
            if self._tossing or not 0 <= self._last < len(self._slots):
                return None
            header = self._slots[self._last]
            if header is None:
                return None
            total = _word(left)
            fields = _stepped(_Fields.of(header), len(header), mask, left)
        except StopIteration:
            return None
        rest = bytes(left)
        fields.length = len(header) + len(rest)
        if fields.length > 0xFFFF:
            return None
        restored = _written(header, fields, total)
        self._slots[self._last] = restored
        return restored + rest


def _stepped(fields: _Fields, header_bytes: int, mask: int, deltas: Iterator[int]) -> _Fields:
    carried = fields.length - header_bytes
    fields.flags = fields.flags & ~(_PSH | _URG) | (_PSH if mask & _PUSHED else 0)
    specials = mask & _SPECIALS
    if specials in (_SPECIAL_I, _SPECIAL_D):
        fields.seq += carried
        fields.ack += carried if specials == _SPECIAL_I else 0
    else:
        if mask & _NEW_U:
            fields.flags |= _URG
            fields.urgent = _delta(deltas)
        fields.window += _delta(deltas) if mask & _NEW_W else 0
        fields.ack += _delta(deltas) if mask & _NEW_A else 0
        fields.seq += _delta(deltas) if mask & _NEW_S else 0
    fields.ident += _delta(deltas) if mask & _NEW_I else 1
    return fields


def _written(header: bytes, fields: _Fields, total: int) -> bytes:
    """The header with its changed fields and both checksums: TCP's as it was sent, IP's anew."""
    at = _ip_bytes(header)
    made = bytearray(header)
    struct.pack_into("!HH", made, 2, fields.length, fields.ident & 0xFFFF)
    struct.pack_into("!II", made, at + 4, fields.seq % _LONG, fields.ack % _LONG)
    made[at + 13] = fields.flags
    struct.pack_into("!HHH", made, at + 14, fields.window & 0xFFFF, total, fields.urgent & 0xFFFF)
    made[10:12] = b"\0\0"
    return summed(bytes(made[:at]), 10) + bytes(made[at:])


def _word(data: Iterator[int]) -> int:
    return next(data) << 8 | next(data)


def _delta(data: Iterator[int]) -> int:
    return next(data) or _word(data)

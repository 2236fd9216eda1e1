"""IP packets on the wire: SLIP (RFC 1055), compressed headers (RFC 1144), asynchronous PPP (RFC 1662).

An encapsulation turns bytes of an IP packet into wire bytes: `growth * bytes + frame_bytes`. The growth of uniformly
random bytes is 1 plus the share of byte values that the framing escapes; a file's own growth is counted.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from ipaddress import IPv4Address

from discprep.model import Escapes, LinkSettings

HEADER_BYTES = 40  # IP 20 (RFC 791) and TCP 20 (RFC 9293), no options
SYN_BYTES = 44  # with the MSS option
COMPRESSED_BYTES = 3  # RFC 1144: mask and checksum; a one-way stream's steady sequence and IP number are implied
COMPRESSED_ACK_BYTES = 6  # an acknowledgement steps by more than 255: three more

CONVENTIONAL_MTUS = 296, 576, 1006, 1500  # RFC 1191 table 7-1 (296, 1006), RFC 791 (576), RFC 1661 (1500)

_END, _ESC, _ESC_END, _ESC_ESC = 0xC0, 0xDB, 0xDC, 0xDD
ALL_CONTROLS, XON_XOFF_MAP = 0xFFFFFFFF, 0x000A0000  # maps: everything; the bytes 11 and 13
_FLAG, _PPP_ESC, _FLIP = 0x7E, 0x7D, 0x20
_SLIP_ESCAPED = frozenset({_END, _ESC})

# Of the 40 bytes the values nearly always known: version, zeros, lengths, protocol, flags, a port of 80. Under PPP's
# default map these escape: TOS, length, fragment and TTL neighbours, protocol, port, TCP flags, window, urgent (2).
_KNOWN_HEADER = bytes.fromhex("45 00 05 40 00 40 06 00 50 50 10 10 00 00")


def slip_encode(packet: bytes) -> bytes:
    """A packet between two ENDs, as RFC 1055 advises.

    >>> slip_encode(bytes([0xC0])).hex(" ")
    'c0 db dc c0'
    """
    body = packet.replace(b"\xdb", bytes([_ESC, _ESC_ESC])).replace(b"\xc0", bytes([_ESC, _ESC_END]))
    return bytes([_END]) + body + bytes([_END])


def ppp_escape(data: bytes, accm: int = 0xFFFFFFFF) -> bytes:
    """Bytes with flag, escape and the mapped control characters escaped, without flags (RFC 1662 4.2)."""
    escaped = ppp_escaped(accm)
    return b"".join(bytes([_PPP_ESC, byte ^ _FLIP]) if byte in escaped else bytes([byte]) for byte in data)


def ppp_escaped(accm: int) -> frozenset[int]:
    """The byte values that PPP escapes under a map."""
    return frozenset({_FLAG, _PPP_ESC} | {code for code in range(32) if accm >> code & 1})


@dataclass(frozen=True, slots=True)
class Encapsulation:
    """What an IP packet grows to on the wire.

    Attributes:
        growth: wire bytes for one byte of a random packet
        data_growth: the same for the bytes of the file
        frame_bytes: wire bytes of each frame that are no part of the packet
        segment_header: wire bytes of the headers of a data segment
        ack_header: wire bytes of the headers of a pure acknowledgement
        full_header: wire bytes of 40 bytes of headers that are not compressed
        compressed: whether RFC 1144 is in use
        accm: PPP's map of escaped controls; None under SLIP
    """

    growth: float
    data_growth: float
    frame_bytes: float
    segment_header: float
    ack_header: float
    full_header: float
    compressed: bool
    accm: int | None = None

    def growth_of(self, size_bytes: int, escapes: Escapes | None) -> float | None:
        """A file's wire bytes for each of its bytes, from its counted escapes; None when they are unknown. Under a map
        of some controls their share of all is taken."""
        if escapes is None or size_bytes == 0:
            return None
        if self.accm is None:
            return 1 + escapes.slip / size_bytes
        return 1 + (escapes.fixed + escapes.controls * self.accm.bit_count() / 32) / size_bytes

    def wire_bytes(self, packet_bytes: float) -> float:
        """Wire bytes [B] of a packet of random bytes: E x + f."""
        return self.growth * packet_bytes + self.frame_bytes

    def segment_bytes(self, data_bytes: float, *, compressed: bool = True) -> float:
        """Wire bytes [B] of a data segment that carries so much of the file."""
        header = self.segment_header if compressed else self.full_header
        return header + self.data_growth * data_bytes + self.frame_bytes

    def ack_bytes(self) -> float:
        """Wire bytes [B] of a pure acknowledgement."""
        return self.ack_header + self.frame_bytes

    def control_bytes(self, options_bytes: int = 0) -> float:
        """Wire bytes [B] of a segment without data whose headers are never compressed (SYN, FIN)."""
        return self.full_header + self.growth * options_bytes + self.frame_bytes


def encapsulation(link: LinkSettings, *, addresses: tuple[str, ...] = ()) -> Encapsulation:
    """The encapsulation of these settings for random bytes. `addresses` are the two IPv4 addresses, where known: 192 is
    END, and each byte of them stands in every header that is not compressed.
    """
    if link.protocol == "ppp":
        return _ppp(link, addresses)
    return _build(_SLIP_ESCAPED, 2.0, link.protocol == "cslip", addresses, known=b"")


def negotiated(link: LinkSettings, *, xon_xoff: bool = False, standard: bool = False) -> LinkSettings:
    """A link whose PPP options are all told. Left open, they are what nearly every negotiation gives (common practice):
    no control escaped but those that the line itself takes, short fields, compressed headers; or with `standard`, what
    holds where nothing is negotiated: all controls escaped, nothing short (RFC 1661 6, RFC 1662 7.1, RFC 1332 4)."""
    usual_map = XON_XOFF_MAP if xon_xoff else 0
    return replace(
        link,
        accm=link.accm if link.accm is not None else ALL_CONTROLS if standard else usual_map,
        field_compression=not standard if link.field_compression is None else link.field_compression,
        header_compression=not standard if link.header_compression is None else link.header_compression,
    )


def _ppp(link: LinkSettings, addresses: tuple[str, ...]) -> Encapsulation:
    link = negotiated(link)
    accm, headers = link.accm or 0, bool(link.header_compression)
    escaped = ppp_escaped(accm)
    built = _build(escaped, 0.0, headers, addresses, known=_KNOWN_HEADER)
    protocol = 0x2D if headers else 0x21
    field = bytes([protocol]) if link.field_compression else bytes([0xFF, 0x03, 0x00, protocol])
    return replace(built, accm=accm, frame_bytes=1 + _escaped_size(field, escaped) + built.growth * 2)


def _build(
    escaped: frozenset[int], frame_bytes: float, compressed: bool, addresses: tuple[str, ...], known: bytes
) -> Encapsulation:
    growth = 1 + len(escaped) / 256
    fixed = known + b"".join(_packed(text) for text in addresses)
    full = _escaped_size(fixed, escaped) + growth * (HEADER_BYTES - len(fixed))
    return Encapsulation(
        growth=growth,
        data_growth=growth,
        frame_bytes=frame_bytes,
        segment_header=growth * COMPRESSED_BYTES if compressed else full,
        ack_header=growth * COMPRESSED_ACK_BYTES if compressed else full,
        full_header=full,
        compressed=compressed,
    )


def _packed(address: str) -> bytes:
    """The four bytes of an IPv4 address; none for what is no such address."""
    try:
        return IPv4Address(address).packed
    except ValueError:
        return b""


def _escaped_size(data: bytes, escaped: frozenset[int]) -> int:
    return len(data) + sum(byte in escaped for byte in data)



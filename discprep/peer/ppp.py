"""PPP over an asynchronous line: frames, LCP, PAP if the machine insists, IPCP, and the packets between them
(RFC 1661, 1662, 1332, 1334)."""

from __future__ import annotations

import struct
from collections import deque
from collections.abc import Callable
from ipaddress import IPv4Address

from discprep.peer import framing, lcp
from discprep.peer.carrier import Carrier
from discprep.peer.compression import Compressor, Decompressor, Kind
from discprep.peer.ipcp import AddressPolicy
from discprep.peer.lcp import PAP, LinkPolicy
from discprep.peer.negotiation import Negotiation, packet

LCP, IPCP = 0xC021, 0x8021
_KINDS = {0x0021: Kind.IP, 0x002D: Kind.COMPRESSED, 0x002F: Kind.UNCOMPRESSED}
_PROTOCOLS = {kind: number for number, kind in _KINDS.items()}
_PROTOCOL_REJECT, _ECHO_REQUEST, _ECHO_REPLY, _DISCARD = 8, 9, 10, 11
_AUTHENTICATE, _AUTHENTICATED = 1, 2
_RETRY_S = 3.0
WAITING = 16  # control packets that may wait for the line
LEAST_FRAME_BYTES = 1500  # RFC 1661 6.1: whatever was agreed, so much must be taken


class Ppp(Carrier):
    """The far end of a PPP line, as a carrier of packets.

    Args:
        own, machine: addresses that are given
        accm: the controls that must come escaped to us
        short_fields, compress: what is asked for; what the machine asks for besides is granted
        magic: a new random number each time
        name, password: told by PAP where the machine insists
    """

    def __init__(
        self, own: IPv4Address, machine: IPv4Address, *, mtu_bytes: int, accm: int, short_fields: bool,
        compress: bool, magic: Callable[[], int], name: str = "", password: str = "",
    ) -> None:  # fmt: skip
        self._mtu_bytes = mtu_bytes
        self._identity = (name.encode("latin-1", "replace")[:255], password.encode("latin-1", "replace")[:255])
        self._waiting: deque[bytes] = deque(maxlen=WAITING)
        self._unframe = framing.Unframe(max(mtu_bytes, LEAST_FRAME_BYTES) + 8)
        self.link = LinkPolicy(mtu_bytes, accm, short_fields=short_fields, magic=magic)
        self.addresses = AddressPolicy(own, machine, compress=compress)
        self._lcp = Negotiation(
            self.link, lambda data: self._control(LCP, data), up=self._link_up, down=self._link_down,
            extra=self._link_code,
        )  # fmt: skip
        self._ipcp = Negotiation(self.addresses, lambda data: self._control(IPCP, data), up=self._open, down=self._shut)
        self._compressor: Compressor | None = None
        self._decompressor = Decompressor()
        self._hurt = 0
        self._password_at_s: float | None = None
        self._now = 0.0
        self._rejected = 0

    @property
    def ready(self) -> bool:
        return self._ipcp.opened

    @property
    def mtu_bytes(self) -> int:
        return min(self._mtu_bytes, self.link.mru_bytes)

    @property
    def state(self) -> str:
        if self._ipcp.opened:
            return "open"
        return "the link is agreed, addresses are not" if self._lcp.opened else "nothing agreed yet"

    @property
    def looped(self) -> bool:
        """Our own magic number came back, and the new one too (RFC 1661 6.4)."""
        return self.link.looped >= 2

    @property
    def hurt(self) -> int:
        return self._unframe.hurt

    def start(self, now: float) -> None:
        self._lcp.event("up", now)
        self._lcp.event("open", now)

    def stop(self, now: float) -> None:
        """Says good-bye: a Terminate-Request waits for the line."""
        self._lcp.event("close", now)

    @property
    def due_s(self) -> float | None:
        times = (self._lcp.due_s, self._ipcp.due_s, self._password_at_s)
        return min((time for time in times if time is not None), default=None)

    def tick(self, now: float) -> None:
        self._now = now
        self._lcp.tick(now)
        self._ipcp.tick(now)
        if self._password_at_s is not None and now >= self._password_at_s:
            self._tell_password()

    # ---- what arrives

    def feed(self, data: bytes, now: float) -> list[bytes]:
        self._now = now
        found = []
        for body in self._unframe.feed(data):
            restored = self._body(body, now)
            if restored:
                found.append(restored)
        if self._unframe.hurt != self._hurt:
            self._hurt = self._unframe.hurt
            self._decompressor.hurt()
        return found

    def _body(self, body: bytes, now: float) -> bytes | None:
        protocol, data = framing.opened(body)
        if protocol == LCP:
            self._lcp.receive(data, now)
        elif not self._lcp.opened:
            return None  # RFC 1661 3.4: silently discarded
        elif protocol == IPCP:
            self._ipcp.receive(data, now)
        elif protocol == PAP:
            self._pap(data)
        elif protocol in _KINDS:
            return self._decompressor.restore(_KINDS[protocol], data) if self._ipcp.opened else None
        else:
            self._reject(protocol, data)
        return None

    def _reject(self, protocol: int, data: bytes) -> None:
        self._rejected = (self._rejected + 1) & 0xFF
        told = struct.pack("!H", protocol) + data[: self.link.mru_bytes - 10]
        self._control(LCP, packet(_PROTOCOL_REJECT, self._rejected, told))

    def _link_code(self, code: int, ident: int, data: bytes) -> bool:
        if code == _ECHO_REQUEST:
            if self._lcp.opened:
                echo = struct.pack("!I", self.link.magic) + data[4 : self.link.mru_bytes - 8]
                self._control(LCP, packet(_ECHO_REPLY, ident, echo))
        elif code == _PROTOCOL_REJECT:
            if data[:2] == struct.pack("!H", IPCP):
                self._ipcp.event("rxj-", self._now)
        else:
            return code in (_ECHO_REPLY, _DISCARD)
        return True

    def _pap(self, data: bytes) -> None:
        """RFC 1334 2.2: whoever shows a name is let in, the wire is the only door; ours is told until it is taken."""
        if len(data) < 4:
            return
        code, ident = data[0], data[1]
        if code == _AUTHENTICATE:
            self._control(PAP, packet(_AUTHENTICATED, ident, b"\0"))
        elif code == _AUTHENTICATED and self._password_at_s is not None:
            self._password_at_s = None
            self._start_addresses()

    # ---- phases

    def _link_up(self) -> None:
        self._unframe.set_map(self.link.take_accm)
        if self.link.asks_password:
            self._tell_password()
        else:
            self._start_addresses()

    def _tell_password(self) -> None:
        name, password = self._identity
        told = bytes([len(name)]) + name + bytes([len(password)]) + password
        self._control(PAP, packet(_AUTHENTICATE, 1, told))
        self._password_at_s = self._now + _RETRY_S

    def _start_addresses(self) -> None:
        self._ipcp.event("up", self._now)
        self._ipcp.event("open", self._now)

    def _link_down(self) -> None:
        self._password_at_s = None
        self._ipcp.event("down", self._now)

    def _open(self) -> None:
        slots = self.addresses.slots
        self._compressor = Compressor(slots, omit_slot=self.addresses.omit_slot) if slots else None
        self._decompressor = Decompressor()

    def _shut(self) -> None:
        self._compressor = None

    # ---- what leaves

    def control(self) -> bytes | None:
        return self._waiting.popleft() if self._waiting else None

    def wrap(self, data: bytes) -> bytes:
        kind, data = self._compressor.compress(data) if self._compressor else (Kind.IP, data)
        return self._framed(_PROTOCOLS[kind], data)

    def _framed(self, protocol: int, data: bytes) -> bytes:
        number = struct.pack("!H", protocol)
        if self.link.short_protocol and protocol < 0x100:
            number = number[1:]
        head = b"" if self.link.short_address else framing.FULL_HEAD
        return framing.frame(head + number + data, self.link.send_accm)

    def _control(self, protocol: int, data: bytes) -> None:
        if protocol != LCP:
            self._waiting.append(self._framed(protocol, data))
            return
        # RFC 1661 6.5, 6.6 and RFC 1662 7.1: LCP always goes with full fields and every control escaped.
        head = framing.FULL_HEAD + struct.pack("!H", LCP)
        self._waiting.append(framing.frame(head + data, lcp.ALL_CONTROLS))

"""What carries IP packets over the line: SLIP, SLIP with compressed headers, PPP."""

from __future__ import annotations

from typing import Protocol

from discprep.link.encapsulation import slip_encode
from discprep.peer.compression import Compressor, Decompressor, Kind, on_slip
from discprep.peer.framing import Unslip

MOST_PACKET_BYTES = 2048  # that is taken from the line, whatever the MTU


class Carrier(Protocol):
    """IP packets to bytes on the line and back. Whoever derives from it and has no talk of its own leaves that out."""

    @property
    def ready(self) -> bool:
        """Whether packets can be sent."""

    @property
    def mtu_bytes(self) -> int:
        """The largest packet that may be sent."""

    @property
    def state(self) -> str:
        """How far it is, for people."""

    @property
    def hurt(self) -> int:
        """Packets that arrived damaged, as far as the framing can tell."""

    @property
    def looped(self) -> bool:
        """Whether what we send has come back, as far as the protocol can tell."""

    @property
    def due_s(self) -> float | None:
        """When `tick` has something to do."""
        return None

    def start(self, now: float) -> None:
        """The line is there."""
        return

    def stop(self, now: float) -> None:
        """We are leaving."""
        return

    def tick(self, now: float) -> None:
        """Timers."""
        return

    def feed(self, data: bytes, now: float) -> list[bytes]:
        """The packets that these bytes complete."""

    def control(self) -> bytes | None:
        """The carrier's own next bytes for the line."""
        return None

    def wrap(self, data: bytes) -> bytes:
        """A packet as it goes on the line."""


class Slip(Carrier):
    """RFC 1055, with the headers of RFC 1144 where `compress`: their kind then stands in a packet's first bits."""

    ready, state, looped, mtu_bytes = True, "open", False, 0

    def __init__(self, mtu_bytes: int, *, compress: bool) -> None:
        self.mtu_bytes = mtu_bytes
        self._unslip = Unslip(max(mtu_bytes, MOST_PACKET_BYTES))
        self._compressor = Compressor() if compress else None
        self._decompressor = Decompressor() if compress else None
        self._refused = 0

    @property
    def hurt(self) -> int:
        return self._unslip.hurt + self._refused

    def feed(self, data: bytes, now: float) -> list[bytes]:
        packets = self._unslip.feed(data)
        return [restored for packet in packets if (restored := self._restored(packet))]

    def _restored(self, packet: bytes) -> bytes | None:
        """Compressed headers are understood once the settings say so; a full one is taken either way."""
        if self._decompressor is None:
            return packet
        restored = self._decompressor.restore(*on_slip(packet))
        self._refused += restored is None
        return restored

    def wrap(self, data: bytes) -> bytes:
        if self._compressor is None:
            return slip_encode(data)
        kind, packet = self._compressor.compress(data)
        if kind is not Kind.IP:
            packet = bytes([packet[0] | kind]) + packet[1:]
        return slip_encode(packet)

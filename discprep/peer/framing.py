"""Frames out of a stream of bytes: SLIP (RFC 1055), and asynchronous PPP with escapes, the map of control characters
and FCS-16 (RFC 1662). What SLIP sends is `link.encapsulation.slip_encode`."""

from __future__ import annotations

import re
from collections.abc import Iterator

from fastcrc import crc16

from discprep.link.encapsulation import ppp_escape

GOOD_FCS = 0xF0B8  # RFC 1662 C.2: what the sum over a frame and its own FCS comes to, before the last complement
FULL_HEAD = b"\xff\x03"  # all stations, unnumbered information (RFC 1662 3.1)
_FLAG, _ESCAPE, _END = b"\x7e", b"\x7d", b"\xc0"
_ESCAPED = re.compile(rb"\x7d(.)", re.DOTALL)
_SLIP_ESCAPED = re.compile(rb"\xdb([\xdc\xdd])")
_MEANT = {b"\xdc": b"\xc0", b"\xdd": b"\xdb"}


class _Cutter:
    """Cuts what arrives at a byte that stands for nothing else.

    Args:
        most_bytes: a longer frame is dropped whole, so that memory stays flat

    Attributes:
        hurt: frames that were dropped
    """

    def __init__(self, flag: bytes, most_bytes: int) -> None:
        self._flag, self._most = flag, most_bytes
        self._rest = bytearray()
        self._too_long = False
        self.hurt = 0

    def _frames(self, data: bytes) -> Iterator[bytes]:
        """What stands between flags that `data` brings, escapes and all; nothing for neighbouring ones."""
        *whole, rest = data.split(self._flag)
        for part in whole:
            self._add(part)
            raw, too_long = bytes(self._rest), self._too_long
            self._rest.clear()
            self._too_long = False
            self.hurt += too_long
            if raw:
                yield raw
        self._add(rest)

    def _add(self, part: bytes) -> None:
        if len(self._rest) + len(part) > self._most:
            self._too_long = True
            self._rest.clear()
        if not self._too_long:
            self._rest += part


class Unslip(_Cutter):
    """Cuts what arrives into packets. An escape before another byte than the two of the RFC stays as it is, as the RFC
    advises: the packet's own checksum decides."""

    def __init__(self, most_bytes: int) -> None:
        super().__init__(_END, 2 * most_bytes)

    def feed(self, data: bytes) -> list[bytes]:
        """The packets that `data` completes."""
        return [_SLIP_ESCAPED.sub(lambda match: _MEANT[match[1]], raw) for raw in self._frames(data)]


class Unframe(_Cutter):
    """Cuts what arrives into the bodies of whole frames of PPP, without FCS; `most_bytes` are those of a body."""

    def __init__(self, most_bytes: int) -> None:
        super().__init__(_FLAG, 2 * (most_bytes + 4))
        self.set_map(0)

    def set_map(self, accm: int) -> None:
        """Controls of this map that arrive unescaped were put there by the line: they are skipped (RFC 1662 4.2)."""
        self._skipped = bytes(code for code in range(32) if accm >> code & 1)

    def feed(self, data: bytes) -> list[bytes]:
        """The bodies that `data` completes."""
        found = []
        for raw in self._frames(data.translate(None, self._skipped)):
            plain = _ESCAPED.sub(lambda match: bytes([match[1][0] ^ 0x20]), raw)
            if not raw.endswith(_ESCAPE) and is_whole(plain):  # escape and flag: the sender gave the frame up
                found.append(plain[:-2])
            else:
                self.hurt += 1
        return found


def fcs16(data: bytes) -> int:
    """The FCS of RFC 1662 C.2, complemented as it is sent, low byte first.

    >>> hex(fcs16(b"123456789"))
    '0x906e'
    """
    return int(crc16.ibm_sdlc(data))


def is_whole(frame: bytes) -> bool:
    """Whether a frame with its FCS is as it was sent."""
    return len(frame) >= 4 and fcs16(frame) ^ 0xFFFF == GOOD_FCS


def frame(body: bytes, accm: int) -> bytes:
    """A body with its FCS, escaped, between flags."""
    return _FLAG + ppp_escape(body + fcs16(body).to_bytes(2, "little"), accm) + _FLAG


def opened(body: bytes) -> tuple[int, bytes]:
    """The protocol of a body and what it carries: short fields are taken whether or not they were agreed."""
    body = body.removeprefix(FULL_HEAD)
    size = 1 if body[:1] and body[0] & 1 else 2
    return int.from_bytes(body[:size], "big"), body[size:]

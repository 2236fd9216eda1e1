"""Frames of asynchronous PPP (RFC 1662): flag, escapes, the map of control characters, FCS-16."""

from __future__ import annotations

import re

from fastcrc import crc16

from discprep.link.encapsulation import ppp_escape

GOOD_FCS = 0xF0B8  # RFC 1662 C.2: what the sum over a frame and its own FCS comes to, before the last complement
ALL_STATIONS, UNNUMBERED = 0xFF, 0x03
_FLAG = b"\x7e"
_ESCAPE = re.compile(rb"\x7d(.)", re.DOTALL)
_CONTROLS = bytes(range(32))


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


class Unframe:
    """Cuts what arrives into the bodies of whole frames, without FCS.

    Args:
        most_bytes: of a body; a longer frame is dropped whole
        accm: controls of this map that arrive unescaped were put there by the line: they are skipped (RFC 1662 4.2)

    Attributes:
        hurt: frames that were dropped for their length or their FCS
    """

    def __init__(self, most_bytes: int, accm: int = 0) -> None:
        self._most = 2 * (most_bytes + 4)
        self._rest = bytearray()
        self._too_long = False
        self.hurt = 0
        self.set_map(accm)

    def set_map(self, accm: int) -> None:
        self._skipped = bytes(code for code in _CONTROLS if accm >> code & 1)

    def feed(self, data: bytes) -> list[bytes]:
        """The bodies that `data` completes."""
        found = []
        *whole, rest = data.translate(None, self._skipped).split(_FLAG)
        for part in whole:
            self._add(part)
            body = self._take()
            if body:
                found.append(body)
        self._add(rest)
        return found

    def _add(self, part: bytes) -> None:
        if len(self._rest) + len(part) > self._most:
            self._too_long = True
            self._rest.clear()
        if not self._too_long:
            self._rest += part

    def _take(self) -> bytes:
        raw, too_long = bytes(self._rest), self._too_long
        self._rest.clear()
        self._too_long = False
        if not raw and not too_long:
            return b""
        if not too_long and not raw.endswith(b"\x7d"):  # escape and flag: the sender gave the frame up
            plain = _ESCAPE.sub(lambda match: bytes([match[1][0] ^ 0x20]), raw)
            if is_whole(plain):
                return plain[:-2]
        self.hurt += 1
        return b""

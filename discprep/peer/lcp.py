"""What LCP asks for and takes (RFC 1661 6, RFC 1662 7.1, PAP as the machine's wish after RFC 1334)."""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterable, Mapping

from discprep.peer.negotiation import Option, Policy

MRU, ACCM, AUTHENTICATION, MAGIC, SHORT_PROTOCOL, SHORT_ADDRESS = 1, 2, 3, 5, 7, 8
_SIZES = {MRU: 2, ACCM: 4, MAGIC: 4, SHORT_PROTOCOL: 0, SHORT_ADDRESS: 0}  # of their values [B]
PAP = 0xC023
DEFAULT_MRU, LEAST_MRU = 1500, 128
ALL_CONTROLS = 0xFFFFFFFF
NAMES = {
    MRU: "MRU", ACCM: "map of controls", AUTHENTICATION: "password", 4: "quality", MAGIC: "magic number",
    SHORT_PROTOCOL: "short protocol field", SHORT_ADDRESS: "short address field", 13: "call back", 17: "several links",
    19: "endpoint",
}  # fmt: skip


class LinkPolicy(Policy):
    """Both sides' options of the link itself.

    Attributes:
        mru_bytes: the largest packet that the machine takes
        send_accm: the controls that the machine wants escaped
        short_protocol, short_address: what the machine lets us leave out
        asks_password: the machine wants our name and password by PAP
        looped: how often our own magic number came back: the plug is a loop
    """

    def __init__(self, mtu_bytes: int, accm: int, *, short_fields: bool, magic: Callable[[], int]) -> None:
        super().__init__()
        self._magic = magic
        self.magic = magic()
        if mtu_bytes != DEFAULT_MRU:
            self._wanted[MRU] = struct.pack("!H", mtu_bytes)
        if accm != ALL_CONTROLS:
            self._wanted[ACCM] = struct.pack("!I", accm)
        self._wanted[MAGIC] = struct.pack("!I", self.magic)
        if short_fields:
            self._wanted |= {SHORT_PROTOCOL: b"", SHORT_ADDRESS: b""}
        self.looped = 0

    @property
    def take_accm(self) -> int:
        """The controls that the machine escapes: those we asked it for, or all."""
        return _number(self._wanted[ACCM]) if ACCM in self._wanted else ALL_CONTROLS

    def judge(self, option: Option) -> Option | None:
        if option.kind == AUTHENTICATION and len(option.value) >= 2:
            return Option(AUTHENTICATION, struct.pack("!H", PAP))
        if len(option.value) != _SIZES.get(option.kind):
            return None
        if option.kind == MRU and _number(option.value) < LEAST_MRU:
            return Option(MRU, struct.pack("!H", DEFAULT_MRU))
        return self._judge_magic(option) if option.kind == MAGIC else option

    def _judge_magic(self, option: Option) -> Option:
        """Our own number coming back is a loop, or chance: both sides take new ones (RFC 1661 6.4)."""
        if _number(option.value) != self.magic:
            return option
        self.looped += 1
        return Option(MAGIC, struct.pack("!I", self._magic()))

    def suggested(self, options: Iterable[Option]) -> None:
        for option in options:
            if option.kind == MAGIC:
                self.magic = self._magic()
                self._wanted[MAGIC] = struct.pack("!I", self.magic)
            elif option.kind in self._wanted and len(option.value) == len(self._wanted[option.kind]):
                self._wanted[option.kind] = option.value

    def agreed(self, held: Mapping[int, bytes]) -> None:
        self.mru_bytes = _number(held[MRU]) if MRU in held else DEFAULT_MRU
        self.send_accm = _number(held[ACCM]) if ACCM in held else ALL_CONTROLS
        self.short_protocol, self.short_address = SHORT_PROTOCOL in held, SHORT_ADDRESS in held
        self.asks_password = AUTHENTICATION in held


def _number(value: bytes) -> int:
    return int.from_bytes(value, "big")

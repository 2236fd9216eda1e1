"""What IPCP asks for and takes: addresses and header compression (RFC 1332), the name server (RFC 1877)."""

from __future__ import annotations

import struct
from collections.abc import Iterable, Mapping
from ipaddress import IPv4Address

from discprep.peer.compression import SLOTS
from discprep.peer.negotiation import Option, Policy

COMPRESSION, ADDRESS, NAME_SERVER = 2, 3, 129
_VAN_JACOBSON = struct.pack("!H", 0x002D)
_COMPRESSED = _VAN_JACOBSON + bytes([SLOTS - 1, 1])  # our slots; a slot's number may be left out


class AddressPolicy(Policy):
    """Both sides' options of IP.

    Attributes:
        machine: the machine's address as agreed
        slots: of the compressed headers that the machine takes, 0: it takes none
        omit_slot: whether a slot's number may be left out
    """

    def __init__(self, own: IPv4Address, machine: IPv4Address, *, compress: bool) -> None:
        self._own, self._given = own, machine
        super().__init__()
        self._wanted[ADDRESS] = own.packed
        if compress:
            self._wanted[COMPRESSION] = _COMPRESSED

    def judge(self, option: Option) -> Option | None:
        if option.kind == COMPRESSION:
            known = len(option.value) == 4 and option.value.startswith(_VAN_JACOBSON)
            return option if known and option.value[2] >= 2 else Option(COMPRESSION, _COMPRESSED)
        if len(option.value) != 4:
            return None
        if option.kind == ADDRESS:
            return Option(ADDRESS, self._given.packed)
        return Option(NAME_SERVER, self._own.packed) if option.kind == NAME_SERVER else None

    def suggested(self, options: Iterable[Option]) -> None:
        """Our address is the user's word and stays; of the rest a smaller number of slots is taken."""
        for option in options:
            if option.kind == COMPRESSION and option.value.startswith(_VAN_JACOBSON):
                self._wanted[COMPRESSION] = option.value[:4].ljust(4, b"\0")
            elif option.kind == COMPRESSION:
                self._wanted.pop(COMPRESSION, None)

    def agreed(self, held: Mapping[int, bytes]) -> None:
        self.machine = IPv4Address(held[ADDRESS]) if ADDRESS in held else self._given
        told = held.get(COMPRESSION)
        self.slots = told[2] + 1 if told else 0
        self.omit_slot = bool(told and told[3])

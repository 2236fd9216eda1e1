"""What LCP and IPCP share: packets of configuration, termination and rejection (RFC 1661 5)."""

from __future__ import annotations

import struct
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from discprep.peer.automaton import Automaton

CONFIGURE_REQUEST, CONFIGURE_ACK, CONFIGURE_NAK, CONFIGURE_REJECT = 1, 2, 3, 4
TERMINATE_REQUEST, TERMINATE_ACK, CODE_REJECT = 5, 6, 7
MAX_FAILURE = 5  # RFC 1661 4.6: so many Naks without agreement, then Reject


@dataclass(frozen=True, slots=True)
class Option:
    """One option of a request."""

    kind: int
    value: bytes = b""

    def encoded(self) -> bytes:
        return bytes([self.kind, 2 + len(self.value)]) + self.value


def options_in(data: bytes) -> list[Option] | None:
    """The options of a request's data (RFC 1661 6); None where their lengths do not fit."""
    found, at = [], 0
    while at < len(data):
        if at + 2 > len(data) or data[at + 1] < 2 or at + data[at + 1] > len(data):
            return None
        found.append(Option(data[at], data[at + 2 : at + data[at + 1]]))
        at += data[at + 1]
    return found


class Policy(ABC):
    """What one protocol wants, and what it takes of the other side."""

    def __init__(self) -> None:
        self._wanted: dict[int, bytes] = {}
        self.agreed({})

    def wanted(self) -> list[Option]:
        """What we ask for, as it stands."""
        return [Option(kind, value) for kind, value in self._wanted.items()]

    @abstractmethod
    def judge(self, option: Option) -> Option | None:
        """The option itself: agreed; another value of it: suggested; None: refused."""

    @abstractmethod
    def suggested(self, options: Iterable[Option]) -> None:
        """The other side would rather have these values."""

    def refused(self, options: Iterable[Option]) -> None:
        """The other side does not know these options."""
        for option in options:
            self._wanted.pop(option.kind, None)

    @abstractmethod
    def agreed(self, held: Mapping[int, bytes]) -> None:
        """The other side's whole request is agreed: these hold, all others have their default."""


class Negotiation(Automaton):
    """One protocol's talk with the other side.

    Args:
        policy: what is wanted and taken
        send: takes a packet of this protocol
        up, down: called when both sides agree, and when that ends
        extra: called with code, identifier and data of codes that this protocol has besides; whether it knew the code
    """

    def __init__(
        self,
        policy: Policy,
        send: Callable[[bytes], None],
        *,
        up: Callable[[], None],
        down: Callable[[], None],
        extra: Callable[[int, int, bytes], bool] = lambda code, ident, data: False,
    ) -> None:
        super().__init__(self._do)
        self._policy, self._send, self._up, self._down, self._extra = policy, send, up, down, extra
        self._ident = 0
        self._naks = 0
        self._reply = self._unknown = b""
        self._answered = 0  # the identifier of a Terminate-Request

    def receive(self, data: bytes, now: float) -> None:
        """One packet of this protocol; what is too short or too long for its own length is dropped."""
        if len(data) < 4:
            return
        code, ident, length = struct.unpack_from("!BBH", data)
        if not 4 <= length <= len(data):
            return
        whole, data = data[:length], data[4:length]
        if code == CONFIGURE_REQUEST:
            self._requested(ident, data, now)
        elif code in (CONFIGURE_ACK, CONFIGURE_NAK, CONFIGURE_REJECT):
            self._answers(code, ident, data, now)
        elif code == TERMINATE_REQUEST:
            self._answered = ident
            self.event("rtr", now)
        elif code == TERMINATE_ACK:
            self.event("rta", now)
        elif code == CODE_REJECT:
            self.event("rxj+" if data[:1] and data[0] > CODE_REJECT else "rxj-", now)
        elif not self._extra(code, ident, data):
            self._unknown = whole
            self.event("ruc", now)

    # ---- their request

    def _requested(self, ident: int, data: bytes, now: float) -> None:
        options = options_in(data)
        if options is None:
            return
        judged = [(option, self._policy.judge(option)) for option in options]
        refused = [option for option, mine in judged if mine is None]
        others = [mine for option, mine in judged if mine is not None and mine != option]
        if not refused and others and self._naks >= MAX_FAILURE:
            refused = [option for option, mine in judged if mine != option]
        if refused:
            self._reply = packet(CONFIGURE_REJECT, ident, _encoded(refused))
        elif others:
            self._naks += 1
            self._reply = packet(CONFIGURE_NAK, ident, _encoded(others))
        else:
            self._naks = 0
            self._policy.agreed({option.kind: option.value for option in options})
            self._reply = packet(CONFIGURE_ACK, ident, data)
        self.event("rcr-" if refused or others else "rcr+", now)

    # ---- their answers

    def _answers(self, code: int, ident: int, data: bytes, now: float) -> None:
        options = options_in(data)
        if ident != self._ident or options is None:
            return
        if code == CONFIGURE_ACK:
            if data == _encoded(self._policy.wanted()):
                self.event("rca", now)
            return
        (self._policy.suggested if code == CONFIGURE_NAK else self._policy.refused)(options)
        self.event("rcn", now)

    # ---- actions

    def _do(self, action: str) -> None:
        if action == "tlu":
            self._up()
        elif action == "tld":
            self._down()
        elif action == "scr":
            self._ident = (self._ident + 1) & 0xFF
            self._send(packet(CONFIGURE_REQUEST, self._ident, _encoded(self._policy.wanted())))
        elif action in ("sca", "scn"):
            self._send(self._reply)
        elif action == "str":
            self._ident = (self._ident + 1) & 0xFF
            self._send(packet(TERMINATE_REQUEST, self._ident, b""))
        elif action == "sta":
            self._send(packet(TERMINATE_ACK, self._answered, b""))
        elif action == "scj":
            self._ident = (self._ident + 1) & 0xFF
            self._send(packet(CODE_REJECT, self._ident, self._unknown[:256]))


def _encoded(options: Iterable[Option]) -> bytes:
    return b"".join(option.encoded() for option in options)


def packet(code: int, ident: int, data: bytes) -> bytes:
    """Code, identifier, length, data."""
    return struct.pack("!BBH", code, ident, 4 + len(data)) + data

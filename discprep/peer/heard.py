"""What comes over a line, told in words: each thing once, with what to do and the rung of the ladder it belongs to.

What is proven is told apart from what is likely: a SLIP packet by its IP checksum, a PPP frame by its FCS; text by its
letters; the rest is garbage. Shares of letters and counts of bytes are common practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from discprep.model import LinkProtocol
from discprep.peer import framing, ip, lcp, names, segment
from discprep.peer.compression import Decompressor, Kind, on_slip
from discprep.peer.ip import ICMP, TCP, UDP, Packet
from discprep.peer.negotiation import options_in
from discprep.peer.port import Lines

Rung = Literal["loop", "prompt", "address", "beyond", "name", "fetch"]
USUAL_RATES_BIT_S = (9600, 19_200, 38_400, 57_600, 115_200, 2400, 1200, 4800, 14_400, 28_800, 230_400, 300)
GARBAGE_BYTES = 48  # so many without any sense are garbage
_WINDOW_BYTES = 512
_TEXT_BYTES, _TEXT_SHARE = 12, 0.92
_MOST_TOLD = 200  # different things; a mad line tells no more
_PROTOCOL_NAMES = {"slip": "SLIP", "cslip": "SLIP with compressed headers", "ppp": "PPP"}
_PPP_NAMES = {0xC021: "LCP", 0x8021: "IPCP", 0xC023: "PAP", 0xC223: "CHAP", 0x80FD: "CCP", 0x8057: "IPv6CP"}
_CODES = {1: "Configure-Request", 2: "Configure-Ack", 3: "Configure-Nak", 4: "Configure-Reject", 5: "Terminate-Request",
          6: "Terminate-Ack", 7: "Code-Reject", 8: "Protocol-Reject", 9: "Echo-Request", 10: "Echo-Reply"}  # fmt: skip
_MODEM = re.compile(rb"(?i)(?<![^\r\n])(AT[ -~]{0,60})(?=\r)")


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was heard. `kind` is its short name, `sense`: bytes at this rate mean something."""

    kind: str
    words: str
    hint: str
    rung: Rung
    sense: bool = True
    protocol: LinkProtocol | None = None
    packet: Packet | None = None


class Ear:
    """Listens to one line at one rate.

    Args:
        expected: the protocol that the manifest sets, if one does
        own, machine: the addresses that it sets, "" for none
        answering: this end takes part, so that nobody need be told that it could
    """

    def __init__(
        self, expected: LinkProtocol | None = None, own: str = "", machine: str = "", *, answering: bool = False
    ) -> None:
        self._answering = answering
        self._expected, self._own, self._machine = expected, own, machine
        self._told: set[tuple[str, str]] = set()
        self.clear()

    def clear(self) -> None:
        """Begins anew, at another rate; what was told stays told."""
        self._unslip, self._unframe = framing.Unslip(2048), framing.Unframe(2048)
        self._decompressor = Decompressor()
        self._recent = b""
        self.senseless_bytes = 0

    def hear(self, data: bytes) -> list[Finding]:
        """What these bytes tell that was not told before."""
        self._recent = (self._recent + data)[-_WINDOW_BYTES:]
        self.senseless_bytes += len(data)
        found = [*self._packets(data), *self._frames(data), *self._plain()]
        if any(finding.sense for finding in found):
            self.senseless_bytes = 0
        elif self.senseless_bytes >= GARBAGE_BYTES:
            found.append(_garbage(self._recent))
        return [finding for finding in found if self._new(finding)]

    def _new(self, finding: Finding) -> bool:
        key = (finding.kind, finding.words)
        if key in self._told or len(self._told) >= _MOST_TOLD:
            return False
        self._told.add(key)
        return True

    # ---- SLIP

    def _packets(self, data: bytes) -> Iterator[Finding]:
        for raw in self._unslip.feed(data):
            protocol: LinkProtocol = "slip"
            packet = ip.parse(raw)
            kind, told = on_slip(raw)
            if packet is None and kind is not Kind.IP:
                packet, protocol = ip.parse(self._decompressor.restore(kind, told) or b""), "cslip"
                if kind is Kind.COMPRESSED and not (packet and segment.parse(packet)):
                    packet = None
            if packet is not None:
                yield from self._spoken(protocol)
                yield _told(packet, self._own, self._machine)

    def _spoken(self, protocol: LinkProtocol) -> Iterator[Finding]:
        name = _PROTOCOL_NAMES[protocol]
        expected = self._expected
        yield Finding(protocol, f"the machine speaks {name}", "", "address", protocol=protocol)
        # A machine with compressed headers sends its first packets, and all that are no TCP, like one without.
        if expected and expected != protocol and not (expected == "cslip" and protocol == "slip"):
            yield Finding(
                "protocol-differs", f"the machine speaks {name}, the manifest says {_PROTOCOL_NAMES[expected]}",
                f'Set {_PROTOCOL_NAMES[expected]} on the machine, or protocol = "{protocol}" in [link].', "address",
                protocol=protocol,
            )  # fmt: skip

    # ---- PPP

    def _frames(self, data: bytes) -> Iterator[Finding]:
        for body in self._unframe.feed(data):
            number, inner = framing.opened(body)
            yield from self._spoken("ppp")
            if number not in (0x0021, 0x002D, 0x002F):
                yield _ppp(number, inner, answering=self._answering)
            if number == 0x0021 and (packet := ip.parse(inner)):
                yield _told(packet, self._own, self._machine)

    # ---- neither

    def _plain(self) -> Iterator[Finding]:
        recent = self._recent
        for match in _MODEM.finditer(recent):
            words = match[1].decode("ascii")
            yield Finding(
                "modem", f"the machine commands a modem: {words}",
                "Tell its dialler that the line is direct (no modem, no dialling), or give it an empty script.",
                "prompt",
            )  # fmt: skip
        tail = recent[-64:]
        if len(tail) >= 2 and set(tail[-2:]) == {0x43}:
            yield Finding("asks-file", "the machine asks for a file by XMODEM or YMODEM (C, again and again)",
                          "End this, then `discprep send PORT FILE`.", "prompt")  # fmt: skip
        elif len(tail) >= 2 and set(tail[-2:]) == {0x15}:
            yield Finding("asks-file", "the machine asks for a file by XMODEM (NAK, again and again)",
                          "End this, then `discprep send PORT FILE --protocol xmodem`.", "prompt")  # fmt: skip
        elif tail and set(tail) <= {0x11, 0x13}:
            yield Finding("xon-xoff", "XON or XOFF alone comes: the machine's port is set to software flow control",
                          "Set its flow control to RTS/CTS or none: SLIP and files hold these bytes.",
                          "prompt")  # fmt: skip
        elif len(tail) >= 4 and set(tail) == {0}:
            yield Finding("zeros", "only zeros come: a break, a rate far too low, or a level that never rises",
                          "Look at the cable's ground and levels; then try the machine's rate.", "prompt",
                          sense=False)  # fmt: skip
        elif _is_text(recent):
            line = re.split(rb"[\r\n]+", recent.strip(b"\r\n"))[-1][-60:].decode("ascii", "replace")
            yield Finding("text", "plain text comes: rate and framing are right", f"The last of it: {line}", "prompt")


def _is_text(data: bytes) -> bool:
    """Letters, mostly, of the last bytes."""
    data = data[-_WINDOW_BYTES // 4 :]
    good = sum(32 <= byte < 127 or byte in b"\r\n\t\b\x1b" for byte in data)
    letters = sum(65 <= byte < 91 or 97 <= byte < 123 for byte in data)
    return len(data) >= _TEXT_BYTES and good >= _TEXT_SHARE * len(data) and letters >= len(data) // 4


def _garbage(data: bytes) -> Finding:
    high = sum(byte >= 128 for byte in data) / len(data)
    likely = "most have the top bit set, as with 7 bits and parity" if high > 0.9 else "rate or framing differ"
    return Finding("garbage", f"bytes come that mean nothing at this rate: {likely}",
                   "Set rate and framing of both ends alike; without --baud the usual rates are tried in turn.",
                   "prompt", sense=False)  # fmt: skip


def _ppp(number: int, inner: bytes, *, answering: bool) -> Finding:
    name = _PPP_NAMES.get(number, f"protocol {number:04x}")
    if number not in (0xC021, 0x8021) or len(inner) < 4:
        return Finding("ppp-frame", f"PPP, {name}", "", "address", protocol="ppp")
    words = f"PPP, {name} {_CODES.get(inner[0], f'code {inner[0]}')}"
    options = options_in(inner[4 : int.from_bytes(inner[2:4], "big")]) if inner[0] in (1, 2, 3, 4) else None
    if options:
        words += ": " + ", ".join(_option(number, option.kind, option.value) for option in options)
    could = inner[0] == 1 and not answering
    hint = "With --answer this end takes part, and the ladder can be climbed." if could else ""
    return Finding("ppp-frame", words, hint, "address", protocol="ppp")


def _option(number: int, kind: int, value: bytes) -> str:
    if number == 0x8021:
        name = {2: "compressed headers", 3: "address", 129: "name server", 131: "second name server"}.get(kind)
        told = ".".join(map(str, value)) if len(value) == 4 and kind != 2 else value.hex()
        return f"{name or f'option {kind}'} {told}".strip()
    name = lcp.NAMES.get(kind, f"option {kind}")
    if kind == lcp.MRU:
        return f"{name} {int.from_bytes(value, 'big')}"
    return name if kind == lcp.MAGIC else f"{name} {value.hex()}".strip()


def _told(packet: Packet, own: str, machine: str) -> Finding:
    """A packet in words: who asks whom for what."""
    source, target = str(packet.source), str(packet.target)
    wrong = ""
    if machine and source not in (machine, own):
        wrong = f"the manifest gives the machine {machine}"
    elif own and target not in (own, machine) and not packet.target.is_multicast:
        wrong = f"beyond this end; the manifest gives it {own}"
    words, rung = _asks(packet, target)
    hint = f"It sends from {source} to {target}: {wrong}." if wrong else ""
    rung = "beyond" if wrong.startswith("beyond") else rung
    return Finding("packet", f"{source} {words}", hint, rung, packet=packet)


def _asks(packet: Packet, target: str) -> tuple[str, Rung]:
    if packet.protocol == ICMP:
        return (f"pings {target}" if packet.payload[:1] == b"\x08" else f"sends ICMP to {target}"), "address"
    if packet.protocol == UDP and (ports := names.udp_ports(packet)):
        if ports[1] == names.PORT:
            return f"asks {target} for the name {_name(ports[2])}", "name"
        if ports[1] == 67:
            return "asks anybody for an address (BOOTP or DHCP): set one by hand on SLIP", "address"
        return f"sends to UDP port {ports[1]} of {target}", "beyond"
    if packet.protocol == TCP and (told := segment.parse(packet)):
        opens = told.flags & segment.SYN and not told.flags & segment.ACK
        return f"{'opens' if opens else 'talks to'} TCP port {told.target_port} of {target}", "fetch"
    return f"sends protocol {packet.protocol} to {target}", "beyond"


def _name(query: bytes) -> str:
    asked = names.question_in(query)
    return b".".join(asked[0]).decode("ascii", "replace")[:80] if asked else "?"


def lines_words(lines: Lines) -> tuple[str, str]:
    """The handshake lines in words, and what to do about them."""
    known = {"CTS": lines.cts, "DSR": lines.dsr, "DCD": lines.dcd, "RI": lines.ring}
    told = {name: state for name, state in known.items() if state is not None}
    if not told:
        return "this port has no handshake lines", ""
    words = ", ".join(f"{name} {'on' if state else 'off'}" for name, state in told.items())
    if not any(told.values()):
        return f"{words}: three wires only, or the other end is off", (
            "That is right for flow control none. With RTS/CTS the cable must cross both lines, and the machine be on."
        )
    meanings = []
    if lines.cts:
        meanings.append("CTS: the other end would take bytes")
    if lines.dsr:
        meanings.append("DSR: it is on and has the port open")
    if lines.dcd:
        meanings.append("DCD: it counts as connected")
    return f"{words} ({'; '.join(meanings)})" if meanings else words, ""


class Search:
    """Tries the usual rates in turn, while nothing makes sense. Edges cannot be timed through a serial port, but a
    checksum that is right, or letters, prove a rate."""

    def __init__(self, first_bit_s: int, *, fixed: bool) -> None:
        rest = [rate for rate in USUAL_RATES_BIT_S if rate != first_bit_s]
        self._rates = [first_bit_s] if fixed else [first_bit_s, *rest]
        self._at = 0
        self.settled = False

    @property
    def rate_bit_s(self) -> int:
        return self._rates[self._at]

    def next(self) -> int:
        """The next rate to try [bit/s]."""
        self._at = (self._at + 1) % len(self._rates)
        return self.rate_bit_s

"""The ladder of small tests, from a loop of wire to the first fetch: each proves one thing more than the one before.

What a failure looks like and what it means is common practice of serial lines, no source, but for PPP (RFC 1661, 1332)
and for compressed headers (RFC 1144); the numbers come from the link's own figures.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from discprep.model import Flow, LinkSettings
from discprep.report.sheet.facts import Failure, Rung
from discprep.units import format_seconds

NAMES: Mapping[str, str] = {
    "loop": "Loop-back: the machine's port alone",
    "prompt": "The bridge's prompt",
    "address": "The bridge's address",
    "beyond": "An address beyond the bridge",
    "name": "A name",
    "fetch": "A small fetch",
}
"""From the lowest rung up; `listen` tells them by these names."""

PING_DATA_BYTES = 56  # what a ping carries unless told otherwise: common practice, no source
PING_BYTES = PING_DATA_BYTES + 28  # with its ICMP and IP headers (RFC 792, RFC 791)


@dataclass(frozen=True, slots=True)
class Line:
    """The serial line as it is to be set, and what is known around it."""

    link: LinkSettings
    flow: Flow
    bridge_address: str
    machine_address: str
    resolver: str
    slower_bit_s: int | None  # the next slower rate that both ends hold
    ping_s: float  # what a ping of the bridge should take
    ten_kilobytes_s: float  # what 10 KB should take
    example_host: str
    beyond: str  # an address that is neither end's, for a ping through the bridge
    terminal: bool  # the machine has a terminal program
    auto_rts: bool  # the machine's port drops RTS by itself

    @property
    def compressed(self) -> bool:
        """Whether TCP/IP headers are compressed after RFC 1144."""
        protocol = self.link.protocol
        return protocol == "cslip" or (protocol == "ppp" and self.link.header_compression is not False)


def rungs(line: Line) -> tuple[Rung, ...]:
    """The tests for this line, easiest first."""
    first = (_loop(line), _prompt(line)) if line.terminal else (_from_the_pc(line),)
    ppp = (_ppp(line),) if line.link.protocol == "ppp" else ()
    return (*first, *ppp, _bridge_address(line), _beyond(line), _name(line), _fetch(line))


def _ends(line: Line) -> str:
    return f"{line.link.rate_bit_s} {line.link.framing}"


def _slower(line: Line) -> str:
    return f"{line.slower_bit_s} on both ends" if line.slower_bit_s else "a slower rate on both ends"


def _overrun(line: Line) -> str:
    """What cures lost characters: RTS/CTS alone does only where the port drops RTS by itself."""
    return f"RTS/CTS, or {_slower(line)}" if line.auto_rts and line.flow != "rts-cts" else _slower(line)


def _loop(line: Line) -> Rung:
    return Rung(
        NAMES["loop"],
        f"Both off, cable out. Join pins 2 and 3 of the machine's plug (with hardware flow control also RTS and CTS). "
        f"Machine on, terminal at {_ends(line)}, local echo off; type.",
        "Each letter appears once. Take the loop away: nothing appears any more.",
        (
            Failure("nothing", "another port, or its driver is not loaded", "choose the other port; load the driver"),
            Failure("nothing, with RTS/CTS set", "the terminal waits for CTS", "join RTS and CTS too, or flow none"),
            Failure("each letter twice", "local echo is on", "switch it off"),
            Failure("now and then a letter lost", "overrun: the port is served too late", f"try {_slower(line)}"),
        ),
    )


def _prompt(line: Line) -> Rung:
    return Rung(
        NAMES["prompt"],
        f"Both off; ground first, then the cable. Power on, terminal at {_ends(line)}; press Return once or twice.",
        "The bridge's prompt or sign-on, readable to the last letter.",
        _wire_failures(line),
    )


def _from_the_pc(line: Line) -> Rung:
    """Instead of the first two where the machine has no terminal program."""
    return Rung(
        "The bridge's prompt, from the PC",
        f"The machine has no terminal program. Put the PC in its place: the same cable, an adapter of the RS-232 kind, "
        f"a terminal program (or discprep listen) at {_ends(line)}; press Return once or twice. Then the cable back.",
        "The bridge's prompt or sign-on, readable to the last letter: cable and bridge are in order.",
        (*_wire_failures(line), Failure("here all is well, the next rung fails", "the machine's port or its driver",
                                        "the other port; its driver; its rate and framing")),
    )  # fmt: skip


def _wire_failures(line: Line) -> tuple[Failure, ...]:
    return (
        Failure("garbage", "rate or framing differ", f"set {_ends(line)} on both ends; then {_slower(line)}"),
        Failure("silence", "wiring: transmit and receive not crossed, no common ground, wrong levels, or no power",
                "swap pins 2 and 3 or use a crossed cable; check the ground and the level converter"),
        Failure("it stops after some lines", "flow control differs", f"set {line.flow} on both ends"),
        Failure("letters missing in long lines", "overrun", _overrun(line)),
        Failure("it restarts when it should answer", "its supply is too weak", "a stronger supply, a capacitor"),
    )  # fmt: skip


def _ppp(line: Line) -> Rung:
    return Rung(
        "PPP comes up",
        f"Leave the terminal, start the IP stack with PPP, its log on; MTU {line.link.mtu_bytes}.",
        "LCP opens, then the password if one is asked, then IPCP; the addresses are those of the table.",
        (
            Failure("requests go out, no answer to LCP", "the bridge is not in PPP yet, or another rate",
                    "its command that starts PPP; back to the rung before"),
            Failure("its own requests come back", "the bridge sits at its prompt and echoes, or the loop is still in",
                    "start PPP there; take the loop out"),
            Failure("it ends after the password", "name or password, or the kind of it (PAP, CHAP)",
                    "both as the bridge has them"),
            Failure("IPCP does not open", "each end insists on another address",
                    f"{_own(line)} here, {_bridge(line)} there"),
        ),
    )  # fmt: skip


def _own(line: Line) -> str:
    return line.machine_address or "the machine's address"


def _bridge(line: Line) -> str:
    return line.bridge_address or "the bridge's address"


def _bridge_address(line: Line) -> Rung:
    start = "" if line.link.protocol == "ppp" else (
        f"Leave the terminal, start the IP stack ({line.link.protocol.upper()}, MTU {line.link.mtu_bytes}). "
    )  # fmt: skip
    return Rung(
        NAMES["address"],
        f"{start}From {_own(line)}, ping {_bridge(line)} with {PING_DATA_BYTES} bytes ({PING_BYTES} with headers).",
        f"An answer in about {1000 * line.ping_s:.0f} ms, none lost of ten.",
        (
            Failure("no answer, the bridge's lamp blinks", "protocol or addresses differ",
                    f"{line.link.protocol.upper()} on both ends; {_own(line)} here, {_bridge(line)} there"),
            Failure("no answer, no lamp", "the terminal still holds the port, or flow control waits",
                    "end the terminal; check the handshake lines"),
            Failure("some are lost", "overrun or a rate that both ends hold badly", f"try {_slower(line)}"),
            Failure("small pings pass, large ones do not", f"MTU is not {line.link.mtu_bytes} on both ends", "set it"),
        ),
    )  # fmt: skip


def _beyond(line: Line) -> Rung:
    return Rung(
        NAMES["beyond"],
        f"Ping {line.beyond or 'the PC that has the shelf'} by its number.",
        "An answer, slower than the bridge's by the network's own time.",
        (
            Failure("no route", "no gateway is set, or the netmask takes far addresses for near ones",
                    f"gateway {line.bridge_address or 'the bridge'}; a netmask with only the two ends in it"),
            Failure("nothing comes back", "the bridge is not in its network, or does not pass packets on",
                    "look at the bridge's own status; its network name and key; its address translation"),
            Failure("from the bridge it works, from here not", f"the bridge does not know {_own(line)}",
                    f"give it {_own(line)}"),
        ),
    )  # fmt: skip


def _name(line: Line) -> Rung:
    host = line.example_host or "a name you know"
    return Rung(
        NAMES["name"],
        f"Look up {host}, or ping it by name.",
        "A number comes back within some seconds.",
        (
            Failure("not found, at once", "no resolver is set", f"resolver {line.resolver or 'as noted'}"),
            Failure("not found, after a long wait", "the resolver does not answer", "ping it; take another"),
        ),
    )


def _fetch(line: Line) -> Rung:
    compression = "on" if line.compressed else "off"
    return Rung(
        NAMES["fetch"],
        "Fetch http://ADDRESS:PORT/LIST.TXT from the PC's shelf, then something of 10 KB.",
        f"10 KB in about {format_seconds(line.ten_kilobytes_s)}; the page's sizes match.",
        (
            Failure("refused", "the shelf is not running, or another port", "discprep serve on the PC; its address"),
            Failure("it hangs and is not refused", "the PC's firewall drops what comes in",
                    "let the shelf's port in from the bridge's network"),
            Failure("ping works, no connection ever does", "headers are compressed at one end only (RFC 1144)",
                    f"set it {compression} on both ends"),
            Failure("it starts and stalls", "MTU or overrun",
                    f"MTU {line.link.mtu_bytes} on both ends; smaller if that helps; then {_slower(line)}"),
            Failure("twice as slow, pauses each second", "packets are lost and sent again",
                    f"a smaller MTU or window; {_overrun(line)}"),
            Failure("whole, but its checksum is wrong", "lost characters that nothing noticed",
                    f"never use it; {_overrun(line)}; fetch again"),
            Failure("a page instead of the file", "the address asked was not the shelf's", "ask the shelf, by number"),
        ),
    )  # fmt: skip

"""The ladder of small tests, from a loop of wire to the first fetch: each proves one thing more than the one before.

What a failure looks like and what it means is common practice of serial lines, no source; the numbers come from the
link's own figures.
"""

from __future__ import annotations

from collections.abc import Mapping

from discprep.report.sheet.facts import Failure, Line, Rung
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


def rungs(line: Line, port: str = "ADDRESS:PORT") -> tuple[Rung, ...]:
    """The tests for this line, easiest first. `port` is where the shelf of the PC answers."""
    return (_loop(line), _prompt(line), _bridge_address(line), _beyond(line), _name(line), _fetch(line, port))


def _ends(line: Line) -> str:
    return f"{line.rate_bit_s} {line.framing}"


def _slower(line: Line) -> str:
    return f"{line.slower_bit_s} on both ends" if line.slower_bit_s else "a slower rate on both ends"


def _loop(line: Line) -> Rung:
    return Rung(
        NAMES["loop"],
        f"Both off, cable out. Join transmit and receive at the machine's plug (pins 2 and 3 of a 9-way or 25-way "
        f"plug; with hardware flow control also RTS and CTS). Machine on, terminal at {_ends(line)}, local echo off; "
        "type.",
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
        (
            Failure("garbage", "rate or framing differ", f"set {_ends(line)} on both ends; then {_slower(line)}"),
            Failure(
                "silence",
                "wiring: transmit and receive not crossed, no common ground, wrong levels, or no power",
                "swap pins 2 and 3 or use a crossed cable; check the ground and the level converter",
            ),
            Failure("it stops after some lines", "flow control differs", f"set {line.flow} on both ends"),
            Failure("letters missing in long lines", "overrun", f"use RTS/CTS, or {_slower(line)}"),
            Failure("it restarts when it should answer", "its supply is too weak", "a stronger supply, a capacitor"),
        ),
    )


def _bridge_address(line: Line) -> Rung:
    address = line.bridge_address or "the bridge's address"
    own = line.machine_address or "the machine's address"
    return Rung(
        NAMES["address"],
        f"Leave the terminal, start the IP stack ({line.protocol.upper()}, MTU {line.mtu_bytes}). From {own}, "
        f"ping {address}.",
        f"An answer in about {1000 * line.ping_s:.0f} ms, none lost of ten.",
        (
            Failure("no answer, the bridge's lamp blinks", "protocol or addresses differ",
                    f"{line.protocol.upper()} on both ends; {own} here, {address} there"),
            Failure("no answer, no lamp", "the terminal still holds the port, or flow control waits",
                    "end the terminal; check the handshake lines"),
            Failure("some are lost", "overrun or a rate that both ends hold badly", f"try {_slower(line)}"),
            Failure("small pings pass, large ones do not", f"MTU is not {line.mtu_bytes} on both ends", "set it"),
        ),
    )  # fmt: skip


def _beyond(line: Line) -> Rung:
    target = line.resolver or "the resolver's address"
    own = line.machine_address or "the machine's address"
    return Rung(
        NAMES["beyond"],
        f"Ping {target} by its number.",
        "An answer, slower than the bridge's by the network's own time.",
        (
            Failure("no route", "no gateway is set", f"gateway {line.bridge_address or 'the bridge'} on the machine"),
            Failure("nothing comes back", "the bridge is not in its network, or does not pass packets on",
                    "look at the bridge's own status; its network name and key; its address translation"),
            Failure("from the bridge it works, from here not", f"the bridge does not know {own}", f"give it {own}"),
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
    )  # fmt: skip


def _fetch(line: Line, port: str) -> Rung:
    return Rung(
        NAMES["fetch"],
        f"Fetch http://{port}/LIST.TXT from the PC's shelf, then something of 10 KB.",
        f"10 KB in about {format_seconds(line.kilobyte_s)}; the page's sizes match.",
        (
            Failure("refused", "the shelf is not running, or another port", "discprep serve on the PC; its address"),
            Failure("it starts and stalls", "MTU or overrun",
                    f"MTU {line.mtu_bytes} on both ends; smaller if that helps; then {_slower(line)}"),
            Failure("twice as slow, pauses each second", "packets are lost and sent again",
                    "a smaller MTU or window; RTS/CTS"),
            Failure("whole, but its checksum is wrong", "lost characters that nothing noticed",
                    "never use it; RTS/CTS, a slower rate; fetch again"),
            Failure("a page instead of the file", "the address asked was not the shelf's", "ask the shelf, by number"),
        ),
    )  # fmt: skip

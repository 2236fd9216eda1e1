"""The two ends of the line against each other: rates both hold, mismatch, overrun, in words.

The budget is for the sum of both ends' errors. Perfect sampling allows 5.26 % at 8N1; published budgets stand at
4.4 to 4.8 % for 16-fold sampling. Ours: up to 2 % is good, up to 4 % is a warning, more is an error, scaled by
the tolerance of longer characters (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from discprep.link.encapsulation import XON_XOFF_MAP
from discprep.link.generator import Generated, generate
from discprep.link.line import STANDARD_RATES_BIT_S, characters_per_second, parse_framing
from discprep.link.trouble import IMPOSSIBLE, LOSES, MAY_LOSE, SLOWER, Trouble
from discprep.machine import data_bits
from discprep.model import BridgeSettings, Flow, LinkSettings, Notice, Profile

_GOOD, _POOR = 0.02, 0.04  # of a 10-bit character
_UNKNOWN_CLOCK_LIMIT_BIT_S = 115_200  # what an end of unknown clock is taken to reach: common practice, no source
_FLOW_NEEDED_BIT_S = 115_200

Verdict = Literal["good", "poor", "bad"]


def machine_rate(profile: Profile | None, rate_bit_s: float) -> Generated:
    """The rate as the machine's clock makes it; exact where the profile tells no clock."""
    clock_hz, divider = (profile.serial_clock_hz, profile.serial_divider) if profile else (None, None)
    return generate(clock_hz, divider, rate_bit_s)


def bridge_rate(bridge: BridgeSettings | None, rate_bit_s: float) -> Generated:
    """The rate as the bridge's clock makes it; exact where no clock is told."""
    clock_hz, divider = (bridge.clock_hz, bridge.divider) if bridge else (None, None)
    return generate(clock_hz, divider, rate_bit_s)


def mismatch(sender: Generated, receiver: Generated) -> float:
    """actual sender / actual receiver - 1 [fraction], signed."""
    return sender.actual_bit_s / receiver.actual_bit_s - 1


def verdict(mismatch_fraction: float, framing: str = "8N1") -> Verdict:
    """What a mismatch of the two ends means for this framing."""
    scale = parse_framing(framing).tolerance / parse_framing("8N1").tolerance
    size = abs(mismatch_fraction)
    return "good" if size <= _GOOD * scale else "poor" if size <= _POOR * scale else "bad"


def rates_both_hold(
    profile: Profile | None, bridge: BridgeSettings | None, framing: str = "8N1"
) -> tuple[int, ...]:
    """The rates [bit/s], rising, at which the mismatch of the two ends is good; the bridge's own among the candidates.

    An end of unknown clock is taken as exact up to 115,200.
    """
    rates = _candidates(profile, bridge)
    return tuple(rate for rate in rates if verdict(_difference(profile, bridge, rate), framing) == "good")


def fastest_rate(profile: Profile | None, bridge: BridgeSettings | None, framing: str = "8N1") -> int | None:
    """The fastest rate [bit/s] that both ends hold and the machine's port is served at; None: there is none."""
    return max(safe_rates(profile, bridge, framing), default=None)


def safe_rates(
    profile: Profile | None, bridge: BridgeSettings | None, framing: str = "8N1"
) -> tuple[int, ...]:
    """The rates [bit/s], rising, that both ends hold and at which no character is lost."""
    held = rates_both_hold(profile, bridge, framing)
    return tuple(rate for rate in held if _overrun(profile, bridge, rate, framing) <= SLOWER)


def _candidates(profile: Profile | None, bridge: BridgeSettings | None) -> list[int]:
    known = (profile and profile.serial_clock_hz) and (bridge and bridge.clock_hz)
    limit = STANDARD_RATES_BIT_S[-1] if known else _UNKNOWN_CLOCK_LIMIT_BIT_S
    own = {bridge.rate_bit_s} if bridge else set()
    return sorted({rate for rate in STANDARD_RATES_BIT_S if rate <= limit} | own)


def _difference(profile: Profile | None, bridge: BridgeSettings | None, rate_bit_s: int) -> float:
    return mismatch(bridge_rate(bridge, rate_bit_s), machine_rate(profile, rate_bit_s))


# ------------------------------------------------------------------------------------------- the ends compared


def compare_ends(
    link: LinkSettings, bridge: BridgeSettings | None, profile: Profile | None
) -> tuple[Trouble, ...]:
    """What the two ends disagree about: rate, framing, the rates their clocks really make, flow control."""
    found = [*_data_bits(link)]
    if bridge is not None:
        found += [*_framings(link, bridge), *_flows_differ(bridge, profile)]
    return (*found, *_rates(link, bridge, profile), *_xon(link, bridge, profile))


def _framings(link: LinkSettings, bridge: BridgeSettings) -> list[Trouble]:
    if link.framing == bridge.framing:
        return []
    return [Trouble("framing", IMPOSSIBLE, Notice(
        f"the machine is set to {link.framing} and the bridge to {bridge.framing}: expect garbage",
        hint="Set both to the same framing, 8N1 where nothing speaks against it.",
    ))]  # fmt: skip


def _rates(link: LinkSettings, bridge: BridgeSettings | None, profile: Profile | None) -> list[Trouble]:
    """The rates that the two ends really make, whatever they are called."""
    set_to = bridge.rate_bit_s if bridge else link.rate_bit_s
    sender, receiver = bridge_rate(bridge, set_to), machine_rate(profile, link.rate_bit_s)
    difference = mismatch(sender, receiver)
    judged = verdict(difference, link.framing)
    if judged == "good":
        return []
    percent = f"{abs(difference):.1%}".replace("%", " %")
    rate = f"{link.rate_bit_s:,} bit/s" if set_to == link.rate_bit_s else f"{link.rate_bit_s:,} and {set_to:,} bit/s"
    outlook = "expect garbage" if judged == "bad" else "expect errors now and then"
    return [Trouble("rate", IMPOSSIBLE if judged == "bad" else MAY_LOSE, Notice(
        f"these two ends disagree by {percent} at {rate}: {outlook}",
        hint=f"The machine makes {receiver.actual_bit_s:,.0f} ({_signed(receiver.error)}), "
        f"the bridge {sender.actual_bit_s:,.0f} ({_signed(sender.error)}). {_better_rate(link, bridge, profile)}",
    ), fastest_rate(profile, bridge, link.framing))]  # fmt: skip


def _better_rate(link: LinkSettings, bridge: BridgeSettings | None, profile: Profile | None) -> str:
    """The fastest rate that both ends hold and the port is served at: the one that every other advice names too."""
    rate = fastest_rate(profile, bridge, link.framing)
    if rate is None:
        return "No usual rate is held by both: another clock, or another divider, is needed at one end."
    percent = f"{abs(_difference(profile, bridge, rate)):.1%}".replace("%", " %")
    return f"Set both to {rate:,}, where they disagree by {percent}."


def _signed(fraction: float) -> str:
    return f"{fraction:+.2%}".replace("%", " %")


def _data_bits(link: LinkSettings) -> list[Trouble]:
    bits = data_bits(link.framing)
    if bits == 8:
        return []
    return [Trouble("data bits", IMPOSSIBLE, Notice(
        f"{link.framing} carries {bits} data bits, and {link.protocol} needs 8 (RFC 1055, RFC 1662 4.5.2)",
        hint="Set 8N1 on both ends.",
    ))]  # fmt: skip


def bridge_flow(bridge: BridgeSettings | None, profile: Profile) -> Flow:
    """What the bridge is set to: its own flow control where it is told, else the machine's."""
    return (bridge.flow if bridge else None) or profile.serial_flow


def _flows_differ(bridge: BridgeSettings, profile: Profile | None) -> list[Trouble]:
    """An end that is set to RTS/CTS sends only while the other raises its line; one that is not set to it need not
    (ITU-T V.24, circuits 105/133 and 106)."""
    if profile is None or bridge.flow is None or bridge.flow == profile.serial_flow:
        return []
    said = f"flow control is {profile.serial_flow} on the machine and {bridge.flow} on the bridge"
    hint = "Set both to rts-cts where both lines are wired, else both to none."
    if "rts-cts" not in (bridge.flow, profile.serial_flow):
        outlook = "one of them sends into a full buffer, unheard"
        return [Trouble("flow", MAY_LOSE, Notice(f"{said}: {outlook}", hint=hint))]
    waits = "machine" if profile.serial_flow == "rts-cts" else "bridge"
    outlook = f"the {waits} waits for a signal that the other end need never give, and stops for ever"
    return [Trouble("flow", IMPOSSIBLE, Notice(f"{said}: {outlook}", hint=hint))]


def _xon(link: LinkSettings, bridge: BridgeSettings | None, profile: Profile | None) -> list[Trouble]:
    flows = {bridge.flow if bridge else None, profile.serial_flow if profile else None}
    escaped = link.protocol == "ppp" and (link.accm is None or link.accm & XON_XOFF_MAP == XON_XOFF_MAP)
    if "xon-xoff" not in flows or escaped:
        return []
    return [Trouble("xon", IMPOSSIBLE, Notice(
        f"xon-xoff takes the bytes 11 and 13 for itself, and {link.protocol} sends them unescaped: the line will hang",
        hint="Use rts-cts or none on both ends, or PPP with 11 and 13 in its map.",
    ))]  # fmt: skip


# ---------------------------------------------------------------------------------------------------- overrun


@dataclass(frozen=True, slots=True)
class ServiceLimit:
    """How long [s] the machine may leave its receiver unserved: lost characters from `hard_s` on."""

    design_s: float
    hard_s: float


def service_limit(rate_bit_s: float, framing: str, fifo: int, trigger: int) -> ServiceLimit:
    """The overrun rule: a FIFO of depth D that interrupts at level T is full, and loses the next character, after
    (D + 1 - T) character times; design for (D - T), at least one. Source: line status register bit 1 of 16550-type
    parts.
    """
    character_s = 1 / characters_per_second(rate_bit_s, framing)
    return ServiceLimit(max(1, fifo - trigger) * character_s, (fifo + 1 - trigger) * character_s)


def overruns(
    link: LinkSettings, profile: Profile | None, bridge: BridgeSettings | None = None
) -> tuple[Trouble, ...]:
    """Whether the machine's receiver loses characters at this rate."""
    weight = _overrun(profile, bridge, link.rate_bit_s, link.framing)
    if profile is None or not weight:
        return ()
    rate = f"at {link.rate_bit_s:,} bit/s"
    if profile.serial_service_s is None:
        character_us = 1e6 / characters_per_second(link.rate_bit_s, link.framing)
        holds = "one character" if profile.serial_fifo == 1 else f"{profile.serial_fifo} characters"
        rts_cts = _flow_in_force(profile, bridge) == "rts-cts"
        without = "a port that drops RTS by itself" if rts_cts else "rts-cts"
        words = (
            f"{rate} a character comes each {character_us:.0f} us and the receiver holds {holds}: without {without} "
            "expect lost characters"
        )
    else:
        limit = _limit(profile, link.rate_bit_s, link.framing)
        limit_s = limit.hard_s if weight == LOSES else limit.design_s
        words = (
            f"the machine serves its receiver within {profile.serial_service_s * 1e6:,.0f} us, and {rate} it must "
            f"within {limit_s * 1e6:,.0f} us{_LATE[weight]}"
        )
    if weight == SLOWER:
        hint = "Leave the sender's own FIFO as headroom above the level at which RTS drops."
        return (Trouble("overrun", weight, Notice(words, hint=hint)),)
    hint = _slower_or_cured(link, profile, bridge)
    return (Trouble("overrun", weight, Notice(words, hint=hint), _slower(link, profile, bridge)),)


_LATE = {
    SLOWER: ": its port drops RTS, which will hold the sender back now and then",
    MAY_LOSE: " to be safe: characters may be lost",
    LOSES: ": characters will be lost, each with its whole packet",
}


def _slower_or_cured(link: LinkSettings, profile: Profile, bridge: BridgeSettings | None) -> str:
    """What gets rid of an overrun: a rate that the port is served at, or a port that drops RTS by itself."""
    slower = _slower(link, profile, bridge)
    rate = f"Set both ends to {slower:,} bit/s. " if slower else ""
    cure = "a port that drops RTS by itself cures it (serial.auto_rts, as its papers say), with rts-cts on both ends"
    return f"{rate}Or {cure}." if rate else f"{cure[0].upper()}{cure[1:]}."


def _slower(link: LinkSettings, profile: Profile, bridge: BridgeSettings | None) -> int | None:
    """The fastest rate [bit/s] that the port is served at, where that is slower than the one as set."""
    rate = fastest_rate(profile, bridge, link.framing)
    return rate if rate and rate < link.rate_bit_s else None


def _flow_in_force(profile: Profile, bridge: BridgeSettings | None) -> str:
    """The flow control in force: what both ends have set."""
    return profile.serial_flow if bridge_flow(bridge, profile) == profile.serial_flow else "none"


def _limit(profile: Profile, rate_bit_s: float, framing: str) -> ServiceLimit:
    """The FIFO's interrupt level is half of it where the profile does not say."""
    trigger = profile.serial_trigger or max(1, profile.serial_fifo // 2)
    return service_limit(rate_bit_s, framing, profile.serial_fifo, trigger)


def _wants_flow(rate_bit_s: int, profile: Profile, flow: str) -> bool:
    """Where nobody has told how soon the port is served: one without a FIFO above 38,400; without rts-cts any port from
    115,200 on (common practice, no source)."""
    unguarded = rate_bit_s >= _FLOW_NEEDED_BIT_S and flow != "rts-cts"
    return unguarded or (rate_bit_s > 38_400 and profile.serial_fifo <= 1)


def _overrun(profile: Profile | None, bridge: BridgeSettings | None, rate_bit_s: int, framing: str) -> int:
    """How much it costs what the receive register loses at a rate, as a trouble's weight; 0: nothing. Pure arithmetic.

    RTS/CTS cures that only where the port's own hardware drops RTS: a driver that comes too late to read comes too late
    to drop it.
    """
    if profile is None:
        return 0
    flow, service_s = _flow_in_force(profile, bridge), profile.serial_service_s
    cured = flow == "rts-cts" and profile.serial_auto_rts
    if service_s is None:
        return MAY_LOSE if not cured and _wants_flow(rate_bit_s, profile, flow) else 0
    limit = _limit(profile, rate_bit_s, framing)
    if service_s <= limit.design_s:
        return 0
    return SLOWER if cured else LOSES if service_s > limit.hard_s else MAY_LOSE

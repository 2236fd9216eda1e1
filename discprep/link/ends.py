"""The two ends of the line against each other: rates both hold, mismatch, overrun, in words.

The budget is for the sum of both ends' errors. Perfect sampling allows 5.26 % at 8N1; published budgets stand at
4.4 to 4.8 % for 16-fold sampling. Ours: up to 2 % is good, up to 4 % is a warning, more is an error, scaled by
the tolerance of longer characters (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from discprep.link.generator import Generated, exact, generate
from discprep.link.line import STANDARD_RATES_BIT_S, characters_per_second, parse_framing
from discprep.machine import data_bits, ends_differ
from discprep.model import BridgeSettings, LinkSettings, Notice, Profile

_GOOD, _POOR = 0.02, 0.04  # of a 10-bit character
_UNKNOWN_CLOCK_LIMIT_BIT_S = 115_200  # what an end of unknown clock is taken to reach: common practice, no source
_FLOW_NEEDED_BIT_S = 115_200

Verdict = Literal["good", "poor", "bad"]


def machine_rate(profile: Profile | None, rate_bit_s: float) -> Generated:
    """The rate as the machine's clock makes it; exact where the profile tells no clock."""
    if profile is None or profile.serial_clock_hz is None or profile.serial_divider is None:
        return exact(rate_bit_s)
    return generate(profile.serial_clock_hz, profile.serial_divider, rate_bit_s)


def bridge_rate(bridge: BridgeSettings | None, rate_bit_s: float) -> Generated:
    """The rate as the bridge's clock makes it; exact where no clock is told."""
    if bridge is None or bridge.clock_hz is None or bridge.divider is None:
        return exact(rate_bit_s)
    return generate(bridge.clock_hz, bridge.divider, rate_bit_s)


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
    return tuple(rate for rate in _candidates(profile, bridge) if _holds(profile, bridge, rate, framing))


def fastest_rate(profile: Profile | None, bridge: BridgeSettings | None, framing: str = "8N1") -> int | None:
    """The fastest rate [bit/s] that both ends hold and at which the machine loses no character; None: there is none."""
    rates = [rate for rate in rates_both_hold(profile, bridge, framing) if not _overruns(profile, rate, framing)]
    return rates[-1] if rates else None


def _candidates(profile: Profile | None, bridge: BridgeSettings | None) -> list[int]:
    known = (profile and profile.serial_clock_hz) and (bridge and bridge.clock_hz)
    limit = STANDARD_RATES_BIT_S[-1] if known else _UNKNOWN_CLOCK_LIMIT_BIT_S
    own = {bridge.rate_bit_s} if bridge else set()
    return sorted({rate for rate in STANDARD_RATES_BIT_S if rate <= limit} | own)


def _holds(profile: Profile | None, bridge: BridgeSettings | None, rate_bit_s: int, framing: str) -> bool:
    difference = mismatch(bridge_rate(bridge, rate_bit_s), machine_rate(profile, rate_bit_s))
    return verdict(difference, framing) == "good"


# ------------------------------------------------------------------------------------------- the ends compared


def compare_ends(
    link: LinkSettings, bridge: BridgeSettings | None, profile: Profile | None
) -> tuple[Notice, ...]:
    """What the two ends disagree about: rate, framing, the rates their clocks really make, flow control."""
    notices = [*_data_bits(link)]
    if bridge is not None:
        notices += [*_settings(link, bridge), *_flows_differ(bridge, profile)]
    return (*notices, *_clocks(link, bridge, profile), *_xon(link, bridge, profile))


def _settings(link: LinkSettings, bridge: BridgeSettings) -> list[Notice]:
    notices, differ = [], ends_differ(link, bridge)
    if "rate" in differ:
        notices.append(Notice(
            f"the machine is set to {link.rate_bit_s:,} bit/s and the bridge to {bridge.rate_bit_s:,}: expect garbage",
            hint="Set both to the same rate.",
        ))  # fmt: skip
    if "framing" in differ:
        notices.append(Notice(
            f"the machine is set to {link.framing} and the bridge to {bridge.framing}: expect garbage",
            hint="Set both to the same framing, 8N1 where nothing speaks against it.",
        ))  # fmt: skip
    return notices


def _clocks(link: LinkSettings, bridge: BridgeSettings | None, profile: Profile | None) -> list[Notice]:
    if bridge is not None and "rate" in ends_differ(link, bridge):
        return []
    sender, receiver = bridge_rate(bridge, link.rate_bit_s), machine_rate(profile, link.rate_bit_s)
    difference = mismatch(sender, receiver)
    judged = verdict(difference, link.framing)
    if judged == "good":
        return []
    percent = f"{abs(difference):.1%}".replace("%", " %")
    outlook = "expect garbage" if judged == "bad" else "expect errors now and then"
    other = _better_rate(link, bridge, profile)
    return [Notice(
        f"these two ends disagree by {percent} at {link.rate_bit_s:,} bit/s: {outlook}{other}",
        hint=f"The machine makes {receiver.actual_bit_s:,.0f} ({_signed(receiver.error)}), "
        f"the bridge {sender.actual_bit_s:,.0f} ({_signed(sender.error)}); choose a rate both can hold.",
    )]  # fmt: skip


def _better_rate(link: LinkSettings, bridge: BridgeSettings | None, profile: Profile | None) -> str:
    rates = rates_both_hold(profile, bridge, link.framing)
    slower = [rate for rate in rates if rate < link.rate_bit_s] or list(rates)
    if not slower:
        return ""
    rate = slower[-1]
    difference = mismatch(bridge_rate(bridge, rate), machine_rate(profile, rate))
    return f"; {rate:,} would be {abs(difference):.1%}".replace("%", " %")


def _signed(fraction: float) -> str:
    return f"{fraction:+.2%}".replace("%", " %")


def _data_bits(link: LinkSettings) -> list[Notice]:
    bits = data_bits(link.framing)
    if bits == 8:
        return []
    return [Notice(
        f"{link.framing} carries {bits} data bits, and {link.protocol} needs 8 (RFC 1055, RFC 1662 4.5.2)",
        hint="Set 8N1 on both ends.",
    )]  # fmt: skip


def bridge_flow(bridge: BridgeSettings | None, profile: Profile) -> str:
    """What the bridge is set to: its own flow control where it is told, else the machine's."""
    return (bridge.flow if bridge else None) or profile.serial_flow


def _flows_differ(bridge: BridgeSettings, profile: Profile | None) -> list[Notice]:
    if profile is None or bridge.flow is None or bridge.flow == profile.serial_flow:
        return []
    return [Notice(
        f"flow control is {profile.serial_flow} on the machine and {bridge.flow} on the bridge: "
        "one of them will wait for a signal that never comes, or send into a full buffer",
        hint="Set both to rts-cts where both lines are wired, else both to none.",
    )]  # fmt: skip


def _xon(link: LinkSettings, bridge: BridgeSettings | None, profile: Profile | None) -> list[Notice]:
    flows = {bridge.flow if bridge else None, profile.serial_flow if profile else None}
    escaped = link.protocol == "ppp" and link.accm & 0x000A0000 == 0x000A0000  # 11 and 13
    if "xon-xoff" not in flows or escaped:
        return []
    return [Notice(
        f"xon-xoff takes the bytes 11 and 13 for itself, and {link.protocol} sends them unescaped: the line will hang",
        hint="Use rts-cts or none, or PPP with 11 and 13 in its map.",
    )]  # fmt: skip


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


def overrun_notices(
    link: LinkSettings, profile: Profile | None, bridge: BridgeSettings | None = None
) -> tuple[Notice, ...]:
    """Whether the machine's receiver loses characters at this rate, with and without hardware flow control."""
    if profile is None:
        return ()
    flow = _flow_in_force(profile, bridge)
    limit = service_limit(link.rate_bit_s, link.framing, profile.serial_fifo, _trigger(profile))
    if profile.serial_service_s is not None and profile.serial_service_s > limit.design_s:
        return (_late(link, profile, limit, flow),)
    if profile.serial_service_s is None and flow != "rts-cts" and _wants_flow(link.rate_bit_s, profile):
        return (_unguarded(link, profile),)
    return ()


def _unguarded(link: LinkSettings, profile: Profile) -> Notice:
    character_s = 1 / characters_per_second(link.rate_bit_s, link.framing)
    holds = "one character" if profile.serial_fifo == 1 else f"{profile.serial_fifo} characters"
    return Notice(
        f"at {link.rate_bit_s:,} bit/s a character comes each {character_s * 1e6:.0f} us and the receiver holds "
        f"{holds}: without rts-cts expect lost characters",
        hint="Wire and set rts-cts on both ends, or take a slower rate.",
    )


def _late(link: LinkSettings, profile: Profile, limit: ServiceLimit, flow: str) -> Notice:
    service_s = profile.serial_service_s or 0.0
    times = f"serves its receiver within {service_s * 1e6:,.0f} us, and at {link.rate_bit_s:,} bit/s it must within"
    slower = fastest_rate(profile, None, link.framing)
    other = f", or {slower:,} bit/s at most" if slower and slower < link.rate_bit_s else ""
    if flow == "rts-cts":
        return Notice(
            f"the machine {times} {limit.design_s * 1e6:,.0f} us: rts-cts will hold the sender back now and then",
            hint="Leave the sender's own FIFO as headroom above the level at which RTS drops.",
        )
    if service_s > limit.hard_s:
        return Notice(
            f"the machine {times} {limit.hard_s * 1e6:,.0f} us: characters will be lost, each with its whole packet",
            hint=f"Use rts-cts on both ends{other}.",
        )
    return Notice(
        f"the machine {times} {limit.design_s * 1e6:,.0f} us to be safe: characters may be lost",
        hint=f"Use rts-cts on both ends{other}.",
    )


def _flow_in_force(profile: Profile, bridge: BridgeSettings | None) -> str:
    """The flow control in force: what both ends have set."""
    if bridge is None or bridge.flow is None or bridge.flow == profile.serial_flow:
        return profile.serial_flow
    return "none"


def _trigger(profile: Profile) -> int:
    """The FIFO's interrupt level; half of it where the profile does not say."""
    return profile.serial_trigger or max(1, profile.serial_fifo // 2)


def _wants_flow(rate_bit_s: int, profile: Profile) -> bool:
    return rate_bit_s >= _FLOW_NEEDED_BIT_S or (rate_bit_s > 38_400 and profile.serial_fifo <= 1)


def _overruns(profile: Profile | None, rate_bit_s: int, framing: str) -> bool:
    if profile is None or profile.serial_service_s is None or profile.serial_flow == "rts-cts":
        return False
    limit = service_limit(rate_bit_s, framing, profile.serial_fifo, _trigger(profile))
    return profile.serial_service_s > limit.hard_s

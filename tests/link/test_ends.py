"""Both ends of the line against each other."""

import re
from dataclasses import replace

import pytest

from discprep.link.ends import (
    bridge_rate,
    compare_ends,
    fastest_rate,
    machine_rate,
    mismatch,
    overruns,
    rates_both_hold,
    service_limit,
    verdict,
)
from discprep.link.trouble import SLOWER, Trouble
from discprep.model import BridgeSettings, Flow, LinkSettings, Profile

CRYSTAL = Profile("crystal", serial_clock_hz=3_579_545, serial_divider="n+1")
PAL = Profile("slow crystal", serial_clock_hz=3_546_895, serial_divider="n+1")
EIGHT_MHZ = BridgeSettings(115_200, clock_hz=8_000_000, divider="16n/16")
SIXTEEN_MHZ = BridgeSettings(115_200, clock_hz=16_000_000, divider="16n")


def text(troubles: tuple[Trouble, ...]) -> str:
    return "\n".join(f"{trouble.notice} {trouble.notice.hint}" for trouble in troubles)


@pytest.mark.parametrize(
    ("profile", "bridge", "percent", "expected"),
    [(PAL, EIGHT_MHZ, 1.32, "good"), (SIXTEEN_MHZ, EIGHT_MHZ, 4.17, "bad")],
)
def test_mismatch(profile: Profile, bridge: BridgeSettings, percent: float, expected: str) -> None:
    """V10: -0.681 % against +0.644 %, -3.549 % against +0.644 %. Source: sheet 2.4, arithmetic."""
    first = (
        machine_rate(profile, 115_200) if isinstance(profile, Profile) else bridge_rate(profile, 115_200)
    )
    off = mismatch(first, bridge_rate(bridge, 115_200))
    assert off * 100 == pytest.approx(-percent, abs=0.01)
    assert verdict(off) == expected


def test_longer_characters_allow_less() -> None:
    """Source: 0.5 / (k - 0.5), the sheet's 2.4: what is just good at 10 bits is poor at 11."""
    assert verdict(0.0199, "8N1") == "good"
    assert verdict(0.0199, "8E1") == "poor"


def test_service_limit() -> None:
    """V11: FIFO 16, interrupt at 14, 115,200 bit/s. Source: line status register bit 1 of 16550-type parts."""
    limit = service_limit(115_200, "8N1", 16, 14)
    assert limit.hard_s * 1e6 == pytest.approx(260.4, abs=0.1)
    assert limit.design_s * 1e6 == pytest.approx(173.6, abs=0.1)


def test_mismatch_is_said_in_words_with_the_better_rate() -> None:
    """57,600 from 16 MHz by 16n is +2.1 %: poor against a machine that is -0.7 % off."""
    link = LinkSettings(57_600)
    found = text(compare_ends(link, replace(SIXTEEN_MHZ, rate_bit_s=57_600), PAL))
    assert "these two ends disagree by 2.8 % at 57,600 bit/s" in found
    assert "Set both to 38,400, where they disagree by 0.2 %" in found


def test_garbage_is_expected_beyond_the_budget() -> None:
    """115,200 from 16 MHz by 16n is -3.5 %; the machine's crystal makes +0.234 %: 3.8 % is poor, +0.644 % is bad."""
    bad = replace(SIXTEEN_MHZ, clock_hz=15_800_000)
    assert "expect garbage" in text(compare_ends(LinkSettings(115_200), bad, CRYSTAL))


def test_rates_both_hold_leaves_out_what_one_end_cannot_make() -> None:
    """76,800 and 230,400 are impossible from 1.8432 MHz by 16n (the sheet's 2.1)."""
    profile = Profile("standard", serial_clock_hz=1_843_200, serial_divider="16n")
    rates = rates_both_hold(profile, replace(EIGHT_MHZ, clock_hz=14_745_600, divider="16n"))
    assert 57_600 in rates and 115_200 in rates
    assert 76_800 not in rates and 230_400 not in rates


def test_the_fastest_rate_is_one_without_lost_characters() -> None:
    """No FIFO and 200 us of service: 38,400 (260 us a character) holds, 57,600 (174 us) does not."""
    profile = Profile("slow", serial_service_s=200e-6)
    assert fastest_rate(profile, None) == 38_400
    assert fastest_rate(replace(profile, serial_flow="rts-cts"), None) == 38_400
    assert fastest_rate(replace(profile, serial_flow="rts-cts", serial_auto_rts=True), None) == 115_200


@pytest.mark.parametrize(
    ("service_s", "flow", "auto_rts", "words"),
    [
        (100e-6, "none", False, ""),
        (200e-6, "none", False, "characters may be lost"),
        (300e-6, "none", False, "characters will be lost"),
        (300e-6, "rts-cts", False, "characters will be lost"),
        (300e-6, "none", True, "characters will be lost"),
        (300e-6, "rts-cts", True, "hold the sender back"),
    ],
)
def test_overrun_in_words(service_s: float, flow: Flow, auto_rts: bool, words: str) -> None:
    """The limits of V11 on either side. A driver that comes too late to read comes too late to drop RTS: only a port
    that drops it by itself is cured (arithmetic of the receive register)."""
    profile = Profile("m", serial_fifo=16, serial_trigger=14, serial_service_s=service_s, serial_flow=flow,
                      serial_auto_rts=auto_rts)  # fmt: skip
    found = overruns(LinkSettings(115_200), profile)
    assert words in text(found) if words else not found
    for trouble in found:
        if not auto_rts or flow == "none":
            told = re.search(r"Set both ends to ([0-9,]+) bit/s\. .*serial\.auto_rts", trouble.notice.hint)
            assert told
            mended = overruns(LinkSettings(int(told[1].replace(",", ""))), profile)
            cured = replace(profile, serial_flow="rts-cts", serial_auto_rts=True)
            assert not mended and [one.weight for one in overruns(LinkSettings(115_200), cured)] == [SLOWER]


def test_an_end_that_waits_for_ever_is_told_from_one_that_overflows() -> None:
    """ITU-T V.24: circuit 106 (CTS) follows what the other end raises; one set to no flow control need not raise it."""
    for machine, bridge in (("rts-cts", "none"), ("none", "rts-cts"), ("rts-cts", "xon-xoff")):
        ends = BridgeSettings(9600, flow=bridge), Profile("m", serial_flow=machine)  # type: ignore[arg-type]
        (first, *_) = compare_ends(LinkSettings(9600), *ends)
        assert first.impossible and "stops for ever" in first.notice.message
    ppp = LinkSettings(9600, protocol="ppp")
    (only,) = compare_ends(ppp, BridgeSettings(9600, flow="xon-xoff"), Profile("m"))
    assert not only.impossible


def test_settings_that_differ_are_named() -> None:
    """Rate, framing and flow of the two ends."""
    bridge = BridgeSettings(115_200, framing="8E1", flow="rts-cts")
    found = text(compare_ends(LinkSettings(57_600), bridge, Profile("m")))
    for words in ("57,600", "115,200", "8N1", "8E1", "flow control is none on the machine and rts-cts"):
        assert words in found


def test_software_flow_control_breaks_slip_but_not_escaped_ppp() -> None:
    """Source: RFC 1055 escapes neither 11 nor 13; RFC 1662 7.1 maps them by default."""
    profile = Profile("m", serial_flow="xon-xoff")
    assert "11 and 13" in text(compare_ends(LinkSettings(9600), None, profile))
    assert not compare_ends(LinkSettings(9600, protocol="ppp"), None, profile)


def test_seven_bits_carry_no_packets() -> None:
    """Source: RFC 1662 4.5.2."""
    assert "7 data bits" in text(compare_ends(LinkSettings(9600, framing="7E1"), None, None))


def test_ends_that_agree_say_nothing() -> None:
    assert not compare_ends(LinkSettings(115_200), EIGHT_MHZ, PAL)

"""Framings and the tolerance that they leave."""

import pytest

from discprep.link.line import characters_per_second, parse_framing


@pytest.mark.parametrize(("framing", "bits"), [("8N1", 10), ("8E1", 11), ("8N2", 11), ("7E1", 10)])
def test_bits_of_a_character(framing: str, bits: int) -> None:
    """V01. Source: RFC 1662 4.5.2 for 8N1; the rest common practice, no source."""
    assert parse_framing(framing).bits == bits


def test_characters_a_second() -> None:
    """V02. Source: arithmetic, rate / bits."""
    assert characters_per_second(115_200, "8N1") == 11_520
    assert characters_per_second(115_200, "8E1") == pytest.approx(10_472.73, abs=0.01)
    assert 1e6 / characters_per_second(921_600, "8N1") == pytest.approx(10.85, abs=0.01)


@pytest.mark.parametrize(("framing", "percent"), [("8N1", 5.263), ("8E1", 4.762)])
def test_tolerance(framing: str, percent: float) -> None:
    """V09. Source: half a bit at the middle of the stop bit, a published engineering quiz gives the same 5.26 %."""
    assert parse_framing(framing).tolerance * 100 == pytest.approx(percent, abs=0.001)


def test_half_of_a_large_packet_delays_a_key_press() -> None:
    """V35. Source: RFC 1144 part 2 gives about 500 ms for half of 1,024 bytes at 9,600 bit/s."""
    assert 1024 / 2 / characters_per_second(9600, "8N1") == pytest.approx(0.5333, abs=1e-4)


@pytest.mark.parametrize("text", ["", "8N3", "9N1", "8X1", "N81", "8N1 8N1", "8N1.25"])
def test_what_is_no_framing_is_refused(text: str) -> None:
    """The message shows a framing that is one."""
    with pytest.raises(ValueError, match="8N1"):
        parse_framing(text)

"""Packets on the wire."""

import random

import pytest

from discprep.link.encapsulation import (
    SYN_BYTES,
    encapsulation,
    growth_of,
    ppp_escape,
    slip_encode,
)
from discprep.model import LinkProtocol, LinkSettings


def link(protocol: LinkProtocol = "slip", **more: object) -> LinkSettings:
    return LinkSettings(115_200, protocol=protocol, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("packet", "wire"), [("c0", "c0dbdcc0"), ("db", "c0dbddc0"), ("41", "c041c0"), ("", "c0c0")]
)
def test_slip_frames(packet: str, wire: str) -> None:
    """V12. Source: RFC 1055, PROTOCOL."""
    assert slip_encode(bytes.fromhex(packet)).hex() == wire


@pytest.mark.parametrize(("byte", "wire"), [("7e", "7d5e"), ("7d", "7d5d"), ("03", "7d23"), ("11", "7d31")])
def test_ppp_escapes(byte: str, wire: str) -> None:
    """V13. Source: RFC 1662 4.2."""
    assert ppp_escape(bytes.fromhex(byte)).hex() == wire


def test_ppp_escapes_only_what_the_map_names() -> None:
    """Source: RFC 1662 7.1: flag and escape always, a control character when its bit is set."""
    assert ppp_escape(b"\x03\x11\x7e", 1 << 0x11).hex() == "037d317d5e"


def test_growth() -> None:
    """V14. Source: escaped values out of 256, RFC 1055 and RFC 1662 7.1."""
    assert encapsulation(link()).growth == 1.0078125
    assert encapsulation(link("ppp")).growth == 1.1328125
    assert encapsulation(link("ppp", accm=0)).growth == 1.0078125
    assert growth_of(100, (0, 0), link()) == 1
    assert growth_of(100, (100, 0), link()) == 2


@pytest.mark.parametrize(
    ("settings", "wire"),
    [({}, 1708.48), ({"accm": 0}, 1518.73), ({"accm": 0, "field_compression": True}, 1515.73)],
)
def test_ppp_frames(settings: dict[str, object], wire: float) -> None:
    """V15. Source: RFC 1662 3.1 and 4.2, RFC 1661 6.5 and 6.6; one flag shared between frames."""
    assert encapsulation(link("ppp", **settings)).wire_bytes(1500) == pytest.approx(wire, abs=0.01)


def test_random_packets_grow_as_the_encoders_make_them() -> None:
    """The statistical growth against the encoders, over 400 packets. Source: RFC 1055, RFC 1662."""
    packets = [random.Random(n).randbytes(1500) for n in range(400)]
    slip = sum(len(slip_encode(packet)) for packet in packets) / len(packets)
    assert encapsulation(link()).wire_bytes(1500) == pytest.approx(slip, rel=5e-4)
    ppp = sum(len(ppp_escape(packet)) for packet in packets) / len(packets)
    assert encapsulation(link("ppp")).growth * 1500 == pytest.approx(ppp, rel=2e-3)


def test_an_address_of_192_costs_an_escape_in_each_full_header() -> None:
    """192 is C0. Source: RFC 1055; two addresses of 192.0.2.x against two of 10.0.2.x."""
    plain = encapsulation(link(), addresses=("10.0.2.1", "10.0.2.2"))
    dear = encapsulation(link(), addresses=("192.0.2.1", "192.0.2.2"))
    assert dear.full_header - plain.full_header == 2
    compressed = encapsulation(link("cslip"), addresses=("192.0.2.1", "192.0.2.2"))
    assert compressed.segment_header == pytest.approx(3 * 1.0078125)


def test_an_address_that_is_a_name_costs_nothing_known() -> None:
    """A host name in the bridge's table is no reason to fail."""
    assert encapsulation(link(), addresses=("bridge.example",)).full_header == encapsulation(link()).full_header


def test_a_syn_is_never_compressed() -> None:
    """Source: RFC 1144 3.2.3 (from memory): SYN, FIN and RST go uncompressed."""
    assert encapsulation(link("cslip")).control_bytes(SYN_BYTES - 40) == pytest.approx(46.34, abs=0.01)

"""Packets on the wire."""

import random

import pytest

from discprep.link.encapsulation import (
    SYN_BYTES,
    encapsulation,
    negotiated,
    ppp_escape,
    slip_encode,
)
from discprep.model import Escapes, LinkProtocol, LinkSettings


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
    assert encapsulation(link("ppp", accm=0xFFFFFFFF)).growth == 1.1328125
    assert encapsulation(link("ppp", accm=0)).growth == 1.0078125
    assert encapsulation(link()).growth_of(100, Escapes(0, 0, 0)) == 1
    assert encapsulation(link()).growth_of(100, Escapes(100, 0, 0)) == 2


@pytest.mark.parametrize(("accm", "growth"), [(0, 1.25), (0xFFFFFFFF, 1.75), (0x000A0000, 1.25 + 0.5 * 2 / 32)])
def test_a_file_grows_by_what_the_map_escapes(accm: int, growth: float) -> None:
    """100 bytes with 25 of 7D and 7E, 50 controls. Source: RFC 1662 7.1; of a few controls their share, by hand."""
    assert encapsulation(link("ppp", accm=accm)).growth_of(100, Escapes(9, 25, 50)) == pytest.approx(growth)


def test_what_is_not_told_is_what_is_usually_negotiated() -> None:
    """No control escaped, protocol 2D in one byte, no address and control, a compressed header: 1 flag, 1 field, 2 FCS;
    with nothing negotiated the standard's defaults. Source: RFC 1661 6.5 and 6.6, RFC 1662 7.1, RFC 1332 4."""
    usual = encapsulation(link("ppp"))
    assert usual.compressed and usual.accm == 0 and usual.frame_bytes == pytest.approx(1 + 1 + 2 * usual.growth)
    told = {"accm": 0xFFFFFFFF, "field_compression": False, "header_compression": False}
    assert encapsulation(link("ppp", **told)) == encapsulation(negotiated(link("ppp"), standard=True))
    assert negotiated(link("ppp"), xon_xoff=True).accm == 0x000A0000


@pytest.mark.parametrize(
    ("settings", "wire"),
    [({"accm": 0xFFFFFFFF}, 1708.48), ({"accm": 0}, 1518.73), ({"accm": 0, "field_compression": True}, 1515.73)],
)
def test_ppp_frames(settings: dict[str, object], wire: float) -> None:
    """V15. Source: RFC 1662 3.1 and 4.2, RFC 1661 6.5 and 6.6; one flag shared between frames."""
    plain = {"field_compression": False, "header_compression": False} | settings
    assert encapsulation(link("ppp", **plain)).wire_bytes(1500) == pytest.approx(wire, abs=0.01)


def test_random_packets_grow_as_the_encoders_make_them() -> None:
    """The statistical growth against the encoders, over 400 packets. Source: RFC 1055, RFC 1662."""
    packets = [random.Random(n).randbytes(1500) for n in range(400)]
    slip = sum(len(slip_encode(packet)) for packet in packets) / len(packets)
    assert encapsulation(link()).wire_bytes(1500) == pytest.approx(slip, rel=5e-4)
    ppp = sum(len(ppp_escape(packet)) for packet in packets) / len(packets)
    assert encapsulation(link("ppp", accm=0xFFFFFFFF)).growth * 1500 == pytest.approx(ppp, rel=2e-3)


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

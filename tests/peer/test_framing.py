"""SLIP and PPP frames against the standards' own values."""

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from discprep.link.encapsulation import slip_encode
from discprep.peer import framing
from discprep.peer.framing import Unslip


@pytest.mark.parametrize(("plain", "wire"), [("c0", "c0dbdcc0"), ("db", "c0dbddc0"), ("41", "c041c0")])
def test_slip_of_the_standard(plain: str, wire: str) -> None:
    """RFC 1055: END and ESC inside a packet become two bytes each."""
    assert slip_encode(bytes.fromhex(plain)).hex() == wire
    assert Unslip(100).feed(bytes.fromhex(wire)) == [bytes.fromhex(plain)]


def test_empty_packets_and_stray_escapes() -> None:
    """RFC 1055: two ENDs in a row are no packet; a wrong byte after ESC is left alone."""
    assert Unslip(100).feed(bytes.fromhex("c0c0c0db41c0")) == [b"\xdb\x41"]


@given(st.lists(st.binary(min_size=1, max_size=60), max_size=5), st.integers(1, 40))
def test_slip_in_pieces(packets: list[bytes], step: int) -> None:
    """However the line cuts the stream, the packets come out."""
    wire, found, unslip = b"".join(map(slip_encode, packets)), [], Unslip(60)
    for at in range(0, len(wire), step):
        found += unslip.feed(wire[at : at + step])
    assert found == packets


def test_fcs_of_the_standard() -> None:
    """RFC 1662 C.2: the sum over a frame and its FCS is F0B8. Beside it the check value that the catalogue of CRCs
    gives for this sum, 906E for "123456789"."""
    assert framing.fcs16(b"123456789") == 0x906E
    assert framing.is_whole(b"123456789" + (0x906E).to_bytes(2, "little"))
    # RFC 1662 C.1, as a second way: the sum bit by bit.
    total = 0xFFFF
    for byte in (data := random.Random(1).randbytes(300)):
        total ^= byte
        for _ in range(8):
            total = total >> 1 ^ (0x8408 if total & 1 else 0)
    assert framing.fcs16(data) == total ^ 0xFFFF


@pytest.mark.parametrize("accm", [0, 0xFFFFFFFF, 0x000A0000])
@given(body=st.binary(min_size=2, max_size=80), step=st.integers(1, 40))
def test_frames_in_pieces(accm: int, body: bytes, step: int) -> None:
    """RFC 1662 4.2: what is escaped is restored, and no mapped control stands in the stream."""
    wire = framing.frame(body, accm)
    assert not any(accm >> byte & 1 for byte in wire if byte < 32)
    found, unframe = [], framing.Unframe(100)
    for at in range(0, len(wire), step):
        found += unframe.feed(wire[at : at + step])
    assert found == [body] and unframe.hurt == 0


def test_controls_of_the_line_are_skipped() -> None:
    """RFC 1662 4.2: a mapped control that arrives unescaped was put in by what stands between."""
    wire = framing.frame(b"hello there", 0xFFFFFFFF)
    unframe = framing.Unframe(100)
    unframe.set_map(0xFFFFFFFF)
    assert unframe.feed(wire[:4] + b"\x11\x13" + wire[4:]) == [b"hello there"]


def test_an_aborted_and_a_hurt_frame_are_dropped() -> None:
    """RFC 1662 4.3: escape and flag end a frame that counts for nothing; so does a wrong FCS."""
    unframe = framing.Unframe(100)
    wire = framing.frame(b"hello there", 0)
    assert unframe.feed(wire[:-1] + b"\x7d\x7e") == []
    assert unframe.feed(wire[:5] + bytes([wire[5] ^ 1]) + wire[6:]) == []
    assert unframe.hurt == 2
    assert unframe.feed(wire) == [b"hello there"]


@pytest.mark.parametrize("make", [Unslip, framing.Unframe])
def test_a_frame_without_end_takes_no_memory(make: type) -> None:
    """What is longer than any packet is dropped while it comes, and the next frame is whole again."""
    taken = make(100)
    for _ in range(1000):
        assert taken.feed(b"x" * 1000) == []
        assert len(taken._rest) <= 300
    end, wire = (b"\xc0", slip_encode(b"ok")) if make is Unslip else (b"\x7e", framing.frame(b"ok", 0))
    assert taken.feed(end + wire) == [b"ok"]

"""RFC 1144 both ways, beside the compressor of the rig, which was written apart from the package."""

import random
import struct
from ipaddress import IPv4Address

import pytest
from support.line_rig import Compressor as RigCompressor

from discprep.peer import ip, segment
from discprep.peer.compression import Compressor, Decompressor, Kind
from discprep.peer.segment import ACK, FIN, PSH, SYN, Segment

A, B = IPv4Address("192.0.2.1"), IPv4Address("192.0.2.2")


def packet(ident: int, seq: int, ack: int = 7, data: bytes = b"", flags: int = ACK, window: int = 4096, port: int = 80):
    return ip.build(segment.build(Segment(port, 1025, seq, ack, flags, window, data), A, B), ident)


def stream(rng: random.Random, count: int) -> list[bytes]:
    """Packets of a few connections as they could come: data, acknowledgements, repeats, windows, ends, large steps."""
    at = {port: [rng.getrandbits(32), rng.getrandbits(32), rng.randrange(65536)] for port in range(80, 84)}
    made = []
    for _ in range(count):
        port = rng.choice([80, 80, 80, 81, 82, 83])
        state = at[port]
        data = rng.randbytes(rng.choice([0, 0, 1, 100, 256, 300]))
        state[1] = (state[1] + rng.choice([0, 0, 1, 255, 256, 70_000])) % 2**32
        state[2] = (state[2] + rng.choice([1, 1, 1, 0, 2, 300])) % 65536
        flags = ACK | rng.choice([0, 0, PSH, FIN, SYN] if rng.random() < 0.2 else [0, PSH])
        made.append(packet(state[2], state[0], state[1], data, flags, rng.choice([4096, 4096, 2048]), port))
        if rng.random() < 0.9:
            state[0] = (state[0] + len(data)) % 2**32
    return made


@pytest.mark.parametrize("seed", range(8))
def test_what_goes_in_comes_out(seed: int) -> None:
    """Every packet is restored bit by bit, whatever the fields do."""
    rng = random.Random(seed)
    compressor, decompressor = Compressor(), Decompressor()
    kinds = set()
    for plain in stream(rng, 400):
        kind, wire = compressor.compress(plain)
        kinds.add(kind)
        assert len(wire) <= len(plain)
        assert decompressor.restore(kind, wire) == plain
    assert kinds == set(Kind)


def test_a_download_costs_three_bytes() -> None:
    """RFC 1144 3.2.2: a one-way stream's header is a mask and the checksum; the rig's own compressor, which
    builds no masks, gives the same bytes behind it."""
    compressor, rig = Compressor(), RigCompressor()
    rng = random.Random(3)
    for number in range(50):
        plain = packet(number, 1000 + 536 * number, data=rng.randbytes(536))
        kind, wire = compressor.compress(plain)
        told, small = rig.shrink(plain)
        assert (kind is Kind.COMPRESSED) == small == (number > 0)
        if small:
            assert wire[1:] == told[1:] and len(wire) == 3 + 536


def test_worked_bytes() -> None:
    """RFC 1144 A.2 by hand: an acknowledgement that steps by 1,072 with the next IP number: mask 04, checksum, 0 and
    two bytes."""
    compressor = Compressor()
    compressor.compress(packet(1, 5, ack=100))
    compressor.compress(packet(2, 5, ack=101))
    plain = packet(3, 5, ack=1173)
    kind, wire = compressor.compress(plain)
    assert kind is Kind.COMPRESSED
    assert wire == b"\x04" + plain[36:38] + b"\0" + struct.pack("!H", 1072)


def test_a_segment_sent_again_goes_in_full() -> None:
    """RFC 1144 4.1: so that the other side falls in step after a loss."""
    compressor = Compressor()
    first = packet(1, 1000, data=b"x" * 100)
    for plain in (first, packet(2, 1100, data=b"y" * 100)):
        compressor.compress(plain)
    assert compressor.compress(packet(3, 1000, data=b"x" * 100))[0] is Kind.UNCOMPRESSED


def test_after_a_hurt_frame_all_is_tossed_that_names_no_connection() -> None:
    """RFC 1144 4.1."""
    compressor, decompressor = Compressor(), Decompressor()
    wires = [compressor.compress(packet(n, 1000 + 9 * n, data=b"123456789")) for n in range(1, 6)]
    assert decompressor.restore(*wires[0]) and decompressor.restore(*wires[1])
    decompressor.hurt()
    assert [decompressor.restore(*wire) for wire in wires[3:]] == [None, None]
    again = packet(9, 1009, data=b"123456789")
    assert decompressor.restore(*compressor.compress(again)) == again


def test_nonsense_restores_nothing_and_harms_nothing() -> None:
    """Random bytes as packets of all kinds: no exception, and a full header brings both sides in step again."""
    rng = random.Random(5)
    decompressor = Decompressor()
    for _ in range(5000):
        decompressor.restore(rng.choice([Kind.COMPRESSED, Kind.UNCOMPRESSED]), rng.randbytes(rng.randrange(60)))
    plain = packet(1, 1, data=b"abc")
    assert decompressor.restore(*Compressor().compress(plain)) == plain

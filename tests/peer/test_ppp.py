"""PPP: the automaton's table, both sides of a talk, and a side that wants other things."""

import itertools
import random
import struct
from ipaddress import IPv4Address

import pytest

from discprep.peer import automaton, framing, negotiation
from discprep.peer.lcp import ACCM, LinkPolicy
from discprep.peer.ppp import Ppp

A, B = IPv4Address("192.0.2.1"), IPv4Address("192.0.2.2")


def side(own: IPv4Address = A, other: IPv4Address = B, seed: int = 1, **more) -> Ppp:
    rng = random.Random(seed)
    options = {"mtu_bytes": 1500, "accm": 0, "short_fields": True, "compress": True} | more
    return Ppp(own, other, magic=lambda: rng.getrandbits(32), **options)


def talk(left: Ppp, right: Ppp, rounds: int = 40, now: float = 0.0) -> float:
    """Lets both talk until neither has anything to say. Returns the time."""
    for _ in range(rounds):
        said = False
        for one, other in ((left, right), (right, left)):
            while (wire := one.control()) is not None:
                other.feed(wire, now)
                said = True
        if not said:
            break
    return now


def test_both_sides_agree() -> None:
    """RFC 1661, 1332: what each asked for holds, and packets cross."""
    left, right = side(mtu_bytes=576), side(B, A, 2, mtu_bytes=1006)
    left.start(0.0)
    right.start(0.0)
    talk(left, right)
    assert left.ready and right.ready
    assert left.mtu_bytes == right.mtu_bytes == 576
    assert left.link.short_address and left.link.send_accm == 0 and left.addresses.slots == 16
    assert right.feed(left.wrap(b"E" + bytes(40)), 1.0) == [b"E" + bytes(40)]


@pytest.mark.parametrize("refuses", [False, True])
def test_what_the_line_puts_in_is_skipped(refuses: bool) -> None:
    """RFC 1662 4.2, 7.1: XON and XOFF that arrive unescaped are the line's own, as the machine escapes those that we
    asked for; all of them where it knows no map."""
    left, right = side(accm=0x000A0000), side(B, A, 2)
    if refuses:
        right.link.judge = lambda option: None if option.kind == ACCM else LinkPolicy.judge(right.link, option)
    left.start(0.0)
    right.start(0.0)
    talk(left, right)
    wire = right.wrap(b"E" + bytes([0x11, 0x13]) * 20)
    assert left.ready and wire.count(0x11) == 0
    assert left.feed(wire[:9] + b"\x11" + wire[9:-3] + b"\x13" + wire[-3:], 1.0) == [b"E" + bytes([0x11, 0x13]) * 20]


def test_a_machine_without_address_is_given_one() -> None:
    """RFC 1332 3.3: 0.0.0.0 asks for an address; RFC 1877 for the name server."""
    left = side()
    judged = left.addresses.judge(negotiation.Option(3, bytes(4)))
    assert judged == negotiation.Option(3, B.packed)
    assert left.addresses.judge(negotiation.Option(129, bytes(4))) == negotiation.Option(129, A.packed)
    assert left.addresses.judge(negotiation.Option(131, bytes(4))) is None


def frames(ppp: Ppp) -> list[bytes]:
    unframe, found = framing.Unframe(1600), []
    while (wire := ppp.control()) is not None:
        found += unframe.feed(wire)
    return found


def lcp(code: int, ident: int, data: bytes) -> bytes:
    return framing.frame(b"\xff\x03\xc0\x21" + struct.pack("!BBH", code, ident, 4 + len(data)) + data, 0xFFFFFFFF)


def test_an_unknown_option_is_rejected_a_wrong_value_suggested() -> None:
    """RFC 1661 5.3, 5.4: Reject holds the unknown options alone; Nak another value."""
    ppp = side()
    ppp.start(0.0)
    frames(ppp)
    ppp.feed(lcp(1, 9, bytes.fromhex("0d0306" + "0206000a0000")), 0.0)  # call back; map 000a0000
    assert frames(ppp) == [bytes.fromhex("ff03c0210409" + "0007" + "0d0306")]
    ppp.feed(lcp(1, 10, bytes.fromhex("0104" + "0020")), 0.0)  # MRU 32
    assert frames(ppp) == [bytes.fromhex("ff03c021030a" + "0008" + "010405dc")]


def test_a_machine_that_insists_on_a_password() -> None:
    """RFC 1334 2.2: the name goes out after the link is up, addresses only after it is taken; it is told again while
    nothing comes back."""
    ppp = side(name="guest", password="room")
    ppp.start(0.0)
    (asked,) = frames(ppp)
    ppp.feed(lcp(1, 1, bytes.fromhex("0304c023")), 0.0)
    ppp.feed(lcp(2, asked[5], asked[8:]), 0.0)
    told = framing.Unframe(1600).feed(b"".join(iter(ppp.control, None)))
    assert told[-1][-17:].endswith(bytes([5]) + b"guest" + bytes([4]) + b"room")
    assert not ppp.ready
    ppp.tick(3.5)
    assert frames(ppp)[-1].endswith(b"guest\x04room")
    ppp.feed(framing.frame(bytes.fromhex("ff03c0230201000500"), 0), 4.0)
    assert any(frame[-1 - 9 :] and b"\x80\x21" in frame for frame in frames(ppp))


def test_a_loop_is_noticed() -> None:
    """RFC 1661 6.4: our own magic number coming back."""
    ppp = side()
    ppp.start(0.0)
    for _ in range(4):
        for wire in list(iter(ppp.control, None)):
            ppp.feed(wire, 0.0)
    assert ppp.looped and not ppp.ready


def test_echo_and_a_protocol_that_nobody_knows() -> None:
    """RFC 1661 5.7, 5.8."""
    left, right = side(), side(B, A, 2)
    left.start(0.0)
    right.start(0.0)
    talk(left, right)
    left.feed(lcp(9, 7, struct.pack("!I", right.link.magic) + b"ping"), 1.0)
    (reply,) = frames(left)
    assert reply[4:6] == bytes([10, 7]) and reply[8:] == struct.pack("!I", left.link.magic) + b"ping"
    left.feed(framing.frame(bytes.fromhex("ff0380fd") + b"\x01\x01\x00\x04", 0), 1.0)
    (reply,) = frames(left)
    assert reply[4] == 8 and reply[8:] == bytes.fromhex("80fd01010004")


def test_good_bye_and_again() -> None:
    """RFC 1661 5.5: a machine that hangs up can dial again."""
    left, right = side(), side(B, A, 2)
    left.start(0.0)
    right.start(0.0)
    talk(left, right)
    right.stop(5.0)
    talk(left, right, now=5.0)
    assert not left.ready
    again = side(B, A, 3)
    again.start(9.0)
    left.tick(9.0)
    talk(left, again, now=9.0)
    assert left.ready and again.ready


def test_lost_requests_are_sent_again() -> None:
    """RFC 1661 4.6: every three seconds, ten times, then it waits for the machine."""
    ppp = side()
    ppp.start(0.0)
    count, now = len(frames(ppp)), 0.0
    for _ in range(40):
        now += 3.1
        ppp.tick(now)
        count += len(frames(ppp))
    assert count == automaton.MAX_CONFIGURE and ppp.due_s is None
    other = side(B, A, 2)
    other.start(now)
    talk(ppp, other, now=now)
    assert ppp.ready


@pytest.mark.parametrize("seed", range(5))
def test_noise_changes_nothing_for_good(seed: int) -> None:
    """Random bodies of all protocols: no exception, bounded queues, and the talk comes to an agreement after."""
    rng = random.Random(seed)
    ppp = side()
    ppp.start(0.0)
    for number in range(3000):
        body = rng.choice([b"\xc0\x21", b"\x80\x21", b"\xc0\x23", b"\x2d", b"\x2f", b"\x21", b"\x80\xfd"])
        inner = rng.randbytes(rng.randrange(40))
        if rng.random() < 0.7 and len(inner) >= 4:
            inner = bytes([rng.randrange(13), inner[1]]) + struct.pack("!H", len(inner)) + inner[4:]
        ppp.feed(framing.frame(body + inner, 0), number / 10)
        ppp.tick(number / 10)
        assert len(ppp._waiting) <= 16
    list(iter(ppp.control, None))
    other = side(B, A, 2)
    now = 1000.0
    other.start(now)
    for _ in range(12):
        talk(ppp, other, now=now)
        now += 3.1
        ppp.tick(now)
        other.tick(now)
    assert ppp.ready and other.ready


def test_the_table_leads_somewhere() -> None:
    """RFC 1661 4.1: every state that an event leads to exists, and no event leads out of `initial` but Up and Open."""
    for (event, state), (_, target) in automaton._MOVES.items():
        assert 0 <= state <= 9 and 0 <= target <= 9
        if state == 0:
            assert event in {"up", "open", "close"}
    events = {event for event, _ in automaton._MOVES}
    # every event of 4.3 stands in the table, and the ten states have at least the moves that need no timer
    assert events == {"up", "down", "open", "close", "to+", "to-", "rcr+", "rcr-", "rca", "rcn", "rtr", "rta", "ruc",
                      "rxj+", "rxj-", "rxr"}  # fmt: skip
    for event, state in itertools.product(("rcr+", "rcr-", "rca", "rcn", "rtr", "rta"), range(2, 10)):
        assert (event, state) in automaton._MOVES

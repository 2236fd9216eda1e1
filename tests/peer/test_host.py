"""The host at our end: ping, its name, connections, in virtual time."""

import random
import struct
from ipaddress import IPv4Address

import pytest
from support.line_client import CLIENT, REQUEST, SERVER, Payload

from discprep.link.encapsulation import slip_encode
from discprep.peer import icmp, ip, names, segment
from discprep.peer.carrier import Slip
from discprep.peer.host import MOST_CONNECTIONS, MOST_REPLIES, Host
from discprep.peer.ip import ICMP, UDP, Packet
from discprep.peer.line import Line
from discprep.peer.segment import ACK, FIN, RST, SYN, Segment


class Shelf:
    """A host that hands out the same bytes at port 80, and what it was asked."""

    def __init__(self, payload: bytes = b"x" * 5000) -> None:
        self.applications: list[Payload] = []
        self.payload = payload
        rng = random.Random(1)
        self.host = Host(SERVER, self._listen, first=lambda: rng.getrandbits(32), mtu_bytes=576)

    def _listen(self, source: IPv4Address, port: int, own: int) -> Payload | None:
        if own != 80:
            return None
        self.applications.append(Payload(self.payload))
        return self.applications[-1]

    def say(self, packet: Packet, now: float = 0.0) -> None:
        self.host.receive(ip.build(packet, 1), now)

    def tcp(self, flags: int, seq: int, ack: int = 0, data: bytes = b"", *, port: int = 1025, window: int = 2048,
            to: int = 80, now: float = 0.0, source: IPv4Address = CLIENT) -> None:  # fmt: skip
        told = Segment(port, to, seq, ack, flags, window, data, 536 if flags & SYN else 0)
        self.say(segment.build(told, source, SERVER), now)

    def heard(self, now: float = 0.0) -> list[Packet]:
        """All that it says now; a departure is told as of now."""
        found = []
        while (made := self.host.next_packet(now)) is not None:
            data, departed = made
            if departed:
                departed(now)
            packet = ip.parse(data)
            assert packet is not None
            found.append(packet)
        return found

    def segments(self, now: float = 0.0) -> list[Segment]:
        return [told for packet in self.heard(now) if (told := segment.parse(packet))]


def opened(shelf: Shelf, *, window: int = 2048, port: int = 1025) -> int:
    """A connection whose request was asked. Returns the sequence number of the first byte of the reply."""
    shelf.tcp(SYN, 100, port=port, window=window)
    (answer,) = shelf.segments()
    assert answer.flags == SYN | ACK and answer.ack == 101 and answer.mss == 536
    shelf.tcp(ACK, 101, answer.seq + 1, REQUEST, port=port, window=window)
    return answer.seq + 1


def test_checksum_of_the_standard() -> None:
    """RFC 1071 3: the sum of 0001 f203 f4f5 f6f7 is ddf2."""
    assert ip.checksum(bytes.fromhex("0001f203f4f5f6f7")) == 0xDDF2 ^ 0xFFFF


def test_ping() -> None:
    """RFC 792: identifier, number and data come back; a hurt one gets nothing."""
    shelf = Shelf()
    plain = struct.pack("!BBHHH", 8, 0, 0, 77, 3) + b"abcdefgh"
    sound = plain[:2] + struct.pack("!H", ip.checksum(plain)) + plain[4:]
    shelf.say(Packet(CLIENT, SERVER, ICMP, sound))
    shelf.say(Packet(CLIENT, SERVER, ICMP, plain))
    (reply,) = shelf.heard()
    assert reply.target == CLIENT and reply.payload[0] == 0 and reply.payload[4:] == sound[4:]
    assert ip.checksum(reply.payload) == 0


def test_our_own_packets_that_come_back_are_counted_and_answered_by_nothing() -> None:
    """A loop-back, or an echo: no packet goes round for ever."""
    shelf = Shelf()
    shelf.tcp(SYN, 5, to=23)
    (reset,) = shelf.heard()
    shelf.say(reset)
    assert shelf.heard() == [] and shelf.host.echoed == 1


def test_nothing_else_is_reached() -> None:
    """Another address, another port: the machine is told at once (RFC 792), and nothing is forwarded."""
    shelf = Shelf()
    shelf.say(segment.build(Segment(1, 80, 1, 0, SYN, 1), CLIENT, IPv4Address("198.51.100.7")))
    shelf.say(names.datagram(CLIENT, SERVER, 1000, 69, b"hello"))
    shelf.tcp(SYN, 5, to=23)
    host, port, reset = shelf.heard()
    assert (host.payload[:2], port.payload[:2]) == (bytes([3, icmp.HOST]), bytes([3, icmp.PORT]))
    told = segment.parse(reset)
    assert told and told.flags == RST | ACK and told.ack == 6


# RFC 1035 4.1 by hand: id 1, recursion desired, one question, "shelf.example", type A, class IN.
QUERY = bytes.fromhex("0001 0100 0001 0000 0000 0000 05 7368656c66 07 6578616d706c65 00 0001 0001")


def test_its_own_name() -> None:
    """RFC 1035 4.1.3: the answer points at the question's name and holds our address; others have no name here."""
    shelf = Shelf()
    shelf.say(names.datagram(CLIENT, SERVER, 1000, 53, QUERY))
    shelf.say(names.datagram(CLIENT, SERVER, 1000, 53, QUERY.replace(b"shelf", b"other")))
    shelf.say(names.datagram(CLIENT, SERVER, 1000, 53, QUERY[:-4] + bytes.fromhex("000f0001")))
    own, other, mail = (packet.payload[8:] for packet in shelf.heard())
    assert own[2:12].hex() == "85000001000100000000"[:20]
    assert own[12:].endswith(bytes.fromhex("c00c 0001 0001 00000258 0004") + SERVER.packed)
    assert other[3] & 0x0F == 3 and other[6:8] == b"\0\0"
    assert mail[3] & 0x0F == 0 and mail[6:8] == b"\0\0"


@pytest.mark.parametrize("seed", range(3))
def test_a_hurt_query_gets_words_or_nothing(seed: int) -> None:
    """Queries with bytes exchanged or cut: no exception, no answer longer than question and one address."""
    rng = random.Random(seed)
    for _ in range(2000):
        query = bytearray(QUERY[: rng.randrange(len(QUERY) + 1)])
        for _ in range(rng.randrange(4)):
            if query:
                query[rng.randrange(len(query))] = rng.randrange(256)
        reply = names.answer(bytes(query), SERVER)
        assert reply is None or len(reply) <= len(query) + 16


def test_a_download_from_syn_to_fin() -> None:
    """RFC 9293 3.5, 3.6: open, data in order, FIN with the last bytes, both ends closed."""
    shelf = Shelf()
    first = opened(shelf)
    got, now = b"", 0.0
    while True:
        now += 0.1
        told = shelf.segments(now)
        assert all(t.seq == first + len(got) + sum(len(u.data) for u in told[:i]) for i, t in enumerate(told))
        got += b"".join(t.data for t in told)
        ends = bool(told[-1].flags & FIN)
        shelf.tcp(ACK, 101 + len(REQUEST), first + len(got) + ends, now=now)
        if ends:
            break
    assert got == shelf.payload
    shelf.tcp(FIN | ACK, 101 + len(REQUEST), first + len(got) + 1, now=now)
    (last,) = shelf.segments(now)
    assert last.flags == ACK and last.ack == 102 + len(REQUEST)
    assert shelf.applications[0].gone and shelf.applications[0].reached == len(shelf.payload)
    assert shelf.host.counts.again == 0


def test_segments_fill_a_small_window() -> None:
    """Whole segments fill the window, two at least, so that the line always has one while the other is answered."""
    shelf = Shelf()
    opened(shelf, window=1000)
    assert [len(t.data) for t in shelf.segments()] == [500, 500]
    shelf = Shelf()
    opened(shelf, window=2048)
    assert [len(t.data) for t in shelf.segments()] == [512] * 4


def test_a_closed_window_is_probed_and_opens() -> None:
    """RFC 9293 3.8.6.1: a machine that takes nothing is asked with one byte, less and less often; when it opens its
    window all goes on, and no byte is missing."""
    shelf = Shelf()
    first = opened(shelf, window=0)
    probes, now = [], 0.0
    while now < 40:
        now += 0.25
        for told in shelf.segments(now):
            if told.data:
                probes.append(now)
                assert len(told.data) == 1
            shelf.tcp(ACK, 101 + len(REQUEST), first, window=0, now=now)
    assert 3 <= len(probes) <= 8
    shelf.tcp(ACK, 101 + len(REQUEST), first, window=2048, now=now)
    told = shelf.segments(now)
    assert told[0].seq == first and sum(len(t.data) for t in told) <= 2048 and len(told[1].data) > 100


def test_a_reset_must_be_exact() -> None:
    """RFC 5961 3.2: a reset in the window but not at its edge ends nothing."""
    shelf = Shelf()
    opened(shelf)
    shelf.tcp(RST, 101 + len(REQUEST) + 5)
    assert shelf.host.connections[0].alive
    shelf.tcp(RST, 101 + len(REQUEST))
    assert shelf.segments() == [] and shelf.applications[0].gone


def test_a_flood_of_syns_takes_no_place_of_others() -> None:
    """A few half-open connections at most; an open download goes on through it, and the answers are bounded."""
    shelf = Shelf()
    first = opened(shelf)
    shelf.segments()
    rng = random.Random(1)
    for number in range(5000):
        source = IPv4Address(rng.getrandbits(32) & 0x7FFFFFFF | 0x01000000)
        if not source.is_multicast:
            shelf.tcp(SYN, number, port=rng.randrange(1, 65536), source=source, now=1 + number / 1000)
        assert len(shelf.host.connections) <= MOST_CONNECTIONS
    assert len(shelf.host._replies) <= MOST_REPLIES
    shelf.segments(7.0)
    shelf.tcp(ACK, 101 + len(REQUEST), first + 1024, now=7.1)
    told = [t for t in shelf.segments(7.1) if t.target_port == 1025 and t.data]
    assert told and shelf.host.connections[0].alive


def test_who_waits_longest_makes_room() -> None:
    """All places taken by machines that ask nothing: a new one gets in, and no running transfer is ended."""
    shelf = Shelf()
    for number in range(MOST_CONNECTIONS):
        shelf.tcp(SYN, 100, port=2000 + number, now=number)
        (answer,) = shelf.segments(number)
        shelf.tcp(ACK, 101, answer.seq + 1, port=2000 + number, now=number)
    shelf.tcp(SYN, 100, port=3000, now=20)
    assert [t.flags for t in shelf.segments(20) if t.target_port == 3000] == [SYN | ACK]
    assert shelf.applications[0].gone


def test_what_is_silent_is_given_up() -> None:
    """A machine that was switched off in the middle keeps no place for ever."""
    shelf = Shelf()
    opened(shelf)
    now = 0.0
    while shelf.host.connections and now < 1000:
        now += 1
        shelf.segments(now)
    assert 300 <= now <= 305 and shelf.applications[0].gone


@pytest.mark.parametrize("seed", range(4))
def test_a_mad_line(seed: int) -> None:
    """Random bytes, sound packets with random insides, between them: no exception, flat queues, bounded answers."""
    rng = random.Random(seed)
    shelf = Shelf()
    line = Line(Slip(576, compress=True), shelf.host, 11_520, 0.0)
    now = 0.0
    for _ in range(3000):
        now += 0.05
        kind = rng.randrange(4)
        if kind == 0:
            line.receive(rng.randbytes(rng.randrange(200)), now)
        elif kind == 1:
            inner = rng.randbytes(rng.randrange(60))
            line.receive(slip_encode(ip.build(Packet(CLIENT, SERVER, rng.choice([1, 6, 17]), inner), 1)), now)
        elif kind == 2:
            told = Segment(rng.randrange(4), 80, rng.getrandbits(32), rng.getrandbits(32), rng.randrange(64),
                           rng.getrandbits(16), rng.randbytes(rng.randrange(30)))  # fmt: skip
            line.receive(slip_encode(ip.build(segment.build(told, CLIENT, SERVER), 1)), now)
        else:
            line.receive(slip_encode(ip.build(Packet(CLIENT, SERVER, UDP, rng.randbytes(40)), 1)), now)
        while line.next_bytes(now):
            pass
        assert len(shelf.host.connections) <= MOST_CONNECTIONS and len(shelf.host._replies) <= MOST_REPLIES
    assert line.sent_bytes < 11_520 * (now + 1)

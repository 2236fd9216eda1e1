"""The one host at our end of the line: ping, its own name, TCP. It forwards nothing, so the machine reaches the shelf
and nothing else."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from ipaddress import IPv4Address

from discprep.link.tcp import segment_size
from discprep.peer import icmp, ip, names, segment
from discprep.peer.habit import Habit
from discprep.peer.ip import ICMP, TCP, UDP, Packet
from discprep.peer.segment import ACK, SYN, Segment
from discprep.peer.tcp import Application, Connection, Counts

MOST_CONNECTIONS = 8
MOST_HALF_OPEN = 4
MOST_REPLIES = 16  # answers without a connection that may wait for the line
SILENT_S = 300.0  # a connection that says nothing for so long is over
HALF_OPEN_S = 45.0
LINGER_S = 20.0  # how long a repeated FIN is still answered
EVICT_S = 2.0  # when all places are taken: who has been waited for so long makes room

Key = tuple[IPv4Address, int, int]
Departed = Callable[[float], None]


@dataclass
class _Place:
    connection: Connection
    source: IPv4Address
    ident: int = 0


class Host:
    """Packets in, packets out when they are pulled.

    Args:
        address: ours
        listen: makes the application of a new connection to a port, None where nothing listens
        first: random numbers, for where a connection's own counting begins (RFC 9293 3.4.1)

    Attributes:
        counts: TCP segments sent, and sent again
        seen: addresses that packets came from, a few
    """

    def __init__(
        self,
        address: IPv4Address,
        listen: Callable[[IPv4Address, int, int], Application | None],
        *,
        first: Callable[[], int],
        mtu_bytes: int,
    ) -> None:
        self.address = address
        self.mtu_bytes = mtu_bytes
        self.habit = Habit()
        self.counts = Counts()
        self.refused = 0  # packets that were no sound packets
        self.echoed = 0  # our own that came back: the line is a loop, or the other end echoes
        self.seen: dict[IPv4Address, None] = {}
        self._listen, self._first = listen, first
        self._places: dict[Key, _Place] = {}
        self._replies: deque[Packet] = deque(maxlen=MOST_REPLIES)
        self._ident = 0

    @property
    def connections(self) -> list[Connection]:
        return [place.connection for place in self._places.values()]

    # ---- what arrives

    def receive(self, data: bytes, now: float) -> None:
        """One packet from the line."""
        packet = ip.parse(data)
        if packet is None or packet.source.is_multicast or packet.source == self.address:
            self.refused += 1
            self.echoed += packet is not None and packet.source == self.address
            return
        if len(self.seen) < 8:
            self.seen[packet.source] = None
        if packet.target != self.address:
            self._elsewhere(packet)
        elif packet.protocol == ICMP:
            self._reply(icmp.echo_reply(packet))
        elif packet.protocol == UDP:
            self._datagram(packet)
        elif packet.protocol == TCP:
            self._segment(packet, now)

    def _reply(self, packet: Packet | None) -> None:
        if packet is not None and ip.HEADER_BYTES + len(packet.payload) <= self.mtu_bytes:
            self._replies.append(packet)

    def _elsewhere(self, packet: Packet) -> None:
        """For another host: it is told so at once, or it would wait. RFC 1122 3.2.2: no word about broadcasts, nor
        about errors."""
        broadcast = packet.target.is_multicast or packet.target.packed[3] == 255
        error = packet.protocol == ICMP and packet.payload[:1] != bytes([icmp.ECHO])
        if not broadcast and not error:
            self._reply(icmp.unreachable(packet, icmp.HOST, self.address))

    def _datagram(self, packet: Packet) -> None:
        ports = names.udp_ports(packet)
        if ports is None:
            self.refused += 1
            return
        source, target, data = ports
        if target != names.PORT:
            self._reply(icmp.unreachable(packet, icmp.PORT, self.address))
            return
        told = names.answer(data, self.address)
        if told is not None:
            self._reply(names.datagram(self.address, packet.source, target, source, told))

    def _segment(self, packet: Packet, now: float) -> None:
        parsed = segment.parse(packet)
        if parsed is None:
            self.refused += 1
            return
        key = (packet.source, parsed.source_port, parsed.target_port)
        place = self._places.get(key)
        fresh = parsed.flags & (SYN | ACK | segment.RST) == SYN
        if fresh and (place is None or place.connection.lingering or not place.connection.alive):
            self._open(key, parsed, now)
        elif place is not None and place.connection.alive:
            place.connection.take(parsed, now)
        else:
            self._refuse(parsed, packet.source)

    def _refuse(self, told: Segment, source: IPv4Address) -> None:
        reset = segment.reset_for(told)
        self._reply(segment.build(reset, self.address, source) if reset else None)

    def _open(self, key: Key, syn: Segment, now: float) -> None:
        self._sweep(now)
        self._places.pop(key, None)
        if not self._make_room(now):
            return  # the machine asks again by itself
        application = self._listen(key[0], key[1], key[2])
        if application is None:
            self._refuse(syn, key[0])
            return
        mss = segment_size(self.mtu_bytes)
        connection = Connection(key[2], key[1], self._first(), mss, self.habit, application, self.counts)
        connection.open(syn, now)
        self._places[key] = _Place(connection, key[0], self._first() & 0xFFFF)

    def _make_room(self, now: float) -> bool:
        """Frees a place if none is left: the oldest half-open one, or who has kept us waiting longest."""
        half = [key for key, place in self._places.items() if not place.connection.established]
        if len(half) >= MOST_HALF_OPEN:
            self._places.pop(half[0]).connection.abort()
        if len(self._places) < MOST_CONNECTIONS:
            return True
        waiting = [
            (place.connection.heard_s, key)
            for key, place in self._places.items()
            if place.connection.lingering or (place.connection.waits and now - place.connection.heard_s > EVICT_S)
        ]
        if not waiting:
            return False
        self._places.pop(min(waiting)[1]).connection.abort()
        return True

    def _sweep(self, now: float) -> None:
        """What is over leaves; what is silent for too long is over."""
        for key, place in list(self._places.items()):
            connection = place.connection
            patience_s = LINGER_S if connection.lingering else SILENT_S if connection.established else HALF_OPEN_S
            if now - connection.heard_s > patience_s:
                connection.abort()
            if not connection.alive and not connection.has_reset:
                del self._places[key]

    # ---- what leaves

    def next_packet(self, now: float) -> tuple[bytes, Departed | None] | None:
        """The packet that the line should carry next, and whom to tell when it will have left, if anybody cares."""
        if self._replies:
            self._ident += 1
            return ip.build(self._replies.popleft(), self._ident), None
        self._sweep(now)
        for key in list(self._places):
            place = self._places[key]
            made = place.connection.next_segment(now)
            if made is None:
                continue
            self._places[key] = self._places.pop(key)  # the others come first next time
            place.ident += 1  # a connection of its own counts by one, which RFC 1144 compresses to nothing
            told, flight = made
            packet = ip.build(segment.build(told, self.address, place.source), place.ident)
            return packet, partial(place.connection.departed, flight) if flight else None
        return None

    @property
    def due_s(self) -> float | None:
        """When `next_packet` may have something without anything having arrived."""
        times = [place.connection.due_s for place in self._places.values()]
        return min((time for time in times if time is not None), default=None)

    def abort(self) -> None:
        """Ends all connections at once."""
        for place in self._places.values():
            place.connection.abort()

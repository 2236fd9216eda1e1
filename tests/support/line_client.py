"""A machine at the other end of a simulated line, in virtual time: it opens a connection, asks, takes, acknowledges.

It shares framing and packet forms with the package (embedded stacks and a kernel stand beside it for those), and
nothing of the sender that it measures.
"""

import heapq
import random
from dataclasses import dataclass, field
from ipaddress import IPv4Address

from discprep.link.encapsulation import slip_encode
from discprep.peer import ip, segment
from discprep.peer.carrier import Slip
from discprep.peer.host import Host
from discprep.peer.line import Line
from discprep.peer.ppp import Ppp
from discprep.peer.segment import ACK, FIN, PSH, RST, SYN, Segment

SERVER, CLIENT = IPv4Address("192.0.2.1"), IPv4Address("192.0.2.2")
REQUEST = b"GET /files/tools.zip HTTP/1.0\r\nHost: files.example\r\nUser-Agent: fetch/1.0\r\n\r\n"


@dataclass
class Setting:
    """One line, one machine, one download. `ack_every`: segments an acknowledgement; `keeps`: what comes behind a gap
    is kept; `pause_s`: (from, to) times in which the machine reads nothing."""

    rate: int = 115_200
    protocol: str = "slip"
    mtu: int = 1500
    window: int = 8192
    size: int = 60_000
    bits: int = 10
    ack_every: int = 1
    ack_delay_s: float = 0.2
    answer_s: float = 0.001
    error_rate: float = 0.0
    keeps: bool = True
    pause_s: tuple[float, float] | None = None
    late_s: float = 0.0  # by how much our end wakes up late at most, whatever for
    zeros: bool = False  # content without anything to escape
    head: int = 0  # bytes before the content, as a reply's head
    seed: int = 1


@dataclass
class Outcome:
    seconds: float
    data: bytes
    again: int
    in_vain: int
    wire_bytes: int
    whole: bool
    payload: bytes = field(repr=False, default=b"")


class Payload:
    """An application that sends bytes once it was asked."""

    def __init__(self, data: bytes) -> None:
        self.data, self.at, self.asked = data, 0, b""
        self.reached, self.gone = 0, False

    def received(self, data: bytes) -> None:
        self.asked += data

    def pull(self, most_bytes: int) -> bytes:
        if not self.asked.endswith(b"\r\n\r\n"):
            return b""
        piece = self.data[self.at : self.at + most_bytes]
        self.at += len(piece)
        return piece

    @property
    def finished(self) -> bool:
        return self.at == len(self.data)

    def ended(self) -> None:
        pass

    def acknowledged(self, total_bytes: int) -> None:
        self.reached = total_bytes

    def closed(self) -> None:
        self.gone = True


def carriers(setting: Setting) -> tuple:
    """(ours, the machine's) carrier."""
    if setting.protocol != "ppp":
        return tuple(Slip(setting.mtu, compress=setting.protocol == "cslip") for _ in range(2))
    ours, theirs = random.Random(setting.seed), random.Random(setting.seed + 1)
    options = {"mtu_bytes": setting.mtu, "accm": 0, "short_fields": True, "compress": True}
    return (
        Ppp(SERVER, CLIENT, magic=lambda: ours.getrandbits(32), **options),
        Ppp(CLIENT, SERVER, magic=lambda: theirs.getrandbits(32), **options),
    )


class Machine:
    """A receiver of one download."""

    def __init__(self, setting: Setting, isn: int) -> None:
        self.setting, self.isn = setting, isn
        self.state = "closed"
        self.irs = self.got = 0  # `got`: bytes in order
        self.data = bytearray()
        self.behind: dict[int, bytes] = {}
        self.end: int | None = None
        self.done = False
        self.unacked = 0
        self.sent_request = False
        self.request_acked = False
        self.last_sent_s = -9.0
        self.delayed_s: float | None = None

    def segment(self, flags: int, data: bytes = b"", at: int = 1) -> Segment:
        ack = (self.irs + 1 + self.got + (1 if self.done else 0)) % (1 << 32) if flags & ACK else 0
        mss = self.setting.mtu - 40 if flags & SYN else 0
        return Segment(1025, 80, (self.isn + at) % (1 << 32), ack, flags, self.setting.window, data, mss)

    def tick(self, now: float) -> list[Segment]:
        """What is sent without anything having come: the first SYN, the request, both again, a late acknowledgement."""
        out = []
        if self.state in ("closed", "asked") and now - self.last_sent_s >= 3:
            self.state, self.last_sent_s = "asked", now
            out.append(self.segment(SYN, at=0))
        elif self.state == "open" and not self.request_acked and now - self.last_sent_s >= 3:
            self.last_sent_s = now
            out.append(self.segment(ACK | PSH, REQUEST))
        if self.delayed_s is not None and now >= self.delayed_s:
            out.append(self.acknowledge())
        return out

    def due_s(self) -> float | None:
        times = [] if self.delayed_s is None else [self.delayed_s]
        if self.state != "open" or not self.request_acked:
            times.append(self.last_sent_s + 3)
        return min(times, default=None)

    def acknowledge(self) -> Segment:
        self.unacked, self.delayed_s = 0, None
        return self.segment(ACK, at=1 + len(REQUEST) if self.request_acked else 1)

    def take(self, told: Segment, now: float) -> list[Segment]:
        if told.flags & RST:
            self.state = "reset"
            return []
        if told.flags & SYN:
            self.irs, self.state, self.last_sent_s = told.seq, "open", now
            return [self.segment(ACK | PSH, REQUEST)]
        if (told.ack - self.isn - 1) % (1 << 32) >= len(REQUEST):
            self.request_acked = True
        if not told.data and not told.flags & FIN:
            return []
        start = (told.seq - self.irs - 1 - self.got + (1 << 31)) % (1 << 32) - (1 << 31) + self.got
        if told.flags & FIN:
            self.end = start + len(told.data)
        ordered = start <= self.got
        if ordered:
            self._keep(told.data[self.got - start :])
        elif self.setting.keeps:
            self.behind[start] = told.data
        if self.end is not None and self.got == self.end:
            self.done = True
        self.unacked += 1
        if not ordered or self.behind or self.done or self.unacked >= self.setting.ack_every:
            return [self.acknowledge()]
        self.delayed_s = now + self.setting.ack_delay_s
        return []

    def _keep(self, data: bytes) -> None:
        self.data += data
        self.got += len(data)
        for start in sorted(self.behind):
            if start <= self.got:
                more = self.behind.pop(start)[self.got - start :]
                self.data += more
                self.got += len(more)


def hurt(wire: bytes, rate: float, rng: random.Random) -> bytes:
    """Bytes with errors: each byte is exchanged with that probability."""
    if not rate:
        return wire
    made = bytearray(wire)
    at = int(rng.expovariate(rate))
    while at < len(made):
        made[at] ^= rng.randrange(1, 256)
        at += 1 + int(rng.expovariate(rate))
    return bytes(made)


def run(setting: Setting, most_s: float = 36_000.0) -> Outcome:
    """One download in virtual time, from the first SYN (with PPP: the first LCP packet) to the last byte."""
    rng = random.Random(setting.seed)
    payload = bytes(setting.size) if setting.zeros else rng.randbytes(setting.size)
    applications: list[Payload] = []

    def listen(source: IPv4Address, port: int, own: int) -> Payload:
        applications.append(Payload(head + payload))
        return applications[-1]

    head = b"H" * setting.head
    ours, theirs = carriers(setting)
    host = Host(SERVER, listen, first=lambda: rng.getrandbits(32), mtu_bytes=setting.mtu)
    char_s = setting.rate / setting.bits
    line = Line(ours, host, char_s, 0.0)
    theirs.start(0.0)
    machine = Machine(setting, rng.getrandbits(32))
    events: list[tuple[float, int, str, bytes]] = []
    count = 0
    free = {"down": 0.0, "up": 0.0}
    late = random.Random(setting.seed)
    woken_s = 0.0
    now, ident, started = 0.0, 0, None

    def carry(way: str, wire: bytes) -> None:
        nonlocal count, woken_s
        free[way] = max(free[way], now) + len(wire) / char_s
        count += 1
        delay = setting.answer_s if way == "down" else 0.0
        arrives = free[way] + delay
        if setting.pause_s and way == "down" and setting.pause_s[0] <= arrives < setting.pause_s[1]:
            arrives = setting.pause_s[1]
        if setting.late_s and way == "up":
            arrives = woken_s = max(woken_s, arrives + late.random() * setting.late_s)
        heapq.heappush(events, (arrives, count, way, hurt(wire, setting.error_rate, rng)))

    def machine_says(told: list[Segment]) -> None:
        nonlocal ident
        for one in told:
            ident += 1
            carry("up", theirs.wrap(ip.build(segment.build(one, CLIENT, SERVER), ident)))

    while now < most_s and not machine.done and machine.state != "reset":
        theirs.tick(now)
        while (control := theirs.control()) is not None:
            carry("up", control)
        if theirs.ready:
            started = now if started is None else started
            machine_says(machine.tick(now))
        while wire := line.next_bytes(now):
            carry("down", wire)
        due_s = line.due_s(now)
        if due_s is not None and setting.late_s:
            due_s += late.random() * setting.late_s
        times = [time for time in (due_s, theirs.due_s, machine.due_s() if theirs.ready else None)
                 if time is not None]  # fmt: skip
        later = min(times, default=None)
        if events and (later is None or events[0][0] <= later):
            now, _, way, wire = heapq.heappop(events)
            if way == "up":
                line.receive(wire, now)
                continue
            for packet in theirs.feed(wire, now):
                parsed = ip.parse(packet)
                told = segment.parse(parsed) if parsed else None
                if told:
                    machine_says(machine.take(told, now))
        elif later is None:
            break
        else:
            now = max(now + 1e-6, later)
    return Outcome(
        now - (started or 0.0), bytes(machine.data), host.counts.again, host.counts.again_in_vain, line.sent_bytes,
        machine.done and bytes(machine.data) == head + payload, payload,
    )  # fmt: skip


def limit_s(setting: Setting, payload: bytes) -> float:
    """The least time that the line can take: the handshake, the request, and the file in full segments whose headers
    are as small as the protocol makes them; a window is no part of it."""
    char_s = setting.rate / setting.bits
    mss = setting.mtu - 40
    headers = 40 if setting.protocol == "slip" else 3
    frames = {"slip": 2, "cslip": 2, "ppp": 1 + 1 + 2 + 1}[setting.protocol]
    if setting.protocol == "ppp":
        body = len(payload) + payload.count(0x7D) + payload.count(0x7E)
    else:
        body = len(slip_encode(payload)) - 2
    segments = -(-len(payload) // mss)
    control = 44 + 44 + 40 + len(REQUEST) + 4 * frames
    return (body + segments * (headers + frames) + control) / char_s

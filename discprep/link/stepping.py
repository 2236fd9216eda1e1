"""One TCP connection stepped through, segment by segment: for slow starts, small windows and needless retransmission,
which no closed form prices.

A server sends, a machine receives and reads at once. Between them lie the bridge's queue (without bound), the line's
clock and the network's round trip. The server is an ordinary one: ten segments at first (RFC 6928), no selective
acknowledgements, no timestamps; its timeout follows RFC 6298 with a floor of 0.2 s for the variance term; after
a timeout it looks for signs that it was needless (RFC 5682) and otherwise sends again all that was in flight, in slow
start (RFC 5681, RFC 6582). The machine acknowledges every `ack_every`-th full segment, the first ones at once, and
what is left over after a delay (RFC 1122 4.2.3.2).
"""

from __future__ import annotations

import heapq
import math
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

from discprep.link.tcp import RTO_FLOOR_S, Path

_FIRST_SEGMENTS = 10
_DUPLICATES = 3


@dataclass(frozen=True, slots=True)
class Habits:
    """Where the standards leave room.

    Attributes:
        ack_every: full segments for each acknowledgement
        quick_acks: segments at the start that are acknowledged one by one
        ack_delay_s: how long a single segment waits for its acknowledgement, at least and at most
        head_apart: the server hands the reply's head to TCP before the body, so that it travels alone
        doubts: the server looks for signs that a timeout was needless
    """

    ack_every: int = 2
    quick_acks: int = 16
    ack_delay_s: tuple[float, float] = (0.04, 0.2)
    head_apart: bool = True
    doubts: bool = True
    window_updates: bool = True


@dataclass(frozen=True, slots=True)
class Stepped:
    """What became of the connection: `arrivals_s[i]` is when the machine had i full segments more than none."""

    elapsed_s: float
    resent_s: float  # on the line for bytes that had been sent before
    resent_segments: int
    segments: int
    half_s: float  # when half of the bytes had come


@dataclass(slots=True)
class _Segment:
    start: int
    end: int
    sent_s: float
    again: bool = False  # ever sent again
    lost: bool = False
    resent: bool = False  # sent again since it was marked lost


class _Clock:
    """Events in the order of their time."""

    def __init__(self) -> None:
        self.now = 0.0
        self._events: list[tuple[float, int, Callable[[], None]]] = []
        self._count = 0

    def at(self, when_s: float, event: Callable[[], None]) -> None:
        self._count += 1
        heapq.heappush(self._events, (max(when_s, self.now), self._count, event))

    def run(self, until: Callable[[], bool]) -> None:
        while self._events and not until():
            self.now, _, event = heapq.heappop(self._events)
            event()


class _Timer:
    """One alarm that can be set anew."""

    def __init__(self, clock: _Clock, event: Callable[[], None]) -> None:
        self.clock, self.event = clock, event
        self.due = math.inf

    def set(self, delay_s: float) -> None:
        self.due = self.clock.now + delay_s
        self.clock.at(self.due, self._ring)

    def stop(self) -> None:
        self.due = math.inf

    def _ring(self) -> None:
        if self.clock.now >= self.due:
            self.due = math.inf
            self.event()


class _Receiver:
    """The machine: takes segments in order, acknowledges by its habit."""

    def __init__(self, clock: _Clock, path: Path, habits: Habits, acknowledge: Callable[[int], None]) -> None:
        self.clock, self.habits, self.acknowledge = clock, habits, acknowledge
        self.mss, self.window = path.mss_bytes, path.window_bytes
        self.next = 0
        self.told = 0  # what the last acknowledgement said
        self.quick = habits.quick_acks
        self.ato_s = habits.ack_delay_s[0]
        self.last_s = -math.inf
        self.arrived: list[tuple[float, int]] = []
        self.timer = _Timer(clock, self._late)

    def take(self, start: int, end: int) -> None:
        if start != self.next:  # sent before, or out of order: said at once (RFC 5681 4.2)
            self.quick = max(self.quick, self.habits.quick_acks)
            self._tell()
            return
        self.next = end
        self.arrived.append((self.clock.now, end))
        self._pace()
        waiting = self.next - self.told
        if waiting > self.mss * (self.habits.ack_every - 1) or (self.habits.window_updates and 2 * waiting >= self.window) or self.quick:
            self._tell()
        elif self.timer.due == math.inf:
            self.timer.set(min(self.ato_s, self.habits.ack_delay_s[1]))

    def _pace(self) -> None:
        """The delay follows the gaps between segments, as receivers in use do."""
        least, most = self.habits.ack_delay_s
        gap_s = self.clock.now - self.last_s
        self.last_s = self.clock.now
        if gap_s <= least / 2:
            self.ato_s = self.ato_s / 2 + least / 2
        elif gap_s < self.ato_s:
            self.ato_s = min(self.ato_s / 2 + gap_s, most)

    def _late(self) -> None:
        self.ato_s = min(self.ato_s * 2, self.habits.ack_delay_s[1])
        self._tell()

    def _tell(self) -> None:
        if self.quick:
            self.quick -= 1
            if not self.quick:
                self.ato_s = self.habits.ack_delay_s[0]
        self.timer.stop()
        self.told = self.next
        self.acknowledge(self.next)


class _Sender:
    """The server's side: window, timeout, retransmission."""

    def __init__(
        self, clock: _Clock, path: Path, habits: Habits, sizes: tuple[int, int], transmit: Callable[[_Segment], None],
        first_rtt_s: float,
    ) -> None:  # fmt: skip
        self.clock, self.path, self.habits, self.transmit = clock, path, habits, transmit
        self.head, self.total = sizes  # bytes of the reply's head where it goes apart; bytes in all
        self.una = self.next = 0
        self.small = 0  # end of the last small segment
        self.flight: deque[_Segment] = deque()
        self.cwnd: float = _FIRST_SEGMENTS
        self.ssthresh = self.prior_cwnd = self.prior_ssthresh = math.inf
        self.state = "open"
        self.high = 0
        self.watching = False
        self.duplicates = 0
        self.timeouts = 0
        self.resent = 0
        self.undo_from = -1
        self.undo_left = 0
        self.timer = _Timer(clock, self._timeout)
        self.srtt = first_rtt_s
        self.mdev = self.mdev_max = self.rttvar = 0.0
        self.mdev = 2 * first_rtt_s
        self.rttvar = self.mdev_max = max(self.mdev, RTO_FLOOR_S)
        self.rtt_end = 0
        self.rto = self.srtt + self.rttvar

    # -- sending

    def push(self, *, urged: bool = False) -> None:
        """Sends what the windows allow."""
        while self.next < self.total and self._in_flight() < self.cwnd:
            size = self._next_size(urged)
            if size <= 0:
                return
            segment = _Segment(self.next, self.next + size, self.clock.now)
            if not self.flight:
                self.timer.set(self.rto)
            self.flight.append(segment)
            self.next += size
            if size < self.path.mss_bytes:
                self.small = self.next
            self.transmit(segment)

    def _next_size(self, urged: bool) -> int:
        mss = self.path.mss_bytes
        room = int(self.una + self.path.window_bytes - self.next)
        if self.next < self.head:
            return min(self.head - self.next, room)
        left = min(mss, self.total - self.next)
        if left <= room:
            return left if left == mss or self.total - self.next == left else 0
        # A last part of the window goes along with full segments when no other small one is under way (RFC 896).
        along = bool(self.flight) and self.flight[-1].sent_s == self.clock.now
        return room if along and (urged or self.small <= self.una) else 0

    def _in_flight(self) -> int:
        gone = sum(1 for segment in self.flight if segment.lost and not segment.resent)
        return len(self.flight) - gone - self.duplicates

    def _send_again(self, segment: _Segment) -> None:
        segment.again = segment.resent = True
        segment.sent_s = self.clock.now
        self.resent += 1
        self.undo_left += 1
        if segment is self.flight[0]:
            self.timer.set(self.rto)
        self.transmit(segment)

    def _send_lost(self) -> None:
        for segment in list(self.flight):
            if self._in_flight() >= self.cwnd:
                return
            if segment.lost and not segment.resent:
                self._send_again(segment)

    # -- acknowledgements

    def acknowledged(self, ack: int) -> None:
        advanced, duplicate = ack > self.una, ack == self.una and bool(self.flight)
        count, original = self._remove(ack)
        if self.state == "loss":
            self._in_loss(advanced, duplicate, original)
        elif self.state == "recovery":
            self._in_recovery(advanced, duplicate)
        else:
            self._in_open(advanced, duplicate)
        if advanced and self.state in ("open", "loss"):
            self._grow(count)
        if self.state in ("loss", "recovery") and not (self.state == "loss" and self.watching):
            self._send_lost()
        self.push()

    def _remove(self, ack: int) -> tuple[int, bool]:
        """Takes what is acknowledged out of the flight: how many, and whether some of it was never sent again."""
        count, original, again = 0, False, False
        oldest_s: float | None = None
        while self.flight and self.flight[0].end <= ack:
            segment = self.flight.popleft()
            count += 1
            again |= segment.again
            if not segment.again:
                original |= segment.end <= self.high
                oldest_s = segment.sent_s if oldest_s is None else oldest_s
        if ack > self.una:
            self.una = ack
            self.timeouts = 0
            if oldest_s is not None and not again:
                self._measure(self.clock.now - oldest_s)
            if self.flight:
                self.timer.set(self.rto)
            else:
                self.timer.stop()
        return count, original

    def _in_open(self, advanced: bool, duplicate: bool) -> None:
        if advanced:
            self.duplicates = 0
        if duplicate:
            self.duplicates = min(self.duplicates + 1, len(self.flight) - 1)
        if self.duplicates >= _DUPLICATES:
            self._reduce()
            self.state = "recovery"
            self.high = self.next
            self.cwnd = max(self.ssthresh, 1)
            self.flight[0].lost = True

    def _in_recovery(self, advanced: bool, duplicate: bool) -> None:
        if duplicate:
            self.duplicates = min(self.duplicates + 1, max(0, len(self.flight) - 1))
        if not advanced:
            return
        self.duplicates = 0
        if self.una > self.high or not self.flight:
            self.state = "open"
            self.cwnd = self.ssthresh
        elif self.una < self.high:
            self.flight[0].lost = True

    def _in_loss(self, advanced: bool, duplicate: bool, original: bool) -> None:
        recovered = self.una >= self.high
        if self.watching and original:
            self._undo()
            return
        if self.watching and self.next > self.high:
            self.watching = not duplicate
        elif self.watching and advanced and not recovered:
            self.high = self.next
            before = self.next
            self.cwnd += 1
            self.push(urged=True)
            self.watching = self.next > before
            return
        if recovered:
            self.watching = False
            # Held until something above is acknowledged: else the duplicates' acknowledgements would mislead.
            if self.una > self.high or not self.flight:
                self.state = "open"
                self.duplicates = 0
            return
        if advanced:
            self.duplicates = 0

    def _undo(self) -> None:
        for segment in self.flight:
            segment.lost = segment.resent = False
        self.cwnd = max(self.cwnd, self.prior_cwnd)
        self.ssthresh = max(self.ssthresh, self.prior_ssthresh)
        self.state, self.watching, self.timeouts, self.duplicates = "open", False, 0, 0

    def _grow(self, count: int) -> None:
        if self.cwnd < self.ssthresh:
            if self.cwnd < 2 * len(self.flight) + count:
                self.cwnd += count
        else:
            self.cwnd += count / max(self.cwnd, 1)

    def _reduce(self) -> None:
        self.prior_cwnd, self.prior_ssthresh = self.cwnd, self.ssthresh
        self.ssthresh = max(2, self.cwnd * 0.7)

    # -- timeout

    def _timeout(self) -> None:
        if not self.flight:
            return
        fresh = self.state != "loss" and self.state != "recovery"
        if fresh or self.una >= self.high or not self.timeouts:
            self._reduce()
        self.watching = self.habits.doubts and (fresh or self.timeouts > 0)
        self.duplicates = 0
        for segment in self.flight:
            segment.lost, segment.resent = True, False
        self.cwnd = 1
        self.state = "loss"
        self.high = self.next
        self.timeouts += 1
        self.rto = min(2 * self.rto, 120)
        self._send_again(self.flight[0])
        self.timer.set(self.rto)

    def _measure(self, rtt_s: float) -> None:
        """RFC 6298 with the variance kept for a round trip at least, as servers in use do."""
        error = rtt_s - self.srtt
        self.srtt += error / 8
        change = abs(error) - self.mdev / 4
        self.mdev += change / 8 if error < 0 and change > 0 else change
        if self.mdev > self.mdev_max:
            self.mdev_max = self.mdev
            self.rttvar = max(self.rttvar, self.mdev_max)
        if self.una > self.rtt_end:
            if self.mdev_max < self.rttvar:
                self.rttvar -= (self.rttvar - self.mdev_max) / 4
            self.rtt_end = self.next
            self.mdev_max = RTO_FLOOR_S
        self.rto = self.srtt + self.rttvar


class _Line:
    """One direction: a queue without bound and a clock."""

    def __init__(self, clock: _Clock, before_s: float, after_s: float) -> None:
        self.clock, self.before_s, self.after_s = clock, before_s, after_s
        self.free_s = 0.0

    def carry(self, wire_s: float, event: Callable[[], None]) -> None:
        self.free_s = max(self.free_s, self.clock.now + self.before_s) + wire_s
        self.clock.at(self.free_s + self.after_s, event)


def step_through(path: Path, habits: Habits, head_bytes: int, body_bytes: int, first_rtt_s: float) -> Stepped:
    """Steps through one connection from the server's first byte to the last byte at the machine.

    `first_rtt_s` is the round trip [s] that the server saw in the handshake.
    """
    clock = _Clock()
    down = _Line(clock, path.round_trip_s / 2, 0.0)
    up = _Line(clock, 0.0, path.round_trip_s / 2)
    total = head_bytes + body_bytes
    sent = 0
    resent_s = 0.0
    highest = 0

    def transmit(segment: _Segment) -> None:
        nonlocal sent, resent_s, highest
        size = segment.end - segment.start
        wire_s = max(path.encapsulation.segment_bytes(size) / path.down_char_s, path.segment_s)
        sent += 1
        if segment.end <= highest:
            resent_s += wire_s
        highest = max(highest, segment.end)
        start, end = segment.start, segment.end
        down.carry(wire_s, lambda: receiver.take(start, end))

    def acknowledge(ack: int) -> None:
        up.carry(path.ack_s, lambda: sender.acknowledged(ack))

    receiver = _Receiver(clock, path, habits, acknowledge)
    sender = _Sender(
        clock, path, habits, (head_bytes if habits.head_apart else 0, total), transmit, first_rtt_s
    )
    sender.push(urged=True)
    clock.run(lambda: receiver.next >= total)
    half = next((when for when, end in receiver.arrived if end >= total / 2), 0)
    return Stepped(clock.now, resent_s, sender.resent, sent, half)

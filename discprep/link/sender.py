"""How a server sends: window, timeout and retransmission without selective acknowledgements or timestamps.

Ten segments at first (RFC 6928), slow start (RFC 5681), a timeout after RFC 6298 with 0.2 s as the least variance
term. After a timeout the server first looks for signs that it was needless (RFC 5682): it sends something new, and an
acknowledgement of what it never sent again clears it. If that fails, it sends again all that was in flight.
A server that paces (its congestion control gives each segment its time, see `pacing`) breaks that off: its pacing timer
sends what counts as lost while the doubt still stands. Checked against a general-purpose kernel, see tests.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

from discprep.link.events import Clock, Timer
from discprep.link.pacing import Pacing, Sample, Stamp
from discprep.link.tcp import RTO_FLOOR_S, initial_window, initial_window_older

_DUPLICATES = 3  # RFC 5681 3.2
_TOGETHER = 2  # segments that servers in use send in one piece, the second one marked
_LONGEST_TIMEOUT_S = 120.0
_KEPT_AT_LOSS = 0.7  # of the window, RFC 9438 4.6

# Timers of servers in use are coarse and never ring early: (up to, coarseness) in seconds, and a tick more. From a
# general-purpose kernel that counts 250 ticks a second.
_TICK_S = 0.004
_TIMERS_ARE_COARSE = ((0.252, _TICK_S), (2.0, 0.032), (math.inf, 0.256))

OPEN, LOSS, RECOVERY = "open", "loss", "recovery"
NOTHING, NEW, LOST = "nothing", "new", "lost"  # what an acknowledgement makes the sender send first


@dataclass(frozen=True, slots=True)
class SenderHabit:
    """Where servers differ.

    Attributes:
        paced: it gives each segment its time
        head_apart: it hands the reply's head to TCP before the body, so that the head travels alone
        older: it starts with the fewer segments of RFC 5681, and no timeout makes it doubt
        late: how late its timers ring, as a share of their coarseness
        own: it is discprep's own and knows its line; none of the others matters then
    """

    paced: bool = True
    head_apart: bool = False
    older: bool = False
    late: float = 0.5
    own: bool = False


@dataclass(slots=True)
class Segment:
    """Bytes `start` to `end` in flight. `again`: ever sent again; `lost`: taken for lost; `resent`: since then;
    `pushed`: the sender marks it as the end of what it has to say for now (RFC 9293 3.9.1.2)."""

    start: int
    end: int
    sent_s: float
    again: bool = False
    lost: bool = False
    resent: bool = False
    pushed: bool = False
    stamp: Stamp | None = None


class RoundTrips:
    """The smoothed round trip and the timeout from it: RFC 6298, the variance kept at 0.2 s or more, and for at least
    a round trip, as servers in use do. `variance_s` is four times the mean deviation."""

    def __init__(self, first_s: float) -> None:
        self.smoothed_s = first_s
        self._deviation_s = 2 * first_s
        self._largest_s = self.variance_s = max(self._deviation_s, RTO_FLOOR_S)
        self._round_ends = 0

    def measure(self, round_trip_s: float, acknowledged: int, sent: int) -> None:
        """One more round trip [s]; bytes acknowledged and sent so far tell where a round ends."""
        error = round_trip_s - self.smoothed_s
        self.smoothed_s += error / 8
        change = abs(error) - self._deviation_s / 4
        self._deviation_s += change / 8 if error < 0 and change > 0 else change
        self._largest_s = max(self._largest_s, self._deviation_s)
        self.variance_s = max(self.variance_s, self._largest_s)
        if acknowledged > self._round_ends:
            self.variance_s -= max(0.0, self.variance_s - self._largest_s) / 4
            self._round_ends, self._largest_s = sent, RTO_FLOOR_S

    @property
    def timeout_s(self) -> float:
        return self.smoothed_s + self.variance_s


class Sender:
    """One connection's sending side. `transmit` gets each segment as it goes out."""

    def __init__(
        self, clock: Clock, mss_bytes: int, window_bytes: float, habit: SenderHabit, *,
        head_bytes: int, total_bytes: int, first_round_trip_s: float, transmit: Callable[[Segment], None],
    ) -> None:  # fmt: skip
        self._clock, self._mss, self._window, self._habit = clock, mss_bytes, window_bytes, habit
        self._head = head_bytes if habit.head_apart else 0
        self._total = total_bytes
        self._transmit = transmit
        self._flight: deque[Segment] = deque()
        self._acked = self._next = 0
        self._small_end = 0  # where the last small segment ends
        self._push_every = push_distance(mss_bytes, window_bytes)
        first = initial_window_older(mss_bytes) if habit.older else initial_window(mss_bytes) // mss_bytes
        self._allowed: float = first  # the congestion window
        self._threshold = math.inf
        self._before: tuple[float, float] = (self._allowed, self._threshold)  # both, as they stood before the last cut
        self._pacing = Pacing(first_round_trip_s, first, mss_bytes) if habit.paced and not habit.older else None
        self._pace_timer = Timer(clock, self._on_pace)
        self._state = OPEN
        self._react = {OPEN: self._in_open, LOSS: self._in_loss, RECOVERY: self._in_recovery}
        self._high = 0  # what had been sent when the trouble began
        self._doubting = False
        self._lost = self._resent = 0  # in the flight
        self._duplicates = 0
        self._reordering = _DUPLICATES  # so many duplicates tell a loss
        self._timeouts = 0  # in a row
        self._trips = RoundTrips(first_round_trip_s)
        self._timeout_s = self._trips.timeout_s
        self._timer = Timer(clock, self._time_out)

    # ------------------------------------------------------------------------------------------- sending

    def push(self, *, urged: bool = False) -> None:
        """Sends what the windows allow. `urged`: small segments need not wait for one another (RFC 896)."""
        while self._next < self._total and not self._must_pace():
            sizes = self._next_sizes(urged)
            if not sizes:
                return
            for count, size in enumerate(sizes, 1):
                self._send_next(size, pushed=count == len(sizes) > 1 or self._is_pushed(size))

    def _send_next(self, size: int, *, pushed: bool) -> None:
        segment = Segment(self._next, self._next + size, self._clock.now, pushed=pushed)
        self._next += size
        if size < self._mss:
            self._small_end = self._next
        self._flight.append(segment)
        self._send(segment)
        if len(self._flight) == 1:
            self._set_timer()

    def _next_sizes(self, urged: bool) -> list[int]:
        """The segments that go out next, in one piece: two where pace and windows allow. The last part of the window
        goes along with a full segment when no other small one is under way."""
        at, room = self._next, int(self._acked + self._window - self._next)
        most = min(self._pacing.together if self._pacing else _TOGETHER, int(self._allowed) - self._in_flight())
        end = self._head if self._next < self._head else self._total
        sizes: list[int] = []
        while len(sizes) < most and at < end and room > 0:
            size = min(self._mss, end - at)
            if size > room and not (sizes and (urged or self._small_end <= self._acked)):
                break
            sizes.append(min(size, room))
            at, room = at + size, room - size
        return sizes

    def _is_pushed(self, size: int) -> bool:
        """Whether a segment ends what was handed over, or a stretch that the sender marks."""
        end = self._next + size
        return end in (self._head, self._total) or (end > self._head and (end - self._head) % self._push_every == 0)

    def _in_flight(self) -> int:
        return len(self._flight) - self._lost + self._resent - self._duplicates

    def _send(self, segment: Segment) -> None:
        if self._pacing:
            segment.stamp = self._pacing.stamp(self._clock.now, idle=len(self._flight) == 1 and not segment.again)
            self._pacing.sent(self._clock.now, (segment.end - segment.start) / self._mss)
        self._transmit(segment)

    def _must_pace(self) -> bool:
        """Whether the next segment has to wait for its time; an alarm is set for it then."""
        if not self._pacing or self._pacing.next_s <= self._clock.now:
            return False
        if self._pace_timer.left_s == math.inf:
            self._pace_timer.set(self._pacing.next_s - self._clock.now)
        return True

    def _on_pace(self) -> None:
        if self._lost > self._resent:
            self._send_lost()
        self.push()

    def _set_timer(self) -> None:
        wait_s = max(0.0, self._pacing.next_s - self._clock.now) if self._pacing else 0.0
        coarse_s = next(coarse_s for up_to_s, coarse_s in _TIMERS_ARE_COARSE if self._timeout_s <= up_to_s)
        self._timer.set(self._timeout_s + wait_s + _TICK_S / 2 + coarse_s * self._habit.late)

    def _send_again(self, segment: Segment) -> None:
        self._resent += not segment.resent
        segment.again = segment.resent = True
        segment.sent_s = self._clock.now
        self._send(segment)
        if segment is self._flight[0]:
            self._set_timer()

    def _send_lost(self) -> None:
        if self._lost <= self._resent:
            return
        together = self._pacing.together if self._pacing else _TOGETHER
        count = 0
        for segment in self._flight:
            if self._in_flight() >= self._allowed or (count % together == 0 and self._must_pace()):
                return
            if segment.lost and not segment.resent:
                self._send_again(segment)
                count += 1

    # ---------------------------------------------------------------------------------- acknowledgements

    def acknowledged(self, ack: int) -> None:
        """An acknowledgement of all bytes before `ack` comes in."""
        advanced, duplicate = ack > self._acked, ack == self._acked and bool(self._flight)
        done = self._remove(ack)
        delivered = max(len(done) - self._duplicates, 1) if done else 0
        self._duplicates = max(0, self._duplicates - max(0, len(done) - 1))
        before, state = self._duplicates, self._state
        original = bool(done) and not any(segment.again or segment.end > self._high for segment in done)
        react = self._react[self._state]
        send = react(advanced, duplicate, original)
        delivered += max(0, self._duplicates - before)
        if self._pacing:
            self._tell_pacing(done, delivered, recovered=state != OPEN and self._state == OPEN)
        elif advanced and self._state != RECOVERY:
            self._grow(len(done))
        self._answer(send)

    def _answer(self, send: str) -> None:
        if send == NEW:
            before = self._next
            self.push(urged=True)
            self._doubting = self._next > before
        if send == LOST or (send == NEW and not self._doubting):
            self._send_lost()
        self.push()

    def _tell_pacing(self, done: list[Segment], delivered: int, *, recovered: bool) -> None:
        assert self._pacing
        newest = max(done, key=lambda segment: (segment.sent_s, segment.end), default=None)
        clean = newest is not None and not any(segment.again for segment in done)
        self._pacing.acknowledged(Sample(
            self._clock.now, delivered, (newest.stamp, newest.sent_s) if newest and newest.stamp else None,
            self._clock.now - newest.sent_s if newest and clean else None, self._in_flight(), recovered,
        ))  # fmt: skip
        self._allowed = self._pacing.window

    def _remove(self, ack: int) -> list[Segment]:
        """Takes what is acknowledged out of the flight."""
        done: list[Segment] = []
        while self._flight and self._flight[0].end <= ack:
            done.append(self._flight.popleft())
            self._lost -= done[-1].lost
            self._resent -= done[-1].resent
        if ack > self._acked:
            self._acked, self._timeouts = ack, 0
            if done and not any(segment.again for segment in done):
                self._trips.measure(self._clock.now - done[0].sent_s, self._acked, self._next)
                self._timeout_s = self._trips.timeout_s
            if self._flight:
                self._set_timer()
            else:
                self._timer.stop()
        return done

    def _count_duplicate(self) -> None:
        """One more duplicate. More of them than the flight explains: such a server takes the order for loose, and
        as many as are in flight for a loss, fewer than three too."""
        self._duplicates += 1
        most = len(self._flight) - max(1, self._lost)
        if self._duplicates > most:
            self._duplicates, self._reordering = max(0, most), len(self._flight)

    def _in_open(self, advanced: bool, duplicate: bool, _original: bool) -> str:
        if advanced:
            self._duplicates = 0
        elif duplicate:
            self._count_duplicate()
        if not self._duplicates or self._duplicates < self._reordering:
            return NOTHING
        self._cut(again=False)
        self._state, self._high, self._allowed = RECOVERY, self._next, self._threshold
        self._lose_first()
        if self._pacing:
            self._pacing.window = self._in_flight() + 1
        return LOST

    def _in_recovery(self, advanced: bool, duplicate: bool, _original: bool) -> str:
        if duplicate:
            self._count_duplicate()
        if not advanced:
            return LOST
        if self._acked > self._high or not self._flight:
            self._duplicates = 0
            self._state, self._allowed = OPEN, self._threshold
            return NOTHING
        if self._acked < self._high:
            self._lose_first()
        return LOST

    def _lose_first(self) -> None:
        first = self._flight[0]
        self._lost += not first.lost
        first.lost = True

    def _in_loss(self, advanced: bool, duplicate: bool, original: bool) -> str:
        if self._doubting and original:
            self._needless_after_all()
            return NOTHING
        new = self._next > self._high
        if self._doubting and new and duplicate:
            self._doubting = False
        elif self._doubting and not new and advanced and self._acked < self._high:
            self._high = self._next
            return NEW
        if self._acked >= self._high:
            self._doubting = False
            # Held until something above is acknowledged: duplicates of what was sent twice would mislead.
            if self._acked > self._high or not self._flight:
                self._state, self._duplicates = OPEN, 0
            return NOTHING
        if new and duplicate:
            self._count_duplicate()
        elif advanced:
            self._duplicates = 0
        return LOST

    def _needless_after_all(self) -> None:
        for segment in self._flight:
            segment.lost = False
        self._lost = 0
        self._allowed = max(self._allowed, self._before[0])
        self._threshold = max(self._threshold, self._before[1])
        self._state, self._doubting, self._duplicates = OPEN, False, 0
        if self._pacing:
            self._pacing.undone()

    def _grow(self, count: int) -> None:
        if self._allowed >= self._threshold:
            self._allowed += count / self._allowed
        elif self._allowed < 2 * len(self._flight) + count:
            self._allowed += count

    def _cut(self, *, again: bool) -> None:
        self._before = (self._allowed, self._threshold)
        self._threshold = max(2.0, self._allowed * _KEPT_AT_LOSS)
        if self._pacing:
            self._pacing.keep(again=again)

    # -------------------------------------------------------------------------------------------- timeout

    def _time_out(self) -> None:
        fresh = self._state == OPEN
        if fresh or self._acked >= self._high or not self._timeouts:
            self._cut(again=not fresh)
        self._doubting = not self._habit.older and (fresh or self._timeouts > 0)
        self._state, self._high, self._duplicates, self._allowed = LOSS, self._next, 0, 1
        for segment in self._flight:
            segment.lost, segment.resent = True, False
        self._lost, self._resent = len(self._flight), 0
        if self._pacing:
            self._pacing.timed_out()
        self._timeouts += 1
        self._timeout_s = min(2 * self._timeout_s, _LONGEST_TIMEOUT_S)
        self._send_again(self._flight[0])


def push_distance(mss_bytes: int, window_bytes: float) -> int:
    """How far apart [B] a sender with much to say marks its segments: it fills buffers of half the window (all of a
    window under the default MSS) and marks the one that goes beyond half of it. Measured; no standard says so."""
    if window_bytes <= 536:
        return max(1, int(window_bytes) // mss_bytes) * mss_bytes
    return 2 * max(1, int(window_bytes / 2) // mss_bytes) * mss_bytes

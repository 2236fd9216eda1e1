"""How a server sends: window, timeout and retransmission without selective acknowledgements or timestamps.

Ten segments at first (RFC 6928), slow start (RFC 5681), a timeout after RFC 6298 with 0.2 s as the least variance
term. After a timeout the server first looks for signs that it was needless (RFC 5682): it sends something new, and an
acknowledgement of what it never sent again clears it. If that fails, it sends again all that was in flight.
A server that paces (its congestion control gives each segment its time) breaks that off: its pacing timer sends what
counts as lost while the doubt still stands. Checked against a general-purpose kernel, see tests.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

from discprep.link.events import Clock, Timer
from discprep.link.tcp import RTO_FLOOR_S, initial_window, initial_window_older

_PACED_FROM = 10  # the segment from which servers in use pace
_DUPLICATES = 3  # RFC 5681 3.2
_LEAST_PACED = 4  # segments that a pacing server has in flight at least
_LONGEST_TIMEOUT_S = 120.0
_KEPT_AT_LOSS = 0.7  # of the window, RFC 9438 4.6

OPEN, LOSS, RECOVERY = "open", "loss", "recovery"


@dataclass(frozen=True, slots=True)
class SenderHabit:
    """Where servers differ.

    Attributes:
        paced: it gives each segment its time
        head_apart: it hands the reply's head to TCP before the body, so that the head travels alone
        older: it starts with the fewer segments of RFC 5681, and no timeout makes it doubt
    """

    paced: bool = True
    head_apart: bool = False
    older: bool = False


@dataclass(slots=True)
class Segment:
    """Bytes `start` to `end` in flight. `again`: ever sent again; `lost`: taken for lost; `resent`: since then."""

    start: int
    end: int
    sent_s: float
    again: bool = False
    lost: bool = False
    resent: bool = False


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
        first = initial_window_older(mss_bytes) if habit.older else initial_window(mss_bytes) // mss_bytes
        self._allowed: float = first  # the congestion window
        self._threshold = math.inf
        self._before: tuple[float, float] = (self._allowed, self._threshold)  # both, as they stood before the last cut
        self._state = OPEN
        self._high = 0  # what had been sent when the trouble began
        self._doubting = False
        self._gone = 0  # in the flight, taken for lost and not sent again
        self._duplicates = 0
        self._timeouts = 0  # in a row
        self._sent = 0
        self._trips = RoundTrips(first_round_trip_s)
        self._timeout_s = self._trips.timeout_s
        self._timer = Timer(clock, self._time_out)

    # ------------------------------------------------------------------------------------------- sending

    def push(self, *, urged: bool = False) -> None:
        """Sends what the windows allow. `urged`: small segments need not wait for one another (RFC 896)."""
        while self._next < self._total and self._in_flight() < self._allowed:
            size = self._next_size(urged)
            if size <= 0:
                return
            segment = Segment(self._next, self._next + size, self._clock.now)
            if not self._flight:
                self._timer.set(self._timeout_s)
            self._flight.append(segment)
            self._next += size
            if size < self._mss:
                self._small_end = self._next
            self._send(segment)

    def _next_size(self, urged: bool) -> int:
        room = int(self._acked + self._window - self._next)
        if self._next < self._head:
            return min(self._head - self._next, room)
        left = min(self._mss, self._total - self._next)
        if left <= room:
            return left
        return room if self._goes_along(urged) else 0

    def _goes_along(self, urged: bool) -> bool:
        """The last part of the window goes along with full segments when no other small one is under way; a pacing
        server sends segment by segment, so that nothing goes along."""
        if self._habit.paced or not self._flight or self._flight[-1].sent_s != self._clock.now:
            return False
        return urged or self._small_end <= self._acked

    def _in_flight(self) -> int:
        return len(self._flight) - self._gone - self._duplicates

    def _send(self, segment: Segment) -> None:
        self._sent += 1
        self._transmit(segment)

    def _send_again(self, segment: Segment) -> None:
        self._gone -= segment.lost and not segment.resent
        segment.again = segment.resent = True
        segment.sent_s = self._clock.now
        if segment is self._flight[0]:
            self._timer.set(self._timeout_s)
        self._send(segment)

    def _send_lost(self) -> None:
        if not self._gone:
            return
        for segment in self._flight:
            if self._in_flight() >= self._allowed:
                return
            if segment.lost and not segment.resent:
                self._send_again(segment)

    # ---------------------------------------------------------------------------------- acknowledgements

    def acknowledged(self, ack: int) -> None:
        """An acknowledgement of all bytes before `ack` comes in."""
        advanced, duplicate = ack > self._acked, ack == self._acked and bool(self._flight)
        count, original = self._remove(ack)
        react = {OPEN: self._in_open, LOSS: self._in_loss, RECOVERY: self._in_recovery}[self._state]
        react(advanced, duplicate, original)
        if advanced and self._state != RECOVERY:
            self._grow(count)
        if self._habit.paced:
            self._allowed = max(self._allowed, _LEAST_PACED)
        if self._state == RECOVERY or (self._state == LOSS and (not self._doubting or self._hasty())):
            self._send_lost()
        self.push()

    def _remove(self, ack: int) -> tuple[int, bool]:
        """Takes what is acknowledged out of the flight: how many, and whether some of it was sent but once."""
        done: list[Segment] = []
        while self._flight and self._flight[0].end <= ack:
            done.append(self._flight.popleft())
            self._gone -= done[-1].lost and not done[-1].resent
        if ack > self._acked:
            self._acked, self._timeouts = ack, 0
            if done and not any(segment.again for segment in done):
                self._trips.measure(self._clock.now - done[0].sent_s, self._acked, self._next)
                self._timeout_s = self._trips.timeout_s
            if self._flight:
                self._timer.set(self._timeout_s)
            else:
                self._timer.stop()
        return len(done), any(not segment.again and segment.end <= self._high for segment in done)

    def _in_open(self, advanced: bool, duplicate: bool, _original: bool) -> None:
        if advanced:
            self._duplicates = 0
        elif duplicate:
            self._duplicates = min(self._duplicates + 1, len(self._flight) - 1)
        if self._duplicates >= _DUPLICATES:
            self._cut()
            self._state, self._high, self._allowed = RECOVERY, self._next, self._threshold
            self._lose_first()

    def _in_recovery(self, advanced: bool, duplicate: bool, _original: bool) -> None:
        if duplicate:
            self._duplicates = min(self._duplicates + 1, len(self._flight) - 1)
        if not advanced:
            return
        self._duplicates = 0
        if self._acked > self._high or not self._flight:
            self._state, self._allowed = OPEN, self._threshold
        elif self._acked < self._high:
            self._lose_first()

    def _lose_first(self) -> None:
        first = self._flight[0]
        self._gone += not first.lost
        first.lost = True

    def _in_loss(self, advanced: bool, duplicate: bool, original: bool) -> None:
        if self._doubting and original:
            self._needless_after_all()
        elif self._doubting and self._next > self._high:
            self._doubting = not duplicate
        elif self._doubting and advanced and self._acked < self._high:
            self._try_something_new()
        elif self._acked >= self._high:
            self._doubting = False
            # Held until something above is acknowledged: duplicates of what was sent twice would mislead.
            if self._acked > self._high or not self._flight:
                self._state, self._duplicates = OPEN, 0
        elif advanced:
            self._duplicates = 0

    def _try_something_new(self) -> None:
        self._high = before = self._next
        self._allowed += 1
        self.push(urged=True)
        self._doubting = self._next > before

    def _needless_after_all(self) -> None:
        for segment in self._flight:
            segment.lost = segment.resent = False
        self._gone = 0
        self._allowed = max(self._allowed, self._before[0])
        self._threshold = max(self._threshold, self._before[1])
        self._state, self._doubting, self._duplicates = OPEN, False, 0

    def _hasty(self) -> bool:
        """Whether the pacing timer sends what counts as lost."""
        return self._habit.paced and self._sent >= _PACED_FROM

    def _grow(self, count: int) -> None:
        if self._allowed >= self._threshold:
            self._allowed += count / self._allowed
        elif self._allowed < 2 * len(self._flight) + count:
            self._allowed += count

    def _cut(self) -> None:
        self._before = (self._allowed, self._threshold)
        self._threshold = max(2.0, self._allowed * _KEPT_AT_LOSS)

    # -------------------------------------------------------------------------------------------- timeout

    def _time_out(self) -> None:
        fresh = self._state == OPEN
        if fresh or self._acked >= self._high or not self._timeouts:
            self._cut()
        self._doubting = not self._habit.older and (fresh or self._timeouts > 0)
        self._state, self._high, self._duplicates, self._allowed = LOSS, self._next, 0, 1
        for segment in self._flight:
            segment.lost, segment.resent = True, False
        self._gone = len(self._flight)
        self._timeouts += 1
        self._timeout_s = min(2 * self._timeout_s, _LONGEST_TIMEOUT_S)
        self._send_again(self._flight[0])

"""How a machine acknowledges: RFC 1122 4.2.3.2 and what receivers in use make of it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from discprep.link.events import Clock, Timer
from discprep.link.tcp import ACK_DELAY_S

SHORTEST_DELAY_S = 0.04
QUICK_ACKS = 16  # the most segments that receivers in use acknowledge one by one at first: half a window of them


@dataclass(frozen=True, slots=True)
class AckHabit:
    """Where the standard leaves room.

    Attributes:
        every: full segments for each acknowledgement
        quick: segments at the start, and after anything odd, that are acknowledged one by one
        delay_s: how long a single segment waits for its acknowledgement, at least and at most
        on_push: what the sender marks as the end of what it had to say is acknowledged at once, and so is a segment
            that is not full
        long_gap_s: a gap after which segments are acknowledged one by one again
        on_half: half of the window used up and read is told at once; with a window of two segments that is each one
    """

    every: int = 2
    quick: int = QUICK_ACKS
    delay_s: tuple[float, float] = (SHORTEST_DELAY_S, ACK_DELAY_S)
    on_push: bool = True
    long_gap_s: float = math.inf
    on_half: bool = False


EACH_SEGMENT = AckHabit(every=1)
EVERY_SECOND = AckHabit(quick=0, delay_s=(ACK_DELAY_S, ACK_DELAY_S), on_push=False)


def usual_habit(round_trip_s: float, timeout_s: float, window_segments: int) -> AckHabit:
    """Every second segment, those of the first half window at once, sixteen at most, and again after a gap of its own
    timeout. A single one waits 0.04 s at least, and no longer than the round trip of the handshake.

    Measured on a general-purpose kernel; no standard says so. That a window is told anew from half of the buffer on is
    the silly-window rule of RFC 1122 4.2.3.3.
    """
    longest_s = min(ACK_DELAY_S, max(SHORTEST_DELAY_S, round_trip_s))
    quick = min(QUICK_ACKS, window_segments // 2 or 2)
    return AckHabit(quick=quick, delay_s=(SHORTEST_DELAY_S, longest_s), long_gap_s=timeout_s, on_half=True)


class Receiver:
    """Takes segments and reads at once what is in order. `arrivals` are (seconds, bytes in order so far)."""

    def __init__(
        self, clock: Clock, mss_bytes: int, window_bytes: float, habit: AckHabit, tell: Callable[[int], None]
    ) -> None:
        self._clock, self._mss, self._habit, self._tell = clock, mss_bytes, habit, tell
        self.next = 0
        self.arrivals: list[tuple[float, int]] = []
        self._told = 0
        self._early: dict[int, int] = {}  # segments beyond a gap: start, end
        whole_bytes = max(1, window_bytes // mss_bytes) * mss_bytes
        self._half_bytes = whole_bytes / 2 if habit.on_half else math.inf
        self._quick = habit.quick
        self._delay_s = habit.delay_s[0]
        self._last_s = clock.now
        self._pushed = False
        self._timer = Timer(clock, self._late)

    def take(self, start: int, end: int, *, pushed: bool = False) -> None:
        """A segment arrives. One that was here before is answered at once (RFC 9293 3.10.7.4), and so is one beyond a
        gap, which is kept, and one that fills a gap (RFC 5681 4.2)."""
        if start != self.next:
            if start > self.next:
                self._early[start] = end
            self._be_quick()
            self._acknowledge(counted=end > self._told)
            return
        gap = bool(self._early)
        self.next = end
        while self.next in self._early:
            self.next = self._early.pop(self.next)
        self.arrivals.append((self._clock.now, self.next))
        if gap:
            self._be_quick()
        self._pushed = self._pushed or pushed or end - start < self._mss
        self._follow_gaps()
        if self._quick or self._due():
            self._acknowledge()
        else:
            self._delay()

    def _be_quick(self) -> None:
        self._quick = max(self._quick, self._habit.quick)
        self._delay_s = self._habit.delay_s[0]

    def _due(self) -> bool:
        waiting = self.next - self._told
        full = waiting > self._mss * (self._habit.every - 1) or waiting >= self._half_bytes
        return full or (self._pushed and self._habit.on_push)

    def _follow_gaps(self) -> None:
        """The delay follows the gaps between segments, as receivers in use let it."""
        least, _ = self._habit.delay_s
        gap_s, self._last_s = self._clock.now - self._last_s, self._clock.now
        if gap_s <= least / 2:
            self._delay_s = self._delay_s / 2 + least / 2
        elif gap_s < self._delay_s:
            self._delay_s = min(self._delay_s / 2 + gap_s, self._habit.long_gap_s)
        elif gap_s > self._habit.long_gap_s:
            self._quick = max(self._quick, self._habit.quick)

    def _delay(self) -> None:
        """Sets the alarm, or answers now where it would ring within a quarter of the delay."""
        delay_s = min(self._delay_s, self._habit.delay_s[1])
        if self._timer.left_s <= delay_s / 4:
            self._acknowledge()
        elif delay_s < self._timer.left_s:
            self._timer.set(delay_s)

    def _late(self) -> None:
        self._delay_s = min(self._delay_s * 2, self._habit.long_gap_s)
        self._acknowledge()

    def _acknowledge(self, *, counted: bool = True) -> None:
        if self._quick and counted:
            self._quick -= 1
            if not self._quick:
                self._delay_s = self._habit.delay_s[0]
        self._timer.stop()
        self._pushed = False
        self._told = self.next
        self._tell(self.next)

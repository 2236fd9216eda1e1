"""A server that measures the path's bandwidth and gives each segment its time, as draft-cardwell-iccrg-bbr describes
for its first version. Only what a path without loss shows: losses as such do not slow such a server down.
"""

from __future__ import annotations

import math
from collections import deque
from typing import NamedTuple

_HIGH_GAIN = 2.885  # 2 / ln 2: fills the pipe in as few rounds as doubling does
_CYCLE = (1.25, 0.75, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0)
_WINDOW_GAIN = 2.0
_MARGIN = 0.99  # of the bandwidth, so that no queue stays
_ROUNDS = 10  # the bandwidth is the largest of so many rounds
_FULL_ROUNDS, _FULL_GROWTH = 3, 1.25  # the pipe is full when so many rounds bring no such growth
_LEAST_SEGMENTS = 4
_SPARE_SEGMENTS = 3  # on top of bandwidth times round trip, for acknowledgements that come late
_ROUND_TRIP_HOLDS_S, _PROBE_S = 10.0, 0.2
_FREE_SEGMENTS = 10  # the first segments are not paced
_PAIRS_FROM_BYTES_S = 150_000  # from this pace on, segments go out two at a time

STARTUP, DRAIN, CRUISE, PROBE = "startup", "drain", "cruise", "probe"


class Stamp(NamedTuple):
    """What a segment remembers of the moment it was sent: delivered so far and when, the first of its flight."""

    delivered: int
    delivered_s: float
    first_sent_s: float


class Sample(NamedTuple):
    """What one acknowledgement tells. `delivered` segments newly, `newest` the segment sent last among them."""

    now_s: float
    delivered: int
    newest: tuple[Stamp, float] | None  # its stamp, when it was sent
    round_trip_s: float | None
    in_flight: int
    recovered: bool


class Pacing:
    """Bandwidth, round trip and from both the pace and the window, in segments. `next_s`: when the next may go."""

    def __init__(self, first_round_trip_s: float, window_segments: float, mss_bytes: int) -> None:
        self.window, self._mss = window_segments, mss_bytes
        self.next_s = -math.inf
        self._gap_s = first_round_trip_s / (_HIGH_GAIN * window_segments)
        self._round_trip_s, self._round_trip_at_s = first_round_trip_s, 0.0
        self._shortest_s = first_round_trip_s  # ever
        self._mode, self._full = STARTUP, False
        self._delivered, self._delivered_s, self._first_sent_s = 0, 0.0, 0.0
        self._rates: deque[tuple[int, float]] = deque()  # (round, segments a second), falling
        self._round = self._round_ends = 0
        self._largest, self._level_rounds = 0.0, 0
        self._phase, self._phase_s = 2, 0.0
        self._kept = window_segments
        self._probe_ends_s = math.inf
        self._sent = 0

    # ------------------------------------------------------------------------------------------- sending

    @property
    def together(self) -> int:
        """How many segments go out at a time."""
        return 2 if self._mss >= self._gap_s * _PAIRS_FROM_BYTES_S else 1

    def stamp(self, now_s: float, *, idle: bool) -> Stamp:
        """What a segment sent now must remember; `idle`: nothing else is in flight."""
        if idle:
            self._first_sent_s = self._delivered_s = now_s
        return Stamp(self._delivered, self._delivered_s, self._first_sent_s)

    def sent(self, now_s: float, share: float) -> None:
        """A segment went out, `share` of a full one. One that goes later than it might have is forgiven that, up to
        half of its gap, as servers in use do."""
        self._sent += 1
        gap_s = share * self._gap_s if self._sent >= _FREE_SEGMENTS else 0.0
        self.next_s = max(now_s, self.next_s) + gap_s - min(gap_s / 2, max(0.0, now_s - self.next_s))

    # ---------------------------------------------------------------------------------- acknowledgements

    def keep(self, *, again: bool) -> None:
        """Trouble begins: the window is kept for afterwards; `again`: in the midst of other trouble."""
        self._kept = max(self._kept, self.window) if again or self._mode == PROBE else self.window

    def timed_out(self) -> None:
        self.window, self._largest = 1.0, 0.0

    def undone(self) -> None:
        self._largest, self._level_rounds = 0.0, 0

    def acknowledged(self, sample: Sample) -> None:
        fresh_round = self._measure(sample)
        self._turn_phase(sample)
        if fresh_round and not self._full:
            self._look_whether_full()
        self._leave_startup(sample)
        self._measure_round_trip(sample)
        self._set_pace()
        self._set_window(sample)

    @property
    def _rate(self) -> float:
        return self._rates[0][1] if self._rates else 0.0

    def _measure(self, sample: Sample) -> bool:
        self._delivered += sample.delivered
        if sample.delivered:
            self._delivered_s = sample.now_s
        if sample.newest is None:
            return False
        stamp, sent_s = sample.newest
        self._first_sent_s = sent_s
        took_s = max(sent_s - stamp.first_sent_s, sample.now_s - stamp.delivered_s)
        if took_s < self._shortest_s or not took_s:
            return False
        fresh = stamp.delivered >= self._round_ends
        if fresh:
            self._round, self._round_ends = self._round + 1, self._delivered
        self._remember((self._delivered - stamp.delivered) / took_s)
        return fresh and stamp.delivered > 0  # what left before the first acknowledgement says nothing of a full pipe

    def _remember(self, rate: float) -> None:
        while self._rates and self._rates[-1][1] <= rate:
            self._rates.pop()
        self._rates.append((self._round, rate))
        while self._rates[0][0] <= self._round - _ROUNDS:
            self._rates.popleft()

    def _turn_phase(self, sample: Sample) -> None:
        if self._mode != CRUISE:
            return
        gain, long = _CYCLE[self._phase], sample.now_s - self._phase_s > self._round_trip_s
        over = long
        if gain > 1:
            over = long and sample.in_flight >= self._target(gain)
        elif gain < 1:
            over = long or sample.in_flight <= self._target(1.0)
        if over:
            self._phase, self._phase_s = (self._phase + 1) % len(_CYCLE), sample.now_s

    def _look_whether_full(self) -> None:
        if self._rate >= self._largest * _FULL_GROWTH:
            self._largest, self._level_rounds = self._rate, 0
            return
        self._level_rounds += 1
        self._full = self._level_rounds >= _FULL_ROUNDS

    def _leave_startup(self, sample: Sample) -> None:
        if self._mode == STARTUP and self._full:
            self._mode = DRAIN
        if self._mode == DRAIN and sample.in_flight <= self._target(1.0):
            self._cruise(sample.now_s)

    def _cruise(self, now_s: float) -> None:
        self._mode, self._phase, self._phase_s = CRUISE, 2, now_s

    def _measure_round_trip(self, sample: Sample) -> None:
        old = sample.now_s > self._round_trip_at_s + _ROUND_TRIP_HOLDS_S
        if sample.round_trip_s is not None and (old or sample.round_trip_s < self._round_trip_s):
            self._round_trip_s, self._round_trip_at_s = sample.round_trip_s, sample.now_s
        if old and self._mode != PROBE:
            self._mode, self._kept, self._probe_ends_s = PROBE, self.window, math.inf
        if self._mode != PROBE:
            return
        if self._probe_ends_s == math.inf and sample.in_flight <= _LEAST_SEGMENTS:
            self._probe_ends_s = sample.now_s + max(_PROBE_S, self._round_trip_s)
        elif sample.now_s > self._probe_ends_s:
            self._round_trip_at_s, self.window = sample.now_s, max(self.window, self._kept)
            self._mode = STARTUP
            if self._full:
                self._cruise(sample.now_s)

    def _set_pace(self) -> None:
        if not self._rate:
            return
        gain = {STARTUP: _HIGH_GAIN, DRAIN: 1 / _HIGH_GAIN, PROBE: 1.0, CRUISE: _CYCLE[self._phase]}[self._mode]
        gap_s = 1 / (self._rate * gain * _MARGIN)
        if self._full or gap_s < self._gap_s:
            self._gap_s = gap_s

    def _target(self, gain: float) -> int:
        whole = math.ceil(self._rate * self._round_trip_s * gain) + _SPARE_SEGMENTS * self.together
        return whole + whole % 2 + (2 if self._mode == CRUISE and self._phase == 0 else 0)

    def _set_window(self, sample: Sample) -> None:
        if sample.recovered:
            self.window = max(self.window, self._kept)
        if sample.delivered:
            target = self._target(_HIGH_GAIN if self._mode in (STARTUP, DRAIN) else _WINDOW_GAIN)
            if self._full:
                self.window = min(self.window + sample.delivered, target)
            elif self.window < target or self._delivered < _FREE_SEGMENTS:
                self.window += sample.delivered
            self.window = max(self.window, _LEAST_SEGMENTS)
        if self._mode == PROBE:
            self.window = min(self.window, _LEAST_SEGMENTS)

"""discprep's own server as the stepping sees it: it knows its line (`bound`), so that nothing is sent again needlessly.

Its timeout grows as a kernel's does. Its first round trip holds the request, as a connection counts as made when that
is there. A server with a TCP of its own that keeps to the same bound takes the same time.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

from discprep.link import bound
from discprep.link.bound import UnderWay
from discprep.link.events import Clock
from discprep.link.sender import RoundTrips, Segment
from discprep.link.tcp import REQUEST_BYTES, Path, first_round_trip_s


class OwnServer:
    """One connection's sending side, in the place of `sender.Sender`. `transmit` gets each segment as it goes out."""

    def __init__(self, clock: Clock, path: Path, window_bytes: float, transmit: Callable[[Segment], None]) -> None:
        self._clock, self._path, self._window, self._transmit = clock, path, window_bytes, transmit
        wire = path.encapsulation
        request_s = wire.growth * REQUEST_BYTES + (wire.segment_header + wire.frame_bytes)
        self._trips = RoundTrips(first_round_trip_s(path) + request_s / path.up_char_s)
        self._granted: deque[Segment] = deque()  # not acknowledged; the last of them may still wait for the window
        self._waiting: deque[Segment] = deque()
        self._acked = self._next = 0

    def push(self, *, urged: bool = False) -> None:
        """Sends what may go; it never waits to fill a segment, urged or not."""
        while sizes := self._sizes():
            for size in sizes:
                segment = Segment(self._next, self._next + size, self._clock.now, pushed=True)
                self._next += size
                self._granted.append(segment)
                self._waiting.append(segment)
            self._flush()

    def acknowledged(self, ack: int) -> None:
        """An acknowledgement of all bytes before `ack` comes in."""
        done: list[Segment] = []
        while self._granted and self._granted[0].end <= ack:
            done.append(self._granted.popleft())
        self._acked = max(self._acked, ack)
        if done:
            self._trips.measure(self._clock.now - done[0].sent_s, self._acked, self._next)
        self._flush()
        self.push()

    def _sizes(self) -> tuple[int, ...]:
        line_s = sum(self._path.packet_s(segment.end - segment.start) for segment in self._granted)
        under_way = UnderWay(len(self._granted), line_s)
        return bound.pieces(
            self._path, 2 * self._path.mss_bytes, under_way, self._trips.timeout_s, self._path.round_trip_s,
            began=self._acked > 0,
        )  # fmt: skip

    def _flush(self) -> None:
        """What the machine's window has room for goes out."""
        while self._waiting and self._waiting[0].end - self._acked <= self._window:
            segment = self._waiting.popleft()
            segment.sent_s = self._clock.now
            self._transmit(segment)

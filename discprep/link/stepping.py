"""One connection stepped through, segment by segment: for slow starts, small windows and needless retransmission,
which no closed form prices. The first few hundred segments are stepped through; what follows goes on as they ended.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass
from functools import lru_cache

from discprep.link.events import Clock, Line
from discprep.link.own_server import OwnServer
from discprep.link.receiver import AckHabit, Receiver
from discprep.link.sender import Segment, Sender, SenderHabit
from discprep.link.tcp import Path, answer_s, first_round_trip_s

STEPPED_SEGMENTS = 400
_WIDEST_SEGMENTS = 200  # a wider window changes nothing on a serial line
_MOST_EVENTS = 8000  # a hopeless line resends without end; an ordinary course takes some 1,500
_WITHOUT_END = 2**62


@dataclass(frozen=True, slots=True)
class Course:
    """How a connection goes, from the server's acknowledgement of the request on.

    Attributes:
        bytes_: in order at the machine, rising
        arrived_s: when so many had arrived
        resent_s: what the line had spent by then on bytes it carried before
        queued_s: what it still has to spend on such bytes
        byte_s: what one byte of the body takes on the line
    """

    bytes_: tuple[int, ...]
    arrived_s: tuple[float, ...]
    resent_s: tuple[float, ...]
    queued_s: tuple[float, ...]
    byte_s: float

    def elapsed_s(self, size_bytes: int) -> float:
        """When so many bytes are there [s]; a last segment that is not full arrives that much earlier."""
        beyond = max(0, self.bytes_[self._index(size_bytes)] - size_bytes)
        return self._read(self.arrived_s, size_bytes) - beyond * self.byte_s

    def again_s(self, size_bytes: int) -> float:
        """What the line spends on bytes it carried before, until so many are there [s]."""
        return self._read(self.resent_s, size_bytes)

    def behind_s(self, size_bytes: int) -> float:
        """What the line is still busy with when so many are there, so that nothing new gets through [s]."""
        return self.queued_s[self._index(size_bytes)]

    def _read(self, values: tuple[float, ...], size_bytes: int) -> float:
        if size_bytes > self.bytes_[-1]:
            middle = len(self.bytes_) // 2
            slope = (values[-1] - values[middle]) / max(1, self.bytes_[-1] - self.bytes_[middle])
            return values[-1] + slope * (size_bytes - self.bytes_[-1])
        return values[self._index(size_bytes)]

    def _index(self, size_bytes: int) -> int:
        return min(bisect_left(self.bytes_, size_bytes), len(self.bytes_) - 1)


@lru_cache(maxsize=256)
def course(path: Path, sender_habit: SenderHabit, ack_habit: AckHabit, head_bytes: int) -> Course:
    """Steps through a reply of `head_bytes` and a body without end, so that one course serves files of every size."""
    clock = Clock()
    half_s = path.round_trip_s / 2
    down, up = Line(clock, half_s, 0.0, path.buffer_packets), Line(clock, 0.0, half_s)
    window_bytes = min(path.window_bytes, _WIDEST_SEGMENTS * path.mss_bytes)
    behind, resent_s = 0, 0.0
    carried: set[int] = set()
    resent: list[float] = []
    queued: list[float] = []

    def transmit(segment: Segment) -> None:
        nonlocal behind, resent_s
        start, end, pushed = segment.start, segment.end, segment.pushed
        wire_s = path.packet_s(end - start, again=start < behind)
        spent_s = resent_s + (wire_s if start in carried else 0.0)
        if down.carry(wire_s, lambda: arrive(start, end, pushed, spent_s)):
            carried.add(start)
            behind, resent_s = end, spent_s

    def arrive(start: int, end: int, pushed: bool, spent_s: float) -> None:
        receiver.take(start, end, pushed=pushed)
        if len(receiver.arrivals) > len(resent):
            resent.append(spent_s)
            queued.append(resent_s - spent_s)

    def tell(ack: int) -> None:
        up.carry(path.ack_s, lambda: sender.acknowledged(ack))

    receiver = Receiver(clock, path.mss_bytes, window_bytes, ack_habit, tell)
    sender: Sender | OwnServer
    if sender_habit.own:
        sender = OwnServer(clock, path, window_bytes, transmit)
    else:
        sender = Sender(
            clock, path.mss_bytes, window_bytes, sender_habit, head_bytes=head_bytes, total_bytes=_WITHOUT_END,
            first_round_trip_s=first_round_trip_s(path), transmit=transmit,
        )  # fmt: skip
    down.carry(answer_s(path), lambda: None)
    sender.push(urged=True)
    arrivals = receiver.arrivals
    clock.run(lambda: len(arrivals) >= STEPPED_SEGMENTS or (len(arrivals) > 1 and clock.happened >= _MOST_EVENTS))
    times, ends = zip(*arrivals, strict=True)
    return Course(ends, times, tuple(resent), tuple(queued), path.encapsulation.data_growth / path.down_char_s)

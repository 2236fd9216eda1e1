"""One TCP connection that the machine opened (RFC 9293), as a state machine: segments and times in, segments out.

It knows that it stands at the line itself. Nothing is queued: a segment is made when the line pulls it, and its timer
starts when it has left. A line cannot reorder, so one duplicate acknowledgement means loss, where RFC 5681 3.2 waits
for three. There is no network in between that could be congested: the window and the line are the only bounds.

Positions in either stream are plain numbers that start at 0 with the SYN; on the wire they are taken modulo 2**32.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import Protocol

from discprep.peer.habit import MOST_S, Habit
from discprep.peer.segment import ACK, DEFAULT_MSS, FIN, PSH, RST, SYN, Segment

RECEIVE_WINDOW = 4096
MOST_IN_FLIGHT = 32_768  # bytes that are kept for sending again, however large a window is told
LEAST_MSS = 64  # RFC 9293 does not bound it; a smaller one is mistaken or mischief
_WHOLE_MSS_WINDOWS = 4  # from so many segments in the window on they are not cut to fit it
_OVERRIDE_S = 0.3  # RFC 1122 4.2.3.4: how long a part of a segment waits for a larger window
_SURELY = 0.8  # of the shortest time to an acknowledgement: what comes earlier is no answer to that departure
_MODULUS = 1 << 32


class Application(Protocol):
    """What talks over a connection: it never blocks."""

    def received(self, data: bytes) -> None:
        """The next bytes of the machine."""

    def pull(self, most_bytes: int) -> bytes:
        """The next bytes for the machine, as many as there are up to `most_bytes`; none while nothing is ready."""

    @property
    def finished(self) -> bool:
        """Nothing will come any more."""

    def ended(self) -> None:
        """The machine will send nothing any more."""

    def acknowledged(self, total_bytes: int) -> None:
        """So many bytes of all that were pulled have reached the machine."""

    def closed(self) -> None:
        """The connection is gone, in order or not."""


@dataclass(slots=True)
class Flight:
    """A segment that was sent and is not acknowledged. `left_at_s`: when its last byte will have left, or has."""

    start: int
    data: bytes
    flags: int = 0
    left_at_s: float = 0.0
    sends: int = 0
    resend: bool = False

    @property
    def end(self) -> int:
        return self.start + len(self.data) + bool(self.flags & SYN) + bool(self.flags & FIN)


@dataclass(slots=True)
class Counts:
    """What was sent, for the tests and the face."""

    segments: int = 0
    again: int = 0
    again_in_vain: int = 0


@dataclass(eq=False)
class Connection:
    """One connection. `take` what arrives, pull `next_segment` when the line has room, tell `departed`.

    Attributes:
        alive: False when it is over, in order or not
        heard_s: when the machine last said anything
    """

    port: int
    peer_port: int
    iss: int
    mss_here: int
    habit: Habit
    application: Application
    counts: Counts = field(default_factory=Counts)
    alive: bool = True
    established: bool = False
    lingering: bool = False  # both directions are over: only a repeated FIN may still come
    has_reset: bool = False  # one still waits for the line
    heard_s: float = 0.0
    _flight: deque[Flight] = field(default_factory=deque)
    _una: int = 0
    _next: int = 0
    _window: int = 0
    _largest_window: int = 0
    _mss: int = DEFAULT_MSS
    _irs: int = 0
    _received: int = 0
    _must_ack: bool = False
    _peer_ended: bool = False
    _fin_sent: bool = False
    _pending: bytes = b""
    _backoff: int = 1
    _progress_s: float = 0.0
    _until: int | None = None  # after a loss: what had been sent by then
    _judging: bool = False  # nothing new goes out until it is seen whether the machine kept what came behind the gap
    _echoes: int = 0  # duplicate acknowledgements that our own repeats may still bring
    _blocked_s: float | None = None  # since when the window holds back what is pending

    # ---- what arrives

    def open(self, syn: Segment, now: float) -> None:
        """The machine's SYN: its answer is the first segment in flight."""
        self._irs, self._received = syn.seq, 1
        self._window = self._largest_window = syn.window
        self._mss = min(max(LEAST_MSS, syn.mss or DEFAULT_MSS), self.mss_here)
        self.heard_s = self._progress_s = now
        self._flight.append(Flight(0, b"", SYN, now, resend=True))
        self._next = 1

    def take(self, segment: Segment, now: float) -> None:
        """One sound segment of this connection."""
        at = self._received + _signed(segment.seq - self._irs - self._received)
        if segment.flags & RST:
            if at == self._received:
                self._over()
            return
        self.heard_s = now
        if segment.flags & SYN:
            self._again_syn(at)
            return
        if not segment.flags & ACK:
            return
        ack = self._una + _signed(segment.ack - self.iss - self._una)
        if ack > self._next:
            self._must_ack = True  # RFC 9293 3.10.7.4: it acknowledges what was not sent
            return
        self._acknowledged(segment, ack, now)
        if self.alive and self.established:
            self._in_order(segment, at)
            self._end_if_over()

    def _again_syn(self, at: int) -> None:
        if at == 0 and not self.established:
            self._flight[0].resend = True  # our answer was lost
        else:
            self._must_ack = True  # RFC 5961 4.2

    def _acknowledged(self, segment: Segment, ack: int, now: float) -> None:
        if ack > self._una:
            self._advance(ack, now)
        elif ack == self._una and not segment.data and not segment.flags & FIN and segment.window == self._window:
            self._duplicate(now)
        if ack >= self._una:
            if segment.window > self._window:
                self._blocked_s = None
                if self._window == 0 and self._flight:  # what was tried against a closed window
                    self._flight[0].resend = True
                    self._until, self._judging = None, False
            self._window = segment.window
            self._largest_window = max(self._largest_window, segment.window)

    def _advance(self, ack: int, now: float) -> None:
        """New bytes have reached the machine."""
        gone = self._drop(ack)
        self._una, self._backoff, self._progress_s = ack, 1, now
        if gone and gone[-1].sends == 1:  # RFC 6298 3: no sample of what was sent twice
            full = sum(len(flight.data) >= self._size for flight in gone)
            self.habit.saw(now - gone[-1].left_at_s, full if self._until is None else 0)
        if not self.established:
            self.established = True
        self._recover(gone, now)
        fin_reached = self._fin_sent and ack == self._next
        self.application.acknowledged(ack - 1 - fin_reached)

    def _drop(self, ack: int) -> list[Flight]:
        gone = []
        while self._flight and self._flight[0].end <= ack:
            gone.append(self._flight.popleft())
        if self._flight and self._flight[0].start < ack:  # a part of it was taken
            first = self._flight[0]
            first.data, first.start = first.data[ack - first.start :], ack
        return gone

    def _recover(self, gone: list[Flight], now: float) -> None:
        """How it goes on after a loss. An acknowledgement that ends with what was sent again tells that the machine
        kept nothing behind the gap: all that had left before goes again. One beyond it tells of the next gap alone."""
        self._judging = False
        if self._until is None:
            return
        again = [flight for flight in gone if flight.sends > 1]
        in_vain = any(self._in_vain(now - flight.left_at_s) for flight in again)
        if in_vain:
            self.counts.again_in_vain += 1
            self.habit.was_late()
            self._echoes += sum(flight.sends - 1 for flight in again)
        unsent = gone and not again  # it came before we had sent anything again
        if self._una >= self._until or in_vain or unsent:
            self._until = None
            for flight in self._flight:
                flight.resend = False
        elif again:
            left_s, until = again[-1].left_at_s, self._until
            before = [flight for flight in self._flight if flight.left_at_s < left_s and flight.end <= until]
            for flight in before if gone[-1].sends > 1 else before[:1]:
                flight.resend = True

    def _in_vain(self, passed_s: float) -> bool:
        """Whether an acknowledgement is none of what was sent again so long ago: it comes too early, or, on a line
        that stood still, so late that the first one must have come through."""
        return passed_s < self.habit.shortest_s * _SURELY or passed_s > self.habit.timeout_s(prompt=False)

    def _duplicate(self, now: float) -> None:
        """The machine says again what it waits for: what stands there is lost, if anything behind it can have got
        there already."""
        if self._until is not None or len(self._flight) < 2:
            return
        if not any(f.left_at_s + self.habit.shortest_s * _SURELY <= now for f in list(self._flight)[1:]):
            return
        if self._echoes > 0:
            self._echoes -= 1
            return
        self._lost()

    def _lost(self) -> None:
        self._flight[0].resend = True
        self._until, self._judging = self._next, True

    def _in_order(self, segment: Segment, at: int) -> None:
        """Takes what comes next in the machine's stream; the rest it must send again."""
        data, fin = segment.data, bool(segment.flags & FIN)
        if not data and not fin:
            return
        self._must_ack = True
        skip = self._received - at
        if skip < 0 or self._peer_ended or skip > len(data):
            return
        fresh = data[skip : skip + RECEIVE_WINDOW]
        self._received += len(fresh)
        if fresh and not self._fin_sent:
            self.application.received(fresh)
        if fin and at + len(data) == self._received:
            self._received += 1
            self._peer_ended = True
            self.application.ended()

    def _end_if_over(self) -> None:
        if self._peer_ended and self._fin_sent and not self._flight and not self.lingering:
            self.lingering = True
            self.application.closed()

    # ---- what leaves

    @property
    def _size(self) -> int:
        """Bytes of a full segment: the MSS; in a small window such that whole segments fill it."""
        window = self._largest_window
        if not window or window >= _WHOLE_MSS_WINDOWS * self._mss:
            return self._mss
        return max(1, min(self._mss, window // max(2, -(-window // self._mss))))

    def next_segment(self, now: float) -> tuple[Segment, Flight | None] | None:
        """What the line should carry next, and what to tell `departed` of; None when there is nothing."""
        if self.has_reset:
            self.has_reset = False
            return self._segment(self._una, RST | ACK, b""), None
        if not self.alive:
            return None
        self._look_at_timer(now)
        flight = next((flight for flight in self._flight if flight.resend), None)
        if flight is None and self.established and not self._fin_sent and not self._judging:
            flight = self._fresh(now)
        if flight is not None:
            flight.resend = False
            return self._sent(flight), flight
        if self._must_ack:
            self._must_ack = False
            return self._segment(self._next, ACK, b""), None
        return None

    def departed(self, flight: Flight, left_at_s: float) -> None:
        """The line will have carried this segment's last byte at that time."""
        flight.left_at_s = left_at_s

    def _sent(self, flight: Flight) -> Segment:
        flight.sends += 1
        self.counts.segments += 1
        if flight.sends > 1:
            self.counts.again += 1
        self._must_ack = False
        if flight.flags & SYN:
            return self._segment(0, SYN | ACK, b"", mss=self.mss_here)
        pushed = PSH if flight.data and (flight.flags & FIN or not self._pending) else 0
        return self._segment(flight.start, ACK | pushed | flight.flags, flight.data)

    def _fresh(self, now: float) -> Flight | None:
        """A new segment, if the window lets one through."""
        size = self._size
        if len(self._pending) < size:
            self._pending += self.application.pull(size - len(self._pending))
        finished = self.application.finished
        if not self._pending and not finished:
            return None
        room = min(self._una + min(self._window, MOST_IN_FLIGHT) - self._next, MOST_IN_FLIGHT)
        take = min(len(self._pending), size)
        if room < take:
            take = self._part(room, now)
            if not take:
                return None
        data, self._pending = self._pending[:take], self._pending[take:]
        ends = finished and not self._pending
        flight = Flight(self._next, data, FIN if ends else 0)
        self._fin_sent = ends
        self._next = flight.end
        self._flight.append(flight)
        self._blocked_s = None
        return flight

    def _part(self, room: int, now: float) -> int:
        """How much of a segment goes into a window that is too small for it: nothing while acknowledgements are on
        their way; after a while what fits, and into a closed window one byte, again and again (RFC 9293 3.8.6.1)."""
        if self._flight:
            return 0
        if self._blocked_s is None:
            self._blocked_s = now
        if room > 0:
            return room if now >= self._blocked_s + _OVERRIDE_S else 0
        return 1 if now >= self._blocked_s + self.habit.timeout_s(prompt=False) else 0

    def _segment(self, start: int, flags: int, data: bytes, mss: int = 0) -> Segment:
        seq, ack = (self.iss + start) % _MODULUS, (self._irs + self._received) % _MODULUS
        return Segment(self.port, self.peer_port, seq, ack, flags, RECEIVE_WINDOW, data, mss)

    # ---- time

    @property
    def due_s(self) -> float | None:
        """When `next_segment` may have something to say without anything having arrived."""
        if not self.alive:
            return None
        if self._blocked_s is not None and not self._flight:
            closed = self._una + self._window <= self._next
            return self._blocked_s + (self.habit.timeout_s(prompt=False) if closed else _OVERRIDE_S)
        return self._deadline_s()

    def _deadline_s(self) -> float | None:
        """When the first segment in flight counts as lost: a while after so many have left that an acknowledgement
        must come at once, or the last one."""
        if not self._flight or any(flight.resend for flight in self._flight):
            return None
        stride = self.habit.stride
        known = self._flight[min(stride, len(self._flight)) - 1]
        since_s = max(known.left_at_s, self._progress_s, self._flight[0].left_at_s)
        prompt = len(self._flight) >= stride and self.established and self._backoff == 1
        return since_s + min(MOST_S, self.habit.timeout_s(prompt=prompt) * max(1, self._backoff // 2))

    def _look_at_timer(self, now: float) -> None:
        deadline_s = self._deadline_s()
        if deadline_s is None or now < deadline_s:
            return
        self._backoff = min(64, 2 * self._backoff)
        self._lost()

    def abort(self) -> None:
        """Ends it at once, with a reset for the machine."""
        if self.alive:
            self.has_reset = self.established
            self._over()

    @property
    def waits(self) -> bool:
        """Whether it is the machine's turn: nothing of ours is under way or to be sent."""
        return not self._flight and not self._pending

    def _over(self) -> None:
        self.alive = False
        self._flight.clear()
        if not self.lingering:
            self.application.closed()


def _signed(difference: int) -> int:
    """A difference of sequence numbers, nearest to zero (RFC 9293 3.4)."""
    difference %= _MODULUS
    return difference - _MODULUS if difference >= _MODULUS // 2 else difference

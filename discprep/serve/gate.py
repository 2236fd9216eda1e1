"""Whose bytes go onto the line next: the connections over one line take turns, and together they keep no more under
way than the line holds (`link.bound`).

A client is not on the line when its packets come back faster than the line could carry them: a modern computer that
looks at the page. It is neither counted nor slowed. Nothing else tells: behind a bridge that rewrites addresses, all
that this computer sees is the bridge's own.
"""

from __future__ import annotations

import socket
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace

from discprep.link import bound
from discprep.link.bound import UnderWay
from discprep.link.encapsulation import HEADER_BYTES, SYN_BYTES
from discprep.link.tcp import Path, answer_s
from discprep.link.transfer import Server
from discprep.serve.kernel import can_tell, told, unacknowledged

SERVER: Server = "own" if can_tell() else "other"
"""What `serve` is to whoever reckons times: no better than any where the system tells nothing of what is under way."""
FREE_BYTES = 16_384  # what a client that is not on the line gets at a time
_FASTER = 0.8  # of the least time that the line needs: who is faster is not on it
_LATE_S = 0.2  # how much later than told an acknowledgement is taken to come, at most, and until one was measured
_LOOK_S = (0.002, 0.02)  # how often the system is asked what was acknowledged, at least and at most
_NUDGE_S = 0.25  # how often one looks who is not the next
_GONE_S = 1.0  # beyond what line and round trip explain: what has not moved for so long is on no line


@dataclass(slots=True)
class Lot:
    """Pieces that went out together. `end`: all that was granted to the connection by then; `due`: when their
    acknowledgement should come by the clock; `alone`: nothing else was under way."""

    end: int
    packets: int
    line_s: float
    sent: float
    due: float
    alone: bool


@dataclass(eq=False, slots=True)
class Flow:
    """One connection's bytes: `granted` to it, `written` by it, `acknowledged`. Its own thread alone writes, and says
    so after the system has the bytes, so that none ever counts as acknowledged that is still to be written.
    `free`: not over the line; `stuck`: what it was given last is long overdue."""

    sock: socket.socket
    moved: float
    free: bool = False
    stuck: bool = False
    lots: deque[Lot] = field(default_factory=deque)
    granted: int = 0
    written: int = 0
    acknowledged: int = 0


def _sum(lots: Iterable[Lot]) -> tuple[int, float]:
    packets, line_s = 0, 0.0
    for lot in lots:
        packets, line_s = packets + lot.packets, line_s + lot.line_s
    return packets, line_s


class Gate:
    """The line's turns. Every method may be called from many threads.

    Args:
        path: the line as the manifest tells it
        clock: monotonic seconds
    """

    def __init__(self, path: Path, clock: Callable[[], float] = time.monotonic) -> None:
        self._path, self._clock = path, clock
        self._late_s: float | None = None  # measured, the least
        self._clear_at = 0.0  # when all that was granted has left the line, by the clock
        self._flows: list[Flow] = []
        self._waiting: list[Flow] = []
        self._turns = threading.Condition()
        self._look_s = min(_LOOK_S[1], max(_LOOK_S[0], path.segment_wire_s / 40))

    @property
    def most_packets(self) -> int:
        """Full packets that are under way at most."""
        return bound.depth_packets(self._path, self.round_trip_s)

    @property
    def blind_bytes(self) -> int:
        """The send buffer where the system tells nothing of what is under way."""
        return bound.blind_bytes(self._path)

    @property
    def segment_bytes(self) -> int:
        """The longest segment that the line's packets hold."""
        return self._path.mss_bytes

    @property
    def round_trip_s(self) -> float:
        """Of the network without the line, and of the machine's patience before it acknowledges two segments: as told,
        and as much longer as acknowledgements came late."""
        return self._path.round_trip_s + (_LATE_S if self._late_s is None else self._late_s)

    def join(self, sock: socket.socket, handshake_s: float) -> Flow:
        """A connection's flow, from its first request on. `handshake_s`: what the system measured until then; 0 is
        nothing, the first bytes tell then."""
        wire = self._path.encapsulation
        syn_s = wire.control_bytes(SYN_BYTES - HEADER_BYTES) / self._path.down_char_s
        least_s = syn_s + wire.control_bytes() / self._path.up_char_s
        now = self._clock()
        flow = Flow(sock, now, free=0 < handshake_s < _FASTER * least_s)
        with self._turns:
            self._flows.append(flow)
            if not flow.free:
                self._occupy(now, answer_s(self._path))
        return flow

    def leave(self, flow: Flow) -> None:
        """The connection is over: nothing of it is on the line any more."""
        with self._turns:
            self._flows.remove(flow)
            if flow in self._waiting:
                self._waiting.remove(flow)
            self._turns.notify_all()

    def turn(self, flow: Flow, left_bytes: int, patience_s: float) -> tuple[int, ...]:
        """The sizes of the pieces that the flow may hand to the system now; none when its turn did not come in time.
        Who asks again has kept its place."""
        if flow.free:
            return (min(left_bytes, FREE_BYTES),)
        limit = self._clock() + patience_s
        with self._turns:
            if flow not in self._waiting:
                self._waiting.append(flow)
            while True:
                first = self._waiting[0] is flow
                sizes = self._sizes(flow, left_bytes) if first else ()
                if sizes:
                    self._waiting.remove(flow)
                    self._turns.notify_all()
                    return sizes
                if flow.stuck and first:
                    self._waiting.sort(key=lambda one: one.stuck)  # behind those that move, in the same order
                    if self._waiting[0] is not flow:
                        self._turns.notify_all()
                left_s = limit - self._clock()
                if left_s <= 0:
                    return ()
                self._turns.wait(min(left_s, self._look_s if self._waiting[0] is flow else _NUDGE_S))

    # ---- what is on the line

    def _sizes(self, flow: Flow, left_bytes: int) -> tuple[int, ...]:
        now = self._clock()
        for one in self._flows:
            self._settle(one, now)
        if flow.free:
            return (min(left_bytes, FREE_BYTES),)
        system = told(flow.sock)
        if flow.stuck or system is None:
            return ()
        path = replace(self._path, mss_bytes=min(self._path.mss_bytes, system.segment_bytes))
        others = [lot for one in self._flows if one is not flow for lot in one.lots]
        packets, line_s = _sum(others)
        under_way = UnderWay(*_sum(flow.lots), packets, min(line_s, max(0.0, self._clear_at - now)))
        sizes = bound.pieces(
            path, left_bytes, under_way, system.timeout_s, self.round_trip_s, began=flow.acknowledged > 0
        )
        if sizes:
            flow.granted += sum(sizes)
            line_s = sum(map(path.packet_s, sizes))
            due = self._occupy(now, line_s) + self._path.round_trip_s / 2 + path.ack_s
            alone = not (under_way.own_packets or under_way.other_packets)
            flow.lots.append(Lot(flow.granted, len(sizes), line_s, now, due, alone))
            flow.moved = flow.moved if under_way.own_packets else now
        return sizes

    def _occupy(self, now: float, line_s: float) -> float:
        """Takes the line for so long. Returns when it is clear again by the clock."""
        self._clear_at = max(self._clear_at, now + self._path.round_trip_s / 2) + line_s
        return self._clear_at

    def _settle(self, flow: Flow, now: float) -> None:
        """Takes what was acknowledged off the line, and what can no longer be on it."""
        if not flow.lots and not flow.stuck:
            return
        acknowledged = flow.written - unacknowledged(flow.sock)
        if acknowledged > flow.acknowledged:
            flow.acknowledged, flow.moved, flow.stuck = acknowledged, now, False
        while flow.lots and flow.lots[0].end <= acknowledged:
            lot = flow.lots.popleft()
            flow.free = flow.free or now - lot.sent < _FASTER * lot.line_s
            if lot.alone and not flow.free:
                late_s = min(_LATE_S, max(0.0, now - lot.due - self._look_s))
                self._late_s = late_s if self._late_s is None else min(late_s, self._late_s)
        overdue_s = (self.most_packets + 2) * self._path.pace_s + self.round_trip_s + self._path.ack_s + _GONE_S
        if flow.lots and now - flow.moved > overdue_s:
            flow.lots.clear()
            flow.stuck = True

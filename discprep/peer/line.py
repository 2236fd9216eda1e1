"""Our end of the line: a carrier, a host, and an account of when the line is idle.

The next packet is made when the line is within a moment of idle, never earlier: what is not made yet need not be sent
again when something is lost, and goes out with the newest acknowledgement.
"""

from __future__ import annotations

import math

from discprep.peer.carrier import Carrier
from discprep.peer.host import Host

AHEAD_S = 0.03  # how much the line may hold beyond what it carries just now: what a program needs to wake up in time
_MOST_AHEAD_S = 0.25  # the same on a computer that lets a program wait for its turn
_FORGETS = 0.02  # of what was learnt about that, each time it wakes up in time


class Line:
    """Bytes in, bytes out when they are due.

    Args:
        char_s: characters a second that the line carries
    """

    def __init__(self, carrier: Carrier, host: Host, char_s: float, now: float) -> None:
        self.carrier, self.host = carrier, host
        self._char_s = char_s
        self._idle_at_s = self._ask_at_s = now
        self._ahead_s = AHEAD_S
        self.sent_bytes = 0
        self.received_bytes = 0
        carrier.start(now)

    def receive(self, data: bytes, now: float) -> None:
        """Bytes from the machine."""
        self.received_bytes += len(data)
        for packet in self.carrier.feed(data, now):
            self.host.receive(packet, now)

    def next_bytes(self, now: float) -> bytes:
        """What is to be handed to the line now; empty while it has enough, or nothing is to be said."""
        if self._has_enough(now):
            return b""
        self.carrier.tick(now)
        wire, departed = self.carrier.control(), None
        if wire is None and self.carrier.ready:
            self.host.mtu_bytes = self.carrier.mtu_bytes
            made = self.host.next_packet(now)
            if made is not None:
                packet, departed = made
                wire = self.carrier.wrap(packet)
        if wire is None:
            return b""
        self.sent_bytes += len(wire)
        self._idle_at_s = max(self._idle_at_s, now) + len(wire) / self._char_s
        if departed is not None:
            departed(self._idle_at_s)
        return wire

    def _has_enough(self, now: float) -> bool:
        """Whether the line carries on by itself for a while; who asks late finds it holding more the next time. What it
        holds is not sent again for that: a segment's timer starts when it has left."""
        if now >= self._ask_at_s:
            late_s, less_s = now - self._ask_at_s, (1 - _FORGETS) * self._ahead_s
            self._ahead_s = min(max(AHEAD_S, less_s, 2 * late_s), _MOST_AHEAD_S)
        ask_at_s = self._idle_at_s - self._ahead_s
        busy = now < ask_at_s
        self._ask_at_s = ask_at_s if busy else math.inf
        return busy

    def held_up(self, queued_bytes: int, now: float) -> None:
        """The port still holds so many bytes: the line is slower than told, or the machine holds it back."""
        self._idle_at_s = max(self._idle_at_s, now + queued_bytes / self._char_s)
        self._ask_at_s = math.inf

    def due_s(self, now: float) -> float | None:
        """When to ask for `next_bytes` again if nothing arrives before; None: not at all."""
        busy_until_s = self._idle_at_s - self._ahead_s
        if busy_until_s > now:
            return busy_until_s
        times = [time for time in (self.carrier.due_s, self.host.due_s) if time is not None]
        return min(times, default=None)

"""Events in the order of their time: a clock, an alarm, and a line that carries one thing after another."""

from __future__ import annotations

import heapq
import math
from collections import deque
from collections.abc import Callable

Event = Callable[[], None]


class Clock:
    """Runs events at their time. `now` is in seconds from the start, `happened` counts events."""

    def __init__(self) -> None:
        self.now = 0.0
        self.happened = 0
        self._events: list[tuple[float, int, Event]] = []
        self._count = 0

    def at(self, when_s: float, event: Event) -> None:
        """Runs `event` at this time, after whatever was put in for it before."""
        self._count += 1
        heapq.heappush(self._events, (max(when_s, self.now), self._count, event))

    def run(self, until: Callable[[], bool]) -> None:
        """Runs until the condition holds or nothing is left to happen."""
        while self._events and not until():
            self.now, _, event = heapq.heappop(self._events)
            self.happened += 1
            event()


class Timer:
    """One alarm that can be set anew; setting it forgets the time before. An event that comes too early sets the next
    one, so that an alarm put off again and again costs little."""

    def __init__(self, clock: Clock, event: Event) -> None:
        self._clock, self._event = clock, event
        self._due = self._next_look = math.inf

    @property
    def left_s(self) -> float:
        """How long until it rings; without end when it is not set."""
        return self._due - self._clock.now

    def set(self, delay_s: float) -> None:
        self._due = self._clock.now + delay_s
        self._look_at(self._due)

    def stop(self) -> None:
        self._due = math.inf

    def _look_at(self, when_s: float) -> None:
        if when_s < self._next_look:
            self._next_look = when_s
            self._clock.at(when_s, self._look)

    def _look(self) -> None:
        if self._clock.now < self._next_look:
            return  # an alarm of old
        self._next_look = math.inf
        if self._clock.now >= self._due:
            self.stop()
            self._event()
        elif self._due != math.inf:
            self._look_at(self._due)


class Line:
    """One direction: a queue, a clock, and the network before or after it. `room`: what it holds at a time, the thing
    on the wire among them; 0 for any number."""

    def __init__(self, clock: Clock, before_s: float, after_s: float, room: int = 0) -> None:
        self._clock, self._before_s, self._after_s = clock, before_s, after_s
        self._free_s = 0.0
        self._room = room
        self._leave_s: deque[float] = deque(maxlen=room)  # when the last so many leave

    def carry(self, wire_s: float, event: Event) -> bool:
        """Lets `event` happen when so much time on the wire has been served, after all that waits before it. False
        when there is no room: it is dropped, and nothing happens."""
        there_s = self._clock.now + self._before_s
        if self._room and len(self._leave_s) == self._room and self._leave_s[0] > there_s:
            return False
        self._free_s = max(self._free_s, there_s) + wire_s
        self._leave_s.append(self._free_s)
        self._clock.at(self._free_s + self._after_s, event)
        return True

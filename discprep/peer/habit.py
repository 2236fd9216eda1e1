"""What is known of the machine's way to acknowledge: how long it takes, and how many segments it lets come together.

A timer starts when a segment has left, so that only the machine and the line are in it, no queue.
"""

from __future__ import annotations

from collections import deque

FIRST_S = 1.5  # before anything is known
CAREFUL_S = 1.0  # RFC 6298 2.4; where an acknowledgement may wait for company (RFC 1122 4.2.3.2: up to half a second)
PROMPT_S = 0.12  # where it may not wait: enough segments are there (at least every second one must be acknowledged)
MOST_S = 60.0
_STRIDE = 4  # segments that are taken to come together before any acknowledgement was seen
_REMEMBERED = 8


class Habit:
    """Learned from each acknowledgement, shared by all connections of one line.

    Attributes:
        shortest_s: the shortest time that was seen from a departure to its acknowledgement
    """

    def __init__(self) -> None:
        self._smoothed_s = 0.0
        self._deviation_s = 0.0
        self._known = False
        self._strides: deque[int] = deque(maxlen=_REMEMBERED)
        self._prompt_s = PROMPT_S
        self.shortest_s = 0.0

    @property
    def stride(self) -> int:
        """So many segments bring an acknowledgement at once."""
        seen = max(self._strides, default=_STRIDE)
        if len(self._strides) == _REMEMBERED:
            return seen
        return max(2, seen) if len(self._strides) >= 4 else max(_STRIDE, seen)

    def timeout_s(self, *, prompt: bool) -> float:
        """How long after its departure a segment is taken as lost (RFC 6298 2, with the floors above)."""
        if not self._known:
            return FIRST_S
        floor_s = self._prompt_s if prompt else CAREFUL_S
        return min(MOST_S, self._smoothed_s + max(floor_s, 4 * self._deviation_s))

    def saw(self, passed_s: float, segments: int) -> None:
        """An acknowledgement of so many full segments came so long after the departure of the last of them."""
        passed_s = max(0.0, passed_s)
        if segments:
            self._strides.append(segments)
        if not self._known:
            self._known = True
            self._smoothed_s, self._deviation_s, self.shortest_s = passed_s, passed_s / 2, passed_s
            return
        self._deviation_s += (abs(self._smoothed_s - passed_s) - self._deviation_s) / 4
        self._smoothed_s += (passed_s - self._smoothed_s) / 8
        self.shortest_s = min(self.shortest_s, passed_s)

    def was_late(self) -> None:
        """A segment was sent again in vain: the machine takes its time now and then, so it gets more from here on."""
        self._prompt_s = min(4.0, 3 * self._prompt_s)

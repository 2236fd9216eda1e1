"""A port as the wire of a block protocol: a byte at a time, and writing that takes the time of the line."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable

from discprep.peer.blocks import CANCEL, Failed
from discprep.peer.port import Port

_HELD_S = 60.0  # the other side may hold the line back for so long
_STEP_S = 0.02
_LEAVE_S = 0.5


class PortWire:
    """Bytes of a port.

    Args:
        char_s: characters a second that the line carries
    """

    def __init__(self, port: Port, char_s: float, clock: Callable[[], float] = time.monotonic) -> None:
        self._port, self._char_s, self._clock = port, char_s, clock
        self._in = bytearray()

    def byte(self, wait_s: float) -> int | None:
        until = self._clock() + wait_s
        while not self._in:
            left_s = until - self._clock()
            if left_s <= 0:
                return None
            self._in += self._port.read(left_s)
        return self._in.pop(0)

    def write(self, data: bytes) -> None:
        carried_s = self._clock() + len(data) / self._char_s
        until = carried_s + _HELD_S
        while True:
            data = data[self._port.write(data) :] if data else data
            left_s = max(carried_s - self._clock(), self._port.queued_bytes / self._char_s)
            if not data and left_s <= 0:
                return
            if self._clock() > until:
                raise Failed("the other side holds the line back: look at the flow control of both ends")
            time.sleep(_STEP_S if data else min(left_s, _STEP_S))

    def leave(self) -> None:
        """Tells the other side that nothing will come any more, as far as the port takes it at once, and gives the line
        the time for it."""
        with contextlib.suppress(OSError):
            taken = self._port.write(CANCEL)
            time.sleep(min(_LEAVE_S, max(_LEAVE_S / 2, 2 * taken / self._char_s)))

    def forget(self) -> None:
        self._in.clear()
        self._port.read(0)

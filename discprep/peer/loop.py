"""Runs a line over a port until told to stop. The only clock of the far end is here."""

from __future__ import annotations

import contextlib
import os
import socket
import time
from collections.abc import Callable

from discprep.peer.line import Line
from discprep.peer.port import Port

LOOK_S = 0.2  # how often it is looked whether to stop
_GOOD_BYE_S = 0.5
_POSIX = os.name == "posix"


class Waker:
    """Lets another thread end the loop's wait: an answer is ready."""

    def __init__(self) -> None:
        self._read, self._write = socket.socketpair()
        self._read.setblocking(False)
        self._write.setblocking(False)

    @property
    def fd(self) -> int:
        return self._read.fileno()

    def wake(self) -> None:
        """From any thread."""
        with contextlib.suppress(OSError):
            self._write.send(b"x")

    def close(self) -> None:
        self._read.close()
        self._write.close()


def run(
    line: Line, port: Port, stop: Callable[[], bool], *, waker: Waker | None = None,
    heard: Callable[[bytes], None] = lambda data: None, clock: Callable[[], float] = time.monotonic,
) -> None:  # fmt: skip
    """Carries bytes both ways until `stop` says so.

    Raises:
        OSError: the port is gone
    """
    waiting = b""
    while not stop():
        now = clock()
        waiting = waiting or line.next_bytes(now)
        while waiting:
            taken = port.write(waiting)
            waiting = waiting[taken:]
            if waiting:
                break
            waiting = line.next_bytes(clock())
        if waiting:
            line.held_up(len(waiting) + port.queued_bytes, clock())
        data = port.read(_wait_s(line, clock(), blocked=bool(waiting)), waker.fd if waker else None)
        if data:
            heard(data)
            line.receive(data, clock())


def _wait_s(line: Line, now: float, *, blocked: bool) -> float:
    if blocked:
        return 0.02
    due_s = line.due_s(now)
    most_s = LOOK_S if _POSIX else 0.02
    return most_s if due_s is None else min(most_s, max(0.0, due_s - now))


def say_good_bye(line: Line, port: Port, clock: Callable[[], float] = time.monotonic) -> None:
    """Resets what is open and, with PPP, takes leave, for half a second at most."""
    line.host.abort()
    line.carrier.stop(clock())
    until = clock() + _GOOD_BYE_S
    with contextlib.suppress(OSError):
        run(line, port, lambda: clock() > until, clock=clock)

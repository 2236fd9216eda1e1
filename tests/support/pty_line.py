"""A serial cable between two programs: each reads from a pseudo-terminal that the line's clock feeds byte by byte.

What they write goes into pipes: a terminal would lose the last reply of a program that empties it as it ends.
"""

import contextlib
import heapq
import os
import select
import subprocess
import time
from dataclasses import dataclass
from pathlib import Path

import pytest

from support.queued import queued_s

fcntl, pty, tty = map(pytest.importorskip, ("fcntl", "pty", "tty"))

_PIECE_BYTES = 16  # what crosses at once: 4 ms at 38,400
_WAITING_BYTES = 64  # more than this is not taken from the sender, as its FIFO is full


@dataclass
class Crossing:
    """What crossed: seconds from the sender's first byte to the last byte either way, bytes of the sender. `queued_s`:
    how long the programs and the line were ready and had no core."""

    elapsed_s: float
    sent_bytes: int
    queued_s: float


class _Way:
    def __init__(self, source: int, target: int, char_s: float, latency_s: float) -> None:
        self.source, self.target, self.char_s, self.latency_s = source, target, char_s, latency_s
        self.free_at = 0.0
        self.waiting = 0
        self.bytes = 0
        self.ended = False
        self.first_at = self.last_at = 0.0


def cross(
    sender: list[str], receiver: list[str], folder: Path, rate: int, *, bits: int = 10, latency_s: float = 0.0,
    timeout_s: float = 120.0,
) -> Crossing:  # fmt: skip
    """Runs both programs, each on its terminal, with the line between them."""
    terminals = [pty.openpty() for _ in range(2)]
    for _, slave in terminals:
        tty.setraw(slave)
    programs = [
        subprocess.Popen(
            words, cwd=folder / place, stdin=slave, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
        )
        for words, place, (_, slave) in zip((sender, receiver), ("from", "to"), terminals, strict=True)
    ]
    outputs = [program.stdout.fileno() for program in programs]
    for output in outputs:
        fcntl.fcntl(output, fcntl.F_SETPIPE_SZ, 4096)
    down = _Way(outputs[0], terminals[1][0], rate / bits, latency_s)
    up = _Way(outputs[1], terminals[0][0], rate / bits, latency_s)
    before_s = queued_s()
    try:
        _carry(down, up, programs, time.monotonic() + timeout_s)
        waited_s = queued_s() - before_s + sum(queued_s(program.pid) for program in programs)
    finally:
        for program in programs:
            program.kill()
            program.wait()
            program.stdout.close()
        for terminal in terminals:
            os.close(terminal[0])
            os.close(terminal[1])
    return Crossing(max(down.last_at, up.last_at) - down.first_at, down.bytes, waited_s)


def _carry(down: _Way, up: _Way, programs: list[subprocess.Popen], until: float) -> None:
    due: list[tuple[float, int, _Way, bytes]] = []
    count = 0
    while not all(map(_ended, programs)) or due:
        now = time.monotonic()
        assert now < until, "the transfer did not end in time"
        while due and due[0][0] <= now:
            _, _, way, piece = heapq.heappop(due)
            way.waiting -= len(piece)
            way.last_at = now
            _write(way.target, piece)
        ready = [way.source for way in (down, up) if way.waiting < _WAITING_BYTES and not way.ended]
        wait = min(0.05, max(0.0, due[0][0] - time.monotonic())) if due else 0.05
        for source in select.select(ready, [], [], wait)[0]:
            way = down if source == down.source else up
            piece = os.read(source, _PIECE_BYTES)
            if not piece:
                way.ended = True
                continue
            now = time.monotonic()
            way.first_at = way.first_at or now
            way.bytes += len(piece)
            way.waiting += len(piece)
            way.free_at = max(way.free_at, now) + len(piece) / way.char_s
            count += 1
            heapq.heappush(due, (way.free_at + way.latency_s, count, way, piece))


def _ended(program: subprocess.Popen) -> bool:
    """Left as it is, so that the kernel still tells of it."""
    return os.waitid(os.P_PID, program.pid, os.WEXITED | os.WNOHANG | os.WNOWAIT) is not None


def _write(target: int, piece: bytes) -> None:
    with contextlib.suppress(OSError):  # the program on the other terminal has ended
        os.write(target, piece)

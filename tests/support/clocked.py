"""A serial line between two pseudo-terminals, clocked byte by byte in a process of its own.

`Cable` starts it and names the two ends. A terminal takes what it is given at any speed; here each byte takes its time,
and the sender's side holds what a driver would.
"""

import contextlib
import heapq
import json
import os
import random
import select
import subprocess
import sys
import tempfile
import time

if sys.platform == "win32":
    import pytest

    pytest.skip("pseudo-terminals are POSIX's", allow_module_level=True)
import pty
import tty

_WAITING_BYTES = 64  # more is not taken from a sender: its FIFO is full


class Cable:
    """Two ends of a line: `ours` and `theirs` name terminals. `error_rate`: of bytes, both ways; `stall_s`: (from, to)
    seconds after the first byte in which nothing crosses. `their_pipe` may be written instead of their terminal, by a
    program that empties its terminal as it ends: its last reply would be lost."""

    def __init__(
        self, rate: int, *, bits: int = 10, error_rate: float = 0.0, seed: int = 1,
        stall_s: tuple[float, float] = (0.0, 0.0),
    ) -> None:  # fmt: skip
        words = [sys.executable, __file__, str(rate / bits), str(error_rate), str(seed), *map(str, stall_s)]
        self._process = subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        self.ours, self.theirs, self.their_pipe = json.loads(self._process.stdout.readline())

    def close(self) -> tuple[int, int]:
        """Takes it away. Returns the bytes that crossed from us and to us."""
        out, _ = self._process.communicate("end\n", timeout=120)
        down, up = json.loads(out)
        return down, up

    def __enter__(self) -> "Cable":
        return self

    def __exit__(self, *_: object) -> None:
        if self._process.poll() is None:
            self.close()


class _Way:
    def __init__(self, source: int, target: int) -> None:
        self.source, self.target = source, target
        self.free_at = 0.0
        self.waiting = self.bytes = 0


def carry(
    ends: tuple[int, int], pipe: int, char_s: float, error_rate: float, seed: int, stall: tuple[float, float]
) -> list[int]:
    """Until standard input says something."""
    rng = random.Random(seed)
    down, up = _Way(ends[0], ends[1]), _Way(ends[1], ends[0])
    piped = _Way(pipe, ends[0])
    ways = {ends[0]: down, ends[1]: up, pipe: piped}
    piece_bytes = max(1, min(32, int(char_s * 0.002)))
    due: list[tuple[float, int, _Way, bytes]] = []
    count, first_at = 0, None
    while True:
        now = time.monotonic()
        while due and due[0][0] <= now:
            _, _, way, piece = heapq.heappop(due)
            way.waiting -= len(piece)
            with contextlib.suppress(BlockingIOError):  # nobody reads: a real port loses it too
                os.write(way.target, piece)
        ready = [way.source for way in ways.values() if way.waiting < _WAITING_BYTES]
        wait = max(0.0, min(0.5, due[0][0] - time.monotonic())) if due else 0.5
        for source in select.select([*ready, 0], [], [], wait)[0]:
            if source == 0:
                return [down.bytes, up.bytes + piped.bytes]
            way = ways[source]
            piece = os.read(source, piece_bytes)
            now = time.monotonic()
            first_at = first_at or now
            way.bytes += len(piece)
            way.waiting += len(piece)
            way.free_at = max(way.free_at, now) + len(piece) / char_s
            if stall[0] <= way.free_at - first_at < stall[1]:
                way.free_at = first_at + stall[1]
            if error_rate:
                piece = bytes(b ^ rng.randrange(1, 256) if rng.random() < error_rate else b for b in piece)
            count += 1
            heapq.heappush(due, (way.free_at, count, way, piece))


def main() -> None:
    char_s, error_rate, seed, *stall = sys.argv[1:]
    pairs = [pty.openpty() for _ in range(2)]
    for master, slave in pairs:  # both stay open, so that no end of them reads as gone
        tty.setraw(slave)
        os.set_blocking(master, False)
    ends = (pairs[0][0], pairs[1][0])
    with tempfile.TemporaryDirectory(prefix="cable-") as folder:
        path = f"{folder}/pipe"
        os.mkfifo(path)
        pipe = os.open(path, os.O_RDWR)  # never ends
        print(json.dumps([*(os.ttyname(slave) for _, slave in pairs), path]), flush=True)
        stall_s = (float(stall[0]), float(stall[1]))
        print(json.dumps(carry(ends, pipe, float(char_s), float(error_rate), int(seed), stall_s)), flush=True)


if __name__ == "__main__":
    main()

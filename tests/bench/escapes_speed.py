"""How fast escapes are counted: 100 MB, beside hashing the same bytes in the same run.

    python tests/bench/escapes_speed.py
"""

import hashlib
import os
import time
from collections.abc import Callable

from discprep.link.escapes import EscapeCounter

CHUNK, COUNT = 1 << 20, 96


def timed(work: Callable[[bytes], object], chunks: list[bytes]) -> float:
    started = time.perf_counter()
    for chunk in chunks:
        work(chunk)
    return time.perf_counter() - started


def main() -> None:
    for name, chunk in (("random", os.urandom(CHUNK)), ("zeros", bytes(CHUNK)), ("END", b"\xc0" * CHUNK)):
        chunks = [chunk] * COUNT
        counting = min(timed(EscapeCounter().update, chunks) for _ in range(3))
        hashing = min(timed(hashlib.sha256().update, chunks) for _ in range(3))
        print(f"{name:7} {COUNT * CHUNK / 1e6:.0f} MB: count {counting:.3f} s, SHA-256 {hashing:.3f} s, "
              f"ratio {counting / hashing:.2f}")  # fmt: skip


if __name__ == "__main__":
    main()

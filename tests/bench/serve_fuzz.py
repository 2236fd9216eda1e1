"""10,000 malformed requests over real sockets against a running shelf, from a fixed seed.

    python tests/bench/serve_fuzz.py [COUNT] [SEED]

Prints what came back, whether any file's bytes leaked to a request that did not name it, threads and memory after it.
"""

import random
import resource
import sys
import tempfile
import threading
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from support.clients import TRAVERSALS, malformed, reading_room, serving, wait_until

from discprep.serve.server import Bounds

NAMED = (b"tools", b"maps", b"guide", b"empty")


def request(rng: random.Random) -> bytes:
    """Half are damaged requests, half ask for a place outside in one of the traversals' spellings."""
    if rng.random() < 0.5:
        return malformed(rng)
    path = "/".join(rng.choices(TRAVERSALS, k=rng.randint(1, 3)))
    ending = rng.choice(["\r\n", " HTTP/1.0\r\n\r\n", " HTTP/1.1\r\nHost: x\r\n\r\n", "\r\nRange: bytes=0-\r\n\r\n"])
    return f"{rng.choice(['GET', 'HEAD', 'get', 'POST'])} /{path}{ending}".encode()


def main(count: int = 10_000, seed: int = 1) -> int:
    rng = random.Random(seed)
    outcomes: Counter[str] = Counter()
    leaks = 0
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "etc").mkdir()
        (Path(folder) / "etc" / "passwd").write_bytes(b"a file beside the shelf")
        with serving(reading_room(Path(folder)), Bounds(idle_s=0.5, head_s=0.5)) as run:
            run.ask("/")
            before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
            for _ in range(count):
                data = request(rng)
                reply = run.raw(data, half_close=rng.random() < 0.9)
                bare = "bytes without a head" if reply else "nothing"
                outcomes[reply[9:12].decode("latin-1") if reply.startswith(b"HTTP/") else bare] += 1
                named = any(name in data.lower() for name in NAMED)
                leaks += b"a file beside" in reply or (not named and b"Reading room\r\n" in reply)
            after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
            wait_until(lambda: run.server.connections == 0)
            whole = run.ask("/TOOLS.LHA")[0]
            print(f"{count} requests, seed {seed}: {dict(outcomes.most_common())}")
            print(f"leaks: {leaks}; a whole file afterwards: {whole}; threads: {threading.active_count()}")
            print(f"peak memory: {before} KiB before, {after} KiB after")
    return int(leaks > 0 or whole != 200)


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:])))

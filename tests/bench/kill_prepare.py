"""`prepare` killed at 300 seeded moments, each time run again to its end. Run by hand; prints what it saw.

python tests/bench/kill_prepare.py [KILLS] [SEED]
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from random import Random

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from support.fault_server import FaultServer
from support.killing import Harness

IN_A_ROW = 5


def main(kills: int = 300, seed: int = 8) -> None:
    random = Random(seed)
    with tempfile.TemporaryDirectory() as folder, FaultServer() as server:
        harness = Harness(Path(folder), server)
        whole_s = harness.whole()
        wanted = harness.images()
        print(f"a whole run takes {whole_s:.2f} s; {kills} kills, seed {seed}")
        struck = rounds = twice = 0
        while struck < kills:
            struck += harness.round(random, whole_s, IN_A_ROW, wanted)
            rounds += 1
            twice += harness.sent_twice()
            print(f"\r{struck} kills struck, {rounds} runs went on to the same image", end="", flush=True)
        print(f"\nevery run ended well; {twice:,} bytes were sent twice, of {rounds * sum(harness.sizes.values()):,}")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))

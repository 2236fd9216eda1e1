"""The main job at every single change it makes to the disk: refused there with each error code in turn, and killed
there, in the middle of the write. After each, a run that nobody disturbs must end with the same image and leave nothing
besides. Run by hand; goes on past a fault, tells it, and ends with 1.

    python tests/bench/faults_long.py [EVERY] [FIRST] [SHIFT]

EVERY and FIRST choose the changes (1 1: all); SHIFT 0 to 5 moves the codes along, so that six runs try each at each.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from support.disk_job import DiskJob


def main(every: int = 1, first: int = 1, shift: int = 0) -> int:
    refused = killed = faults = 0
    with tempfile.TemporaryDirectory() as folder:
        job = DiskJob(Path(folder))
        total = job.whole()
        places = range(first, total + 1, every)
        for at in places:
            try:
                refused += job.refused_at(at, shift)
                killed += job.killed_at(at)
            except AssertionError as fault:
                faults += 1
                print(f"\nchange {at}: {fault}", flush=True)
            print(f"\rchange {at} of {total}; {refused} refused, {killed} killed, {faults} faults", end="", flush=True)
    print(f"\n{len(places)} changes of {total}; after each but {faults} the next run ended with the same image")
    return int(faults > 0)


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:])))

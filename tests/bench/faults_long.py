"""The main job with a refusing disk at every single change, with every error code in turn. Run by hand.

python tests/bench/faults_long.py [EVERY]
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from support.disk_job import DiskJob


def main(every: int = 1) -> None:
    with tempfile.TemporaryDirectory() as folder:
        job = DiskJob(Path(folder))
        total = job.whole()
        refused = 0
        for at in range(1, total + 1, every):
            refused += job.refused_at(at)
            print(f"\rchange {at} of {total}; {refused} refused, every next run ended with the same image", end="")
        print()


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))

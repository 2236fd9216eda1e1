"""500 planted faults in ten discs: a byte in a file, a second copy, a record, a descriptor, a path table, between
files, in the padding; cut, shifted, swapped; the image burned as a file. Each must be found, and exactly what is hurt
named.

    python tests/bench/planted_500.py [FIRST] [LAST]

A quick share of the same stands in tests/disc/test_planted.py.
"""

import sys
import tempfile
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from support.planted import Disc, check, check_burned_as_a_file

A_DISC = 49  # and the image burned as a file


def main(first: int = 0, last: int = 500) -> int:
    kinds: Counter[str] = Counter()
    failed = 0
    for number in range(first // (A_DISC + 1), -(-last // (A_DISC + 1))):
        with tempfile.TemporaryDirectory() as folder:
            disc = Disc(Path(folder), number)
            for seed in range(number * A_DISC, (number + 1) * A_DISC):
                try:
                    kinds[check(disc, seed)] += 1
                except AssertionError as fault:
                    failed += 1
                    print(f"fault {seed} in disc {number}: {str(fault)[:1000]}", flush=True)
            check_burned_as_a_file(disc)
            kinds["burned as a file"] += 1
    print(f"{kinds.total()} faults found as they are, {failed} not: {dict(kinds)}")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:])))

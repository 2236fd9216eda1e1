"""500 random trees through every name rule: our checker clean, and six general-purpose readers see the same.

    python tests/bench/readers_500.py [FIRST] [LAST]

A quick share of the same stands in tests/disc/test_readers.py.
"""

import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from support.disc_readers import check_readers
from support.trees import RULES, Shelf, hard_tree, wide_tree, write


def main(first: int, last: int) -> int:
    begun, failed, files = time.monotonic(), 0, 0
    for seed in range(first, last):
        rules = list(RULES)[seed % len(RULES)]
        with tempfile.TemporaryDirectory() as folder:
            shelf = Shelf(Path(folder))
            try:
                written = write(hard_tree(seed, shelf, 80), shelf.folder / "x.iso", rules)
                check_readers(written, RULES[rules], shelf.folder)
                files += len(written.placed)
            except Exception as error:
                failed += 1
                print(f"tree {seed}, rules {rules}: {type(error).__name__}: {str(error)[:2000]}")
    if last >= 500:
        with tempfile.TemporaryDirectory() as folder:
            shelf = Shelf(Path(folder))
            check_readers(write(wide_tree(shelf), shelf.folder / "x.iso", "1"), RULES["1"], shelf.folder)
            print("10,000 files in one folder: every reader agrees")
    print(f"{last - first} trees, {files} entries, {failed} failed, {time.monotonic() - begun:.0f} s")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main(*(int(word) for word in sys.argv[1:3])) if len(sys.argv) > 2 else main(0, 500))

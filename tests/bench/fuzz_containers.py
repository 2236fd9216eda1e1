"""The long run of damaged containers: `nice -n 19 python tests/bench/fuzz_containers.py [COUNT] [SEED]`.

Counts outcomes by family, the slowest reading and the peak memory above the idle process; a crash or a hang is
written to the folder `fuzz-findings` below the temporary folder, with its bytes, and ends the run with status 1.
"""

import collections
import resource
import sys
import tempfile
import time
import traceback
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from support.fuzz import inputs, samples, survive


def optional_samples(folder: Path) -> dict[str, list[bytes]]:
    """7z and RAR, where the libraries are installed."""
    found: dict[str, list[bytes]] = {}
    try:
        import py7zr

        with py7zr.SevenZipFile(folder / "sample.7z", "w") as made:
            made.writestr(b"hello world\n" * 50, "a/b")
            made.writestr(bytes(range(256)), "c")
        found["7z"] = [(folder / "sample.7z").read_bytes()]
    except ImportError:
        print("without 7z: py7zr is not installed")
    return found


def main() -> int:
    count, seed = (int(argument) for argument in (*sys.argv[1:3], *("200000", "1")[len(sys.argv) - 1 :]))
    idle = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    outcomes: collections.Counter[tuple[str, str]] = collections.Counter()
    slowest = (0.0, "")
    findings = 0
    with tempfile.TemporaryDirectory() as name:
        scratch = Path(name)
        pool = samples(optional_samples(scratch))
        start = time.monotonic()
        for n, (family, data) in enumerate(inputs(count, seed, pool)):
            before = time.process_time()
            try:
                outcomes[family, survive(data, scratch)] += 1
            except BaseException:
                findings += 1
                keep = Path(tempfile.gettempdir(), "fuzz-findings")
                keep.mkdir(exist_ok=True)
                (keep / f"{seed}-{n}-{family}").write_bytes(data)
                print(f"input {n} ({family}), kept as {keep}/{seed}-{n}-{family}")
                traceback.print_exc()
                if findings == 20:
                    break
            slowest = max(slowest, (time.process_time() - before, f"{family}, input {n}"))
            if n % 10_000 == 9_999:
                print(f"{n + 1} inputs, {time.monotonic() - start:.0f} s", flush=True)
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    for (family, outcome), times in sorted(outcomes.items()):
        print(f"{family:8} {outcome:10} {times:8}")
    print(f"slowest {slowest[0]:.2f} s ({slowest[1]}), peak {(peak - idle) / 1024:.0f} MiB above idle")
    print(f"{findings} findings")
    return 1 if findings else 0


if __name__ == "__main__":
    raise SystemExit(main())

"""Damaged archives of all formats by the hundred thousand: crashes, hangs, memory, files outside the target.

    python tests/bench/fuzz_archives.py [COUNT [SEED]]

Prints what was seen; exit 1 when the tool crashed, a worker took more than 256 MB beyond its idle size, or a file
appeared outside the folder that was unpacked into. A worker that died or was stopped is no failure (that is what it
is for), but is counted and its input is kept in the folder named at the end.
"""

import collections
import contextlib
import itertools
import resource
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from support.lha import LEVEL_1
from support.mutants import lha_seeds, mutants, other_seeds

from discprep.archives import OpenTask, open_all, pool
from discprep.archives.pool import Pool
from discprep.errors import DiscprepError
from discprep.job.unpack import unpack
from discprep.model import Limits, Opened

ROUND = 2000
LIMITS = Limits(member_bytes=2**28, total_bytes=2**29)
UNPACKED_EVERY = 100
DEATHS = ("broke down", "took longer", "ended on these bytes", "failed too often", "reading its structure")
ALLOWED_KB = 256_000


class WorkerPeak(threading.Thread):
    """Watches the largest memory of any worker (VmHWM of /proc, the process's own high-water mark)."""

    def __init__(self) -> None:
        super().__init__(daemon=True)
        self.kb = 0

    def run(self) -> None:
        while True:
            for process in list(WORKERS):
                with contextlib.suppress(OSError, StopIteration):
                    lines = Path(f"/proc/{process.pid}/status").read_text().splitlines()
                    self.kb = max(self.kb, next(int(line.split()[1]) for line in lines if line.startswith("VmHWM")))
            time.sleep(0.05)


WORKERS: "collections.deque[subprocess.Popen[bytes]]" = collections.deque(maxlen=8)


def remembered(scratch: Path) -> "subprocess.Popen[bytes]":
    process = START(scratch)
    WORKERS.append(process)
    return process


START = pool.start_worker
pool.start_worker = remembered


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200_000
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    watch = WorkerPeak()
    folder = Path(tempfile.mkdtemp(prefix="fuzz-"))
    (folder / "good").write_bytes(LEVEL_1)
    list(open_all([OpenTask(folder / "good")], store=folder / "store", limits=LIMITS, workers=1))
    watch.start()
    time.sleep(0.2)
    with Pool(1) as idle:
        idle.session()._running()
        time.sleep(0.3)
    idle_kb = watch.kb, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    source = itertools.chain.from_iterable(zip(mutants(lha_seeds(), seed), mutants(other_seeds(), seed), strict=True))
    seen: collections.Counter[str] = collections.Counter()
    slowest_s = 0.0
    begun = time.perf_counter()
    for start in range(0, count, ROUND):
        some = write(folder, itertools.islice(source, min(ROUND, count - start)), start)
        started = time.perf_counter()
        look(folder, start, seen)
        slowest_s = max(slowest_s, time.perf_counter() - started)
        extract(folder, some, seen)
        if start // ROUND % 10 == 9:
            print(f"{start + ROUND} inputs, {time.perf_counter() - begun:.0f} s, {dict(seen)}", flush=True)
    grown_kb = watch.kb - idle_kb[0], resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - idle_kb[1]
    print(f"{count} inputs in {time.perf_counter() - begun:.0f} s; slowest round of {ROUND}: {slowest_s:.1f} s")
    print(f"peak above idle: workers {grown_kb[0] / 1000:.0f} MB, parent {grown_kb[1] / 1000:.0f} MB")
    print(dict(seen))
    kept = sorted(path.name for path in (folder / "kept").glob("*"))
    print(f"kept: {len(kept)} in {folder / 'kept'}" if kept else "nothing kept")
    if not kept:
        shutil.rmtree(folder)
    sys.exit(bool(seen["crash"] or seen["outside"] or max(grown_kb) > ALLOWED_KB))


def write(folder: Path, inputs: Iterable[bytes], start: int) -> list[bytes]:
    """Files for one round; those to be unpacked are given back, and no more of them held here."""
    (folder / "in").mkdir()
    some = []
    for n, data in enumerate(inputs):
        (folder / "in" / f"{start + n}").write_bytes(data)
        if n % UNPACKED_EVERY == 0:
            some.append(data)
    return some


def look(folder: Path, start: int, seen: "collections.Counter[str]") -> None:
    paths = sorted((folder / "in").iterdir(), key=lambda path: int(path.name))
    tasks = [OpenTask(path, nested=n % 3) for n, path in enumerate(paths)]
    try:
        for result in open_all(tasks, store=folder / "store", limits=LIMITS, workers=2):
            tally(result, folder, seen)
    except Exception as error:
        seen["crash"] += 1
        print(f"CRASH in inputs {start}..{start + len(tasks)}: {type(error).__name__}: {error}", flush=True)
        shutil.copytree(folder / "in", folder / "kept" / f"round-{start}", dirs_exist_ok=True)
    shutil.rmtree(folder / "in")
    shutil.rmtree(folder / "store")


def tally(result: Opened, folder: Path, seen: "collections.Counter[str]") -> None:
    seen[f"whole {result.format}" if result.whole else f"damaged {result.format}"] += 1
    problems = [*result.problems, *(entry.problem for entry in result.members)]
    died = [word for problem in problems for word in DEATHS if word in problem]
    for word in died:
        seen[word] += 1
    if died:
        (folder / "kept").mkdir(exist_ok=True)
        shutil.copy(result.path, folder / "kept" / result.path.name)


def extract(folder: Path, inputs: list[bytes], seen: "collections.Counter[str]") -> None:
    """Unpacks some into a folder of a folder of its own, and looks around it."""
    for n, data in enumerate(inputs):
        jail = folder / "jail"
        (jail / "home").mkdir(parents=True)
        (jail / "x").write_bytes(data)
        try:
            unpack(jail / "x", jail / "home" / "out", nested=n % 3, limits=LIMITS)
        except DiscprepError:
            seen["unpack refused"] += 1
        around = {path.name for path in jail.iterdir()} | {path.name for path in (jail / "home").iterdir()}
        if not around <= {"home", "x", "out"} or (jail / "x").read_bytes() != data:
            seen["outside"] += 1
            print(f"OUTSIDE: {around}", flush=True)
        seen["unpacked"] += 1
        shutil.rmtree(jail)


if __name__ == "__main__":
    main()

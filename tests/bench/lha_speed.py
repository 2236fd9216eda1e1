"""LHA against lhasa in one run: a large member, many archives, many members, a collection; and what isolation costs.

    python tests/bench/lha_speed.py [FOLDER]

Needs jlha (packs the inputs, once; FOLDER keeps them) and lhasa. Ratios are what counts: both sides run on the same
host in turn, the best of three each; on a host that others use too, those of processor seconds. `store` means members
decoded, checked against CRC-16, hashed with SHA-256 and at rest in files; `look` the same without keeping the bytes.
"""

import io
import random
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from support.lha import Made, archive

from discprep.archives import OpenTask, open_all
from discprep.archives.store import open_tasks
from discprep.archives.task import Order
from discprep.archives.worker import Job, Talk
from discprep.model import Limits

REPEATS = 3
Run = Callable[[Path], None]
"""Something to measure; its argument is an empty folder."""


def text(size: int, seed: int) -> bytes:
    source = random.Random(seed)
    words = [bytes(source.choices(b"abcdefghijklmnopqrstuvwxyz", k=source.randint(2, 9))) for _ in range(4000)]
    return b" ".join(source.choices(words, k=size // 5))[:size]


def packed(folder: Path, name: str, files: dict[str, bytes]) -> Path:
    """An archive made by jlha with -lh5-."""
    path = folder / name
    if not path.exists():
        with tempfile.TemporaryDirectory(dir=folder) as work:
            for file, data in files.items():
                (Path(work) / file).write_bytes(data)
            subprocess.run(["jlha", "-ao51", "x.lzh", *files], cwd=work, check=True, capture_output=True)
            (Path(work) / "x.lzh").rename(path)
    return path


class Spent(NamedTuple):
    """Seconds on the wall and of all processors, child processes included."""

    wall_s: float
    cpu_s: float


def spent(function: Run) -> Spent:
    """What one run takes, with an empty folder that is cleared off the clock."""
    with tempfile.TemporaryDirectory() as out:
        before_s, begun_s = processor_s(), time.perf_counter()
        function(Path(out))
        return Spent(time.perf_counter() - begun_s, processor_s() - before_s)


def processor_s() -> float:
    """Of this process and of the ended ones that it started."""
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(one.ru_utime + one.ru_stime for one in used)


def lhasa(command: str, paths: Iterable[Path]) -> Run:
    def run(out: Path) -> None:
        for path in paths:
            subprocess.run(["lhasa", command, path], cwd=out, check=True, stdout=subprocess.DEVNULL)

    return run


def in_turn(*functions: Run) -> Run:
    """One after the other."""

    def run(out: Path) -> None:
        for function in functions:
            function(out)

    return run


def command(name: str, path: Path) -> Run:
    """The whole command line, its start included."""

    def run(out: Path) -> None:
        words = [sys.executable, "-m", "discprep", name, "--quiet", str(path)]
        subprocess.run([*words, str(out)] if name == "unpack" else words, check=True, stdout=subprocess.DEVNULL)

    return run


def store(paths: list[Path], workers: int) -> Run:
    def run(out: Path) -> None:
        tasks = [OpenTask(path) for path in paths]
        assert all(r.whole for r in open_all(tasks, store=out, limits=Limits(), workers=workers))

    return run


def look(paths: list[Path], workers: int) -> Run:
    def run(_: Path) -> None:
        assert all(r.whole for r in open_tasks([OpenTask(path) for path in paths], None, Limits(), workers, None))

    return run


def here(paths: list[Path]) -> Run:
    """The same decoding in this process: what there would be without isolation."""

    def run(out: Path) -> None:
        for n, path in enumerate(paths):
            order = Order(OpenTask(path), Limits(), data=f"{out}/{n}")
            Job(order, Talk(io.BytesIO()), out).run()

    return run


def compare(what: str, ours: Run, name: str, theirs: Run) -> None:
    """Prints the least of each side, which run in turn."""
    runs = [(spent(ours), spent(theirs)) for _ in range(REPEATS)]
    wall = [min(side.wall_s for side in sides) for sides in zip(*runs, strict=True)]
    cpu = [min(side.cpu_s for side in sides) for sides in zip(*runs, strict=True)]
    print(
        f"{what:45} {wall[0]:6.2f} s  {name:11} {wall[1]:6.2f} s  ratio {wall[0] / wall[1]:5.2f}"
        f"  processor {cpu[0]:6.2f} s {cpu[1]:6.2f} s  ratio {cpu[0] / cpu[1]:5.2f}",
        flush=True,
    )


def main() -> None:
    given = len(sys.argv) > 1
    folder = Path(sys.argv[1] if given else tempfile.mkdtemp(prefix="lha-speed-"))
    folder.mkdir(exist_ok=True)
    large = [packed(folder, "large.lzh", {"large.txt": text(40_000_000, 1)})]
    compare("one -lh5- member of 40 MB, look", look(large, 1), "lhasa t", lhasa("tq", large))
    compare("one -lh5- member of 40 MB, store", store(large, 1), "lhasa x", lhasa("xq", large))
    many = [packed(folder, "many.lzh", {f"{n}.txt": text(50 + n % 2500, n) for n in range(5000)})]
    compare("one archive of 5,000 small members, look", look(many, 1), "lhasa t", lhasa("tq", many))
    compare("one archive of 5,000 small members, store", store(many, 1), "lhasa x", lhasa("xq", many))
    compare("the same, the command inspect", command("inspect", many[0]), "lhasa t", lhasa("tq", many))
    compare("the same, the command unpack", command("unpack", many[0]), "lhasa x", lhasa("xq", many))
    singles = []
    for n in range(5000):
        singles.append(folder / f"single-{n}.lzh")
        if not singles[-1].exists():
            singles[-1].write_bytes(archive(Made(name=b"%d.txt" % n, data=text(500 + n, n))))
    compare("5,000 archives of one member, store, 2 workers", store(singles, 2), "lhasa t", lhasa("tq", singles))
    compare("5,000 archives of one member, look, 2 workers", look(singles, 2), "lhasa t", lhasa("tq", singles))
    files = [{f"{k}.txt": text(250_000, n * 9 + k) for k in range(8)} for n in range(54)]
    collection = [packed(folder, f"c{n}.lzh", contents) for n, contents in enumerate(files)]
    size = sum(path.stat().st_size for path in collection) / 1e6
    both = in_turn(lhasa("tq", collection), lhasa("xq", collection))
    compare(f"54 archives, {size:.0f} MB, store, 2 workers", store(collection, 2), "lhasa t + x", both)
    compare("the same, store, 1 worker", store(collection, 1), "lhasa t + x", both)
    compare("isolation: 1 worker against this process", store(collection, 1), "in-process", here(collection))
    if not given:
        shutil.rmtree(folder)


if __name__ == "__main__":
    main()

"""LHA against lhasa in one run: a large member, many archives, many members, a collection; and what isolation costs.

    python tests/bench/lha_speed.py [FOLDER]

Needs jlha (packs the inputs, once; FOLDER keeps them) and lhasa. Ratios are what counts: both sides run on the same
host in turn, the best of three each. `store` means members decoded, checked against CRC-16, hashed with SHA-256 and at
rest in files; `look` the same without keeping the bytes.
"""

import io
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from support.lha import Made, archive

from discprep.archives import OpenTask, open_all
from discprep.archives.store import open_tasks
from discprep.archives.task import Order
from discprep.archives.worker import Job, Talk
from discprep.model import Limits

REPEATS = 3


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


def best(function: Callable[[Path], object]) -> float:
    """The least wall-clock seconds of three runs, each with an empty folder that is cleared off the clock."""
    times = []
    for _ in range(REPEATS):
        with tempfile.TemporaryDirectory() as out:
            begun = time.perf_counter()
            function(Path(out))
            times.append(time.perf_counter() - begun)
    return min(times)


def lhasa(command: str, paths: Iterable[Path]) -> Callable[[Path], None]:
    def run(out: Path) -> None:
        for path in paths:
            subprocess.run(["lhasa", command, path], cwd=out, check=True, stdout=subprocess.DEVNULL)

    return run


def command(name: str, path: Path) -> Callable[[Path], None]:
    """The whole command line, its start included."""

    def run(out: Path) -> None:
        words = [sys.executable, "-m", "discprep", name, "--quiet", str(path)]
        subprocess.run([*words, str(out)] if name == "unpack" else words, check=True, stdout=subprocess.DEVNULL)

    return run


def store(paths: list[Path], workers: int) -> Callable[[Path], None]:
    def run(out: Path) -> None:
        tasks = [OpenTask(path) for path in paths]
        assert all(r.whole for r in open_all(tasks, store=out, limits=Limits(), workers=workers))

    return run


def look(paths: list[Path], workers: int) -> Callable[[Path], None]:
    def run(_: Path) -> None:
        assert all(r.whole for r in open_tasks([OpenTask(path) for path in paths], None, Limits(), workers, None))

    return run


def here(paths: list[Path]) -> Callable[[Path], None]:
    """The same decoding in this process: what there would be without isolation."""

    def run(out: Path) -> None:
        for n, path in enumerate(paths):
            order = Order(str(path), "", "", None, Limits(), data=f"{out}/{n}")
            Job(order, Talk(io.BytesIO()), out).run()

    return run


def show(what: str, ours: float, theirs: float, name: str) -> None:
    print(f"{what:58} {ours:7.2f} s  {name} {theirs:7.2f} s  ratio {ours / theirs:5.2f}", flush=True)


def main() -> None:
    given = len(sys.argv) > 1
    folder = Path(sys.argv[1] if given else tempfile.mkdtemp(prefix="lha-speed-"))
    folder.mkdir(exist_ok=True)
    large = [packed(folder, "large.lzh", {"large.txt": text(40_000_000, 1)})]
    show("one -lh5- member of 40 MB, look", best(look(large, 1)), best(lhasa("tq", large)), "lhasa t")
    show("one -lh5- member of 40 MB, store", best(store(large, 1)), best(lhasa("xq", large)), "lhasa x")
    many = [packed(folder, "many.lzh", {f"{n}.txt": text(50 + n % 2500, n) for n in range(5000)})]
    show("one archive of 5,000 small members, look", best(look(many, 1)), best(lhasa("tq", many)), "lhasa t")
    show("one archive of 5,000 small members, store", best(store(many, 1)), best(lhasa("xq", many)), "lhasa x")
    show("the same, the command inspect", best(command("inspect", many[0])), best(lhasa("tq", many)), "lhasa t")
    show("the same, the command unpack", best(command("unpack", many[0])), best(lhasa("xq", many)), "lhasa x")
    singles = []
    for n in range(5000):
        singles.append(folder / f"single-{n}.lzh")
        if not singles[-1].exists():
            singles[-1].write_bytes(archive(Made(name=b"%d.txt" % n, data=text(500 + n, n))))
    started = best(lhasa("tq", singles))
    show("5,000 archives of one member, store, 2 workers", best(store(singles, 2)), started, "lhasa t")
    show("5,000 archives of one member, look, 2 workers", best(look(singles, 2)), started, "lhasa t")
    files = [{f"{k}.txt": text(250_000, n * 9 + k) for k in range(8)} for n in range(54)]
    collection = [packed(folder, f"c{n}.lzh", contents) for n, contents in enumerate(files)]
    both = best(lhasa("tq", collection)) + best(lhasa("xq", collection))
    size = sum(path.stat().st_size for path in collection) / 1e6
    show(f"54 archives, {size:.0f} MB, store, 2 workers", best(store(collection, 2)), both, "lhasa t + x")
    one = best(store(collection, 1))
    show("the same, store, 1 worker", one, both, "lhasa t + x")
    show("isolation: 1 worker against this process", one, best(here(collection)), "in-process")
    if not given:
        shutil.rmtree(folder)


if __name__ == "__main__":
    main()

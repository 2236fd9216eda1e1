"""How time and memory grow: items in a manifest, archives of which a disc holds half, files on an image, a full medium.
All with cold caches. And one item of 20,000 small files against the general-purpose programs that do the same by hand.

    .venv/bin/python tests/bench/scale.py [items] [choice] [files] [scripts] [medium] [item]

Printed for each size: wall and processor seconds, and the peak memory of all its processes together (resident, shared
pages counted in each, so it is an upper bound). Then the exponent that fits the processor seconds (the slope of their
logarithms), and that of the last step alone, where the start-up counts least. Bounds: exponent under 1.2, memory under
500 MB. On a busy machine the processor seconds tell more than the wall clock.

`item`: processor seconds of `prepare` against those of `unzip` and of `xorriso -as mkisofs -J -R` on the unpacked tree,
each program a child process of its own, median of three runs; bounds: twice theirs, 120 MB for the largest process.
"""

from __future__ import annotations

import contextlib
import math
import os
import random
import shutil
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
from installed import environment

MOST_BYTES, MOST_EXPONENT = 500e6, 1.2
READY = Path(__file__).parents[2] / "manifests/machines"
HEAD = """format = 1
title  = "Scale"
bring_up = []

[machine]
profile = "machine.toml"

[medium]
kind = "cd-80"

"""
LINK = "[link]\nrate = 57600\nmtu = 576\nwindow = 4096\n\n[bridge]\nrate = 57600\n\n"
MACHINE = 'name = "Bench machine"\n[disc]\nname_rules = ["iso-level-2", "joliet", "rock-ridge"]\n'


@dataclass(frozen=True)
class Run:
    """What one command took."""

    wall_s: float
    cpu_s: float
    peak_bytes: int  # of all its processes together
    process_bytes: int  # of the largest of them


def measure(folder: Path, *arguments: str) -> Run:
    """Runs one command of discprep."""
    return run([sys.executable, "-m", "discprep", *arguments, "--quiet"], environment(folder / "compiled"))


def run(command: list[str], variables: dict[str, str]) -> Run:
    """Runs one command in a process group of its own and watches the group's memory."""
    started = time.perf_counter()
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, env=variables, start_new_session=True)
    ended, peak = threading.Event(), [0]

    def watch() -> None:
        while not ended.wait(0.05):
            peak[0] = max(peak[0], resident_bytes(process.pid))

    watcher = threading.Thread(target=watch)
    watcher.start()
    _, status, used = os.wait4(process.pid, 0)
    ended.set()
    watcher.join()
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise SystemExit(f"{command} ended with {process.returncode}")
    largest = used.ru_maxrss * 1024
    return Run(time.perf_counter() - started, used.ru_utime + used.ru_stime, max(peak[0], largest), largest)


def resident_bytes(group: int) -> int:
    """Resident memory of a whole process group."""
    pages = 0
    for entry in Path("/proc").glob("[0-9]*"):
        with contextlib.suppress(OSError, ValueError):
            if os.getpgid(int(entry.name)) == group:
                pages += int((entry / "statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE")


def many_items(folder: Path, count: int) -> Path:
    """A manifest of items of which only the size is known; each fifth needs its neighbour."""
    source = random.Random(count)
    manifest = folder / "items.toml"
    items = [
        f'[[item]]\nid = "item-{n}"\nsources = ["http://files.example/item{n}.lha"]\n'
        f'size = {source.randint(2_000, 900_000)}\nto = "I{n}"\nworth = {source.randint(1, 5)}\n'
        + (f'needs = ["item-{n - 1}"]\n' if n % 5 == 4 else "")
        for n in range(count)
    ]
    manifest.write_text(HEAD + LINK + "\n".join(items))
    return manifest


def archives(folder: Path, count: int, files: int, size_bytes: int) -> Path:
    """A manifest of `count` local archives, each of `files` files of `size_bytes` noise."""
    source = random.Random(count)
    items = []
    for number in range(count):
        path = folder / f"pack{number}.zip"
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
            for n in range(files):
                entry = zipfile.ZipInfo(f"DIR{n // 100}/F{n:05d}.DAT", (2001, 9, 9, 1, 46, 40))
                archive.writestr(entry, source.randbytes(size_bytes), zipfile.ZIP_DEFLATED, 1)
        items.append(
            f'[[item]]\nid = "pack-{number}"\nsources = ["{path.name}"]\nto = "P{number}"\nplace = "burn"\n'
            'form = "unpacked"\n'
        )
    manifest = folder / "files.toml"
    manifest.write_text(HEAD + "\n".join(items))
    return manifest


def prepared(folder: Path, manifest: Path) -> dict[str, Run]:
    """The main job from nothing, then the build alone after one setting changed."""
    places = ["--out", str(folder / "disc"), "--cache", str(folder / "cache")]
    first = measure(folder, "prepare", str(manifest), *places)
    manifest.write_text(manifest.read_text().replace("[medium]\n", '[medium]\nvolume = "OTHER"\n'))
    return {"prepare": first, "build, changed": measure(folder, "build", str(manifest), *places)}


def of_items(folder: Path, count: int) -> dict[str, Run]:
    manifest = many_items(folder, count)
    cache = ["--cache", str(folder / "cache")]
    return {
        "check": measure(folder, "check", str(manifest)),
        "plan": measure(folder, "plan", str(manifest), *cache),
    }


def of_choice(folder: Path, count: int) -> dict[str, Run]:
    """Small archives, about half of which fit: fetch, decode, plan, its curve, names, image, sheets."""
    manifest = archives(folder, count, 5, 2_000)
    text = manifest.read_text().replace('place = "burn"\nform = "unpacked"\n', "")
    text = text.replace('kind = "cd-80"', f"sectors = {300 + 5 * count}")
    manifest.write_text(text.replace("[[item]]", LINK + "[[item]]", 1))
    return prepared(folder, manifest)


def of_files(folder: Path, count: int) -> dict[str, Run]:
    return prepared(folder, archives(folder, count // 500, 500, 3_000))


def of_scripts(folder: Path, count: int) -> dict[str, Run]:
    """As `files`, for a machine with a command language: all the setup's scripts."""
    text = (READY / "catalogue-desk.toml").read_text()
    (folder / "machine.toml").write_text(text.replace('"80 MB"', '"800 MB"'))
    return prepared(folder, archives(folder, count // 500, 500, 3_000))


def of_medium(folder: Path, megabytes: int) -> dict[str, Run]:
    return prepared(folder, archives(folder, megabytes // 35, 7, 5_000_000))


CURVES: dict[str, tuple[str, tuple[int, ...], Callable[[Path, int], dict[str, Run]]]] = {
    "items": ("items", (500, 1_000, 2_000, 5_000), of_items),
    "choice": ("items", (250, 500, 1_000, 2_000), of_choice),
    "files": ("files", (2_500, 5_000, 10_000, 20_000), of_files),
    "scripts": ("files", (2_500, 5_000, 10_000, 20_000), of_scripts),
    "medium": ("MB", (70, 175, 350, 700), of_medium),
}


def by_hand(folder: Path, archive: Path) -> dict[str, Run]:
    """The same archive with general-purpose programs: unpacked, then an image of the tree with the same names."""
    tree, image = folder / "tree", folder / "by-hand.iso"
    programs = {
        "unzip": ["unzip", "-q", "-d", str(tree), str(archive)],
        "xorriso": ["xorriso", "-as", "mkisofs", "-quiet", "-J", "-R", "-o", str(image), str(tree)],
    }
    runs = {name: run(words, dict(os.environ)) for name, words in programs.items()}
    shutil.rmtree(tree)
    image.unlink()
    return runs


def one_item(runs: int = 3) -> None:
    """20,000 files of 3,000 bytes in one ZIP."""
    found: dict[str, list[Run]] = {}
    with tempfile.TemporaryDirectory(prefix="discprep-scale-") as place:
        folder = Path(place)
        (folder / "machine.toml").write_text(MACHINE)
        manifest = archives(folder, 1, 20_000, 3_000)
        text = manifest.read_text()
        measure(folder, "schema")  # warms up: compiled files
        for _ in range(runs):
            manifest.write_text(text)
            for old in ("cache", "disc"):
                shutil.rmtree(folder / old, ignore_errors=True)
            (folder / "files.pins.toml").unlink(missing_ok=True)
            for name, one in {**prepared(folder, manifest), **by_hand(folder, folder / "pack0.zip")}.items():
                found.setdefault(name, []).append(one)
    cpu_s = {name: statistics.median(one.cpu_s for one in ones) for name, ones in found.items()}
    for name, ones in found.items():
        wall_s, peak = statistics.median(one.wall_s for one in ones), max(one.process_bytes for one in ones)
        print(f"{name:<16}{wall_s:8.2f} s wall {cpu_s[name]:8.2f} s cpu {peak / 1e6:7.0f} MB the largest process, "
              f"{max(one.peak_bytes for one in ones) / 1e6:.0f} MB all at once", flush=True)  # fmt: skip
    ratio = cpu_s["prepare"] / (cpu_s["unzip"] + cpu_s["xorriso"])
    print(f"prepare: {ratio:.2f} times the processor time of both (bound 2)")


def exponent(points: list[tuple[int, float]]) -> float:
    """The least-squares slope of log seconds over log size."""
    logs = [(math.log(size), math.log(seconds)) for size, seconds in points]
    x, y = (sum(column) / len(logs) for column in zip(*logs, strict=True))
    return sum((a - x) * (b - y) for a, b in logs) / sum((a - x) ** 2 for a, _ in logs)


def curve(name: str) -> None:
    unit, sizes, work = CURVES[name]
    found: dict[str, list[tuple[int, Run]]] = {}
    for size in sizes:
        with tempfile.TemporaryDirectory(prefix="discprep-scale-") as place:
            folder = Path(place)
            (folder / "machine.toml").write_text(MACHINE)
            measure(folder, "schema")  # warms up: compiled files
            for command, one in work(folder, size).items():
                found.setdefault(command, []).append((size, one))
                print(f"{size:>7,} {unit:<6}{command:<16}{one.wall_s:8.2f} s wall {one.cpu_s:8.2f} s cpu "
                      f"{one.peak_bytes / 1e6:7.0f} MB", flush=True)  # fmt: skip
            shutil.rmtree(folder / "cache", ignore_errors=True)
    for command, runs in found.items():
        points = [(size, one.cpu_s) for size, one in runs]
        fitted, last = exponent(points), exponent(points[-2:])
        most = max(one.peak_bytes for _, one in runs)
        good = max(fitted, last) < MOST_EXPONENT and most < MOST_BYTES
        print(f"{command:<16}exponent {fitted:.2f}, last step {last:.2f}; at most {most / 1e6:.0f} MB: "
              f"{'within the bounds' if good else 'BEYOND THE BOUNDS'}", flush=True)  # fmt: skip


if __name__ == "__main__":
    for chosen in sys.argv[1:] or [*CURVES, "item"]:
        if chosen == "item":
            one_item()
        else:
            curve(chosen)

"""Images against two general-purpose writers in the same run: wall seconds, peak memory, and the ratios.

    python tests/bench/image_speed.py [RUNS]

Two sets: 600 MB in 20 files, and 10,000 files of 60 kB in 100 folders. Ours is the names on the disc, the image *and*
the full check of its structures and of every file's hash, read back behind the writer; theirs is the image alone. (The
files are used from the disc: names on the machine's own volume are no part of an image.) Bound: at most 1.5 times
xorriso, under 120 MB. On a busy machine the processor seconds tell more than the wall clock.

Then 20,000 files of 3 kB in all three trees, in a process of its own: processor seconds of the check alone (structures
and every file's hash) against those of layout, structures and data. Bound: the check at most as long as the write.
"""

import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent
SETS = {"20 files of 30 MB": (20, 1, 30_000_000), "10,000 files of 60 kB": (10_000, 100, 60_000)}
OURS = """
import json, sys
from pathlib import Path
sys.path.insert(0, {root!r})
from discprep.disc.image import ImageOptions, write_image
from discprep.disc.names import map_names
from discprep.model import Content, Profile, Staged
listing = json.load(open(sys.argv[1]))
staged = [Staged(tuple(n.split("/")), "i", Content(Path(p), 0, s, h), copied=False) for n, p, s, h in listing]
named, errors = map_names(staged, Profile("p"))
assert not errors
write_image(named, Path(sys.argv[2]), ImageOptions("BENCH", 1_700_000_000))
"""


CHECK = """
import json, statistics, sys, time
from pathlib import Path
sys.path.insert(0, {root!r})
from discprep.disc.image import ImageOptions, expected_files, write_image
from discprep.disc.layout.check import check_image
from discprep.disc.layout.sizes import lay_out
from discprep.disc.names import map_names
from discprep.model import Content, Profile, Staged
listing, out, rules = json.load(open(sys.argv[1])), Path(sys.argv[2]), ("iso-level-2", "joliet", "rock-ridge")
staged = [Staged(tuple(n.split("/")), "i", Content(Path(p), 0, s, h), copied=False) for n, p, s, h in listing]
named, errors = map_names(staged, Profile("p", name_rules=rules))
options, rows = ImageOptions("BENCH", 1_700_000_000, rules), []
for _ in range(int(sys.argv[3])):
    begun = time.process_time()
    layout = lay_out(named, options)
    write_image(named, out, options, layout=layout)
    both = time.process_time()
    assert not check_image(out, expected_files(layout)).faults
    check_s = time.process_time() - both
    rows.append((check_s, both - begun - check_s))
check_s, write_s = (statistics.median(column) for column in zip(*rows))
ratio = check_s / write_s
print(f"20,000 files: check {{check_s:.2f}} s, write {{write_s:.2f}} s of processor: {{ratio:.2f}} (bound 1)")
"""


def tree(folder: Path, files: int, folders: int, size: int) -> list[tuple[str, str, int, str]]:
    import hashlib

    listing = []
    for n in range(files):
        name = f"D{n % folders:03d}/F{n:05d}.DAT" if folders > 1 else f"F{n:05d}.DAT"
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        block = hashlib.sha256(str(n).encode()).digest() * 1875
        data = (block * (size // len(block) + 1))[:size]
        path.write_bytes(data)
        listing.append((name, str(path), size, hashlib.sha256(data).hexdigest()))
    return listing


def timed(words: list[str]) -> tuple[float, float, float]:
    """Wall seconds, processor seconds and peak memory [MB] of one program."""
    begun = time.monotonic()
    pid = os.spawnv(os.P_NOWAIT, shutil.which(words[0]) or words[0], words)
    _, status, usage = os.wait4(pid, 0)
    if status:
        raise SystemExit(f"{words[0]} failed")
    return time.monotonic() - begun, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024


def main(runs: int) -> None:
    place = Path(tempfile.mkdtemp(prefix="image-speed-"))
    try:
        for label, (files, folders, size) in SETS.items():
            source = place / "tree"
            listing = tree(source, files, folders, size)
            (place / "listing.json").write_text(json.dumps(listing))
            out = str(place / "x.iso")
            programs = {
                "discprep, image and check": [sys.executable, "-c", OURS.format(root=str(ROOT)),
                                              str(place / "listing.json"), out],
                "genisoimage, image": ["genisoimage", "-quiet", "-iso-level", "1", "-o", out, str(source)],
                "xorriso, image": ["xorriso", "-as", "mkisofs", "-quiet", "-iso-level", "1", "-o", out, str(source)],
            }  # fmt: skip
            figures: dict[str, list[tuple[float, float, float]]] = {name: [] for name in programs}
            for _ in range(runs):
                for name, words in programs.items():
                    Path(out).unlink(missing_ok=True)
                    figures[name].append(timed(words))
            report(label, figures)
            shutil.rmtree(source)
        listing = tree(place / "tree", 20_000, 200, 3_000)
        (place / "listing.json").write_text(json.dumps(listing))
        words = [CHECK.format(root=str(ROOT)), str(place / "listing.json"), str(place / "x.iso"), str(runs)]
        subprocess.run([sys.executable, "-c", *words], check=True)
    finally:
        shutil.rmtree(place)
    print(f"{runs} runs; bound for ours: 1.5 times xorriso, 120 MB")


def report(label: str, figures: dict[str, list[tuple[float, float, float]]]) -> None:
    medians = {name: statistics.median(row[0] for row in rows) for name, rows in figures.items()}
    print(label)
    for name, rows in figures.items():
        ratio = medians[name] / medians["xorriso, image"]
        processor, memory = statistics.median(row[1] for row in rows), max(row[2] for row in rows)
        wall = f"{medians[name]:6.2f} s ({processor:5.2f} s of processor)"
        print(f"  {name:28} {wall}  {ratio:5.2f} x xorriso  {memory:5.1f} MB")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 3)

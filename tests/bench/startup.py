"""How long a person waits before anything happens: the bare interpreter, `--help`, `check` of a small manifest.

    .venv/bin/python tests/bench/startup.py [RUNS] [MANIFEST]

Taken in turn, so that all see the same machine. Printed: medians of wall and of processor seconds, their ratios to
the bare interpreter, and the least processor seconds (what is left when nothing else disturbs).
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
from installed import environment

ROOT = Path(__file__).resolve().parents[2]
HEADS = ("wall s", "ratio", "cpu s", "ratio", "least cpu s")


def timed(command: list[str], variables: dict[str, str]) -> tuple[float, float]:
    """Wall and processor seconds of one run."""
    started = time.perf_counter()
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=variables)
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise SystemExit(f"{command} ended with {process.returncode}")
    return time.perf_counter() - started, used.ru_utime + used.ru_stime


def main(runs: int, manifest: Path, folder: Path) -> None:
    program = str(Path(sys.executable).with_name("discprep"))
    commands = {
        "python -c pass": [sys.executable, "-c", "pass"],
        "discprep --help": [program, "--help"],
        "discprep check": [program, "check", str(manifest)],
    }
    rows: dict[str, list[tuple[float, float]]] = {name: [] for name in commands}
    for run in range(runs + 1):
        for name, command in commands.items():
            taken = timed(command, environment(folder))
            if run:  # the first warms up
                rows[name].append(taken)
    print(f"{'':<18}" + "".join(f"{head:>12}" for head in HEADS) + f"   ({runs} runs)")
    bare = [statistics.median(column) for column in zip(*rows["python -c pass"], strict=True)]
    for name, measured in rows.items():
        wall, cpu = (list(column) for column in zip(*measured, strict=True))
        middle = (statistics.median(wall), statistics.median(cpu))
        print(f"{name:<18}{middle[0]:12.3f}{middle[0] / bare[0]:12.1f}{middle[1]:12.3f}{middle[1] / bare[1]:12.1f}"
              f"{min(cpu):12.3f}")  # fmt: skip


if __name__ == "__main__":
    given = Path(sys.argv[2]) if len(sys.argv) > 2 else ROOT / "manifests/catalogue-desk.toml"
    with tempfile.TemporaryDirectory() as compiled:
        main(int(sys.argv[1]) if len(sys.argv) > 1 else 15, given, Path(compiled))

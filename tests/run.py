"""What `tests/run` does, for systems without bash too: sets up what the tests need once, then lint, types, all tests,
coverage. Arguments go to pytest.

    python tests/run.py
"""

import os
import subprocess
import sys
from pathlib import Path

TOP = Path(__file__).resolve().parent.parent
PYTHON = str(TOP / ".venv" / ("Scripts/python.exe" if sys.platform == "win32" else "bin/python"))
# The tests first: they import the package as whoever uses it does, and what is imported so is counted.
SELECTED = ["--doctest-modules", "tests", "discprep"]
ALL = ["-q", "-n", "auto", "--dist", "worksteal", *SELECTED]
LEAST = "95"  # per cent of the lines
COUNTS = str(TOP / ".venv" / "coverage.json")


# mypy for this system and for the others, one after the other.
TYPES = """
import subprocess, sys
kinds = [[], ["--platform", "win32"], ["--platform", "darwin"]]
sys.exit(max([subprocess.run([sys.executable, "-m", "mypy", *kind]).returncode for kind in kinds]))
"""


def main() -> int:
    set_up = subprocess.run([sys.executable, TOP / ".ci" / "setup.py", "test"]).returncode
    if set_up:
        return set_up
    environment = {**os.environ, "PYCDLIB_TRACK_WRITES": "1"}
    # Every worker and every command that the tests start reads the bytecode that the first one wrote.
    environment.pop("PYTHONDONTWRITEBYTECODE", None)

    def step(name: str, *words: str) -> bool:
        print(f"== {name}", file=sys.stderr, flush=True)
        return subprocess.run([PYTHON, "-m", *words], cwd=TOP, env=environment).returncode == 0

    if sys.argv[1:]:
        return int(not step("tests", "pytest", *sys.argv[1:]))
    good = {"lint": step("lint", "ruff", "check", "--quiet", ".")}
    # The types are checked beside the tests, which leave the cores free while they wait for a line or an emulator.
    typed = subprocess.Popen(
        [PYTHON, "-c", TYPES], cwd=TOP, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    )
    # One collects first: in a fresh checkout the workers would all compile the same, at the same time.
    warm = [PYTHON, "-m", "pytest", "--collect-only", "-qq", *SELECTED]
    subprocess.run(warm, cwd=TOP, env=environment, stdout=subprocess.DEVNULL)
    counter = subprocess.run([PYTHON, "-c", "import slipcover"], cwd=TOP, stderr=subprocess.DEVNULL).returncode == 0
    counted = ["slipcover", "--source", "discprep", "--json", "--out", COUNTS, "-m"] if counter else []
    good["tests"] = step("tests", *counted, "pytest", *ALL)
    if counter:
        # A bound only under CI, where every outside program is there; what is left uncovered: see DEVELOPERS.md.
        bound = ["--fail-under", LEAST] if os.environ.get("CI") else []
        good["coverage"] = step("coverage", "slipcover", *bound, "--skip-covered", "--out", COUNTS, "--merge", COUNTS)
    print("== types, here and on other systems", file=sys.stderr, flush=True)
    print(typed.communicate()[0], end="", flush=True)
    good["types"] = typed.returncode == 0
    failed = [name for name, passed in good.items() if not passed]
    print(f"== failed: {', '.join(failed)}" if failed else "== all passed", file=sys.stderr, flush=True)
    return int(bool(failed))


if __name__ == "__main__":
    sys.exit(main())

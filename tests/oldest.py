"""A selection of the tests under the oldest libraries that pyproject.toml allows: a step of `.ci/run`.

    python tests/oldest.py

Makes a virtual environment of its own, .venv/oldest, once for each set of bounds. They are real bounds only for the
Pythons of their time: on others this says so and ends well.
"""

import re
import subprocess
import sys
import tomllib
import venv
from pathlib import Path

TOP = Path(__file__).resolve().parent.parent
FOLDER = TOP / ".venv" / "oldest"
PYTHONS = ((3, 11), (3, 12))  # the oldest versions have wheels for these
TOOLS = ["pytest", "hypothesis", "jsonschema", "pycdlib"]
SELECTION = [
    "tests/test_demo.py", "tests/manifest/test_json_schema.py", "tests/manifest/test_load.py", "tests/job/test_new.py",
    "tests/cli/test_newcomer.py", "tests/fetch/test_fetch.py", "tests/plan/test_worked_example.py",
    "tests/archives/test_lha.py",
]  # fmt: skip


def bounds() -> list[str]:
    """Every lower bound as the very version, with its marker."""
    project = tomllib.loads((TOP / "pyproject.toml").read_text("utf-8"))["project"]
    return [re.sub(r"^([\w-]+)>=", r"\1==", line) for line in project["dependencies"]]


def made(python: Path) -> bool:
    """Whether the environment stands, made anew where the bounds have changed."""
    stamp, wanted = FOLDER / "stamp", "\n".join(bounds())
    if stamp.exists() and stamp.read_text("utf-8") == wanted:
        return True
    venv.create(FOLDER, with_pip=True, clear=True)
    pip = [python, "-m", "pip", "install", "--quiet", "--disable-pip-version-check"]
    held = FOLDER / "constraints.txt"
    held.write_text(wanted, "utf-8")
    for words in (["--only-binary=:all:", "--constraint", held, *bounds(), *TOOLS], ["--no-deps", "-e", TOP]):
        if subprocess.run([*pip, *words]).returncode:
            return False
    stamp.write_text(wanted, "utf-8")
    return True


def main() -> int:
    if sys.version_info[:2] not in PYTHONS:
        print(f"oldest libraries: not tried with Python {sys.version.split()[0]}, which is newer than they are")
        return 0
    python = FOLDER / ("Scripts/python.exe" if sys.platform == "win32" else "bin/python")
    if not made(python):
        print("oldest libraries: they could not be installed; is the package registry within reach?", file=sys.stderr)
        return 3
    # What old libraries say of newer ones below them is not ours.
    tests = [python, "-W", "ignore", "-m", "pytest", "-W", "ignore", "-q", "-p", "no:cacheprovider", *SELECTION]
    return subprocess.run(tests, cwd=TOP).returncode


if __name__ == "__main__":
    sys.exit(main())

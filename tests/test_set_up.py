"""The set-up of a checkout tells the truth: what is in the way is named with its remedy, and after it all goes well.

A checkout of a few files and a Python whose venv and pip do what the test says; the real ones have their turn in
`.ci/bare`. The words of venv and pip are theirs, as seen (pip 23 to 26).
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from support.programs import program

ROOT = Path(__file__).resolve().parent.parent
FAKE = """#!/bin/sh
case "$1 $2" in
"-m venv") mkdir -p "$4/bin" && cp "$0" "$4/bin/python" && touch "$SAYS/no-pip"
    cat "$SAYS/venv" 2>/dev/null && exit 1
    rm "$SAYS/no-pip"; exit 0 ;;
"-m pip") echo "$*" >> "$SAYS/calls"; sleep 0.2; cat "$SAYS/pip" 2>/dev/null && exit 1; exit 0 ;;
"-I -c") [ -e "$SAYS/no-pip" ] && echo 3.11 False && exit 0 ;;
.ci/setup.py*) exec {real} -c "import sys, runpy, os
sys._base_executable = '$0'
if os.path.exists(os.environ['SAYS'] + '/no-ensurepip'): sys.modules['ensurepip'] = None
sys.argv = sys.argv[1:]
sys.path.insert(0, '')
runpy.run_path(sys.argv[0], run_name='__main__')" "$@" ;;
esac
exec {real} "$@"
"""


@dataclass
class Checkout:
    """`says`: a folder in which a file named venv or pip holds the words with which that one fails."""

    top: Path
    says: Path
    env: dict[str, str] = field(default_factory=dict)

    def run(self, script: str = "demo/run", *, cwd: Path | None = None, **env: str) -> subprocess.CompletedProcess[str]:
        words = [program("bash"), script if "/" in script and cwd else str(self.top / script)]
        return subprocess.run(words, cwd=cwd or "/", env=self.env | env, capture_output=True, text=True, check=False,
                              encoding="utf-8", timeout=60)  # fmt: skip

    def calls(self) -> int:
        """How often pip was called."""
        path = self.says / "calls"
        return len(path.read_text().splitlines()) if path.exists() else 0


def checkout(folder: Path) -> Checkout:
    top, says = folder / "it", folder / "says"
    for path in (top / ".ci", top / "demo", top / "tests", says):
        path.mkdir(parents=True)
    for name in (".ci/setup.py", ".ci/venv", "demo/run", "tests/run", "pyproject.toml"):
        shutil.copy(ROOT / name, top / name)
    (top / "demo" / "show.py").write_text("print('shown')\n")
    python = folder / "bin" / "python3.13"  # the first that is looked for
    python.parent.mkdir()
    python.write_text(FAKE.replace("{real}", sys.executable))
    python.chmod(0o755)
    kept = {key: value for key, value in os.environ.items() if key not in ("PYTHON", "CDPATH", "PYTHONPATH")}
    return Checkout(top, says, kept | {"PATH": f"{python.parent}:{os.environ['PATH']}", "SAYS": str(says)})


@pytest.fixture
def it(tmp_path: Path) -> Checkout:
    return checkout(tmp_path)


def went_well(ran: subprocess.CompletedProcess[str]) -> bool:
    return ran.returncode == 0 and ran.stdout == "shown\n" and "Traceback" not in ran.stderr


def test_once_and_for_all(it: Checkout) -> None:
    """What the tests have set up is enough for the demonstration: no network is needed any more."""
    subprocess.run(["python3.13", ".ci/setup.py", "test"], cwd=it.top, env=it.env, check=True)
    assert it.calls() == 1
    (it.says / "pip").write_text("ERROR: no network")
    assert went_well(it.run()) and it.calls() == 1
    with (it.top / "pyproject.toml").open("a") as file:
        file.write("# another need\n")
    assert it.run().returncode == 3 and it.calls() == 2
    (it.says / "pip").unlink()
    assert went_well(it.run()) and it.calls() == 3


CAUSES = [
    ("venv", "Error: [Errno 13] Permission denied: '{top}/.venv'", "cannot be written by this user", "chown"),
    ("venv", "Error: [Errno 30] Read-only file system: '{top}/.venv'", "cannot be written", "copy the checkout"),
    ("venv", "The virtual environment was not created successfully because ensurepip is not available.",
     "without pip", "python3-venv"),
    ("venv", "Error: [Errno 28] No space left on device", "disk is full", "make room"),
    ("pip", "WARNING: Retrying (Retry(total=0, connect=None)) after connection broken by 'NewConnectionError(\"Failed "
     "to establish a new connection: [Errno -3] Temporary failure in name resolution\")': /simple/setuptools/\nERROR: "
     "Could not find a version that satisfies the requirement setuptools>=77 (from versions: none)\nERROR: No matching "
     "distribution found for setuptools>=77", "registry cannot be reached", "network"),
    ("pip", "ERROR: Could not install packages due to an OSError: [Errno 28] No space left on device", "disk is full",
     "make room"),
    ("pip", "  error: command 'x86_64-linux-gnu-gcc' failed: No such file or directory\nERROR: Failed building "
     "wheel for some", "no ready build for this Python", "build-essential"),
    ("pip", "WARNING: The directory '/root/.cache/pip' or its parent directory is not owned or is not writable by the "
     "current user.\nerror: can't find Rust compiler", "no ready build for this Python", "PYTHON"),
    ("pip", "ERROR: No matching distribution found for fastcrc>=0.3.3", "has not what is needed", "pip config list"),
    ("pip", "something new", "something new", "then run it again"),
]  # fmt: skip


@pytest.mark.parametrize(("who", "words", "cause", "remedy"), CAUSES, ids=[f"{c[0]}-{c[2]}" for c in CAUSES])
def test_a_cause_is_named_and_its_remedy_helps(it: Checkout, who: str, words: str, cause: str, remedy: str) -> None:
    """Exit 3; no compiler is blamed that is not the cause; the same command goes through once the cause is gone."""
    (it.says / who).write_text(words.replace("{top}", str(it.top)))
    for _ in range(2):
        ran = it.run()
        assert ran.returncode == 3 and ran.stdout == ""
        error, next_step = ran.stderr.strip().split("\n")[-2:]
        assert error.startswith("error: ") and cause in error, ran.stderr
        assert next_step.startswith("  next: ") and remedy in next_step
        assert ("build-essential" in ran.stderr) == ("no ready build" in cause)
    (it.says / who).unlink()
    assert went_well(it.run())


@pytest.mark.parametrize("half", ["gone python", "no pip", "nothing", "moved"])
def test_a_half_made_environment_is_made_anew(it: Checkout, half: str) -> None:
    """The Python it was made from is gone; it was made without pip; only the folder is there; the checkout moved."""
    assert half == "nothing" or went_well(it.run())
    binary = it.top / ".venv" / "bin" / "python"
    if half == "gone python":
        binary.unlink()
        binary.symlink_to("/nowhere/python3")
    elif half == "no pip":
        (it.says / "no-pip").touch()
    elif half == "moved":
        it.top = it.top.rename(it.top.with_name("elsewhere"))
    else:
        (it.top / ".venv").mkdir()
    before = it.calls()
    if half == "gone python":
        binary.unlink()  # what `venv --clear` does
    assert went_well(it.run()) and it.calls() == before + 1
    assert went_well(it.run()) and it.calls() == before + 1


def test_a_python_without_ensurepip(it: Checkout) -> None:
    """Debian keeps it in a package of its own. Nothing half-made is left, and the remedy helps."""
    (it.says / "no-ensurepip").touch()
    ran = it.run(PYTHON="python3.13")
    assert ran.returncode == 3 and "apt-get install python3-venv" in ran.stderr and it.calls() == 0
    (it.says / "no-ensurepip").unlink()
    assert went_well(it.run(PYTHON="python3.13"))


@pytest.mark.parametrize("python", ["/nowhere/python3", "true", "old"])
def test_a_python_that_does_not_serve_is_said(it: Checkout, python: str, tmp_path: Path) -> None:
    """None is taken in its place; without PYTHON the first that serves is."""
    old = tmp_path / "bin" / "old"
    old.write_text("#!/bin/sh\nexit 1\n")  # what one before 3.11 answers to the question
    old.chmod(0o755)
    ran = it.run(PYTHON=python)
    assert ran.returncode == 3 and f"PYTHON is {python}" in ran.stderr and it.calls() == 0
    assert went_well(it.run())


@pytest.mark.parametrize("locale", ["C", "POSIX", "C.UTF-8"])
def test_letters_and_blanks_in_the_path(tmp_path: Path, locale: str) -> None:
    (tmp_path / "Lese saal – 日本").mkdir()
    it = checkout(tmp_path / "Lese saal – 日本")
    assert went_well(it.run(LC_ALL=locale)) and went_well(it.run(LC_ALL=locale)) and it.calls() == 1


def test_from_anywhere(it: Checkout, tmp_path: Path) -> None:
    """Through a link, a link to a link, a relative path, and with CDPATH set, which makes `cd` print and go astray."""
    (tmp_path / "there").mkdir()
    (tmp_path / "there" / "show-it").symlink_to("../it/demo/run")
    (tmp_path / "again").symlink_to(tmp_path / "there" / "show-it")
    (tmp_path / "demo").mkdir()
    assert went_well(it.run(str(tmp_path / "there" / "show-it")))
    assert went_well(it.run(str(tmp_path / "again")))
    assert went_well(it.run("demo/run", cwd=it.top, CDPATH=str(tmp_path)))
    assert went_well(it.run("it/demo/run", cwd=tmp_path, CDPATH=f"{tmp_path}:/"))


def test_two_at_once_take_turns(it: Checkout) -> None:
    """One sets up, the other waits for it; both end well."""
    words = [program("bash"), str(it.top / "demo" / "run")]
    both = [subprocess.Popen(words, env=it.env, stdout=subprocess.PIPE, text=True) for _ in range(2)]
    said = [one.communicate(timeout=60)[0] for one in both]
    assert [one.returncode for one in both] == [0, 0] and said == ["shown\n"] * 2
    assert it.calls() == 1

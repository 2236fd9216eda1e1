"""Makes the virtual environment .venv of this checkout, once, and says what is in the way in its own words.

    python .ci/setup.py [EXTRA]

Whoever runs it is the Python that .venv gets. EXTRA is one of pyproject.toml's, such as `test`. Ends with 0 when .venv
has it all; it then has cost a few milliseconds if it was done before, and needed no network. Else 3, with the cause and
the remedy on stderr; after the remedy the same call goes through, whatever was left half made.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NoReturn

TOP = Path(__file__).resolve().parent.parent
VENV = TOP / ".venv"
PYTHON = VENV / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
STAMP = VENV / "stamp.json"
LOG = VENV / "pip.log"
PYTHONS = "3.11 to 3.15"  # those that tests/test_wheels.py finds ready builds for
DEBIAN_VENV = "apt-get install python3-venv (Debian and its kin), or set PYTHON to a Python that has both"


class InTheWay(Exception):
    """`next_step`: what the user can do about it."""

    def __init__(self, cause: str, next_step: str) -> None:
        super().__init__(cause)
        self.next_step = next_step


def set_up(extra: str = "") -> Path:
    """Returns the path of .venv's Python once `extra` is installed there.

    Raises:
        InTheWay: the cause, the remedy
    """
    if sys.version_info < (3, 11):
        raise InTheWay(
            f"Python 3.11 or newer is needed, {sys.executable} is {sys.version.split()[0]}",
            "apt-get install python3 python3-venv, or set PYTHON to a newer one",
        )
    if _done(extra):
        return PYTHON
    with _alone():
        if not _done(extra):  # else somebody did it while we waited
            _make()
            _install(extra)
    return PYTHON


def _mark() -> dict[str, str]:
    """What .venv must have been made for: this place, and what pyproject.toml asks for."""
    return {"place": str(TOP), "needed": hashlib.sha256((TOP / "pyproject.toml").read_bytes()).hexdigest()}


def _stamp() -> dict[str, Any]:
    try:
        read: dict[str, Any] = json.loads(STAMP.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return read


def _done(extra: str) -> bool:
    stamp = _stamp()
    return stamp.get("mark") == _mark() and extra in stamp.get("extras", []) and _serves()


def _serves() -> bool:
    """Whether .venv is whole: its Python starts, has pip, and is the one that PYTHON asks for."""
    wanted = f"{sys.version_info[0]}.{sys.version_info[1]}" if os.environ.get("PYTHON") else ""
    ask = "import sys, importlib.util as u; print('%d.%d' % sys.version_info[:2], bool(u.find_spec('pip')))"
    try:
        said = subprocess.run([PYTHON, "-I", "-c", ask], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, check=False)
    except OSError:
        return False
    version, _, pip = said.stdout.decode("ascii", "replace").strip().partition(" ")
    return said.returncode == 0 and pip == "True" and wanted in ("", version)


@contextlib.contextmanager
def _alone() -> Iterator[None]:
    """Two that set up at once take turns: a lock on a byte beyond the end of pyproject.toml, which leaves no file."""
    with (TOP / "pyproject.toml").open("rb") as file:
        if os.name == "nt":
            import msvcrt

            file.seek(1 << 30)
            while True:
                try:
                    msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
                    break
                except OSError:
                    time.sleep(0.5)
        else:
            import fcntl

            with contextlib.suppress(OSError):  # a file system without locks: as if alone
                fcntl.flock(file, fcntl.LOCK_EX)
        yield


def _make() -> None:
    """A .venv with pip; one that serves is kept, unless the checkout was moved since."""
    import importlib.util

    if _serves() and _stamp().get("mark", _mark())["place"] == str(TOP):
        return
    if not (importlib.util.find_spec("venv") and importlib.util.find_spec("ensurepip")):
        raise InTheWay(f"{sys.executable} cannot make an environment: it comes without venv or ensurepip", DEBIAN_VENV)
    base = getattr(sys, "_base_executable", None) or sys.executable  # not the one that is cleared away
    code, said = _run([base, "-m", "venv", "--clear", str(VENV)])
    if code:
        _blame(said, "the environment .venv could not be made")
    _note(set())


def _install(extra: str) -> None:
    print("Setting up .venv (once) ...", file=sys.stderr, flush=True)
    wanted = f".[{extra}]" if extra else "."
    code, said = _run([str(PYTHON), "-m", "pip", "install", "--quiet", "--disable-pip-version-check", "-e", wanted])
    with contextlib.suppress(OSError):
        LOG.write_text(said, encoding="utf-8")
    if code:
        print(*said.strip().split("\n")[-5:], sep="\n", file=sys.stderr)
        _blame(said, f"the packages could not be installed (the whole story is in {LOG})")
    kept = _stamp()
    _note({extra, "", *(kept["extras"] if kept.get("mark") == _mark() else ())})


def _note(extras: set[str]) -> None:
    """What is done; whoever has an extra has what a run needs."""
    try:
        STAMP.write_text(json.dumps({"mark": _mark(), "extras": sorted(extras)}), encoding="utf-8")
    except OSError as error:
        _blame(str(error), "the set-up could not be noted")


def _run(words: list[str]) -> tuple[int, str]:
    """Exit status, and all that was said. In UTF-8, which the checkout's path may need whatever the locale is."""
    env = {**os.environ, "PYTHONUTF8": "1", "PIP_NO_INPUT": "1"}
    done = subprocess.run(words, cwd=TOP, env=env, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, check=False)
    return done.returncode, done.stdout.decode("utf-8", "replace")


_CAUSES = (  # pattern in what was said; cause; remedy. The first that is found is told
    (r"No space left on device", "the disk is full", "make room there, then run it again"),
    (rf"(Permission denied|Read-only file system)[^\n]*{re.escape(str(TOP))}",
     f"{TOP} cannot be written by this user", "make it yours (chown), or copy the checkout to a folder of your own"),
    (r"ensurepip is not available|No module named (ensurepip|pip|venv)",
     f"{sys.executable} makes environments without pip", DEBIAN_VENV),
    (r"[Tt]emporary failure in name resolution|[Nn]ame or service not known|NameResolutionError|getaddrinfo failed"
     r"|nodename nor servname|Network is unreachable|Failed to establish a new connection|[Cc]onnection refused"
     r"|ConnectTimeout|[Rr]ead timed out|ProxyError|SSLError|CERTIFICATE_VERIFY_FAILED|HTTP error 5\d\d",
     "the package registry cannot be reached", "check the network (and proxy, and pip's settings), then run it again"),
    (r"No module named cmake|CMake must be installed|[Uu]nable to find (cmake|a compiler)"
     r"|command '?[^ ']*(gcc|cc|clang|g\+\+|c\+\+)'? failed|[Uu]nable to execute '?[^ ']*(gcc|cc|clang)"
     r"|Microsoft Visual C\+\+|[Uu]nknown compiler|can't find Rust compiler|rustc|No CMAKE_C(XX)?_COMPILER"
     r"|Python\.h: No such file",
     "a package has no ready build for this Python, and what builds it is not here",
     f"set PYTHON to one that has ready builds ({PYTHONS}), or apt-get install build-essential python3-dev cmake"),
    (r"No matching distribution found|Could not find a version that satisfies",
     "the package registry that pip asks has not what is needed, or not for this Python",
     f"check pip's index (pip config list), or set PYTHON to Python {PYTHONS}"),
)  # fmt: skip


def _blame(said: str, otherwise: str) -> NoReturn:
    """Raises the cause that the words of venv or pip tell."""
    if not os.access(VENV if VENV.exists() else TOP, os.W_OK):
        said = f"Permission denied: {TOP}"
    for pattern, cause, next_step in _CAUSES:
        if re.search(pattern, said):
            raise InTheWay(cause, next_step)
    raise InTheWay(f"{otherwise}: {said.strip().splitlines()[-1] if said.strip() else 'no word why'}",
                   "mend what it says, then run it again")  # fmt: skip


def main() -> int:
    try:
        set_up(*sys.argv[1:2])
    except InTheWay as error:
        print(f"error: {error}\n  next: {error.next_step}", file=sys.stderr)
        return 3
    except KeyboardInterrupt:
        print("interrupted: the next run goes on", file=sys.stderr)
        return 130
    return 0


if __name__ == "__main__":
    sys.exit(main())

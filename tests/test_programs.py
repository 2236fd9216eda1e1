"""What a skipped test says helps: the package it names has the program, and CI installs it. Other people's warnings
fail nothing."""

from __future__ import annotations

import ast
import re
import shutil
import subprocess
import warnings
from functools import cache
from pathlib import Path

import pytest
from support.programs import PACKAGES

ROOT = Path(__file__).resolve().parent.parent


@cache
def named() -> dict[str, str]:
    """Each program that a test asks for by name, with the package that would be told."""
    found = {}
    for path in (ROOT / "tests").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "program":
                words = [word.value for word in node.args if isinstance(word, ast.Constant)]
                if words and len(words) == len(node.args):
                    found[words[0]] = PACKAGES.get(words[0], words[-1])
    return found


def test_every_package_named_is_installed_by_ci() -> None:
    """Or is essential to every Debian (`Essential: yes` or `Priority: required`, Debian Policy 2.5 and 3.8)."""
    text = (ROOT / ".ci" / "run").read_text()
    (listed,) = re.findall(r'packages="([^"]*)"', text)
    base = {"bash", "coreutils", "dash", "gzip", "mount", "tar", "util-linux"}
    assert set(named().values()) <= base | set(listed.split())


def test_the_package_has_the_program() -> None:
    """Debian's own record of it (dpkg -S) is the judge."""
    if shutil.which("dpkg-query") is None:
        pytest.skip("needs Debian's dpkg")
    asked = named()
    places: dict[str, set[str]] = {}
    for name in asked:
        path = shutil.which(name) or shutil.which(name, path="/usr/sbin:/sbin")
        if path:
            parent = Path(path).parent.resolve()
            places[name] = {path, str(Path(path).resolve()), str(parent / name), f"/bin/{name}", f"/sbin/{name}"}
    words = ["dpkg-query", "-S", *sorted(set().union(*places.values()))]
    owners: dict[str, set[str]] = {}
    for line in subprocess.run(words, capture_output=True, text=True, check=False).stdout.splitlines():
        package, _, path = line.partition(": ")
        owners.setdefault(path, set()).add(package.split(":")[0])
    wrong = {}
    for name, paths in places.items():
        having = set().union(*(owners.get(path, set()) for path in paths))
        if having and asked[name] not in having:
            wrong[name] = having
    assert wrong == {}


@pytest.mark.parametrize("kind", [DeprecationWarning, PendingDeprecationWarning, FutureWarning])
def test_only_our_own_use_of_what_is_old_fails(kind: type[Warning]) -> None:
    """A warning is of the module that does what is warned of (Python's `warnings`)."""
    with warnings.catch_warnings(record=True) as heard:
        warnings.warn_explicit("old", kind, "x.py", 1, module="somebody.else")
    assert [one.category for one in heard] == [kind]
    with pytest.raises(kind):
        warnings.warn_explicit("old", kind, "x.py", 1, module="discprep.cli")


# Of Python's library, what only POSIX systems have ("Availability: Unix" in its documentation).
POSIX = {"fcntl", "grp", "posix", "pty", "pwd", "resource", "syslog", "termios", "tty"}


def unguarded(source: str) -> set[str]:
    """What of POSIX alone a module imports as it is imported, with no word before of the systems that lack it."""
    found: set[str] = set()
    for node in ast.parse(source).body:
        if isinstance(node, ast.If) and "sys.platform" in ast.unparse(node.test):
            break
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            found.add(node.module or "")
    return found & POSIX


def test_every_test_module_can_be_imported_anywhere() -> None:
    """Elsewhere its tests are skipped with a reason, and the others run."""
    assert unguarded("import os\nimport pty\nfrom fcntl import flock\n") == {"pty", "fcntl"}
    found = {
        str(path.relative_to(ROOT)): unguarded(path.read_text("utf-8"))
        for path in (ROOT / "tests").rglob("*.py")
        if "bench" not in path.parts
    }
    assert {name: modules for name, modules in found.items() if modules} == {}

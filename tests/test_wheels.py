"""Every library a run needs has a ready wheel for every Python and system that discprep says it runs on: no compiler.

A step of its own in `tests/run` (marker `registry`): it asks the package registry, one resolution a Python and system.
"""

import json
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest

packaging = pytest.importorskip("packaging.requirements")

TOP = Path(__file__).resolve().parent.parent
PROJECT = tomllib.loads((TOP / "pyproject.toml").read_text("utf-8"))["project"]
# Platform tags of wheels (PEP 600, PEP 425), newest first, and what environment markers see there (PEP 508).
SYSTEMS = {
    "Linux x86-64": (
        ["manylinux_2_28_x86_64", "manylinux_2_17_x86_64", "manylinux2014_x86_64"],
        {"sys_platform": "linux", "platform_system": "Linux", "os_name": "posix", "platform_machine": "x86_64"},
    ),
    "Linux arm64": (
        ["manylinux_2_28_aarch64", "manylinux_2_17_aarch64", "manylinux2014_aarch64"],
        {"sys_platform": "linux", "platform_system": "Linux", "os_name": "posix", "platform_machine": "aarch64"},
    ),
    "macOS arm64": (
        ["macosx_14_0_arm64", "macosx_11_0_arm64", "macosx_11_0_universal2"],
        {"sys_platform": "darwin", "platform_system": "Darwin", "os_name": "posix", "platform_machine": "arm64"},
    ),
    "macOS x86-64": (
        ["macosx_14_0_x86_64", "macosx_11_0_x86_64", "macosx_11_0_universal2"],
        {"sys_platform": "darwin", "platform_system": "Darwin", "os_name": "posix", "platform_machine": "x86_64"},
    ),
    "Windows": (
        ["win_amd64"],
        {"sys_platform": "win32", "platform_system": "Windows", "os_name": "nt", "platform_machine": "AMD64"},
    ),
}
PYTHONS = ["3.11", "3.12", "3.13", "3.14", "3.15"]


def wanted(lines: list[str], environment: dict[str, str]) -> set[str]:
    """The requirements that hold in an environment, without their markers."""
    found = [packaging.Requirement(line) for line in lines]
    return {f"{one.name}{one.specifier}" for one in found if one.marker is None or one.marker.evaluate(environment)}


def resolved(requirements: set[str], python: str, tags: list[str]) -> list[dict[str, Any]]:
    """What pip would install, wheels only; its error in words else."""
    newer = tuple(map(int, python.split("."))) > sys.version_info[:2]
    done = subprocess.run(
        [sys.executable, "-m", "pip", "install", "--dry-run", "--quiet", "--ignore-installed", "--target", "nowhere",
         "--only-binary=:all:", "--python-version", python, "--report", "-",
         # It looks at the running Python once more in the end; a newer one's wheels are told by their tags.
         *["--ignore-requires-python"] * newer, *[f"--platform={tag}" for tag in tags], *sorted(requirements)],
        capture_output=True, text=True, timeout=300, cwd=TOP / "tests",
    )  # fmt: skip
    if done.returncode and "No matching distribution" not in done.stderr and "Impossible" not in done.stderr:
        pytest.skip(f"the package registry does not answer: {done.stderr.strip().splitlines()[-1:]}")
    assert done.returncode == 0, done.stderr
    return [one["metadata"] for one in json.loads(done.stdout)["install"]]


def plain(name: str) -> str:
    return name.lower().replace("_", "-").replace(".", "-")


@pytest.mark.registry
@pytest.mark.parametrize("python", PYTHONS)
@pytest.mark.parametrize("system", SYSTEMS)
def test_nothing_is_compiled(system: str, python: str) -> None:
    """All run-time libraries resolve with wheels only. pip sees this system's markers: what other markers of the
    libraries found bring in is asked for in a second round."""
    tags, markers = SYSTEMS[system]
    environment = markers | {
        "python_version": python, "python_full_version": f"{python}.0", "implementation_name": "cpython",
        "platform_python_implementation": "CPython", "extra": "",
    }  # fmt: skip
    asked = wanted(PROJECT["dependencies"], environment)
    for _ in range(3):
        found = resolved(asked, python, tags)
        names = {plain(one["name"]) for one in found}
        needed = {line for one in found for line in wanted(one.get("requires_dist", []), environment)}
        missing = {line for line in needed if plain(packaging.Requirement(line).name) not in names}
        if not missing:
            break
        asked |= missing
    assert not missing
    assert "pydantic" in names


def test_the_pythons_are_those_that_are_told() -> None:
    """The classifiers name the versions that are resolved."""
    told = [line.rpartition(" ")[2] for line in PROJECT["classifiers"] if "Python :: 3." in line]
    assert told == PYTHONS
    assert PROJECT["requires-python"] == f">={PYTHONS[0]}"
    assert f'"{PYTHONS[0]} to {PYTHONS[-1]}"' in (TOP / ".ci" / "setup.py").read_text("utf-8")

"""What a start imports: a command that needs no network, no solver and no page loads none of what serves those."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
READY = str(ROOT / "manifests/map-table.toml")
# Taken from what `python -X importtime` showed to cost ten milliseconds and more, or to open sockets and processes.
HEAVY = ("requests", "urllib3", "http.client", "ssl", "asyncio", "multiprocessing", "concurrent.futures", "sqlite3",
         "highspy", "numpy", "jinja2", "tqdm", "tomlkit", "lhafile", "rich", "platformdirs")  # fmt: skip
PRINT = (
    "import sys, discprep.cli as c\ntry: c.main(sys.argv[1:])\nexcept SystemExit: print(*sys.modules, file=sys.stderr)"
)


def imported(*arguments: str) -> set[str]:
    """The modules in memory at the end of a run of its own."""
    run = subprocess.run([sys.executable, "-c", PRINT, *arguments], capture_output=True, text=True, timeout=60)
    assert "discprep.cli.frame" in run.stderr, run.stderr
    return set(run.stderr.splitlines()[-1].split())


@pytest.mark.parametrize("arguments", [("--help",), ("check", READY), ("check", READY, "--json", "--quiet")])
def test_a_start_loads_nothing_heavy(arguments: tuple[str, ...]) -> None:
    """Neither help nor `check` loads what only fetching, solving, unpacking or drawing needs."""
    assert imported(*arguments).isdisjoint(HEAVY)


def test_help_loads_no_records_and_no_schema() -> None:
    """The list of commands needs neither the manifest's records nor what checks them."""
    found = imported("--help")
    assert found.isdisjoint({"discprep.model", "discprep.manifest", "pydantic"})


def test_the_list_of_heavy_modules_can_fail() -> None:
    """The way the modules are counted sees them: a check has the records and the schema."""
    assert {"discprep.model", "discprep.manifest.load", "pydantic"} <= imported("check", READY)

"""README.md and DEVELOPERS.md name what exists: commands, paths, options; the README's manifest loads."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from support.command import run

from discprep.cli import COMMANDS
from discprep.manifest import load_manifest

ROOT = Path(__file__).resolve().parent.parent
PAGES = {name: (ROOT / name).read_text(encoding="utf-8") for name in ("README.md", "DEVELOPERS.md")}


@pytest.mark.parametrize("page", PAGES)
def test_every_command_named_exists(page: str) -> None:
    """Each `discprep WORD` is a command."""
    named = set(re.findall(r"discprep ([a-z][a-z-]+)", PAGES[page].replace("python -m discprep", "discprep")))
    prose = {"does", "shows", "writes", "is", "and", "itself", "only"}
    assert named - prose <= set(COMMANDS)


def test_the_readme_names_every_command() -> None:
    assert [
        name
        for name in COMMANDS
        if f"`{name}" not in PAGES["README.md"] and f"discprep {name}" not in PAGES["README.md"]
    ] == []


@pytest.mark.parametrize("page", PAGES)
def test_every_path_named_exists(page: str) -> None:
    """Each path of the repository in backticks, patterns included."""
    top = r"(?:discprep|tests|demo|manifests|\.ci)/[\w./*-]*"
    named = {path for path in re.findall(rf"`({top})`", PAGES[page]) if "NAME" not in path}
    made = {path for path in named if path.startswith("demo/out")}
    missing = [path for path in sorted(named - made) if not list(ROOT.glob(path.rstrip("/")))]
    assert len(named) > 3 and missing == []


@pytest.mark.parametrize("page", PAGES)
def test_every_option_named_exists(page: str) -> None:
    """Each long option in backticks is one of some command."""
    helps = "".join(run(*name, "--help").out for name in ([], *([name] for name in COMMANDS)))
    named = set(re.findall(r"(?<![\w-])(--[a-z][a-z-]+)", PAGES[page]))
    assert named - set(re.findall(r"--[a-z][a-z-]+", helps)) == set()


def test_the_manifest_in_the_readme_loads(tmp_path: Path) -> None:
    """The example of the tour, with a stand-in for the item it needs."""
    (example,) = re.findall(r"```toml\n(.*?)```", PAGES["README.md"], re.DOTALL)
    text = example.replace("machines/", f"{ROOT}/manifests/machines/")
    other = '[[item]]\nid = "line-driver"\npage = "http://files.example/"\ngives = ["serial-driver"]\n'
    (tmp_path / "first.toml").write_text(text + other)
    assert load_manifest(tmp_path / "first.toml").item("ip-tools").edits[0].replace == "rate=38400"


def test_the_demonstration_prints_what_the_readme_shows() -> None:
    """The commands shown are those that the demonstration runs."""
    show = (ROOT / "demo" / "show.py").read_text(encoding="utf-8")
    for command in re.findall(r"^\$ discprep (\w+)", PAGES["README.md"], re.MULTILINE):
        assert f'discprep("{command}"' in show

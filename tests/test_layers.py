"""The import table of DEVELOPERS.md holds. Files are read, never imported: a cycle would fail before it is named."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent / "discprep"
# Top first: a part imports only from parts further down.
LAYERS = ["cli", "job", "report", "serve", "disc", "plan", "archives", "fetch", "peer", "link", "manifest",
          "shapes", "machine", "model", "members", "units", "errors"]  # fmt: skip
ONLY = {"plan": {"model", "units", "errors"}}
FREE = {"__init__", "__main__"}


def part_of(module: str) -> str:
    return module.split(".")[1] if "." in module else ""


def imports(path: Path) -> set[str]:
    """Dotted names below `discprep` that a file imports, wherever in the file."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert not node.level, f"{path}: relative import, write it out"
            found |= {node.module or ""} | {f"{node.module}.{alias.name}" for alias in node.names}
    return {name for name in found if name.startswith("discprep.")}


FILES = sorted(ROOT.rglob("*.py"))


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(ROOT)))
def test_imports_point_down(path: Path) -> None:
    """A part imports only its own modules and parts further down the table."""
    own = path.relative_to(ROOT).parts[0].removesuffix(".py")
    if own in FREE:
        return
    allowed = ONLY.get(own) or set(LAYERS[LAYERS.index(own) + 1 :])
    parts = {part_of(name) for name in imports(path)} - {own, "__version__"}
    assert parts <= allowed, f"{path} imports {sorted(parts - allowed)}; it may import {sorted(allowed)}"


def test_every_part_stands_in_the_table() -> None:
    """A new folder or module at the package's top has a row in the table."""
    parts = {p.name.removesuffix(".py") for p in ROOT.iterdir() if p.suffix == ".py" or p.is_dir()}
    assert parts - FREE - {"__pycache__", "py.typed"} == set(LAYERS)


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(ROOT)))
def test_descriptors_of_files_are_binary(path: Path) -> None:
    """Python's documentation of `os.open`: O_BINARY exists on Windows alone, where the default is text mode. Whatever
    reads or writes bytes through a descriptor names it; devices, folders and the null device need none."""
    calls = (node for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))) if isinstance(node, ast.Call))
    for words in (ast.unparse(call) for call in calls if ast.unparse(call.func) == "os.open"):
        assert any(word in words for word in ("BINARY", "os.devnull", "O_DIRECTORY", "O_NONBLOCK")), words

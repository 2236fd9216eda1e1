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


def imports(tree: ast.Module, path: Path) -> set[str]:
    """Dotted names below `discprep` that a file imports, wherever in the file."""
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert not node.level, f"{path}: relative import, write it out"
            found |= {node.module or ""} | {f"{node.module}.{alias.name}" for alias in node.names}
    return {name for name in found if name.startswith("discprep.")}


@pytest.fixture(scope="module")
def trees() -> dict[Path, ast.Module]:
    """Every file of the package, by its path in it."""
    return {path.relative_to(ROOT): ast.parse(path.read_text(encoding="utf-8")) for path in sorted(ROOT.rglob("*.py"))}


def test_imports_point_down(trees: dict[Path, ast.Module]) -> None:
    """A part imports only its own modules and parts further down the table."""
    wrong = []
    for path, tree in trees.items():
        own = path.parts[0].removesuffix(".py")
        if own in FREE:
            continue
        allowed = ONLY.get(own) or set(LAYERS[LAYERS.index(own) + 1 :])
        parts = {part_of(name) for name in imports(tree, path)} - {own, "__version__"}
        if not parts <= allowed:
            wrong.append(f"{path} imports {sorted(parts - allowed)}; it may import {sorted(allowed)}")
    assert len(trees) > 200 and not wrong, "\n".join(wrong)


def test_every_part_stands_in_the_table() -> None:
    """A new folder or module at the package's top has a row in the table."""
    parts = {p.name.removesuffix(".py") for p in ROOT.iterdir() if p.suffix == ".py" or p.is_dir()}
    assert parts - FREE - {"__pycache__", "py.typed"} == set(LAYERS)


def test_descriptors_of_files_are_binary(trees: dict[Path, ast.Module]) -> None:
    """Python's documentation of `os.open`: O_BINARY exists on Windows alone, where the default is text mode. Whatever
    reads or writes bytes through a descriptor names it; devices, folders and the null device need none."""
    calls = [(path, node) for path, tree in trees.items() for node in ast.walk(tree) if isinstance(node, ast.Call)]
    opens = ((path, call) for path, call in calls if getattr(call.func, "attr", "") == "open")
    opened = [(path, words) for path, call in opens if (words := ast.unparse(call)).startswith("os.open(")]
    named = ("BINARY", "os.devnull", "O_DIRECTORY", "O_NONBLOCK")
    assert opened and [one for one in opened if not any(word in one[1] for word in named)] == []

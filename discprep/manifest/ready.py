"""The ready machine profiles and manifests that discprep comes with: beside the package in a checkout, inside it where
it was installed (`manifests/packing.py` puts them there)."""

from __future__ import annotations

import re
from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent.parent


def folder() -> Path:
    """Where they lie."""
    inside = _PACKAGE / "ready"
    return inside if inside.is_dir() else _PACKAGE.parent / "manifests"


def profiles() -> dict[str, Path]:
    """The machine profiles by name."""
    return {path.stem: path for path in sorted((folder() / "machines").glob("*.toml"))}


def manifests() -> tuple[Path, ...]:
    """The whole manifests."""
    return tuple(sorted(folder().glob("*.toml")))


def told(path: Path) -> str:
    """What a file says of itself: the sentences of the comment at its beginning."""
    lines = []
    for line in path.read_text("utf-8").splitlines():
        if not line.startswith("#"):
            break
        lines.append(line.lstrip("# "))
    return re.split(r"(?<=\.)\s", " ".join(lines).strip())[0]

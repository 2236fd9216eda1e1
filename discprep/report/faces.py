"""What the faces of all commands share: a record as JSON holds it, and lines that make a text."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import fields, is_dataclass
from functools import wraps
from pathlib import Path
from typing import Any, ParamSpec

P = ParamSpec("P")


def as_text(lines: Callable[P, Iterable[str]]) -> Callable[P, str]:
    """What a function tells line by line, as one text."""

    @wraps(lines)
    def text(*args: P.args, **kwargs: P.kwargs) -> str:
        return "\n".join(lines(*args, **kwargs))

    return text


def picked(record: Any, *names: str) -> dict[str, Any]:
    """These fields (or properties) of a record by name, all its fields where none is named, as JSON holds them.

    >>> from discprep.model import Step
    >>> picked(Step("desk", "Look.", after=("maps",)), "at", "after")
    {'at': 'desk', 'after': ['maps']}
    """
    return {name: plain(getattr(record, name)) for name in names or [field.name for field in fields(record)]}


def plain(value: Any) -> Any:
    """A value as JSON holds it: a record as its fields by name, a path as text, every sequence as a list."""
    if is_dataclass(value):
        return picked(value)
    if isinstance(value, Path):
        return str(value)
    if isinstance(value, Mapping):
        return {key: plain(inner) for key, inner in value.items()}
    return [plain(inner) for inner in value] if isinstance(value, list | tuple) else value

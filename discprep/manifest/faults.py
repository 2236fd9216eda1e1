"""Pydantic's findings in the words of discprep: file, line and item, expected and got, the nearest known key."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator, Mapping
from itertools import islice
from typing import Any, get_args

from pydantic import BaseModel, ValidationError

from discprep.errors import ManifestError
from discprep.manifest.lines import LineIndex
from discprep.manifest.substitute import shorten

MOST_MISSPELT = 100  # unknown keys of one table that may have meant another: each costs a look at all known ones
_WORDS = {
    "string_type": "a text in quotes",
    "int_type": "a whole number",
    "float_type": "a number",
    "bool_type": "true or false",
    "list_type": "a list in brackets",
    "dict_type": "a table",
    "model_type": "a table",
}


def explain(
    error: ValidationError,
    model: type[BaseModel],
    data: Mapping[str, Any],
    file: str,
    lines: LineIndex,
    prefix: tuple[str | int, ...] = (),
    item: str = "",
) -> list[ManifestError]:
    """One `ManifestError` for each of pydantic's errors in `data`; branches of a choice that failed alike are told
    once."""
    found: dict[tuple[str | int, ...], list[Any]] = {}
    for detail in error.errors(include_url=False):
        location = prefix + tuple(_keys(detail["loc"], data))
        found.setdefault(location, []).append(detail)
    return [_one(location, details, model, file, lines, len(prefix), item) for location, details in found.items()]


def _keys(location: Iterable[str | int], data: Any) -> Iterator[str | int]:
    """A location without the branches of a union and the validators that pydantic names in it. A key of the user's may
    be called as they are: it is one where the data has it."""
    for part in location:
        here = data if isinstance(data, Mapping) else {}
        if isinstance(part, str) and part not in here and (part in {"int", "str", "float", "bool"} or "[" in part):
            continue
        data = here.get(part) if isinstance(part, str) else data[part] if isinstance(data, list) else data
        yield part


def _one(
    location: tuple[str | int, ...],
    details: list[Any],
    model: type[BaseModel],
    file: str,
    lines: LineIndex,
    skip: int,
    item: str,
) -> ManifestError:
    detail = details[0]
    where = f"{file}:{lines.line(location)}" if lines.line(location) else file
    key = dotted(location)
    kind = detail["type"]
    if kind == "extra_forbidden":
        known = keys_at(model, location[skip:-1])
        near = _nearest(str(location[-1]), known)
        hint = f"Did you mean {near!r}?" if near else f"Known keys here: {', '.join(known)}."
        return ManifestError(f"unknown key {key!r}", where=where, item=item, hint=hint)
    if kind == "missing":
        return ManifestError(
            f"the key {key!r} is missing", where=where, item=item, hint=f"Add {location[-1]} = … there."
        )
    got = shorten(repr(detail.get("input")), 80)
    expected = " or ".join(dict.fromkeys(_expected(one) for one in details))
    if kind == "value_error":
        return ManifestError(f"{key}: {expected}" if key else expected, where=where, item=item)
    return ManifestError(f"{key}: expected {expected}, got {got}", where=where, item=item)


def _nearest(key: str, known: list[str]) -> str:
    return next(iter(difflib.get_close_matches(key, known, 1, 0.5)), "")


def faulty_keys(error: ValidationError, model: type[BaseModel]) -> tuple[set[str | int], set[str | int]]:
    """The top keys with a fault, and those that are in doubt by it: they, and what an unknown key may have meant."""
    known = keys_at(model, ())
    faulty = {detail["loc"][0] for detail in error.errors(include_url=False) if detail["loc"]}
    unknown = islice((str(key) for key in faulty if key not in known), MOST_MISSPELT)
    return faulty, faulty | {_nearest(key, known) for key in unknown}


def _expected(detail: Any) -> str:
    kind, context = detail["type"], detail.get("ctx", {})
    if kind in _WORDS:
        return _WORDS[kind]
    if kind == "literal_error":
        return "one of " + str(context["expected"]).replace(" or ", ", ")
    if kind == "string_pattern_mismatch":
        return f"a text of the form {context['pattern']}"
    if kind == "value_error":
        return str(context["error"])
    message = str(detail["msg"])
    return message.removeprefix("Input should be ").removeprefix("Value error, ")


def dotted(location: Iterable[str | int]) -> str:
    """`("item", 0, "edit", 1, "find")` as `item[1].edit[2].find`, counted from 1 as people do."""
    text = ""
    for part in location:
        name = shorten(part) if isinstance(part, str) else ""
        text += f"[{part + 1}]" if isinstance(part, int) else f".{name}" if text else name
    return text


def keys_at(model: type[BaseModel], location: Iterable[str | int]) -> list[str]:
    """The keys a table may have, by walking the models along `location`."""
    current: type[BaseModel] | None = model
    for part in location:
        if isinstance(part, int) or current is None:
            continue
        field = next((f for name, f in current.model_fields.items() if (f.alias or name) == part), None)
        current = _model_in(field.annotation) if field else None
    return [f.alias or name for name, f in current.model_fields.items()] if current else []


def _model_in(annotation: Any) -> type[BaseModel] | None:
    """The table model inside `list[X]`, `X | None` and the like."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((m for m in map(_model_in, get_args(annotation)) if m), None)

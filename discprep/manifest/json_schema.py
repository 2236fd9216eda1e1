"""What `schema.py` takes, as JSON Schema (draft 2020-12) for an editor that completes and checks.

What a key means is said once, in the pages of `keys/`, behind the key; here it becomes the key's description.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from importlib.resources import files
from typing import Any

import tomlkit
from pydantic import BaseModel
from pydantic.json_schema import GenerateJsonSchema
from tomlkit.items import AoT, Comment, Item, Table

from discprep.manifest import schema as s

Keys = tuple[str, ...]
Json = dict[str, Any]
ANY = "*"
"""Stands in a path for a name that the user chooses: `("secrets", ANY, "env")`."""

_LEFT_OUT = re.compile(r"^# (?=[a-z][a-z0-9_]* *= )", re.MULTILINE)


def manifest_schema() -> Json:
    """The manifest."""
    return _described(s.ManifestTable, meanings("manifest.toml"))


def include_schema() -> Json:
    """A file that manifests include."""
    return _described(s.IncludedTable, meanings("manifest.toml"))


def profile_schema() -> Json:
    """The machine profile."""
    return _described(s.ProfileTable, meanings("profile.toml"))


class _Plain(GenerateJsonSchema):
    """As pydantic makes it, without what TOML lacks (null) and without titles that repeat the key."""

    def nullable_schema(self, schema: Any) -> Json:
        return self.generate_inner(schema["schema"])

    def default_schema(self, schema: Any) -> Json:
        made = super().default_schema(schema)
        return {key: value for key, value in made.items() if (key, value) != ("default", None)}

    def dict_schema(self, schema: Any) -> Json:
        made = super().dict_schema(schema)
        return made | {"additionalProperties": False} if "patternProperties" in made else made

    def field_title_should_be_set(self, schema: Any) -> bool:
        return False


def _described(model: type[BaseModel], meaning: dict[Keys, str]) -> Json:
    made = model.model_json_schema(by_alias=True, mode="validation", schema_generator=_Plain)
    for path, key in _keys(made, made, ()):
        if path in meaning:
            key["description"] = meaning[path]
    return {"$schema": _Plain.schema_dialect, **made}


def _keys(table: Json, root: Json, above: Keys) -> Iterator[tuple[Keys, Json]]:
    """Each key of a table and of the tables in it, with its path and its own part of the schema."""
    chosen = ((ANY, key) for key in table.get("patternProperties", {}).values())
    for name, key in (*table.get("properties", {}).items(), *chosen):
        yield (*above, name), key
        yield from _keys(_table(key, root), root, (*above, name))


def _table(key: Json, root: Json) -> Json:
    """The schema of the table that a key holds, or of each entry of its list."""
    key = key.get("items", key)
    return root["$defs"][key["$ref"].rpartition("/")[2]] if "$ref" in key else key


def meanings(page: str) -> dict[Keys, str]:
    """What a page of `keys/` says of each key, by its path; lists of tables have no numbers in it.

    The comment behind a key is meant, with the indented comments below it. A key behind a `#` is a key too.
    """
    text = files("discprep.manifest").joinpath("keys", page).read_text(encoding="utf-8")
    found: dict[Keys, str] = {}
    _read(tomlkit.parse(_LEFT_OUT.sub("", text)), (), found)
    return found


def _read(table: Any, above: Keys, found: dict[Keys, str]) -> None:
    path = above
    for key, item in table.body:
        if key is not None:
            path = _place((*above, key.key))
            _note(path, item.trivia.comment, found)
            _inside(item, path, found)
        elif isinstance(item, Comment) and item.trivia.indent.strip("\n"):
            _note(path, item.trivia.comment, found)


def _place(path: Keys) -> Keys:
    return (*path[:-1], ANY) if path[:-1] == ("secrets",) else path


def _inside(item: Item, path: Keys, found: dict[Keys, str]) -> None:
    for table in item.body if isinstance(item, AoT) else [item] if isinstance(item, Table) else []:
        _note(path, table.trivia.comment if isinstance(item, AoT) else "", found)
        _read(table.value, path, found)


def _note(path: Keys, comment: str, found: dict[Keys, str]) -> None:
    if said := comment.lstrip("# ").rstrip():
        found[path] = f"{found[path]} {said}" if path in found else said

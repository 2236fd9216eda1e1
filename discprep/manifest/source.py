"""Reading one TOML file, bounded, with its faults in words; setting keys for a what-if."""

from __future__ import annotations

import re
import stat
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

from discprep.errors import ManifestError, StorageError, UsageError
from discprep.manifest.lines import LineIndex
from discprep.manifest.lines import Path as Keys

MOST_BYTES = 16 * 2**20
MOST_DEPTH = 12  # tables in tables; our own format needs four
MOST_ENTRIES = 100_000  # of one list or table
MOST_BITS = 4096
NO_MANIFEST = "Check the path; `discprep new` starts a manifest."
_LINES = "Each line is `key = value`, a `[table]`, or a remark behind `#`."
_SYNTAX = {
    "overwrite a value": "The key stands there twice: keep one.",
    "twice": "The table stands there already: put its keys together under one head.",
    "Duplicate": "The key stands there twice: keep one.",
    "Expected '='": _LINES,
    "at end of document": "The file ends in the middle of something: close what is open, a bracket or a quote.",
    "Unclosed": "A bracket or brace is opened there and never closed.",
    "'\\'": "Write \\\\ for a backslash between double quotes; between single quotes it stands for itself.",
    "Invalid value": "A text stands in quotes, a list in brackets; true and false are written small.",
    "'\\n'": "A text ends with the quote that it began with, on its own line.",
    "": _LINES,
}
"""What to do about a fault of `tomllib`, by a part of its message; the first that fits (TOML 1.0)."""
_KEY = r"""(?:[A-Za-z0-9_-]+|"[^"\n]*"|'[^'\n]*')[ \t]*"""
# Such a key costs the parser the square of its length, so it is looked for first; the lookbehind keeps to its start.
_LONG_KEY = re.compile(rf"(?:^|[\[{{,])[ \t]*(?:{_KEY}\.[ \t]*){{{MOST_DEPTH}}}{_KEY}[.=\]]", re.MULTILINE)
_LONG_NUMBER = re.compile(r"(?:0[xob])?[0-9a-fA-F_]{1000}")


@dataclass
class Source:
    """One TOML file as read. `label` is the path as messages show it."""

    path: Path
    label: str
    text: str
    data: dict[str, Any] = field(default_factory=dict)

    @cached_property
    def lines(self) -> LineIndex:
        return LineIndex(self.text)

    def where(self, keys: Keys) -> str:
        """`file:line` of a key, the file alone where the line is not known."""
        line = self.lines.line(keys)
        return f"{self.label}:{line}" if line else self.label


def read_source(path: Path, missing: str = NO_MANIFEST) -> Source:
    """The file as text and as data. `missing` is the hint where there is no such file.

    Raises:
        ManifestError: not UTF-8, no TOML (with its line), too large, nested too deeply
        StorageError: the file is missing or cannot be read
    """
    label = str(path)
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            found = "expected a plain file, found a folder, a device or a pipe; it was not opened"
            raise StorageError(found, where=label)
        with path.open("rb") as file:
            raw = file.read(MOST_BYTES + 1)
    except FileNotFoundError:
        raise StorageError("there is no such file", where=label, hint=missing) from None
    except OSError as error:
        raise StorageError(f"the file cannot be read: {error.strerror}", where=label) from None
    if len(raw) > MOST_BYTES:
        raise ManifestError(f"the file is larger than {MOST_BYTES:,} bytes, which no manifest needs", where=label)
    try:
        text = raw.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise ManifestError("the file is not UTF-8 text", where=f"{label}:{line}", hint="Save it as UTF-8.") from None
    return Source(path, label, text, _parse(text, label))


def _parse(text: str, label: str) -> dict[str, Any]:
    if long_key := _LONG_KEY.search(text):
        number = text.count("\n", 0, long_key.start() + 1) + 1
        raise ManifestError(f"a key nested more than {MOST_DEPTH} deep", where=f"{label}:{number}")
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        message = str(error)
        line = message.partition("(at line ")[2].partition(",")[0]
        where = f"{label}:{line}" if line.isdigit() else label
        hint = next((hint for part, hint in _SYNTAX.items() if part in message), "")
        raise ManifestError(f"TOML syntax: {message}", where=where, hint=hint) from None
    except RecursionError:
        raise ManifestError("tables or lists are nested too deeply", where=label) from None
    except ValueError as error:
        raise ManifestError(f"a value cannot be read: {error}", where=label) from None
    if problem := _beyond(data):
        long_number = _LONG_NUMBER.search(text) if "number" in problem else None
        place = f":{text.count(chr(10), 0, long_number.start()) + 1}" if long_number else ""
        raise ManifestError(problem, where=label + place)
    return data


def _beyond(data: Any) -> str:
    """What goes beyond all bounds, in words; empty when nothing does. Walks level by level, so that no depth is too
    much for it. Most long numbers are left to their keys' own bounds; these could not even be shown."""
    level = [data]
    for _ in range(MOST_DEPTH):
        if any(len(parent) > MOST_ENTRIES for parent in level):
            return f"a list or table of more than {MOST_ENTRIES:,} entries"
        inner = [child for parent in level for child in _inside(parent)]
        if any(isinstance(child, int) and child.bit_length() > MOST_BITS for child in inner):
            return f"a whole number of more than {MOST_BITS:,} bits"
        level = [child for child in inner if isinstance(child, dict | list)]
        if not level:
            return ""
    return f"tables or lists are nested more than {MOST_DEPTH} deep"


def _inside(value: dict[str, Any] | list[Any]) -> Iterator[Any]:
    yield from value.values() if isinstance(value, dict) else value


def assume(data: dict[str, Any], settings: Mapping[str, str]) -> None:
    """Sets dotted keys in parsed TOML: `link.rate`, `plan.link_budget`, `item.ID.place`. Values are read as TOML,
    else taken as text. A medium has either a kind or its sectors: the one that is set takes the other's place.

    Raises:
        UsageError: no such item, or the way to the key goes through something that is no table
    """
    for key, text in settings.items():
        table, last = _walk(data, key)
        table[last] = _value(text)
        instead = {"medium.sectors": "kind", "medium.kind": "sectors"}.get(key)
        if instead and f"medium.{instead}" not in settings:
            table.pop(instead, None)


def _value(text: str) -> Any:
    try:
        return tomllib.loads(f"x = {text}")["x"]
    except (tomllib.TOMLDecodeError, KeyError, ValueError):
        return text


def _walk(data: dict[str, Any], key: str) -> tuple[dict[str, Any], str]:
    head, _, rest = key.partition(".")
    if head == "item":
        item_id, _, last = rest.rpartition(".")
        items = data.get("item", [])
        match = next((i for i in items if isinstance(i, dict) and i.get("id") == item_id), None)
        if match is None or not last:
            raise UsageError(
                f"no item is called {item_id or rest!r} in the manifest itself", hint="Write item.ID.key=value."
            )
        return match, last
    table, parts = data, key.split(".")
    for part in parts[:-1]:
        table = table.setdefault(part, {})
        if not isinstance(table, dict):
            raise UsageError(f"{key!r} leads through {part!r}, which is no table")
    return table, parts[-1]

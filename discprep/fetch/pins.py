"""Pins beside the manifest: what each item was when it first came. `first.toml` has `first.pins.toml`.

The file is TOML, sorted by item, the same bytes for the same pins. Its `seal` is the SHA-256 of every byte after
the seal's line, so that a flipped byte or a hand's edit is noticed. Who must edit it by hand (to mend a merge, say)
removes the seal's line: the file is then taken as it stands, checked as usual, and sealed again by the next fetch.
"""

from __future__ import annotations

import hashlib
import json
import re
import tomllib
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from discprep.errors import ManifestError
from discprep.fetch.files import lock_beside, storage, write_atomically
from discprep.model import Item, Pin

_HEAD = "# What each item was when it was first fetched; `discprep fetch` keeps this file. Keep it with the manifest.\n"
_SEAL = re.compile(rb'^seal = "([0-9a-f]*)"\r?\n', re.MULTILINE)
_HASH = re.compile("[0-9a-f]{64}")
_MAX_BYTES = 64 * 2**20
_HINT = "Put the file back as it was; or remove its seal line if the change is meant; --renew ITEM moves one pin."


_KEYS: Mapping[str, tuple[str, type]] = {
    "size": ("size_bytes", int), "sha256": ("sha256", str), "date": ("fetched_s", datetime), "source": ("source", str),
    "slip_escapes": ("slip_escapes", int), "ppp_escapes": ("ppp_escapes", int),
    "ppp_fixed_escapes": ("ppp_fixed_escapes", int),
}  # fmt: skip
"""The file's keys in their order: what the record calls them, and their type there."""


def load_pins(path: Path) -> dict[str, Pin]:
    """The pins in the file at `path` by item id; none where there is no file.

    Raises:
        ManifestError: damaged, changed by hand, or not a pins file
        StorageError: it cannot be read
    """
    with storage("reading the pins", path):
        try:
            with path.open("rb") as file:
                content = file.read(_MAX_BYTES + 1)
        except FileNotFoundError:
            return {}
    if len(content) > _MAX_BYTES:
        raise ManifestError("this is no pins file: it is larger than 64 MiB; it was not read", where=str(path))
    _check_seal(content, path)
    return _records(content, path)


def pins_of(items: Iterable[Item], default: Path) -> dict[str, Pin]:
    """The pins of these items, each from the file it belongs to (an include brings its own), else from `default`.

    Raises as `load_pins`.
    """
    files: dict[Path, dict[str, Pin]] = {}
    found: dict[str, Pin] = {}
    for item in items:
        path = item.pins_file or default
        if path not in files:
            files[path] = load_pins(path)
        if item.id in files[path]:
            found[item.id] = files[path][item.id]
    return found


def save_pins(path: Path, pins: Mapping[str, Pin]) -> None:
    """Writes all `pins`, sorted by item, sealed, whole or not at all. Raises StorageError."""
    write_atomically(path, dump_pins(pins))


def merge_pins(path: Path, new: Iterable[Pin]) -> dict[str, Pin]:
    """Adds `new` to the file at `path` (over older ones of the same item) and returns all. Safe against other runs.

    Raises:
        ManifestError: the file there is damaged or changed by hand; it is left alone
        StorageError: it cannot be written; it is as it was
    """
    with storage("writing the pins", path):
        path.parent.mkdir(parents=True, exist_ok=True)
    with lock_beside(path).held():
        old = load_pins(path)
        pins = old | {pin.item: pin for pin in new}
        if pins != old:
            save_pins(path, pins)
    return pins


def drop_pin(path: Path, item: str) -> bool:
    """Takes one item's pin out of the file; whether there was one. Raises as `merge_pins`."""
    if not path.exists():
        return False
    with lock_beside(path).held():
        pins = load_pins(path)
        if item not in pins:
            return False
        save_pins(path, {key: pin for key, pin in pins.items() if key != item})
    return True


def dump_pins(pins: Mapping[str, Pin]) -> bytes:
    """The file's bytes: the same for the same pins."""
    body = "".join(_table(pins[item]) for item in sorted(pins)).encode()
    return _HEAD.encode() + f'seal = "{hashlib.sha256(_sealed(body)).hexdigest()}"\n'.encode() + _sealed(body)


def _sealed(body: bytes) -> bytes:
    return b"format = 1\n" + body


def _table(pin: Pin) -> str:
    rows = {key: getattr(pin, name) for key, (name, _) in _KEYS.items()} | {"date": _date(pin.fetched_s)}
    lines = [f"{key} = {_value(value)}\n" for key, value in rows.items() if value not in (None, "")]
    return f"\n[pin.{_quoted(pin.item)}]\n" + "".join(lines)


def _date(seconds: int) -> datetime:
    return datetime.fromtimestamp(min(max(seconds, 0), 253402300799), UTC)  # a server may say any year


def _value(value: Any) -> str:
    if isinstance(value, datetime):
        return value.strftime("%Y-%m-%dT%H:%M:%SZ") if value.year > 999 else "1970-01-01T00:00:00Z"
    return _quoted(value) if isinstance(value, str) else str(value)


def _quoted(text: str) -> str:
    """A TOML basic string: JSON's escapes, and DEL besides."""
    safe = text.encode("utf-8", "replace").decode()
    return json.dumps(safe, ensure_ascii=False).replace("\x7f", "\\u007f")


def _check_seal(content: bytes, path: Path) -> None:
    match = _SEAL.search(content)
    if match is None:
        return
    if hashlib.sha256(content[match.end() :].replace(b"\r\n", b"\n")).hexdigest() != match[1].decode():
        raise ManifestError(
            "the pins are not what discprep wrote: a byte was damaged or the file was changed by hand; none was used",
            where=str(path),
            hint=_HINT,
        )


def _records(content: bytes, path: Path) -> dict[str, Pin]:
    try:
        data = tomllib.loads(content.decode("utf-8"))
    except (ValueError, RecursionError) as error:
        raise ManifestError(f"the pins cannot be read: {error}; none was used", where=str(path), hint=_HINT) from None
    pins = data.get("pin", {})
    if "seal" in data and not _SEAL.search(content):
        raise ManifestError("the seal of the pins is damaged; none was used", where=str(path), hint=_HINT)
    if data.get("format") != 1 or set(data) - {"format", "seal", "pin"} or not isinstance(pins, dict):
        raise ManifestError("this is no pins file of format 1; none was used", where=str(path), hint=_HINT)
    return {item: _record(item, table, path) for item, table in pins.items()}


def _record(item: str, table: Any, path: Path) -> Pin:
    fault = _fault(table)
    if fault:
        raise ManifestError(f"the pin is wrong: {fault}; no pin was used", where=str(path), item=item, hint=_HINT)
    fetched_s = int(table["date"].replace(tzinfo=table["date"].tzinfo or UTC).timestamp())
    return Pin(item, **{_KEYS[key][0]: value for key, value in (table | {"date": fetched_s}).items()})


def _fault(table: Any) -> str:
    """What is wrong with one pin's table, in words; empty when nothing is."""
    if not isinstance(table, dict):
        return "expected a table"
    for key in {*table, "size", "sha256", "date"}:
        if key not in _KEYS:
            return f"unknown key {key!r}"
        value, kind = table.get(key), _KEYS[key][1]
        if not isinstance(value, kind) or isinstance(value, bool):
            return f"{key} should be {kind.__name__}, got {value!r:.60}"
        if isinstance(value, int) and value < 0:
            return f"{key} is negative"
    return "" if _HASH.fullmatch(table["sha256"]) else "sha256 should be 64 hexadecimal digits"

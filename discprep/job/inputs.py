"""A digest of all that a build depends on, so that a build that would change nothing is not made again.

It holds no path of this computer: the same recipe in another folder has the same digest.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any

from discprep import __version__
from discprep.model import Manifest, Pin

_PLACES = frozenset({"where", "path", "pins_file", "page", "hint"})


def inputs_digest(manifest: Manifest, pins: Mapping[str, Pin], extra: Mapping[str, object]) -> str:
    """SHA-256 (hex) over manifest, profile, pins, the files they name and the tool's version.

    Arguments:
        extra: options of the call that change the disc, such as the date

    Raises:
        OSError: a file that the manifest names cannot be read
    """
    pinned = {pin.item: [pin.size_bytes, pin.sha256, pin.fetched_s] for pin in pins.values()}
    whole = {"tool": __version__, "manifest": _plain(manifest), "pins": pinned, "extra": dict(extra)}
    return hashlib.sha256(json.dumps(whole, sort_keys=True).encode()).hexdigest()


def _plain(value: Any) -> Any:
    """A record as JSON values: files by their content, local sources by their name alone."""
    if isinstance(value, Path):
        return hashlib.sha256(value.read_bytes()).hexdigest()
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: _field(f.name, getattr(value, f.name)) for f in fields(value) if f.name not in _PLACES}
    if isinstance(value, Mapping):
        return {str(key): _plain(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(inner) for inner in value]
    return value


def _field(name: str, value: Any) -> Any:
    if name == "sources":
        return [source if "://" in source else Path(source).name for source in value]
    if name == "boot_files":
        return [[disc, _plain(Path(host))] for disc, host in value]
    return _plain(value)


def settings_of(manifest: Manifest) -> dict[str, str]:
    """The manifest's plain settings by dotted key, for the record; no secret is among them."""
    found: dict[str, str] = {}
    for section, record in (("medium", manifest.medium), ("link", manifest.link), ("bridge", manifest.bridge)):
        found |= dict(_flat(section, record)) if record else {}
    found |= dict(_flat("plan", manifest.plan)) | {f"values.{key}": value for key, value in manifest.values}
    return found | {"machine.name": manifest.profile.name, "bring_up": " ".join(manifest.bring_up)}


def _flat(section: str, record: Any) -> Iterable[tuple[str, str]]:
    for one in fields(record):
        value = getattr(record, one.name)
        if value is not None and not isinstance(value, Path):
            yield f"{section}.{one.name}", str(value)

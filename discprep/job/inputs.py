"""A digest of all that a build depends on, so that a build that would change nothing is not made again.

It holds no path of this computer: the same recipe in another folder has the same digest.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import fields, is_dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

from discprep import __version__
from discprep.disc.record import CHARSET
from discprep.errors import UsageError
from discprep.model import BY_NAME, HERE, Manifest, Pin


def digest_of(manifest: Manifest, pins: Mapping[str, Pin], at_hand: Iterable[str], *, secrets: bool = False) -> str:
    """The digest of a build made now, with the items of these ids at hand. Raises UsageError, OSError."""
    called = {"epoch_s": source_date(pins), "secrets": secrets, "manifest": manifest.path.name}
    return inputs_digest(manifest, pins, called | {"at_hand": sorted(at_hand)})


def source_date(pins: Mapping[str, Pin]) -> int:
    """The date of the volume: SOURCE_DATE_EPOCH, else the newest pin's [s since 1970 UTC].

    Raises:
        UsageError: SOURCE_DATE_EPOCH is no whole number of seconds
    """
    given = os.environ.get("SOURCE_DATE_EPOCH")
    if given is None:
        return max((pin.fetched_s for pin in pins.values()), default=0)
    if not re.fullmatch("[0-9]{1,10}", given) or int(given) > 4_102_444_800:
        message = f"SOURCE_DATE_EPOCH is {given[:40]!r}, not seconds since 1970"
        raise UsageError(message, hint="Unset it, or give a number.")
    return int(given)


def inputs_digest(manifest: Manifest, pins: Mapping[str, Pin], extra: Mapping[str, object]) -> str:
    """SHA-256 (hex) over manifest, profile, pins, the files they name and the tool's version.

    What a field is to it stands where the field is declared (`model.HERE`, `model.BY_NAME`).

    Arguments:
        extra: what else the disc follows: the date, options of the call, what is at hand

    Raises:
        OSError: a file that the manifest names cannot be read
    """
    sources = {item.id: item.sources for item in manifest.items}
    pinned = {item: _with_source(pin, sources.get(item, ())) for item, pin in pins.items()}
    whole = {"tool": __version__, "manifest": manifest, "pins": pinned, "extra": extra}
    return hashlib.sha256(json.dumps(_plain(whole), sort_keys=True).encode()).hexdigest()


def _with_source(pin: Pin, sources: Sequence[str]) -> Pin:
    """A pin whose source is not known has the first one, as on the bench sheet."""
    return pin if pin.source or not sources else replace(pin, source=sources[0])


def _plain(value: Any) -> Any:
    """A record as JSON values, files by their content."""
    if isinstance(value, Path):
        return hashlib.sha256(value.read_bytes()).hexdigest()
    if is_dataclass(value) and not isinstance(value, type):
        return {name: _plain(how(getattr(value, name))) for name, how in _counted(type(value))}
    if isinstance(value, Mapping):
        return {str(key): _plain(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(inner) for inner in value]
    return value


@cache
def _counted(record: type[Any]) -> tuple[tuple[str, Callable[[Any], Any]], ...]:
    """The fields of a record that count, each with how its value does."""
    how = {None: lambda value: value, BY_NAME["digest"]: _by_name}
    marks = [(one.name, one.metadata.get("digest")) for one in fields(record)]
    return tuple((name, how[mark]) for name, mark in marks if mark != HERE["digest"])


def _by_name(value: str | Iterable[str]) -> Any:
    if isinstance(value, str):
        return value if "://" in value else Path(value).name
    return [_by_name(one) for one in value]


def settings_of(manifest: Manifest) -> dict[str, str]:
    """The manifest's plain settings by dotted key, for the record; no secret is among them."""
    found: dict[str, str] = {}
    for section, record in (("medium", manifest.medium), ("link", manifest.link), ("bridge", manifest.bridge)):
        found |= dict(_flat(section, record)) if record else {}
    found |= dict(_flat("plan", manifest.plan)) | {f"values.{key}": value for key, value in manifest.values}
    profile = {"machine.name": manifest.profile.name, CHARSET: manifest.profile.charset}
    return found | profile | {"bring_up": " ".join(manifest.bring_up)}


def _flat(section: str, record: Any) -> Iterable[tuple[str, str]]:
    for one in fields(record):
        value = getattr(record, one.name)
        if value is not None and not isinstance(value, Path):
            yield f"{section}.{one.name}", str(value)

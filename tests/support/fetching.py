"""What tests of fetching share: short waits, an item for some bytes, one call, and a look into the cache."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path
from random import Random
from typing import Any

from discprep.fetch.cache import Cache
from discprep.fetch.fetch import FetchReport, fetch_items
from discprep.fetch.pins import load_pins
from discprep.fetch.settings import FetchSettings
from discprep.model import Hashes, Item

QUICK = FetchSettings(
    connect_timeout_s=3.0,
    stall_timeout_s=1.5,
    rate_min_bytes_s=50.0,
    rate_window_s=0.8,
    pause_s=0.01,
    retry_after_max_s=2.0,
    max_bytes=20_000_000,
)
DATA = Random(1996).randbytes(400_000)


def sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def item(name: str, *sources: str, data: bytes | None = None, **fields: Any) -> Item:
    """An item; with `data` its SHA-256 and size are in the manifest."""
    if data is not None:
        fields = {"hashes": Hashes(sha256=sha256(data)), "size_bytes": len(data)} | fields
    return Item(name, sources=sources, where="first.toml:7", **fields)


def fetch(folder: Path, *items: Item, settings: FetchSettings = QUICK, **options: Any) -> FetchReport:
    """One run on the cache and the pins that lie in `folder`."""
    pins = folder / "first.pins.toml"
    changes = options.pop("change", {})
    return fetch_items(
        items, load_pins(pins), Cache(folder / "cache"), replace(settings, **changes), pins_path=pins, **options
    )


def said(report: FetchReport) -> str:
    """All errors of a run as a person reads them."""
    return "\n".join(f"{error} / {error.hint}" for error in report.errors)


def remarks(report: FetchReport) -> str:
    """All notices of a run as a person reads them."""
    return "\n".join(f"{notice} / {notice.hint}" for notice in report.notices)


def objects(folder: Path) -> dict[str, bytes]:
    """Everything that has a name in the cache, by that name."""
    return {path.name: path.read_bytes() for path in (folder / "cache" / "objects").rglob("*") if path.is_file()}


def litter(folder: Path) -> list[str]:
    """Part files and locks that are left."""
    cache = folder / "cache"
    return sorted(str(path.relative_to(cache)) for name in ("parts", "locks") for path in (cache / name).iterdir())


def assert_whole(folder: Path) -> None:
    """Every name in the cache is the SHA-256 of what stands under it."""
    for name, data in objects(folder).items():
        assert sha256(data) == name

"""What is at hand without the network: the manifest, its pins, the verified bytes in the cache, and their members."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from discprep.archives import OpenTask, open_all
from discprep.disc.stage import taken
from discprep.errors import ManifestError, MissingError, raise_all
from discprep.fetch.cache import Cache
from discprep.fetch.pins import pins_of
from discprep.machine import published_name
from discprep.model import Inside, Item, Limits, Manifest, Opened, Pin, Progress, Silent


@dataclass(frozen=True, slots=True)
class AtHand:
    """`paths` holds the verified bytes of each item that is here, by item id; `missing` the ids of the others, less
    those that the machine has already."""

    manifest: Manifest
    cache: Cache
    pins: Mapping[str, Pin]
    paths: Mapping[str, Path]

    @property
    def missing(self) -> tuple[str, ...]:
        here = {*self.paths, *self.manifest.has}
        return tuple(item.id for item in self.manifest.items if item.id not in here)


def at_hand(manifest: Manifest, cache_root: Path | None = None) -> AtHand:
    """Looks into the cache for every item.

    Raises:
        ManifestError: a pins file is damaged
        StorageError: the cache cannot be used
    """
    cache = Cache(cache_root)
    pins = pins_of(manifest.items, manifest.pins_path)
    raise_all([fault for item in manifest.items if (fault := _contradiction(item, pins.get(item.id)))])
    return AtHand(manifest, cache, pins, dict(_paths(manifest.items, pins, cache)))


def _contradiction(item: Item, pin: Pin | None) -> ManifestError | None:
    """The manifest's own hash against the pin: one of them is not what the user means."""
    if pin is None or item.hashes.sha256 in (None, pin.sha256):
        return None
    message = f"the manifest says SHA-256 {item.hashes.sha256}, the pin says {pin.sha256}; nothing was used"
    hint = f"Correct the manifest, or move the pin: fetch --renew {item.id}"
    return ManifestError(message, where=item.where, item=item.id, hint=hint)


def _paths(items: Iterable[Item], pins: Mapping[str, Pin], cache: Cache) -> Iterable[tuple[str, Path]]:
    for item in items:
        pin = pins.get(item.id)
        sha256 = pin.sha256 if pin else item.hashes.sha256
        path = cache.find(sha256) if sha256 else None
        if path:
            yield item.id, path


Known = dict[tuple[OpenTask, Limits], Opened]
"""Archives as they were opened in this run, by how."""


def open_items(hand: AtHand, progress: Progress | None = None, known: Known | None = None) -> dict[str, Opened]:
    """Every item at hand, opened. As `open_some`."""
    items = [item for item in hand.manifest.items if item.id in hand.paths]
    return open_some(items, hand.paths, hand.manifest, hand.cache, progress, known)


def open_some(
    items: Sequence[Item],
    paths: Mapping[str, Path],
    manifest: Manifest,
    cache: Cache,
    progress: Progress | None = None,
    known: Known | None = None,
) -> dict[str, Opened]:
    """Items, opened, as they are taken; archives met before come from the store. Raises StorageError.

    Arguments:
        paths: the verified bytes of each, by id
        known: archives opened earlier in this run, which are not opened again; the others are added
    """
    known, limits = {} if known is None else known, manifest.limits
    tasks = {item.id: open_task(item, paths[item.id]) for item in items}
    new = [task for task in dict.fromkeys(tasks.values()) if (task, limits) not in known]
    opened = open_all(new, store=cache.unpacked, limits=limits, progress=progress or Silent())
    known |= {(task, limits): one for task, one in zip(new, opened, strict=True)}
    return {item.id: taken(item, known[tasks[item.id], limits], manifest.profile) for item in items}


def open_task(item: Item, path: Path) -> OpenTask:
    """How an item's verified bytes are opened."""
    return OpenTask(path, path.name, item.charset, item.nested, published_name(item))


def looked_into(manifest: Manifest, cache: Cache, item: Item, path: Path) -> Inside:
    """What is known of an item's inside, as it takes it. Nothing is decoded but what is inside of archives that were
    looked into before, and that only where the store does not have it."""
    from discprep.archives.store import Store, key_of
    from discprep.archives.task import Order

    task = open_task(item, path)
    listed = Store(cache.unpacked).load(key_of(path.name, Order(task, manifest.limits)))
    if listed is None:
        return "unread"
    if item.nested:
        (opened,) = open_all([task], store=cache.unpacked, limits=manifest.limits, progress=Silent())
    else:
        entries, summary = listed
        members = tuple(entry.unpacked(path) for entry in entries)
        opened = Opened(path, summary.sha256, summary.format, members, summary.problems)
    return "whole" if taken(item, opened, manifest.profile).whole else "damaged"


def missing_errors(hand: AtHand, items: Iterable[str] | None = None) -> list[MissingError]:
    """A fault for each item that is not here, with where a person gets it."""
    wanted = set(hand.missing) if items is None else set(items) & set(hand.missing)
    return [_missing(item) for item in hand.manifest.items if item.id in wanted]


def _missing(item: Item) -> MissingError:
    return MissingError("it is not fetched yet", where=item.where, item=item.id, hint=how_to_get(item))


def how_to_get(item: Item) -> str:
    """What to do about an item that is not here: its sources first, then a person's way."""
    by_hand = " ".join(part for part in (item.page, item.hint) if part)
    if not by_hand:
        return "Run `discprep fetch` first."
    person = f"{by_hand} Then: fetch --look-in FOLDER."
    return (
        f"Run `discprep fetch` first. If no source has it, by hand: {person}" if item.sources else f"By hand: {person}"
    )

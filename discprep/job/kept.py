"""When the host's disk stands in the way: what stays, said with the refusal."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from discprep.errors import DiscprepError, Faults, StorageError, flatten, raise_all
from discprep.fetch.cache import Cache
from discprep.fetch.files import refused
from discprep.fetch.pins import pins_of
from discprep.job.fetch import wanted_items
from discprep.model import Manifest


@contextmanager
def saying_what_stays(manifest: Manifest, cache: Cache) -> Iterator[None]:
    """Adds to the first refusal of the disk what was kept, and words for one that has none of ours.

    Raises:
        StorageError, Faults: what the body raised
    """
    try:
        yield
    except StorageError as error:
        raise _told(error, manifest, cache) from error
    except Faults as faults:
        raise_all(_first_told(faults, manifest, cache))
    except OSError as error:
        raise _told(refused(error), manifest, cache) from error


def _first_told(faults: Faults, manifest: Manifest, cache: Cache) -> list[DiscprepError]:
    found = list(flatten([faults]))
    for number, fault in enumerate(found):
        if isinstance(fault, StorageError):
            found[number] = _told(fault, manifest, cache)
            break
    return found


def _told(error: StorageError, manifest: Manifest, cache: Cache) -> StorageError:
    """With what was kept, where the fetch has not said it already."""
    if error.kept:
        return error
    kept = _kept(manifest, cache)
    return StorageError(error.message, where=error.where, item=error.item, hint=error.hint, kept=kept)


def _kept(manifest: Manifest, cache: Cache) -> str:
    """In words, from the names in the cache alone: they stand for whole bytes."""
    items = wanted_items(manifest)
    try:
        pins = pins_of(items, manifest.pins_path)
    except DiscprepError:
        pins = {}
    hashes = [pins[item.id].sha256 if item.id in pins else item.hashes.sha256 for item in items]
    here = sum(sha256 is not None and cache.path_of(sha256).is_file() for sha256 in hashes)
    return f"kept: {here:,} of {len(items):,} items, whole, in {cache.root}; no file under a final name is half-written"

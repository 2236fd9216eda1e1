"""`fetch`: fill the cache, keep the pins, list together what is missing."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path

from discprep.errors import DiscprepError, EditError, UsageError, flatten
from discprep.fetch.cache import Cache
from discprep.fetch.fetch import FetchReport, fetch_items
from discprep.fetch.look import Ask, LookIn
from discprep.fetch.pins import pins_of
from discprep.fetch.settings import FetchSettings
from discprep.job.at_hand import looked_into, open_some
from discprep.job.held import damage
from discprep.job.new import format_of
from discprep.manifest import load_manifest
from discprep.model import Item, Manifest, Opened, Progress
from discprep.report.fetch import FetchResult


def fetch(
    path: Path,
    *,
    machine: Path | None = None,
    cache: Path | None = None,
    look_in: Path | None = None,
    renew: Sequence[str] = (),
    ask: Ask | None = None,
    progress: Progress,
) -> FetchResult:
    """Fetches every item of the manifest at `path` that is not already on the machine.

    Raises:
        ManifestError, Faults: the manifest or its pins are wrong
        UsageError: `renew` names no item
        StorageError: the cache, the pins or the folder to look in
    """
    manifest = load_manifest(path, machine=machine)
    store = Cache(cache)
    report = fetch_manifest(manifest, store, look_in=look_in, renew=renew, ask=ask, progress=progress)
    here = {entry.item: entry.path for entry in report.items if entry.path}
    inside = {key: looked_into(manifest, store, manifest.item(key), path) for key, path in here.items()}
    return FetchResult(manifest, store.root, report, inside)


def fetch_manifest(
    manifest: Manifest,
    cache: Cache,
    *,
    look_in: Path | None = None,
    renew: Sequence[str] = (),
    ask: Ask | None = None,
    progress: Progress,
    settings: FetchSettings = FetchSettings(),  # noqa: B008  a frozen record
) -> FetchReport:
    """The same for a manifest that is loaded; raises as `fetch`. What is missing stands in the report."""
    _refuse_unknown(renew, manifest)
    items = wanted_items(manifest)
    return fetch_items(
        items,
        pins_of(items, manifest.pins_path),
        cache,
        settings,
        progress,
        pins_path=manifest.pins_path,
        look_in=LookIn(look_in, ask, format_of) if look_in else None,
        renew=renew,
        try_new=_trial(manifest, cache),
    )


def wanted_items(manifest: Manifest) -> list[Item]:
    """The items to have at hand: all but those that are on the machine already."""
    return [item for item in manifest.items if item.id not in manifest.has]


def _refuse_unknown(renew: Iterable[str], manifest: Manifest) -> None:
    ids = [item.id for item in wanted_items(manifest)]
    for item_id in renew:
        if item_id not in ids:
            near = difflib.get_close_matches(item_id, ids, 1)
            hint = f"Did you mean {near[0]}?" if near else f"{manifest.path} lists the items."
            raise UsageError(f"--renew {item_id}: the manifest has no item of this id to fetch", hint=hint)


def _trial(manifest: Manifest, cache: Cache) -> Callable[[Item, Path], Sequence[DiscprepError]]:
    """Opens an item's new bytes and tries its edits on them, as a build would; says what would go wrong."""

    def attempt(item: Item, path: Path) -> Sequence[DiscprepError]:
        opened = open_some([item], {item.id: path}, manifest, cache)[item.id]
        return [*damage(item, opened), *_edit_errors(item, opened, manifest.profile.charset)]

    return attempt


def _edit_errors(item: Item, opened: Opened, charset: str) -> Iterator[DiscprepError]:
    from discprep.archives import read_content
    from discprep.disc.edits import apply_edits

    contents = {entry.member.name: entry.content for entry in opened.members if entry.content}
    for file in dict.fromkeys(edit.file for edit in item.edits):
        edits = [edit for edit in item.edits if edit.file == file]
        content = contents.get(file)
        if content is None:
            yield EditError(f"the new archive has no member {file!r}", where=edits[0].where, item=item.id)
            continue
        try:
            apply_edits(b"".join(read_content(content)), edits, item=item.id, charset=charset)
        except DiscprepError as error:
            yield from flatten([error])

"""`verify`: hashes, members, names and sizes of everything at hand, before a disc is spent on it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path

from discprep.disc.names import map_names
from discprep.disc.stage import stage
from discprep.errors import DiscprepError
from discprep.fetch.files import scratch
from discprep.job.at_hand import AtHand, at_hand, missing_errors, open_items
from discprep.job.held import damage
from discprep.machine import block_bytes, parts_text, volumes_of
from discprep.manifest import load_manifest
from discprep.model import Manifest, Named, Notice, Opened, Profile, Progress, Volume
from discprep.report.verify import Renaming, Verified, VerifiedItem


def verify(
    path: Path,
    *,
    machine: Path | None = None,
    cache_root: Path | None = None,
    again: bool = False,
    progress: Progress | None = None,
) -> Verified:
    """Reads every member of every item at hand and tries the names.

    Arguments:
        again: read the cached archives anew, even those that were found whole before

    Raises: what `load_manifest` raises; StorageError
    """
    manifest = load_manifest(path, machine=machine)
    hand = at_hand(manifest, cache_root)
    if again:
        reread(hand)
        hand = at_hand(manifest, cache_root)
    opened = open_items(hand, progress)
    return judged(hand, opened)


def reread(hand: AtHand) -> None:
    """Compares every cached object with its hash; a damaged one is dropped, to be fetched again."""
    for path in hand.paths.values():
        hand.cache.verify(path.name)


def judged(hand: AtHand, opened: Mapping[str, Opened]) -> Verified:
    """The verdict on what was opened."""
    manifest = hand.manifest
    with scratch() as work:
        named, name_errors, notices = tried_names(manifest, opened, work)
    changed = tuple(renamings(named, manifest.profile))
    renamed = Counter(renaming.item for renaming in changed)
    hurt = [error for item in manifest.items if item.id in opened for error in damage(item, opened[item.id])]
    errors = [*missing_errors(hand), *hurt, *name_errors]
    faulty = {error.item for error in errors}
    sizes: dict[str, list[int]] = {item_id: [] for item_id in opened}
    for entry in named:
        sizes[entry.staged.item] += [entry.staged.content.size_bytes] if entry.staged.content else []
    volumes = volumes_of(manifest)
    items = tuple(
        _verified(one, item_id, sizes[item_id], volumes[item_id], renamed[item_id], item_id not in faulty)
        for item_id, one in sorted(opened.items())
    )
    remarks = (Notice(text, item=item_id) for item_id, one in opened.items() for text in one.notices)
    return Verified(items, changed, tuple(errors), (*notices, *remarks))


def tried_names(
    manifest: Manifest, opened: Mapping[str, Opened], work: Path
) -> tuple[Sequence[Named], list[DiscprepError], list[Notice]]:
    """The names as if everything whole were burned unpacked."""
    whole = {item_id: one for item_id, one in opened.items() if one.whole}
    staged = stage(manifest, whole, dict.fromkeys(whole, "unpacked"), None, work, preview=True, present=list(opened))
    named, errors = map_names(staged.staged, manifest.profile, volumes_of(manifest))
    broken = set(opened) - set(whole)
    return named, [e for e in (*staged.errors, *errors) if e.item not in broken], list(staged.notices)


def renamings(named: Iterable[Named], profile: Profile) -> Iterator[Renaming]:
    """The names that are not as they were wanted."""
    for entry in named:
        if entry.why:
            read = entry.rock_ridge or entry.joliet or entry.iso
            wanted, on_disc, on_machine = "/".join(entry.staged.name), "/".join(read), entry.target
            yield Renaming(entry.staged.item, wanted, on_disc, parts_text(on_machine, profile), entry.why)


def _verified(
    opened: Opened, item_id: str, sizes: Sequence[int], volume: Volume, renamed: int, ok: bool
) -> VerifiedItem:
    return VerifiedItem(
        id=item_id,
        format=opened.format,
        members=len(opened.members),
        size_bytes=opened.path.stat().st_size,
        unpacked_bytes=sum(sizes),
        blocks_bytes=sum(block_bytes(size, volume) for size in sizes),
        renamed=renamed,
        ok=ok,
    )

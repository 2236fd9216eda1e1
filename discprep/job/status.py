"""`status`: where each item stands, from the cache, the records of built discs, the log of pulls and the sources."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

from discprep.fetch.download import Downloader
from discprep.fetch.settings import FetchSettings
from discprep.fetch.source import shown
from discprep.fetch.transport import Run, SourceFault, Validators
from discprep.job.at_hand import AtHand, at_hand, looked_into
from discprep.job.builds import Build, builds_of, discs_with, for_machine, other_inputs
from discprep.job.left_out import left_out
from discprep.job.steps import Steps
from discprep.machine import size_of
from discprep.manifest import load_manifest
from discprep.model import Inside, Item, Notice, Pin, Progress
from discprep.report.status import AtSource, DiscStatus, ItemState, ItemStatus, Pulled, Status
from discprep.serve.log import Transfer, had_bytes, log_path, look
from discprep.units import format_day

_KEY = "ask"
_STATES: Mapping[Inside, ItemState] = {"whole": "verified", "damaged": "damaged", "unread": "fetched"}
_SAME_S = 2  # some servers keep times to two seconds


def status(
    path: Path,
    *,
    machine: Path | None = None,
    cache: Path | None = None,
    built: Sequence[Path] = (),
    ask: bool = False,
    left: Path | None = None,
    progress: Progress,
) -> Status:
    """Looks at everything the tool leaves behind; asks the sources only with `ask`.

    Arguments:
        built: folders of builds (what was `--out` of `build` and `prepare`); those that were noted are found without
        left: the list of what the setup left out, from the machine

    Raises: what `load_manifest` raises; StorageError
    """
    manifest = load_manifest(path, machine=machine)
    hand = at_hand(manifest, cache)
    passed_over: list[Notice] = []
    found, own = list(builds_of(manifest, built, passed_over.append)), for_machine(manifest)
    builds = tuple(sorted(found, key=lambda build: not own(build)))  # the newest of this machine is what counts
    transfers, torn = look(log_path(manifest.path))
    sources = _asked(manifest.items, hand.pins, progress) if ask else {}
    steps = Steps(manifest.path, machine, cache, builds)
    lost, odd = left_out(left, builds) if left else ({}, ())
    items = tuple(
        replace(_item(item, hand, steps, transfers, sources.get(item.id, ("", ""))), left_out=lost.get(item.id, ()))
        for item in manifest.items
    )
    discs = tuple(map(_disc, builds))
    other = other_inputs(manifest, hand.pins, hand.paths, builds[0]) if builds else None
    remarks = (*([other] if other else []), *passed_over, *torn, *odd)
    return Status(manifest.path, items, steps.all(items, bool(transfers), bool(other)), discs, remarks)


def _disc(build: Build) -> DiscStatus:
    done = build.last
    told = (done.what, done.at_s, done.result) if done else ("", None, "")
    return DiscStatus(build.record.build_id, build.folder, build.built_s, *told)


def _item(
    item: Item,
    hand: AtHand,
    steps: Steps,
    transfers: Sequence[Transfer],
    source: tuple[AtSource, str],
) -> ItemStatus:
    pin = hand.pins.get(item.id)
    state = _state(item, hand)
    own = [transfer for transfer in transfers if transfer.item == item.id]
    pulled = _pulled(own, pin)
    every = discs_with(item.id, steps.builds)
    discs = discs_with(item.id, steps.builds, pin.sha256) if pin else every
    return ItemStatus(
        id=item.id,
        title=item.title,
        place=item.place,
        state=state,
        size_bytes=size_of(item, pin),
        dated_s=pin.fetched_s if pin else None,
        discs=discs,
        old_discs=tuple(build for build in every if build not in discs),
        pulled=pulled,
        pulled_s=max((transfer.at_s for transfer in own), default=None),
        at_source=source[0],
        at_source_words=source[1],
        next=steps.one(item, state, there=bool(discs) or pulled == "whole", changed=source[0] == "changed"),
    )


def _state(item: Item, hand: AtHand) -> ItemState:
    """As far as it is known without decoding anything."""
    if item.id in hand.manifest.has:
        return "present"
    path = hand.paths.get(item.id)
    if path is None:
        return "wanted"
    seen = looked_into(hand.manifest, hand.cache, item, path)
    return _STATES[seen]


def _pulled(own: Sequence[Transfer], pin: Pin | None) -> Pulled:
    """Whether the machine has every file of the item, as it is pinned, that it ever asked for; else whether it has an
    older version of it."""
    current = [transfer for transfer in own if _is_current(transfer, pin)]
    if not current:
        return "old version" if own else ""
    sizes = {transfer.sha256: transfer.size_bytes for transfer in current}
    had = had_bytes(current)
    return "whole" if all(had[sha256] >= size for sha256, size in sizes.items()) else "in part"


def _is_current(transfer: Transfer, pin: Pin | None) -> bool:
    """Whether what was pulled is of the version that is pinned; where the log does not say, it is taken to be."""
    return pin is None or transfer.archive_sha256 in ("", pin.sha256)


# -- asking the sources


def _asked(items: Sequence[Item], pins: Mapping[str, Pin], progress: Progress) -> dict[str, tuple[AtSource, str]]:
    """Item id to what its source says now; items without a pin or a source are not asked about."""
    settings = FetchSettings(stall_timeout_s=20.0)
    asking = [item for item in items if item.sources and item.id in pins]
    run = Run(settings)
    downloader = Downloader(run)
    progress.begin(_KEY, "asking the sources", len(asking), "items")

    def one(item: Item) -> tuple[AtSource, str]:
        try:
            return _compared(downloader, item, pins[item.id])
        finally:
            progress.advance(_KEY, 1)

    try:
        with ThreadPoolExecutor(settings.workers) as pool:
            return dict(zip((item.id for item in asking), pool.map(one, asking), strict=True))
    except BaseException:
        run.stop.set()
        raise
    finally:
        progress.end(_KEY)
        downloader.close()


def _compared(downloader: Downloader, item: Item, pin: Pin) -> tuple[AtSource, str]:
    source = next((source for source in item.sources if shown(source) == pin.source), item.sources[0])
    try:
        now = downloader.head(source)
    except SourceFault as fault:
        return "unknown", f"{shown(source)}: {fault.message}"
    return _verdict(now, pin)


def _verdict(now: Validators, pin: Pin) -> tuple[AtSource, str]:
    """By size, then by date; a source that gives neither says nothing."""
    size_bytes = None if now.encoding else now.size_bytes
    if size_bytes is not None and size_bytes != pin.size_bytes:
        return "changed", f"pinned with {pin.size_bytes:,} bytes, its source now has {size_bytes:,}"
    if now.date_s is not None and now.date_s > pin.fetched_s + _SAME_S:
        return "changed", f"pinned as of {format_day(pin.fetched_s)}, its source dates it {format_day(now.date_s)}"
    if size_bytes is None and now.date_s is None:
        return "unknown", "its source tells neither size nor date"
    return "same", "size and date as pinned" if now.date_s is not None else "size as pinned"

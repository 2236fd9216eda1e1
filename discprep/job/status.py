"""`status`: where each item stands, from the cache, the records of built discs, the log of pulls and the sources."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from pathlib import Path

from discprep.archives import OpenTask
from discprep.archives.store import Place, Store, key_of
from discprep.disc.record import load_record
from discprep.errors import DiscError
from discprep.fetch.download import Downloader
from discprep.fetch.settings import FetchSettings
from discprep.fetch.source import shown
from discprep.fetch.transport import Run, SourceFault, Validators
from discprep.job.at_hand import AtHand, at_hand, published_name
from discprep.manifest import load_manifest
from discprep.model import Item, Notice, Pin, Progress
from discprep.report.status import AtSource, ItemState, ItemStatus, Pulled, Status
from discprep.serve.log import Transfer, had_bytes, log_path, look

_KEY = "ask"
_SAME_S = 2  # some servers keep times to two seconds


def status(
    path: Path,
    *,
    machine: Path | None = None,
    cache: Path | None = None,
    built: Sequence[Path] = (),
    ask: bool = False,
    progress: Progress,
) -> Status:
    """Looks at everything the tool leaves behind; asks the sources only with `ask`.

    Arguments:
        built: folders of builds (`--out` of `build` and `prepare`); those beside the manifest are found without

    Raises: what `load_manifest` raises; StorageError
    """
    manifest = load_manifest(path, machine=machine)
    hand = at_hand(manifest, cache)
    discs, notices = _discs([*built, *_beside(manifest.path)])
    transfers, torn = look(log_path(manifest.path))
    sources = _asked(manifest.items, hand.pins, progress) if ask else {}
    items = tuple(_item(item, hand, discs, transfers, sources.get(item.id, ("", ""))) for item in manifest.items)
    return Status(manifest.path, items, _next(items, manifest.path), (*notices, *torn))


def _item(
    item: Item,
    hand: AtHand,
    discs: Mapping[str, tuple[str, ...]],
    transfers: Sequence[Transfer],
    source: tuple[AtSource, str],
) -> ItemStatus:
    pin = hand.pins.get(item.id)
    state = _state(item, hand)
    pulled = _pulled(item, transfers)
    return ItemStatus(
        id=item.id,
        title=item.title,
        place=item.place,
        state=state,
        size_bytes=pin.size_bytes if pin else item.size_bytes,
        discs=discs.get(item.id, ()),
        pulled=pulled,
        at_source=source[0],
        source_words=source[1],
        next=_step(item, state, pulled, bool(discs.get(item.id)), bool(discs), source[0], hand.manifest.path),
    )


def _state(item: Item, hand: AtHand) -> ItemState:
    """As far as it is known without decoding anything."""
    if item.id in hand.manifest.has:
        return "present"
    path = hand.paths.get(item.id)
    if path is None:
        return "wanted"
    task = OpenTask(path, path.name, item.charset, item.nested, published_name(item))
    listed = Store(hand.cache.unpacked).load(key_of(path.name, Place(task, hand.manifest.limits)))
    if listed is None:
        return "fetched"
    entries, summary = listed
    whole = not summary.problems and not any(entry.problem or entry.member.problem for entry in entries)
    return "verified" if whole else "damaged"


def _pulled(item: Item, transfers: Iterable[Transfer]) -> Pulled:
    """Whether the machine has every file of the item that it ever asked for."""
    own = [transfer for transfer in transfers if transfer.item == item.id]
    if not own:
        return ""
    sizes = {transfer.sha256: transfer.size_bytes for transfer in own}
    had = had_bytes(own)
    return "whole" if all(had[sha256] >= size for sha256, size in sizes.items()) else "in part"


def _beside(manifest: Path) -> list[Path]:
    """Folders beside the manifest that hold a build."""
    try:
        return sorted({path.parent for path in manifest.resolve().parent.glob("*/**/record.json") if path.is_file()})
    except OSError:
        return []


def _step(
    item: Item, state: ItemState, pulled: Pulled, on_disc: bool, built: bool, source: AtSource, manifest: Path
) -> str:
    """What to do next about one item; empty when nothing is left to do."""
    if state == "wanted":
        by_hand = f"get it from {item.page}, then: discprep fetch {manifest} --look-in FOLDER" if item.page else ""
        return f"discprep fetch {manifest}" if item.sources else by_hand or "name a source for it"
    if state == "damaged":
        return "its archive is damaged: name another source, then renew it"
    if source == "changed":
        return f"discprep fetch {manifest} --renew {item.id}, if the new one is wanted"
    if state == "present" or on_disc or pulled == "whole":
        return ""
    if state == "fetched":
        return f"discprep verify {manifest}"
    return f"discprep serve {manifest}" if built else f"discprep prepare {manifest} --out DIR"


def _next(items: Sequence[ItemStatus], manifest: Path) -> str:
    """The first thing to do of all: the order of the work is that of the states."""
    for state in ("wanted", "damaged", "fetched", "verified"):
        steps = [item.next for item in items if item.state == state and item.next]
        if steps:
            ready = f"discprep fetch {manifest}"
            return ready if ready in steps else steps[0]
    return ""


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
        return "changed", f"pinned as of {_day(pin.fetched_s)}, its source dates it {_day(now.date_s)}"
    if size_bytes is None and now.date_s is None:
        return "unknown", "its source tells neither size nor date"
    return "same", "size and date as pinned" if now.date_s is not None else "size as pinned"


def _day(seconds: int) -> str:
    return datetime.fromtimestamp(seconds, UTC).strftime("%Y-%m-%d")


# -- the discs built


def _discs(folders: Iterable[Path]) -> tuple[dict[str, tuple[str, ...]], list[Notice]]:
    """Item id to the build ids that carry it, oldest first, from every record in the folders or one below."""
    found: dict[str, tuple[str, ...]] = {}
    notices = []
    for path in sorted(_records(folders), key=lambda path: path.stat().st_mtime):
        try:
            record = load_record(path)
        except DiscError as error:
            notices.append(Notice(error.message, where=str(path), hint="Its disc is passed over here."))
            continue
        items = {file.item for file in record.files if file.item}
        for item_id in items:
            found[item_id] = (*found.get(item_id, ()), record.build_id)
    return found, notices


def _records(folders: Iterable[Path]) -> set[Path]:
    """The records in some folders, and in their folders for single discs."""
    return {
        path.resolve()
        for folder in folders
        for path in (folder / "record.json", *folder.glob("disc-*/record.json"))
        if path.is_file()
    }

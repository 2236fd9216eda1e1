"""`add`: fetch what some sources have, pin it, and append it to the manifest as items."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, get_args

from discprep.errors import DiscprepError, FetchError, IntegrityError, MissingError, UsageError, flatten, raise_all
from discprep.fetch.cache import Cache
from discprep.fetch.fetch import fetch_items
from discprep.fetch.files import lock_beside, write_atomically
from discprep.fetch.pins import merge_pins, pins_of
from discprep.fetch.source import SCHEMES, is_plain, scheme
from discprep.job.at_hand import open_some
from discprep.job.held import damage
from discprep.job.new import seen_from, slug, title_and_version
from discprep.machine import source_name
from discprep.manifest import load_manifest
from discprep.model import ROLES, Item, Manifest, Notice, Opened, Pin, Place, Progress, Use
from discprep.report.add import Added
from discprep.report.tables import typed


def wished(**said: Any) -> Item:
    """An item with the fields that the user says; `id` and `title` go with one source only, empty: guessed from its
    name. Raises UsageError for a role, place or use that is none, all at once."""
    faults = [_unknown("--gives", word, ROLES) for word in said["gives"] if word not in ROLES]
    for name, known in (("place", get_args(Place)), ("use", get_args(Use))):
        faults += [] if said[name] in known else [_unknown(f"--{name}", said[name], known)]
    raise_all(faults)
    return Item(**said | {"gives": tuple(role for role in ROLES if role in said["gives"])})


def _unknown(option: str, word: str, known: Sequence[str]) -> UsageError:
    near = difflib.get_close_matches(word, known, 1)
    hint = f"Did you mean {near[0]}?" if near else f"Known are {', '.join(known)}."
    return UsageError(f"{option} {word}: there is no such word", hint=hint)


def add(
    path: Path,
    sources: Sequence[str],
    wish: Item,
    *,
    mirrors: Sequence[str] = (),
    cache: Path | None = None,
    progress: Progress,
) -> Added:
    """Appends an item for each source. Every byte that is in the file stays; the items come at its end.

    `wish` is what the user says of each (`wished`). Sources that hold the same bytes become mirrors of one item; bytes
    that the manifest has already are not added, nor is an archive that is damaged, unless `take_damaged` says so.

    Raises:
        UsageError: `id`, `title` or mirrors for more than one source; an id that is taken
        ManifestError, Faults: the manifest is wrong, now or with the new items; it is as it was then
        StorageError: it cannot be written
    """
    manifest = load_manifest(path)
    wanted = _wanted(manifest, sources, wish, mirrors)
    store = Cache(cache)
    report = fetch_items(wanted, {}, store, progress=progress)
    paths = {entry.item: entry.path for entry in report.items if entry.path}
    opened = open_some([item for item in wanted if item.id in paths], paths, manifest, store, progress)
    hurt = [_not_added(error) for item in wanted if item.id in opened for error in damage(item, opened[item.id])]
    bad = {error.item for error in hurt}
    pins = {entry.item: entry.pin for entry in report.items if entry.pin and entry.path and entry.item not in bad}
    items, notices = _merged([item for item in wanted if item.id in pins], pins, manifest)
    if items:
        _append(path, items, pins)
        merge_pins(manifest.pins_path, (pins[item.id] for item in items))
    new = tuple((item, pins[item.id]) for item in items)
    remarks = [remark for item in items for remark in _remarks(item, pins[item.id], opened[item.id])]
    dead = [Notice(words, item=entry.item) for entry in report.items if entry.path for words in entry.tried]
    _word_hints(report.errors, wanted, path)
    return Added(path, new, (*report.errors, *hurt), (*notices, *dead, *remarks))


def _not_added(error: DiscprepError) -> DiscprepError:
    error.message += "; it was not added"
    error.hint = "Get another copy; or add what can be read of it with --take-damaged."
    return error


def _word_hints(errors: Iterable[DiscprepError], wanted: Iterable[Item], path: Path) -> None:
    """What to do next about a source that gave nothing, in words of this command: `fetch` has other options."""
    sources = {item.id: item.sources for item in wanted}
    for error in errors:
        if isinstance(error, FetchError | IntegrityError | MissingError) and error.item in sources:
            error.hint = _next_way(sources[error.item], path, came=isinstance(error, IntegrityError))


def _next_way(sources: Sequence[str], path: Path, *, came: bool) -> str:
    schemes = {scheme(source) for source in sources}
    if schemes == {"file"} and came:
        return "Get the file itself once more, and add that."
    if schemes == {"file"}:
        return "Check the path: `add` takes a plain file, or an http, https or ftp address."
    by_hand = f"get it by hand, then: discprep add {typed(path)} FILE"
    if schemes <= {*SCHEMES, "file"}:
        return f"Check the address; or {by_hand}"
    return f"Give an http, https or ftp address; or {by_hand}"


def _remarks(item: Item, pin: Pin, opened: Opened) -> Iterator[Notice]:
    """What came is, and what the SHA-256 that is now in the manifest is worth."""
    if opened.format == "file":
        yield Notice("it is no archive: it goes to the machine as the one file that it is", item=item.id)
    for words in opened.notices:
        yield Notice(words, item=item.id)
    if is_plain(pin.source):
        yield Notice(
            f"it came over plain {scheme(pin.source)}, where anybody on the way can change it",
            item=item.id,
            hint=f"Compare its SHA-256 {pin.sha256} with one from its author, if there is one.",
        )


def _wanted(manifest: Manifest, sources: Sequence[str], wish: Item, mirrors: Sequence[str]) -> list[Item]:
    """An item for each source, with an id that no other has."""
    if len(sources) > 1 and (wish.id or wish.title or mirrors):
        raise UsageError("--id, --title and --mirror go with one source", hint="Call `add` once for each.")
    taken = {item.id for item in manifest.items}
    if wish.id in taken:
        raise UsageError(f"the manifest has an item {wish.id} already", hint="Choose another --id.")
    raise_all([_no_file(source) for source in sources if not source_name(source) and not wish.id])
    items = []
    for source in sources:
        title, version = title_and_version(source_name(source) or wish.id)
        stem = wish.id or slug(source_name(source))
        item_id = next(i for i in (stem, *(f"{stem}-{n}" for n in range(2, len(taken) + 3))) if i not in taken)
        taken.add(item_id)
        named = tuple(map(_absolute, (source, *mirrors)))
        items.append(replace(wish, id=item_id, title=wish.title or title, version=version, sources=named))
    return items


def _no_file(source: str) -> UsageError:
    return UsageError(
        f"{source}: this address names no file; it may be a page",
        hint="Open it and copy the address of the download itself; or name the item with --id.",
    )


def _absolute(source: str) -> str:
    return source if scheme(source) != "file" or "://" in source else str(Path(source).expanduser().absolute())


def _merged(items: Iterable[Item], pins: dict[str, Pin], manifest: Manifest) -> tuple[list[Item], list[Notice]]:
    """The items without those whose bytes are known: mirrors join the first, what the manifest has is left out."""
    pinned = pins_of(manifest.items, manifest.pins_path)
    known = {pin.sha256: item_id for item_id, pin in pinned.items()}
    known |= {item.hashes.sha256: item.id for item in manifest.items if item.hashes.sha256}
    first: dict[str, Item] = {}
    notices = []
    for item in items:
        sha256 = pins[item.id].sha256
        if sha256 in known:
            notices.append(
                Notice(
                    f"{item.sources[0]} holds the very bytes of the item {known[sha256]}; it was not added again",
                    hint=f"To keep it as a mirror, add it to the sources of {known[sha256]}.",
                )
            )
        elif sha256 in first:
            older = first[sha256]
            first[sha256] = replace(older, sources=(*older.sources, *item.sources))
            notices.append(Notice(f"{item.sources[0]} holds the same bytes: kept as a mirror", item=older.id))
        else:
            first[sha256] = item
    return list(first.values()), notices


def _append(path: Path, items: Sequence[Item], pins: dict[str, Pin]) -> None:
    """Writes the manifest with the items at its end, all before them kept, once a copy has passed every check."""
    with lock_beside(path).held():
        old = path.read_bytes()
        text = "".join("\n" + _table(item, pins[item.id], path) for item in items)
        ended = old if old.endswith(b"\n") or not old else old + b"\n"
        new = ended + (text.replace("\n", "\r\n") if b"\r\n" in old else text).encode()
        load_trial(path, new)
        write_atomically(path, new)


def load_trial(path: Path, content: bytes) -> None:
    """Loads a copy of a manifest as it would be with this content; its faults are said of the manifest itself. Raises
    as `load_manifest`."""
    trial = path.with_name(f".{path.stem}.trial{path.suffix}")
    write_atomically(trial, content)
    try:
        load_manifest(trial)
    except DiscprepError as error:
        for fault in flatten([error]):
            fault.where = fault.where.replace(str(trial), str(path))
        raise
    finally:
        trial.unlink(missing_ok=True)


def _table(item: Item, pin: Pin, path: Path) -> str:
    """One [[item]] table as text; keys that say nothing are left out."""
    import tomlkit

    rows: dict[str, Any] = {
        "id": item.id,
        "title": item.title,
        "version": item.version,
        "sources": [_relative(source, path) for source in item.sources],
        "page": item.page,
        "sha256": pin.sha256,
        "size": pin.size_bytes,
        "gives": list(item.gives),
        "needs": list(item.needs),
        "place": item.place,
        "use": item.use if item.use != "copy" else "",
        "to": item.to,
        "take_damaged": item.take_damaged,
    }
    said = {key: value for key, value in rows.items() if value or key in ("gives", "needs")}
    return "[[item]]\n" + "".join(f"{key:<7} = {tomlkit.item(value).as_string()}\n" for key, value in said.items())


def _relative(source: str, path: Path) -> str:
    """A local source below the manifest's folder is named from there."""
    return source if scheme(source) != "file" or "://" in source else seen_from(path, Path(source))

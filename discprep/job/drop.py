"""`drop`: take an item and its pin out of a manifest; every comment and all else stays."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator
from pathlib import Path

from discprep.errors import DiscprepError, UsageError, flatten, raise_all
from discprep.fetch.files import lock_beside, write_atomically
from discprep.fetch.pins import drop_pin
from discprep.job.add import load_trial
from discprep.manifest import load_manifest
from discprep.manifest.source import Source, read_source
from discprep.model import Item, Manifest
from discprep.report.drop import Dropped


def drop(path: Path, item_id: str) -> Dropped:
    """Takes out the item's table, the `[[expect]]`s that read it, and its pin.

    Raises:
        UsageError: there is no such item, it stands in an included file, or the rest does not hold without it; the
            manifest is as it was then
        ManifestError, Faults: the manifest is wrong as it is
        StorageError: it cannot be written
    """
    manifest = load_manifest(path)
    item = _item(manifest, item_id)
    with lock_beside(path).held():
        source = read_source(path)
        gone = _lines_of(source, item_id)
        if not gone:
            hint = "Call `drop` with the file that it stands in."
            raise UsageError(f"{item_id} stands in an included file", where=item.where, item=item_id, hint=hint)
        lines = path.read_bytes().split(b"\n")
        blank = [b"" if number in gone else line for number, line in enumerate(lines, 1)]
        _check(path, b"\n".join(blank), item_id)
        write_atomically(path, b"\n".join(_closed(lines, gone)))
    pinned = drop_pin(item.pins_file or manifest.pins_path, item_id)
    return Dropped(path, item_id, item.title, pinned)


def _item(manifest: Manifest, item_id: str) -> Item:
    ids = [item.id for item in manifest.items]
    if item_id not in ids:
        near = difflib.get_close_matches(item_id, ids, 1)
        hint = f"Did you mean {near[0]}?" if near else f"{manifest.path} lists the items."
        raise UsageError(f"the manifest has no item {item_id}", hint=hint)
    return manifest.item(item_id)


def _lines_of(source: Source, item_id: str) -> set[int]:
    """The lines, from 1, of the item's own tables; empty where another file has it."""
    items, expects = source.data.get("item", []), source.data.get("expect", [])
    own = [n for n, table in enumerate(items) if table.get("id") == item_id]
    tables = [("item", n) for n in own]
    tables += [("expect", n) for n, table in enumerate(expects) if own and table.get("item") == item_id]
    return {number for table in tables for number in _table(source, table)}


def _table(source: Source, table: tuple[str, int]) -> Iterator[int]:
    """A table's lines without the comments and empty lines at its end, which lead to what follows."""
    first, after = source.lines.span(table)
    lines = source.text.split("\n")
    while after > first + 1 and (not lines[after - 2].strip() or lines[after - 2].lstrip().startswith("#")):
        after -= 1
    yield from range(first, after)


def _closed(lines: list[bytes], gone: Iterable[int]) -> Iterator[bytes]:
    """The lines that stay, without the second of two empty ones where something went."""
    out = set(gone)
    cut = False
    last = b"x"
    for number, line in enumerate(lines, 1):
        if number in out:
            cut = True
            continue
        if cut and not line.strip() and not last.strip() and number < len(lines):
            continue
        cut = False if line.strip() else cut
        last = line
        yield line


def _check(path: Path, content: bytes, item_id: str) -> None:
    """Loads a copy in which the item's lines are empty, so that faults have the lines that they have in the file."""
    try:
        load_trial(path, content)
    except DiscprepError as error:
        raise_all([_needed(fault, item_id) for fault in flatten([error])])


def _needed(fault: DiscprepError, item_id: str) -> UsageError:
    hint = f"Change that first, then drop {item_id}. {fault.hint}".strip()
    words = f"without {item_id}: {fault.message}; nothing was changed"
    return UsageError(words, where=fault.where, item=fault.item, hint=hint)

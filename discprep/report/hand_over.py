"""What `hand-over` made, and the list of what the receiver must obtain."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from textwrap import wrap
from typing import Any

from discprep.model import Notice
from discprep.report.faces import as_text, picked
from discprep.report.tables import counted, typed


@dataclass(frozen=True, slots=True)
class Obtain:
    """One item that the receiver must get. `sources` are addresses; empty when it only came from a local file."""

    id: str
    title: str
    version: str
    sources: tuple[str, ...]
    page: str
    hint: str
    size_bytes: int | None
    sha256: str
    licence: str
    share: bool


@dataclass(frozen=True, slots=True)
class HandedOver:
    """The recipe as it went out: its files, what is left to obtain, what was left out and why."""

    out: Path
    manifest: str
    files: tuple[str, ...]
    obtain: tuple[Obtain, ...]
    notices: tuple[Notice, ...]


def document(result: HandedOver) -> dict[str, Any]:
    """The JSON face."""
    return picked(result, "out", "manifest", "files", "obtain")


@as_text
def text(result: HandedOver) -> Iterator[str]:
    """The face for people."""
    by_hand = [one.id for one in result.obtain if not one.sources]
    yield f"{result.out}: the recipe in {counted(len(result.files), 'file')}, no software, no secret, no local path."
    yield from wrap(f"The receiver obtains {counted(len(result.obtain), 'item')}; the list is in it.", 80)
    if by_hand:
        yield from wrap(f"By hand, since no address is known: {', '.join(by_hand)}.", 80)


@as_text
def obtain_list(title: str, manifest: str, wanted: Iterable[Obtain]) -> Iterator[str]:
    """The list for the receiver, 80 columns."""
    words = (
        "This is a recipe without software. Everything below is yours to obtain, each under its own licence. What has "
        "an address is fetched for you; what has none you get by hand and put into a folder, whatever its name: its "
        "hash tells."
    )
    named = typed(Path(manifest))
    yield from (*wrap(title, 80), "", *wrap(words, 80), "")
    yield f"  discprep check {named}"
    yield f"  discprep fetch {named} --look-in FOLDER"
    yield from (f"  discprep prepare {named} --out DIR", "")
    for one in wanted:
        yield from _entry(one)
    yield ""


def _entry(one: Obtain) -> Iterator[str]:
    name = " ".join(part for part in (one.title or one.id, one.version) if part)
    yield from wrap(f"* {name} [{one.id}]", 80, subsequent_indent="  ")
    if not one.share:
        yield "    NOT TO BE PASSED ON: get your own copy from who may give it."
    for source in one.sources:
        yield f"    from:    {source}"
    if not one.sources:
        yield "    from:    no address is known; get it by hand"
    rows = [("page", one.page), ("hint", one.hint), ("licence", one.licence)]
    rows.append(("size", f"{one.size_bytes:,} bytes" if one.size_bytes is not None else ""))
    for label, value in [*rows, ("SHA-256", one.sha256)]:
        if value:
            yield from wrap(f"    {label + ':':8} {value}", 80, subsequent_indent=" " * 13, break_long_words=False)
    yield ""

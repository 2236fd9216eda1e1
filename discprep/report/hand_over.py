"""What `hand-over` made, and the list of what the receiver must obtain."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from textwrap import wrap
from typing import Any

from discprep.model import Notice
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
    return {
        "out": str(result.out),
        "manifest": result.manifest,
        "files": list(result.files),
        "obtain": [asdict(one) for one in result.obtain],
    }


def text(result: HandedOver) -> str:
    """The face for people."""
    by_hand = [one.id for one in result.obtain if not one.sources]
    lines = [f"{result.out}: the recipe in {len(result.files)} files, no software, no secret, no local path."]
    lines += wrap(f"The receiver obtains {counted(len(result.obtain), 'item')}; the list is in it.", 80)
    if by_hand:
        lines += wrap(f"By hand, since no address is known: {', '.join(by_hand)}.", 80)
    return "\n".join(lines)


def obtain_list(title: str, manifest: str, wanted: Iterable[Obtain]) -> str:
    """The list for the receiver, 80 columns."""
    return "\n".join([*_head(title, manifest), *(line for one in wanted for line in _entry(one)), ""])


def _head(title: str, manifest: str) -> list[str]:
    words = (
        "This is a recipe without software. Everything below is yours to obtain, each under its own licence. What has "
        "an address is fetched for you; what has none you get by hand and put into a folder, whatever its name: its "
        "hash tells."
    )
    named = typed(Path(manifest))
    return [
        *wrap(title, 80), "", *wrap(words, 80), "",
        f"  discprep check {named}",
        f"  discprep fetch {named} --look-in FOLDER",
        f"  discprep prepare {named} --out DIR", "",
    ]  # fmt: skip


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

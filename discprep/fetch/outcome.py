"""What became of one item, and the words for it. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from shlex import quote

from discprep.errors import DiscprepError, FetchError, IntegrityError, MissingError
from discprep.fetch.cache import Known
from discprep.fetch.source import is_plain, local_path, scheme, shown
from discprep.fetch.transport import SourceFault
from discprep.model import Fetched, FetchState, Item, Notice, Pin


@dataclass(slots=True)
class Outcome:
    """One item's result while it is being found."""

    item: Item
    state: FetchState = "missing"
    path: Path | None = None
    pin: Pin | None = None
    moved_bytes: int = 0
    tried: list[str] = field(default_factory=list)
    errors: list[DiscprepError] = field(default_factory=list)
    notices: list[Notice] = field(default_factory=list)

    def record(self) -> Fetched:
        return Fetched(self.item.id, self.state, self.path, self.pin, self.moved_bytes, tuple(self.tried))

    def note(self, message: str, hint: str = "") -> None:
        self.notices.append(Notice(message, where=self.item.where, item=self.item.id, hint=hint))


def pin_for(item: Item, known: Known) -> Pin:
    """The pin of an item whose bytes are `known`. A local source is named by its file alone."""
    local = scheme(known.source) == "file"
    return Pin(
        item=item.id,
        size_bytes=known.size_bytes,
        sha256=known.sha256,
        fetched_s=known.date_s,
        source=local_path(known.source).name if local else shown(known.source),
        slip_escapes=known.slip_escapes,
        ppp_escapes=known.ppp_escapes,
        ppp_fixed_escapes=known.ppp_fixed_escapes,
    )


def remark_first(outcome: Outcome, came_from: str) -> None:
    """Says how much a first pin is worth: a strong hash needs no word."""
    item, pin = outcome.item, outcome.pin
    if item.hashes.sha256 or pin is None:
        return
    open_way = is_plain(came_from)
    way = f" It came over plain {scheme(came_from)}, where anybody on the way can change it." if open_way else ""
    pins = item.pins_file.name if item.pins_file else "the file of pins"
    compare = f"{pins} has its SHA-256: compare it with one from its author, if there is one."
    trust = f"{pins} has its SHA-256: put it into the manifest once you trust it."
    if item.hashes.any:
        names = ", ".join(n for n in ("SHA-1", "MD5", "CRC-32") if getattr(item.hashes, n.replace("-", "").lower()))
        outcome.note(
            f"its only hash is weak ({names}); it matched, and its SHA-256 is pinned from now on.{way}",
            compare if open_way else "",
        )
        return
    outcome.note(f"no hash in the manifest: pinned as first fetched.{way}", compare if open_way else trust)


def changed_error(item: Item, pin: Pin, sha256: str, size_bytes: int, source: str) -> DiscprepError:
    """The source has another file than was pinned."""
    return IntegrityError(
        f"changed at its source: pinned SHA-256 {pin.sha256} ({pin.size_bytes:,} bytes), "
        f"now {sha256} ({size_bytes:,} bytes); it was not kept",
        where=shown(source),
        item=item.id,
        hint=f"If the new one is meant, accept it with --renew {item.id}; else look for the old one and use --look-in.",
    )


@dataclass(frozen=True, slots=True)
class Looked:
    """A folder of files got by hand was looked through; `told` has the ids of items that a file there could be."""

    folder: Path
    told: frozenset[str]


def missing_error(
    item: Item, faults: Sequence[tuple[str, SourceFault]], looked: Looked | None = None
) -> DiscprepError:
    """None of its sources gave it: each with its reason, and how a person can get it."""
    hint = by_hand(item, looked)
    if not faults:
        return MissingError("it has no source to fetch it from", where=item.where, item=item.id, hint=hint)
    if len(faults) == 1:
        where, words = shown(faults[0][0]), faults[0][1].message
    else:
        where = item.where
        words = f"none of its {len(faults)} sources gave it: " + "; ".join(
            f"{shown(source)}: {fault.message}" for source, fault in faults
        )
    family = IntegrityError if any(fault.kind == "content" for _, fault in faults) else FetchError
    if meant := _if_it_is_meant(faults):
        hint = f"{meant} Else {hint[:1].lower()}{hint[1:]}"
    return family(words, where=where, item=item.id, hint=hint)


def _if_it_is_meant(faults: Sequence[tuple[str, SourceFault]]) -> str:
    """What to do where a source has other bytes than the manifest says: either of the two may be wrong."""
    for source, fault in faults:
        if fault.unlike:
            local = scheme(source) == "file"
            look = f"discprep inspect {quote(str(local_path(source)) if local else 'FILE')}"
            saved = "" if local else f"save {shown(source)} as FILE, then: "
            return (
                f"Its hash or size in the manifest may be the wrong one. To see what came: {saved}{look}; if that one "
                "is meant, correct the manifest."
            )
    return ""


def by_hand(item: Item, looked: Looked | None = None) -> str:
    """How a person gets it, once it was looked for among what that person has."""
    if looked and item.id in looked.told:
        return f"A file in {looked.folder} could be it: do what the remark on that file says."
    page = f"Get it by hand from {item.page}" if item.page else "Get it by hand"
    note = f" ({item.hint})" if item.hint else ""
    if looked:
        return f"{page}{note} into {looked.folder}, where nothing is it yet, then run it again so."
    return f"{page}{note}, then run it again with --look-in FOLDER."

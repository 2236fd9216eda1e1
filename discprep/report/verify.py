"""What `verify` found, and its faces."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from discprep.errors import DiscprepError
from discprep.model import Notice
from discprep.report.faces import as_text, plain
from discprep.report.tables import counted, table
from discprep.units import format_bytes

MOST_NAMES = 12  # told one by one


@dataclass(frozen=True, slots=True)
class VerifiedItem:
    """One item: what its archive holds and what it takes on the machine [B]."""

    id: str
    format: str
    members: int
    size_bytes: int
    unpacked_bytes: int
    blocks_bytes: int  # in the blocks of the machine's volume
    renamed: int
    ok: bool


@dataclass(frozen=True, slots=True)
class Renaming:
    """A name that the disc or the machine cannot hold, and what it becomes; on the disc, in the richest tree that the
    machine reads. Paths have `/` between parts, that on the machine what the machine writes there."""

    item: str
    wanted: str
    on_disc: str
    on_machine: str
    why: str


@dataclass(frozen=True, slots=True)
class Verified:
    """Every item at hand, every name that changes, every fault."""

    items: tuple[VerifiedItem, ...]
    renamings: tuple[Renaming, ...]
    errors: tuple[DiscprepError, ...]
    notices: tuple[Notice, ...]


def document(verified: Verified) -> dict[str, Any]:
    """The JSON face."""
    return {"items": plain(verified.items), "names": plain(verified.renamings)}


@as_text
def text(verified: Verified) -> Iterator[str]:
    """The face for people."""
    rows = [
        (
            item.id,
            item.format,
            f"{item.members:,}",
            format_bytes(item.size_bytes),
            format_bytes(item.unpacked_bytes),
            format_bytes(item.blocks_bytes),
            "in order" if item.ok else "SEE BELOW",
        )
        for item in verified.items
    ]
    yield from table(("item", "format", ">members", ">packed", ">unpacked", ">on the machine", ""), rows)
    good = sum(item.ok for item in verified.items)
    yield f"{good} of {counted(len(verified.items), 'item')} in order: read whole, every stored checksum compared."
    if verified.renamings:
        count = len(verified.renamings)
        yield f"{counted(count, 'name')} will change:"
        for renaming in verified.renamings[:MOST_NAMES]:
            yield f"  {renaming.item}: {renaming.wanted}"
            yield from _places(renaming)
        if count > MOST_NAMES:
            yield f"  … and {count - MOST_NAMES} more (--json lists all)"


def _places(renaming: Renaming) -> Iterator[str]:
    """Its names on the disc and on the machine, where they are not as wanted, each with its reason."""
    for reason in renaming.why.split("; "):
        place, _, why = reason.partition(": ")
        yield f"    -> {place} {renaming.on_machine if place == 'machine' else renaming.on_disc}: {why}"

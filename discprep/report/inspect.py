"""How `inspect` shows what is inside a file."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from discprep.archives import attributes
from discprep.archives.times import iso_text
from discprep.errors import DiscprepError
from discprep.model import Notice, Opened, Unpacked
from discprep.report.faces import as_text, picked
from discprep.units import format_bytes

if TYPE_CHECKING:
    from discprep.disc.inspect import ImageFacts

WIDTH = 80
HEADS = ("", "bytes", "packed", "method", "time", "attributes")
NUMBERS = (1, 2)  # of them flush right


@dataclass(frozen=True, slots=True)
class Inspection:
    """A file as looked at. `errors` name every member that does not read whole."""

    opened: Opened
    size_bytes: int
    errors: tuple[DiscprepError, ...]
    notices: tuple[Notice, ...]
    image: ImageFacts | None = None  # a disc image's own facts


def document(result: Inspection) -> dict[str, Any]:
    """The facts for `--json`: members in stored order, folders without `sha256`.

    `ok`: the member's bytes are right (a file), or nothing is wrong with it (a folder, a link). A member can be `ok`
    and have a `problem`: its bytes are right but its name is not safe to unpack. `time` is the wall clock as stored,
    without a zone; `attributes` are letters as the member's system writes them; both null when there are none.
    """
    opened = result.opened
    return {
        "file": str(opened.path),
        "format": opened.format,
        "size_bytes": result.size_bytes,
        "sha256": opened.sha256,
        "members": [_member(entry) for entry in opened.members],
        "problems": list(opened.problems),
    }


def _member(entry: Unpacked) -> dict[str, Any]:
    member = entry.member
    facts = member_facts(entry) | picked(member, "kind", "method", "packed_bytes", "checksum")
    if member.kind == "file":
        facts["sha256"] = entry.content.sha256 if entry.content else None
    return facts | {
        "ok": entry.reads,
        "computed": entry.computed,
    } | ({"target": member.target} if member.kind == "link" else {})  # fmt: skip


def member_facts(entry: Unpacked) -> dict[str, Any]:
    """What every face tells of a member."""
    member = entry.member
    return {
        **picked(member, "name", "size_bytes", "comment"),
        "time": iso_text(member.time_s),
        "attributes": attributes.text(member.attributes, member.attribute_system),
        "problem": entry.problem or member.problem,
    }


@as_text
def text(result: Inspection) -> Iterator[str]:
    """A table of the members, then what is wrong."""
    opened = result.opened
    files = [entry for entry in opened.members if entry.member.kind == "file"]
    whole = sum(entry.reads for entry in files)
    read = f", {whole} of {len(files)} files read whole" if files else ""
    yield f"{opened.path.name}: {opened.format}, {format_bytes(result.size_bytes)}{read}"
    yield f"sha256 {opened.sha256}"
    if opened.members:
        head, *rows = _aligned([HEADS, *map(_cells, opened.members)])
        yield from ("", head + "name")
        for entry, row in zip(opened.members, rows, strict=True):
            yield from map(str.rstrip, _row(entry, row))


def _cells(entry: Unpacked) -> tuple[str, ...]:
    """A member's row up to its name, in the order of HEADS."""
    member = entry.member
    when = (iso_text(member.time_s) or "").replace("T", " ")[:16]
    bits = attributes.text(member.attributes, member.attribute_system) or ""
    size = f"{member.size_bytes:,}" if member.kind == "file" else member.kind
    return "ok" if entry.reads else "BAD", size, _ratio(entry), member.method, when, bits


def _aligned(rows: Sequence[Sequence[str]]) -> list[str]:
    """Rows with columns as wide as what stands in them; a column that only has a head takes no room."""
    lines = ["" for _ in rows]
    for number, column in enumerate(zip(*rows, strict=True)):
        if any(column[1:]):
            width = max(map(len, column))
            lines = [
                f"{line}{cell:>{width}} " if number in NUMBERS else f"{line}{cell:<{width}} "
                for line, cell in zip(lines, column, strict=True)
            ]
    return lines


def _row(entry: Unpacked, row: str) -> Iterator[str]:
    member = entry.member
    name = escaped(member.name + (f" -> {member.target}" if member.target else ""))
    if len(row) + len(name) <= WIDTH:
        yield row + name
    else:
        yield row
        yield from _indented(name)
    if member.comment:
        yield from _indented(f"comment: {escaped(member.comment)}")
    problem = entry.problem or member.problem
    if problem:
        yield from _indented(f"! {problem}")


def _indented(line: str) -> list[str]:
    return textwrap.wrap(line, WIDTH, initial_indent="     ", subsequent_indent="       ")


def escaped(text: str) -> str:
    """Text from an archive for a terminal: whatever could move its cursor stands as an escape."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)


def _ratio(entry: Unpacked) -> str:
    """Packed size as a part of the size."""
    member = entry.member
    if member.kind != "file" or member.packed_bytes is None or not member.size_bytes:
        return ""
    return f"{min(100 * member.packed_bytes / member.size_bytes, 999):.0f} %"

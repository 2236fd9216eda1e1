"""A container's bytes through its reader, in this process: what the reader says, and what comes of each member."""

import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from discprep.archives.base import HEAD_BYTES, Again, MemberError, Options, Reader, Source
from discprep.archives.formats import open_source, recognised
from discprep.archives.names import Guard
from discprep.errors import ToolError
from discprep.model import Limits, Member


@dataclass
class Seen:
    """Everything a reader said. `contents` and `faults` are by member name; `unsafe` is what the guard says."""

    format: str
    members: list[Member]
    contents: dict[str, bytes]
    faults: dict[str, str]
    unsafe: dict[str, str]
    problems: Sequence[str]
    notices: Sequence[str]

    @property
    def names(self) -> list[str]:
        return [member.name for member in self.members]

    @property
    def whole(self) -> bool:
        """As the worker judges: nothing wrong with the container, no member unreadable or unsafe."""
        return not (self.problems or self.faults or self.unsafe)

    def member(self, name: str) -> Member:
        return next(member for member in self.members if member.name == name)


def source(data: bytes, name: str = "") -> Source:
    return Source(io.BytesIO(data), len(data), data[:HEAD_BYTES], name)


def format_of(data: bytes) -> str:
    """The format's name, "" for what is no container."""
    found = recognised(source(data))
    return found.name if found else ""


def content(reader: Reader, member: Member) -> bytes:
    """The member's bytes, asked for again when the reader says so."""
    while True:
        try:
            return b"".join(reader.read(member))
        except Again:
            continue


def look(data: bytes, scratch: Path, charset: str | None = None, limits: Limits | None = None) -> Seen:
    """Reads everything, and closes the reader.

    Raises:
        ArchiveError: nothing at all can be read
    """
    limits = limits or Limits()
    reader = open_source(source(data), Options(limits, scratch, charset))
    assert reader, "no reader knows these bytes"
    seen = Seen(reader.format, [], {}, {}, {}, reader.problems, reader.notices)
    guard = Guard(limits)
    try:
        for member in reader.members():
            checked, refusal = guard.check(member)
            seen.members.append(checked)
            if checked.problem and not member.problem:
                seen.unsafe[checked.name] = checked.problem
            fault = member.problem or refusal
            if not fault and member.kind == "file":
                try:
                    seen.contents[checked.name] = content(reader, member)
                except (MemberError, ToolError) as error:
                    fault = error.message
            if fault:
                seen.faults[checked.name] = fault
    finally:
        reader.close()
    seen.problems, seen.notices = list(reader.problems), list(reader.notices)
    return seen

"""What a worker is asked and what it answers, and the JSON in which both cross the pipe.

A listing on disc holds the same values, so a member has one written form.
"""

from __future__ import annotations

import json
from dataclasses import astuple, dataclass
from functools import cache
from pathlib import Path
from sys import intern
from typing import Any

from discprep.members import Content, Limits, Member, Unpacked


@dataclass(frozen=True, slots=True)
class OpenTask:
    """An archive to open.

    Attributes:
        path: the file
        sha256: of the file; what it must be when given, "" to take what is found
        charset: of member names, over what the archive declares
        nested: how many levels of archives inside it are opened too
        name: the name under which the file was published: names what a single compressed file holds, and a file
            called `.lha` that is no archive at all is a problem
    """

    path: Path
    sha256: str = ""
    charset: str | None = None
    nested: int = 0
    name: str = ""


@dataclass(frozen=True, slots=True)
class Order:
    """One decoding, as a worker is asked for it.

    Attributes:
        offset_bytes, size_bytes: the part of `path` that is the archive; size None: to the end
        data: where the members' bytes go, one after the other; None: they are only hashed
        start: members before it are done already; `data_bytes` of `data` hold them
        decode: False: members from `start` on are only listed
        careful: each member is announced before it is touched
        mark_inner: members that are archives themselves are marked
    """

    path: str
    name: str
    sha256: str
    charset: str | None
    limits: Limits
    offset_bytes: int = 0
    size_bytes: int | None = None
    data: str | None = None
    data_bytes: int = 0
    start: int = 0
    decode: bool = True
    careful: bool = False
    mark_inner: bool = False

    def values(self) -> list[Any]:
        """As JSON values."""
        return [
            self.path, self.name, self.sha256, self.charset, _limits(self.limits), self.offset_bytes, self.size_bytes,
            self.data, self.data_bytes, self.start, self.decode, self.careful, self.mark_inner,
        ]  # fmt: skip

    @classmethod
    def of(cls, values: list[Any]) -> Order:
        """Back from JSON values."""
        path, name, sha256, charset, limits, *rest = values
        return cls(path, name, sha256, charset, Limits(*limits), *rest)


@dataclass(slots=True)
class Entry:
    """A member as a worker reports it. `offset_bytes` is in the data file; `sha256` is "" without bytes.

    Not frozen, though nothing changes one: a frozen record takes five times as long to make, and there are thousands.
    """

    member: Member
    offset_bytes: int = 0
    sha256: str = ""
    computed: str = ""
    problem: str = ""
    inner: str = ""  # the format of a member that is an archive itself
    lasting: bool = True  # False: another run may fare better (a library was missing, time ran out)

    def values(self) -> list[Any]:
        """As JSON values."""
        m = self.member
        return [
            m.index, m.name, m.raw_name.decode("latin-1"), m.kind, m.size_bytes, m.packed_bytes, m.method, m.time_s,
            m.attributes, m.attribute_system, m.comment, m.checksum, m.problem, m.target,
            self.offset_bytes, self.sha256, self.computed, self.problem, self.inner, self.lasting,
        ]  # fmt: skip

    @classmethod
    def of(cls, v: list[Any]) -> Entry:
        """Back from JSON values; what thousands of members say alike is one text."""
        v[3], v[6], v[9] = intern(v[3]), intern(v[6]), intern(v[9])
        v[16] = v[11] if v[16] == v[11] else v[16]
        member = Member(v[0], v[1], v[2].encode("latin-1"), *v[3:14])
        return cls(member, *v[14:])

    def unpacked(self, data: Path) -> Unpacked:
        """As the rest of discprep sees it, its bytes in `data`."""
        content = None
        if self.sha256:
            content = Content(data, self.offset_bytes, self.member.size_bytes, self.sha256)
        return Unpacked(self.member, content, self.computed, self.problem)


@dataclass(frozen=True, slots=True)
class Summary:
    """A worker's last word on an archive."""

    format: str
    sha256: str
    data_bytes: int
    problems: tuple[str, ...] = ()
    notices: tuple[str, ...] = ()

    def values(self) -> list[Any]:
        """As JSON values."""
        return [self.format, self.sha256, self.data_bytes, self.problems, self.notices]

    @classmethod
    def of(cls, v: list[Any]) -> Summary:
        """Back from JSON values."""
        return cls(v[0], v[1], v[2], tuple(v[3]), tuple(v[4]))


@cache
def _limits(limits: Limits) -> tuple[float, ...]:
    """Their values in order; asked for every archive, and always the same few."""
    return astuple(limits)


def written(values: list[Any]) -> bytes:
    """JSON on one line, ASCII: lone halves of surrogate pairs survive as escapes."""
    return f"{_ENCODE(values)}\n".encode("ascii")


_ENCODE = json.JSONEncoder(separators=(",", ":"), check_circular=False).encode

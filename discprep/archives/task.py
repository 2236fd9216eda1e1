"""What a worker is asked and what it answers, and the JSON in which both cross the pipe (`values`, and back by `of`).

A listing on disc holds the same values, so a member has one written form.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, fields
from functools import cache, lru_cache
from operator import attrgetter
from pathlib import Path
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
    """One decoding, as a worker is asked for it. Members that are archives themselves are marked where the task opens
    them too.

    Attributes:
        offset_bytes, size_bytes: the part of the task's file that is the archive; size None: to the end
        data: where the members' bytes go, one after the other; None: they are only hashed
        start: members before it are done already; `data_bytes` of `data` hold them
        decode: False: members from `start` on are only listed
        careful: each member is announced before it is touched
    """

    task: OpenTask
    limits: Limits
    offset_bytes: int = 0
    size_bytes: int | None = None
    data: str | None = None
    data_bytes: int = 0
    start: int = 0
    decode: bool = True
    careful: bool = False

    def values(self) -> dict[str, Any]:
        task = _named(self.task, _TASK) | {"path": str(self.task.path.absolute())}  # a worker stands in another folder
        return _named(self, _ORDER) | {"task": task, "limits": _limits(self.limits)}

    @classmethod
    def of(cls, values: dict[str, Any]) -> Order:
        task = OpenTask(**values["task"] | {"path": Path(values["task"]["path"])})
        return cls(**values | {"task": task, "limits": Limits(**values["limits"])})


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
        values = [*_member_values(self.member), *_entry_values(self)]
        values[_RAW_NAME] = values[_RAW_NAME].decode("latin-1")
        return values

    @classmethod
    def of(cls, values: list[Any]) -> Entry:
        member = dict(zip(_MEMBER, values, strict=False))
        member["raw_name"] = member["raw_name"].encode("latin-1")
        member |= {name: _once(member[name]) for name in _ALIKE}
        return cls(Member(**member), **dict(zip(_ENTRY, values[len(_MEMBER) :], strict=True)))

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
    lacks: tuple[tuple[str, str], ...] = ()  # see `Opened`

    def values(self) -> list[Any]:
        return list(_named(self, _SUMMARY).values())

    @classmethod
    def of(cls, values: list[Any]) -> Summary:
        named = dict(zip(_SUMMARY, values, strict=True))
        lacks = tuple((words, hint) for words, hint in named["lacks"])
        return cls(
            **named | {"problems": tuple(named["problems"]), "notices": tuple(named["notices"]), "lacks": lacks}
        )


def _fields(record: type) -> tuple[str, ...]:
    return tuple(field.name for field in fields(record))


def _named(record: object, names: tuple[str, ...]) -> dict[str, Any]:
    return {name: getattr(record, name) for name in names}


# A member's values are those of both records in the order in which they are declared, without their names: a listing
# of thousands would be twice as long with them.
_TASK, _ORDER, _SUMMARY = _fields(OpenTask), _fields(Order), _fields(Summary)
_MEMBER, _ENTRY = _fields(Member), _fields(Entry)[1:]
_RAW_NAME = _MEMBER.index("raw_name")
_ALIKE = ("kind", "method", "size_bytes", "time_s", "attributes")  # of thousands of members, the same few
_member_values, _entry_values = attrgetter(*_MEMBER), attrgetter(*_ENTRY)


@lru_cache(maxsize=4096, typed=True)
def _once(value: Any) -> Any:
    """One of all equal values: as they come out of JSON each is another."""
    return value


@cache
def _limits(limits: Limits) -> dict[str, Any]:
    """Asked for every archive, and always the same few."""
    return asdict(limits)


def written(values: list[Any]) -> bytes:
    """JSON on one line, ASCII: lone halves of surrogate pairs survive as escapes."""
    return f"{_ENCODE(values)}\n".encode("ascii")


_ENCODE = json.JSONEncoder(separators=(",", ":"), check_circular=False).encode

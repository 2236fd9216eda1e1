"""The records of archives and their members, which `discprep.model` hands on to everybody else, and what the name of an
archive says.

Alone in a module, because each worker process imports them and would pay for the records of all other parts too.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

LACKED = "not read, as something for it is missing on this computer"  # the problem of such a member
MemberKind = Literal["file", "folder", "link", "other"]
AttributeSystem = Literal["", "dos", "68k", "unix"]
"""Whose attribute bits a member has; "" without any."""

_ENDINGS: Mapping[str, str] = {".lha": "lha", ".lzh": "lha", ".zip": "zip", ".tar": "tar", ".7z": "7z", ".rar": "rar"}
_LAYERS: Mapping[str, Mapping[str, str]] = {
    "gz": {".gz": "", ".tgz": ".tar", ".adz": ".adf"},
    "bz2": {".bz2": "", ".tbz2": ".tar", ".tbz": ".tar"},
    "xz": {".xz": "", ".txz": ".tar"},
}
"""A compression to the endings that speak of it, each with the one that is left without it (common practice)."""


def without_layer(name: str, layer: str) -> str:
    """What a file is called once one compression is taken off; "" where its name speaks of none.

    >>> without_layer("Notes.txt.gz", "gz"), without_layer("tools.TGZ", "gz"), without_layer("tools.lha", "gz")
    ('Notes.txt', 'tools.tar', '')
    """
    for ending, instead in _LAYERS[layer].items():
        if name.lower().endswith(ending) and len(name) > len(ending):
            return name[: -len(ending)] + instead
    return ""


def kind_by_name(name: str) -> str:
    """The archive format (`Opened.format`) that a file's name speaks of; "" where it speaks of none.

    >>> [kind_by_name(name) for name in ("a.LZH", "a.tar.gz", "a.txz", "a.txt.gz", "a.txt")]
    ['lha', 'tar.gz', 'tar.xz', 'gz', '']
    """
    for layer in _LAYERS:
        if inner := without_layer(name, layer):
            return f"tar.{layer}" if kind_by_name(inner) == "tar" else layer
    return next((kind for ending, kind in _ENDINGS.items() if name.lower().endswith(ending)), "")


class Remarks(list[str]):
    """What is said of one archive, no more than a person reads: a hostile one could ask for words without end."""

    MOST = 200

    def append(self, remark: str) -> None:
        """One more, as long as there are few."""
        if len(self) < self.MOST:
            super().append(remark)
        elif len(self) == self.MOST:
            super().append(f"more than {self.MOST} such remarks; the others are not told")

    def extend(self, remarks: Iterable[str]) -> None:
        """Several more."""
        for remark in remarks:
            self.append(remark)


@dataclass(frozen=True, slots=True)
class Limits:
    """Bounds for hostile archives [B], [members], over all levels of archives inside; the manifest may raise them."""

    member_bytes: int = 2 * 2**30
    total_bytes: int = 4 * 2**30
    members: int = 65_535
    name_bytes: int = 4096
    ratio: int = 1000  # above it, and above ratio_bytes, a member is refused
    ratio_bytes: int = 64 * 2**20
    depth: int = 2
    memory_bytes: int = 512 * 2**20  # one decoding process
    floor_s: float = 10.0  # a member's decoding time: floor_s + size / rate_bytes_s
    rate_bytes_s: float = 5e6


@dataclass(frozen=True, slots=True)
class Member:
    """A member as its header declares it. `name` is safe text with `/` between parts once `problem` is empty."""

    index: int  # stored order, from 0
    name: str
    raw_name: bytes
    kind: MemberKind
    size_bytes: int
    packed_bytes: int | None = None
    method: str = ""  # "-lh5-", "deflate", "stored"
    time_s: int | None = None
    attributes: int | None = None  # the bits as stored
    attribute_system: AttributeSystem = ""
    comment: str = ""
    checksum: str = ""  # as stored: "crc16 9778", "crc32 af083b2d"
    problem: str = ""
    target: str = ""  # of a link, as stored


@dataclass(frozen=True, slots=True)
class Content:
    """Bytes at rest on the host: `size_bytes` from `offset_bytes` of the file `path`."""

    path: Path
    offset_bytes: int
    size_bytes: int
    sha256: str


@dataclass(frozen=True, slots=True)
class Unpacked:
    """A member after decoding. `content` is None for folders and links, and for files that do not read whole.

    `problem` says why it does not read; `member.problem` says why it must not be used (an unsafe name, a
    duplicate) though its bytes are right.
    """

    member: Member
    content: Content | None = None
    computed: str = ""  # the checksum computed, as `Member.checksum`
    problem: str = ""

    @property
    def reads(self) -> bool:
        """Whether it is as whole as it can be: a file's bytes are right, anything else has no fault."""
        return not self.problem and (self.content is not None or self.member.kind != "file")


@dataclass(frozen=True, slots=True)
class Opened:
    """A whole archive after decoding, members in stored order. Whole when no problem stands anywhere."""

    path: Path
    sha256: str
    format: str  # "lha", "zip", "tar", "tar.gz", "tar.bz2", "tar.xz", "gz", "bz2", "xz", "fat12", …, "file"
    members: tuple[Unpacked, ...]
    problems: tuple[str, ...] = ()
    notices: tuple[str, ...] = ()
    hurt: tuple[str, ...] = ()  # members that do not read and that the item leaves out
    lacks: tuple[tuple[str, str], ...] = ()  # what this computer has not, in words, and how to get it

    @property
    def whole(self) -> bool:
        sound = not self.problems and not self.lacks
        return sound and not any(entry.problem or entry.member.problem for entry in self.members)

    @property
    def usable_format(self) -> str:
        """The format in which a machine could open the file as it is; "" where that would hand it damaged members."""
        return "" if self.hurt else self.format

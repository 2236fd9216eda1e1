"""What may become a file: one guard for the members of every container, whatever reader found them.

The cases are numbered as in common practice of safe unpackers: a path that leaves its folder (absolute, `..`, a
drive or volume prefix), a path with control characters, a name twice, a file where a folder is needed, a member
below a link, a device, too many members, too many bytes, a decompression bomb. A member whose *name* is unsafe is
still read and its bytes are checked; one that breaks a limit is not.
"""

from __future__ import annotations

import re
from dataclasses import replace

from discprep.members import Limits, Member
from discprep.units import format_bytes

DEPTH_MAX = 64  # parts of one path
TEXT_MAX = 16 * 2**20  # bytes of all names and comments of one archive
# The common case in one match: parts without separators, colons and control characters, none of them dots only.
_PART = r"(?!\.{1,2}(?:/|\Z))[^/\\%s\x00-\x1f\x7f-\x9f\ud800-\udfff]+"
_PLAIN = re.compile(_PART % ":" + "(?:/" + _PART % "" + r")*\Z")
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\ud800-\udfff]")


class TooMuch(Exception):
    """The archive holds more members, or longer names, than the limits allow: the rest is not read."""


def name_problem(name: str) -> str:
    """Why a path must not be used for writing, "" when it may be.

    >>> name_problem("sub/hello.txt"), name_problem("sub/../../x")
    ('', 'its path climbs out of its folder (..)')
    """
    if _PLAIN.match(name):
        return ""
    parts = re.split(r"[/\\]", name)
    if not name.strip("/\\"):
        return "its name is empty"
    if _CONTROL.search(name):
        return "its path holds a control character"
    if parts[0] == "":
        return "its path is absolute"
    if ":" in parts[0]:
        return "its path begins with a drive or volume name"
    if ".." in parts:
        return "its path climbs out of its folder (..)"
    return ""


def tidy(name: str) -> str:
    """The path without empty parts, `.` parts and a separator at its end; an absolute path stays absolute.

    The archive's own root (`./`, as the first folder of many a tar) is `.`.

    >>> tidy("a//b/./c/"), tidy("/a/"), tidy("./")
    ('a/b/c', '/a', '.')
    """
    if "//" not in name and "./" not in name and not name.endswith(("/", "/.")) and name != ".":
        return name
    parts = [part for part in name.split("/") if part not in ("", ".")]
    return ("/" if name.startswith("/") else "") + "/".join(parts) or ("." if "." in name else "")


class Guard:
    """Sees every member of one archive in stored order and says what may not be done with it."""

    def __init__(self, limits: Limits) -> None:
        self._limits = limits
        self._seen: dict[str, tuple[str, int]] = {}  # path: (kind, index)
        self._folded: set[str] = set()
        self._parent = ""
        self._text_bytes = 0
        self._total_bytes = 0
        self.only_case: list[str] = []  # names that differ from an earlier one only in case

    def check(self, member: Member) -> tuple[Member, str]:
        """The member with its name tidied and `problem` saying why it is unsafe; and why it must not even be read.

        Raises:
            TooMuch: the archive breaks a limit as a whole
        """
        self._count(member)
        name, problem = member.name, member.problem
        if not _PLAIN.match(name):
            name = tidy(name)
            no_name = name == "." and member.kind != "folder"  # only a folder can be the archive's root
            problem = problem or name_problem(name) or ("its name is empty" if no_name else "")
        problem = problem or self._place(name, member)
        if problem != member.problem or name != member.name:
            member = replace(member, name=_shown(name), problem=problem)
        return member, self._refusal(member)

    def earlier(self, member: Member) -> int | None:
        """The index of the member that took this one's name before it."""
        kind, index = self._seen.get(member.name, ("", member.index))
        return index if index != member.index and kind == "file" == member.kind else None

    def _count(self, member: Member) -> None:
        self._text_bytes += len(member.raw_name) + len(member.comment)
        if member.index >= self._limits.members:
            raise TooMuch(f"it holds more than {self._limits.members} members; the rest was not read")
        if self._text_bytes > TEXT_MAX:
            raise TooMuch(f"its names and comments take more than {format_bytes(TEXT_MAX)}; the rest was not read")

    def _place(self, name: str, member: Member) -> str:
        """Takes the path for this member, unless something else has it or stands in its way."""
        if len(name) > self._limits.name_bytes or name.count("/") >= DEPTH_MAX:
            return f"its path is longer than {self._limits.name_bytes} characters or {DEPTH_MAX} parts"
        parent = name[: max(name.rfind("/"), 0)]
        if parent != self._parent:
            blocked = self._enter(parent, member.index)
            if blocked:
                return blocked
            self._parent = parent
        before = self._seen.get(name)
        if before is None:
            self._seen[name] = (member.kind, member.index)
            folded = name.casefold()
            if folded in self._folded:
                self.only_case.append(name)
            self._folded.add(folded)
            return "it is a device or something else that is no file" if member.kind == "other" else ""
        if before[0] == member.kind == "folder":
            return ""
        return f"an earlier member ({before[0]} {before[1]}) has the same path"

    def _enter(self, parent: str, index: int) -> str:
        """Makes sure that every part of `parent` is a folder."""
        at = -1
        while parent and at != len(parent):
            at = parent.find("/", at + 1)
            at = len(parent) if at < 0 else at
            kind, taken = self._seen.setdefault(parent[:at], ("folder", index))
            if kind != "folder":
                return f"its path goes through an earlier member that is no folder ({kind} {taken})"
        return ""

    def _refusal(self, member: Member) -> str:
        """Why the bytes must not be decoded; decoded bytes count against the total."""
        limits = self._limits
        if member.kind != "file":
            return ""
        size = member.size_bytes
        if size > limits.member_bytes:
            return f"it would be {format_bytes(size)}, more than the limit of {format_bytes(limits.member_bytes)}"
        packed = size if member.packed_bytes is None else member.packed_bytes
        if limits.ratio and size > limits.ratio_bytes and size > limits.ratio * packed:
            return f"it would grow more than {limits.ratio} times, to {format_bytes(size)}"
        if self._total_bytes + size > limits.total_bytes:
            return f"the archive would be more than {format_bytes(limits.total_bytes)}"
        self._total_bytes += size
        return ""


def _shown(name: str) -> str:
    """The name for a listing: control characters and halves of surrogate pairs as escapes."""
    return _CONTROL.sub(lambda match: f"\\x{ord(match[0]):02x}", name)

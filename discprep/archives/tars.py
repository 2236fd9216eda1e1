"""tar in every dialect (v7, ustar, GNU, pax), by an own walk that checks every header's sum up to the end mark.

Sources: POSIX.1-2017 pax, "ustar Interchange Format" and "pax Header Block"; the GNU tar manual, "Basic Tar Format"
(types L, K, S, V, M, base-256 numbers). A library's listing is not used because it ends without an error at a damaged
header, and so loses the rest in silence.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from itertools import chain

from discprep.archives.base import Format, Options, Remarking, Source, enforced
from discprep.members import Member, MemberKind

BLOCK = 512
ZERO = bytes(BLOCK)
METADATA_BYTES = 2**20  # a long name or a pax header beyond this is refused: it would only fill the memory
YEAR_10000_S = 253_402_300_800

FILE_TYPES = b"\0" + b"07"
HARD_LINK = b"1"
LONG_NAME, LONG_LINK, PAX, PAX_OLD, PAX_GLOBAL, LABEL, SPARSE = b"L", b"K", b"x", b"X", b"g", b"V", b"S"
KINDS: Mapping[bytes, tuple[MemberKind, str]] = {
    b"1": ("link", ""), b"2": ("link", ""), b"5": ("folder", ""),
    b"3": ("other", "a character device: not read"), b"4": ("other", "a block device: not read"),
    b"6": ("other", "a named pipe: not read"),
    SPARSE: ("other", "a sparse file: not read, as its holes are told in a way of one packer only"),
    b"M": ("other", "the rest of a file that began on another volume: the archive is not whole"),
}  # fmt: skip


def number(raw: bytes) -> int | None:
    """A header's number: octal text, or base-256 when its top bit is set (negative when the next one is too).

    >>> number(b"00000000014\\0"), number(b"\\x80\\0\\0\\x01\\0"), number(b"\\xff\\xff\\xff"), number(b"9")
    (12, 256, -1, None)
    """
    if raw[0] & 0x80:
        value = int.from_bytes(raw, "big") & ~(0x80 << 8 * (len(raw) - 1))
        return value - (1 << 8 * len(raw) - 1) if raw[0] & 0x40 else value
    text = raw.lstrip(b" \0").partition(b"\0")[0].partition(b" ")[0]
    if not text:
        return 0
    return int(text, 8) if text.isdigit() and b"8" not in text and b"9" not in text else None


def _sum(raw: bytes) -> int:
    """The sum of at most 256 bytes: the lower half of Adler-32 (RFC 1950 2.2), begun at 0. `sum` takes eight times as
    long, and every member needs it."""
    return zlib.adler32(raw, 0) & 0xFFFF


def sum_is_right(block: bytes) -> bool:
    """Whether a header's sum holds: all bytes, the sum's own eight as spaces; old packers added them as signed."""
    stored = number(block[148:156]) if len(block) == BLOCK else None
    if stored is None:
        return False
    plain = _sum(block[:256]) + _sum(block[256:]) - sum(block[148:156]) + 8 * 0x20
    if stored == plain:
        return True
    high = sum(byte > 127 for byte in chain(block[:148], block[156:]))
    return stored == plain - 256 * high


def records(raw: bytes) -> dict[str, bytes] | None:
    """A pax header's records, `"%d %s=%s\\n"` each; None when they do not close exactly."""
    found: dict[str, bytes] = {}
    at = 0
    while at < len(raw):
        space = raw.find(b" ", at, at + 21)
        length = int(raw[at:space]) if space > at and raw[at:space].isdigit() else 0
        key, equals, value = raw[space + 1 : at + length].partition(b"=")
        if not length or not equals or not value.endswith(b"\n") or at + length > len(raw):
            return None
        found[key.decode("utf-8", "replace")] = value[:-1]
        at += length
    return found


@dataclass(slots=True)
class Pending:
    """What the pseudo-members in front of a member say about it."""

    name: bytes | None = None
    target: bytes | None = None
    pax: dict[str, bytes] = field(default_factory=dict)
    problem: str = ""


class TarReader(Remarking):
    """An open tar archive (`base.Reader`): one walk, headers read as `members` goes on."""

    format = "tar"

    def __init__(self, source: Source, options: Options) -> None:
        super().__init__()
        self._source, self._charset = source, options.charset
        self._data: list[int] = []  # offset of each member's data
        self._files: dict[bytes, tuple[int, int]] = {}  # stored path to where a file's data is, and how much
        self._globals: dict[str, bytes] = {}
        self._guessed = False

    def members(self) -> Iterator[Member]:
        at, pending = 0, Pending()
        while (place := self._next_header(at)) is not None:
            at, block = place
            size_bytes = number(block[124:136])
            if size_bytes is None or size_bytes < 0:
                self.problems.append(f"the header at byte {at} after {self._latest()} has a size that is no size")
                at += BLOCK
                continue
            kind, at = block[156:157], at + BLOCK
            if kind in (LONG_NAME, LONG_LINK, PAX, PAX_OLD, PAX_GLOBAL, LABEL):
                self._take(kind, at, size_bytes, block, pending)
                at += self._step(size_bytes)
                continue
            member, start, at = self._member(block, at, size_bytes, pending)
            pending = Pending()
            self._data.append(start)
            if member.kind == "file" and not member.problem:
                self._files[_stored(member.raw_name)] = start, member.size_bytes
            yield member
        if pending != Pending():
            self.problems.append(f"the archive ends after an extended header that follows {self._latest()}")
        if self._guessed:
            self.notices.append("some names are no UTF-8; they were read as Latin-1")

    def read(self, member: Member) -> Iterator[bytes]:
        return enforced(self._source.chunks(self._data[member.index], member.size_bytes), member.size_bytes)

    def _step(self, size_bytes: int) -> int:
        """Bytes up to the header behind so much data; a size beyond the file leads just beyond it."""
        return -(-min(size_bytes, self._source.size_bytes) // BLOCK) * BLOCK

    def _latest(self) -> str:
        return f"member {len(self._data)}" if self._data else "the start"

    def _next_header(self, at: int) -> tuple[int, bytes] | None:
        """The next sound header from `at` on and its place; None at the end. Remarks on what lies in between."""
        block = self._source.at(at, BLOCK)
        if sum_is_right(block):
            return at, block
        if block == ZERO:
            following = self._source.at(at + BLOCK, BLOCK)
            if sum_is_right(following):
                self.notices.append(f"a lone block of zeros after {self._latest()}; the members behind it were read")
                return at + BLOCK, following
            self._check_tail(at + 2 * BLOCK, following == ZERO)
            return None
        if len(block) < BLOCK:
            self._check_end(at, block)
            return None
        self.problems.append(f"the header at byte {at} after {self._latest()} is damaged: its sum is wrong")
        return self._next_sound(at + BLOCK)

    def _next_sound(self, at: int) -> tuple[int, bytes] | None:
        """The first block from `at` on that is a header beyond doubt: the magic and the sum."""
        while len(block := self._source.at(at, BLOCK)) == BLOCK:
            if block[257:262] == b"ustar" and sum_is_right(block):
                return at, block
            at += BLOCK
        return None

    def _check_end(self, at: int, rest: bytes) -> None:
        """The file ends where a header should start, or before."""
        if at > self._source.size_bytes or rest.strip(b"\0"):
            self.problems.append(f"the archive is cut short in or after {self._latest()}")
        else:
            self.notices.append(f"no end mark after {self._latest()}; the archive may have been cut there")

    def _check_tail(self, at: int, whole_mark: bool) -> None:
        """What stands after the end mark: zeros are padding."""
        if not whole_mark:
            self.notices.append("half an end mark: one block of zeros instead of two")
        for chunk in self._source.chunks(at, self._source.size_bytes - at):
            if chunk.strip(b"\0"):
                skipped = (len(chunk) - len(chunk.lstrip(b"\0"))) // BLOCK * BLOCK
                another = sum_is_right(self._source.at(at + skipped, BLOCK))
                what = "another archive, which was not read" if another else "bytes that are no padding"
                self.notices.append(f"after the end mark, at byte {at + skipped}: {what}")
                return
            at += len(chunk)

    def _take(self, kind: bytes, at: int, size_bytes: int, block: bytes, pending: Pending) -> None:
        """Notes what a pseudo-member says about the next member."""
        if kind == LABEL:
            self.notices.append(f"the archive's label: {self._text(cut(block[:100]))}")
            return
        raw = self._source.at(at, min(size_bytes, METADATA_BYTES))
        if len(raw) < size_bytes:
            pending.problem = f"its extended header of {size_bytes} bytes is cut short or beyond all bounds"
        elif kind == LONG_NAME:
            pending.name = cut(raw)
        elif kind == LONG_LINK:
            pending.target = cut(raw)
        else:
            found = records(raw)
            if found is None:
                pending.problem = "its extended header is damaged"
            elif kind == PAX_GLOBAL:
                self._globals.update(found)
            else:
                pending.pax.update(found)

    def _member(self, block: bytes, at: int, size_bytes: int, pending: Pending) -> tuple[Member, int, int]:
        """The member of a header, where its data starts, and where the next header is."""
        pax = {**self._globals, **pending.pax}
        if pax.get("size", b"").isdigit() and len(pax["size"]) < 20:
            size_bytes = int(pax["size"])
        raw = raw_name(block, pending.name, pax)
        name = self._text(raw, binary="path" not in pax or pax.get("hdrcharset") == b"BINARY")
        kind, problem = kind_of(block[156:157], name, pax)
        if block[156:157] == SPARSE:
            at = self._past_sparse_map(block, at)
        skip = size_bytes
        if kind in ("link", "other", "folder") and block[156:157] in b"123456" and self._is_header(at):
            skip = 0  # some packers store a link's or a folder's size without its bytes (common practice)
        if kind == "folder" and skip and not problem:
            problem = f"a folder that holds {size_bytes} bytes of data"
        if at + skip > self._source.size_bytes:
            problem = problem or "the file ends inside it"
        target = pax.get("linkpath") or pending.target or cut(block[157:257]) if kind == "link" else b""
        hard_link = block[156:157] == HARD_LINK
        if hard_link and skip:  # pax: a link that brings its bytes along
            kind = "file"
        member = Member(
            len(self._data), name, raw, kind, size_bytes if kind == "file" else 0, time_s=moment(block[136:148], pax),
            attributes=number(block[100:108]), attribute_system="unix",
            comment=self._text(pending.pax.get("comment", b""), binary=False), problem=pending.problem or problem,
            target=self._text(target),
        )  # fmt: skip
        place = at
        if hard_link and kind == "link" and not member.problem:
            member, place = self._linked(member, target)
        return member, place, at + self._step(skip)

    def _linked(self, member: Member, target: bytes) -> tuple[Member, int]:
        """A hard link as the file that it is, and where its bytes are."""
        found = self._files.get(_stored(target))
        if found is None:
            problem = f"a hard link to {member.target}, which does not stand before it"
            return replace(member, problem=problem), 0
        place, size_bytes = found
        return replace(member, kind="file", size_bytes=size_bytes, target=""), place

    def _is_header(self, at: int) -> bool:
        block = self._source.at(at, BLOCK)
        return block == ZERO or not block or sum_is_right(block)

    def _past_sparse_map(self, block: bytes, at: int) -> int:
        """Where a sparse member's data starts: behind the blocks that go on with its map of holes."""
        more = block[482]
        while more and len(following := self._source.at(at, BLOCK)) == BLOCK:
            more, at = following[504], at + BLOCK
        return at

    def _text(self, raw: bytes, binary: bool = True) -> str:
        """A name as text: the user's charset, else UTF-8, else Latin-1 with a remark."""
        if binary and self._charset:
            return raw.decode(self._charset, "replace")
        try:
            return raw.decode("utf-8")
        except UnicodeDecodeError:
            self._guessed = True
            return raw.decode("latin-1")


def _stored(raw: bytes) -> bytes:
    """A stored path as links name it: packers write `./a` and `a` for one file."""
    return raw.removeprefix(b"./")


def cut(raw: bytes) -> bytes:
    """The bytes in front of the first NUL."""
    return raw.partition(b"\0")[0]


def raw_name(block: bytes, long_name: bytes | None, pax: Mapping[str, bytes]) -> bytes:
    """The stored path: pax before GNU before the header, whose prefix counts in ustar only."""
    if "path" in pax:
        return pax["path"]
    if long_name is not None:
        return long_name
    name, prefix = cut(block[:100]), cut(block[345:500])
    return prefix + b"/" + name if prefix and block[257:263] == b"ustar\0" else name


def kind_of(mark: bytes, name: str, pax: Mapping[str, bytes]) -> tuple[MemberKind, str]:
    """The kind and why it is not read; v7 has no folders but names that end in a slash."""
    if any(key.startswith("GNU.sparse.") for key in pax):
        return KINDS[SPARSE]
    if mark in FILE_TYPES and len(mark) == 1:
        return ("folder" if name.endswith("/") else "file"), ""
    return KINDS.get(mark, ("other", f"a member of the unknown type {mark!r}: not read"))


def moment(raw: bytes, pax: Mapping[str, bytes]) -> int | None:
    """Seconds since 1970; None for what no calendar holds."""
    whole = pax.get("mtime", b"").split(b".")[0]
    time_s = int(whole) if whole.lstrip(b"-").isdigit() and len(whole) < 16 else number(raw)
    return time_s if time_s is not None and abs(time_s) < YEAR_10000_S else None


def recognise(source: Source) -> bool:
    """Whether the first block is a header whose sum is right."""
    block = source.head[:BLOCK]
    return sum_is_right(block) and block[0] != 0 and number(block[124:136]) is not None


FORMATS = (Format("tar", 1, recognise, TarReader),)

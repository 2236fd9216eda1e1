"""ZIP: an own walker of the central directory, which alone is believed; local headers must agree with it.

Source of the layout: PKWARE APPNOTE.TXT 6.3 (sections named beside the fields). All integers are little-endian.
Deflate, bzip2 and LZMA are decoded by the standard library with bounded output; the older methods by
`oldzip`, through what the host has for them.
"""

from __future__ import annotations

import bz2
import lzma
import struct
import zlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import chain
from typing import Any

from discprep.archives import oldzip
from discprep.archives.base import Format, Inflater, MemberError, Options, Remarking, Source, enforced
from discprep.archives.times import dos_time
from discprep.errors import ArchiveError
from discprep.members import AttributeSystem, Member, MemberKind

END = struct.Struct("<4s4H2LH")  # 4.3.16
LOCATOR = struct.Struct("<4sLQL")  # 4.3.15
END64 = struct.Struct("<4sQ2H2L4Q")  # 4.3.14
CENTRAL = struct.Struct("<4s6H3L5H2L")  # 4.3.12
LOCAL = struct.Struct("<4s5H3L2H")  # 4.3.7
END_MARK, CENTRAL_MARK, LOCAL_MARK = b"PK\5\6", b"PK\1\2", b"PK\3\4"

METHODS = {  # 4.4.5
    0: "stored", 1: "shrink", 2: "reduce-1", 3: "reduce-2", 4: "reduce-3", 5: "reduce-4", 6: "implode",
    8: "deflate", 9: "deflate64", 10: "dcl-implode", 12: "bzip2", 14: "lzma", 93: "zstd", 95: "xz", 98: "ppmd",
}  # fmt: skip
BUILT_IN = {0, 8, 12, 14}
ENCRYPTED, DESCRIPTOR, PATCH, STRONG, UTF8, MASKED = 1, 8, 32, 64, 0x800, 0x2000  # 4.4.4
DOS_HOSTS = {0, 6, 10, 11, 14}  # 4.4.2: FAT, HPFS, NTFS (both numbers), VFAT
HOST_68K, HOST_UNIX, HOST_DARWIN = 1, 3, 19
DIRECTORY_BYTES = 32 * 2**20  # a central directory beyond this is refused: it would only fill the memory
TAIL_BYTES = 65_535 + END.size
FAR_TAIL_BYTES = 2**20
OUT_BYTES = 2**18
TARGET_BYTES = 4096
OVERLAP = "its bytes overlap another member's"


@dataclass(slots=True)
class Entry:
    """One member: its central record taken apart, where its packed bytes lie, and what is wrong with it.

    A plain record with little in it: archives of thousands of small members spend their time here.
    """

    index: int
    fixed: tuple[Any, ...]  # the record's fields, its mark first
    name: bytes
    extra: bytes
    comment: bytes
    size: int  # unpacked [B]
    packed: int  # [B]
    header: int  # offset of the local header [B]
    data: int = 0  # offset of the first packed byte [B]
    problem: str = ""

    @property
    def flags(self) -> int:
        return int(self.fixed[3])

    @property
    def method(self) -> int:
        return int(self.fixed[4])

    @property
    def crc(self) -> int:
        return int(self.fixed[7])

    def is_bad(self, problem: str) -> None:
        """Notes a problem, unless there is one."""
        self.problem = self.problem or problem


@dataclass(frozen=True, slots=True)
class End:
    """An end record, its 64-bit twin taken in; `shift` is the length of a stub that the offsets leave out."""

    stop: int  # first byte after its comment
    count: int  # members in all
    here: int  # members on this disk: as many, unless something is wrong
    directory: int  # absolute offset of the central directory
    size: int
    shift: int
    disk: int  # 0 unless it is the last of several volumes


# ------------------------------------------------------------------------------------- the end record


def _wide(source: Source, at: int) -> tuple[int, int, int, int] | None:
    """Position, count, size and offset from the 64-bit end record in front of the one at `at` (4.3.14, 4.3.15)."""
    locator = source.at(max(at - LOCATOR.size, 0), LOCATOR.size)
    if len(locator) < LOCATOR.size or not locator.startswith(b"PK\6\7"):
        return None
    for place in (LOCATOR.unpack(locator)[2], at - LOCATOR.size - END64.size):
        raw = source.at(place, END64.size) if 0 <= place < at else b""
        if len(raw) == END64.size and raw.startswith(b"PK\6\6"):
            *_, count, size, offset = END64.unpack(raw)
            return place, count, size, offset
    return None


def _end_at(source: Source, at: int, raw: bytes) -> End | None:
    """The end record `raw` at `at`, if a central directory of its size stands where it says; else None. The record
    of a last volume whose directory began on another has the directory -1.
    """
    _, disk, _, here, count, size, offset, comment = END.unpack(raw)
    stop, directory_end, disk = at + END.size + comment, at, 0 if disk == 0xFFFF else disk
    if 0xFFFF in (here, count) or 0xFFFFFFFF in (size, offset):
        wide = _wide(source, at)
        if wide:
            directory_end, count, size, offset = wide
            here = count
    shift = directory_end - size - offset
    for move in (shift, 0):
        if shift >= 0 and (not count or source.at(offset + move, 4) == CENTRAL_MARK):
            return End(stop, count, here, offset + move, size, move, disk)
    return End(stop, 0, 0, -1, 0, 0, disk) if disk and stop == source.size_bytes else None


def find_end(source: Source, window: int = TAIL_BYTES) -> tuple[End | None, bool]:
    """The end record that rules the archive in the last `window` bytes, and whether another one could rule it.

    A record whose comment ends exactly at the end of the file goes before one with bytes after it, and that before
    one whose comment is cut short.
    """
    start = max(source.size_bytes - window, 0)
    tail = source.at(start, source.size_bytes - start)
    sound: list[End] = []
    at = tail.rfind(END_MARK)
    while at >= 0 and len(sound) < 16:
        raw = tail[at : at + END.size]
        end = _end_at(source, start + at, raw) if len(raw) == END.size else None
        if end:
            sound.append(end)
        at = tail.rfind(END_MARK, 0, at + 3)
    exact = [end for end in sound if end.stop == source.size_bytes]
    whole = [end for end in sound if end.stop <= source.size_bytes]
    return next(iter(exact or whole or sound), None), len(exact) > 1


def starts_with_mark(source: Source) -> bool:
    """A member or an end record at the start, or the mark of a spanned archive in front of it (8.5.3, 8.5.4)."""
    return source.head.startswith((LOCAL_MARK, END_MARK, b"PK00" + LOCAL_MARK, b"PK\7\x08" + LOCAL_MARK))


def behind_a_stub(source: Source) -> bool:
    """A central directory with members at the end of any other file: a self-extracting archive."""
    end, _ = find_end(source)
    return end is not None and end.directory >= 0 and end.count > 0


# ------------------------------------------------------------------------------ the central directory


def _extra(raw: bytes, wanted: int) -> bytes:
    """The first extra field with this id (4.5.1); a malformed rest is passed over, as old packers pad there."""
    at = 0
    while at + 4 <= len(raw):
        kind, length = struct.unpack_from("<2H", raw, at)
        if kind == wanted and at + 4 + length <= len(raw):
            return raw[at + 4 : at + 4 + length]
        at += 4 + length
    return b""


def _widened(fields: Sequence[int], extra: bytes) -> list[int]:
    """Sizes and offset with their 64-bit values taken from extra field 1 in the order of 4.5.3."""
    wide, at, found = _extra(extra, 1), 0, list[int]()
    for value in fields:
        if value == 0xFFFFFFFF and at + 8 <= len(wide):
            value = int.from_bytes(wide[at : at + 8], "little")
            at += 8
        found.append(value)
    return found


def _text(raw: bytes, flags: int, host: int, charset: str | None) -> str:
    """A name or comment as text: bit 11 is UTF-8, else the user's charset, else what the host's system used."""
    if charset is None and raw.isascii():
        return raw.decode("ascii")
    if flags & UTF8:
        return raw.decode("utf-8")
    # From common practice, no source: packers of the 68k family store their own Latin-1.
    return raw.decode(charset or ("latin-1" if host == HOST_68K else "cp437"), "replace")


def _unicode_path(raw: bytes, extra: bytes) -> str:
    """The name in extra field 0x7075 (4.6.9), if it belongs to the stored name; else ""."""
    value = _extra(extra, 0x7075)
    if len(value) < 6 or value[0] != 1 or int.from_bytes(value[1:5], "little") != zlib.crc32(raw):
        return ""
    return value[5:].decode("utf-8", "replace")


def _attributes(external: int, host: int) -> tuple[int | None, AttributeSystem]:
    """Attribute bits and their system from the external attributes (4.4.15).

    The 68k family's packers put the protection bits into the high half with the low four inverted (1 = allowed);
    they come back as the file system stores them (1 = forbidden).
    """
    mode = external >> 16
    if host in (HOST_UNIX, HOST_DARWIN) and mode:
        return mode, "unix"
    if host == HOST_68K and mode:
        return (mode & 0xFF) ^ 0x0F, "68k"
    if host in DOS_HOSTS or external & 0xFF:
        return external & 0xFF, "dos"
    return None, ""


def _kind(name: str, external: int, host: int) -> MemberKind:
    mode = external >> 16 if host in (HOST_UNIX, HOST_DARWIN) else 0
    if mode & 0o170000 == 0o120000:
        return "link"
    if mode & 0o170000 in (0o020000, 0o060000, 0o010000, 0o140000):
        return "other"
    return "folder" if name.endswith("/") or (external & 0x10 and host in DOS_HOSTS) else "file"


def _why_unreadable(method: int, flags: int) -> str:
    """Why a member cannot be read whatever its bytes are, in words; empty when it can."""
    if flags & (ENCRYPTED | STRONG) or method == 99:
        return "encrypted: neither checked nor unpacked without its password"
    if flags & PATCH:
        return "holds a patch to another file, not the file"
    if method not in METHODS:
        return f"unknown compression method {method}"
    if method not in BUILT_IN:
        return oldzip.why_not(method)
    return ""


def _member(entry: Entry, charset: str | None) -> Member:
    """What discprep says of a member; adds problems of its name and kind to the entry's."""
    _, made_by, _, flags, method, time, date, crc, _, _, _, _, _, _, _, external, _ = entry.fixed
    host = made_by >> 8
    try:
        name = _unicode_path(entry.name, entry.extra) or _text(entry.name, flags, host, charset)
        comment = _text(entry.comment, flags, host, charset) if entry.comment else ""
    except UnicodeDecodeError:
        name, comment = entry.name.decode("latin-1"), entry.comment.decode("latin-1")
        entry.is_bad("its name is marked as UTF-8 and is not")
    if "\\" in name and host not in (HOST_UNIX, HOST_DARWIN):
        name = name.replace("\\", "/")
    kind = _kind(name, external, host)
    if kind == "folder" and entry.size:
        entry.is_bad(f"a folder that holds {entry.size} bytes of data")
    attributes, system = _attributes(external, host)
    return Member(
        entry.index, name, entry.name, kind, entry.size, entry.packed, METHODS.get(method, f"method {method}"),
        dos_time(date << 16 | time), attributes, system, comment, f"crc32 {crc:08x}", entry.problem,
    )  # fmt: skip


def _entries(raw: bytes, shift: int, most: int) -> Iterator[Entry]:
    """The records of a central directory, as far as they are whole, at most so many (4.3.12)."""
    at = index = 0
    while raw.startswith(CENTRAL_MARK, at) and at + CENTRAL.size <= len(raw) and index < most:
        fixed = CENTRAL.unpack_from(raw, at)
        name = at + CENTRAL.size
        extra = name + fixed[10]
        comment = extra + fixed[11]
        at = comment + fixed[12]
        if at > len(raw):
            return
        size, packed, offset = fixed[9], fixed[8], fixed[16]
        if 0xFFFFFFFF in (size, packed, offset):
            size, packed, offset = _widened((size, packed, offset), raw[extra:comment])
        parts = raw[name:extra], raw[extra:comment], raw[comment:at]
        problem = _why_unreadable(fixed[4], fixed[3])
        if fixed[13] not in (0, 0xFFFF):
            problem = f"it lies in volume {fixed[13] + 1} of several, which is not read"
        yield Entry(index, fixed, *parts, size, packed, offset + shift, 0, problem)
        index += 1


def _locate(source: Source, entry: Entry, limit: int) -> None:
    """Finds the entry's data by its local header; a header that disagrees is the entry's problem (4.3.7)."""
    raw = source.at(entry.header, LOCAL.size + len(entry.name))
    if len(raw) < LOCAL.size or not raw.startswith(LOCAL_MARK):
        entry.is_bad("no local header where the central directory points")
        return
    _, _, flags, method, _, _, crc, packed, size, name_length, extra_length = LOCAL.unpack_from(raw)
    entry.data = entry.header + LOCAL.size + name_length + extra_length
    if (name_length != len(entry.name) or raw[LOCAL.size :] != entry.name) and not flags & MASKED:
        entry.is_bad("its local header has another name than the central directory")
    if method != entry.method:
        entry.is_bad("its local header has another method than the central directory")
    if (flags ^ entry.flags) & (ENCRYPTED | STRONG):
        entry.is_bad("its local header and the central directory disagree whether it is encrypted")
    agree = (crc, packed, size) == (entry.crc, entry.packed, entry.size) or 0xFFFFFFFF in (packed, size)
    if not agree and not flags & (DESCRIPTOR | MASKED):
        entry.is_bad("its local header has another size or checksum than the central directory")
    if entry.data + entry.packed > limit:
        entry.is_bad("its data runs into the central directory or past the end of the file")
    if method == 0 and entry.packed != entry.size:
        entry.is_bad(f"stored in {entry.packed} bytes, yet said to be {entry.size} bytes long")


def _part(entries: Iterable[Entry]) -> None:
    """Entries whose bytes overlap another's have that as their problem. Those that are damaged already are not read,
    and where they claim to lie is no ground to refuse others."""
    reach, owner = -1, None
    for entry in sorted((entry for entry in entries if not entry.problem), key=lambda entry: entry.header):
        stop = entry.data + entry.packed
        if entry.header < reach and owner:
            owner.is_bad(OVERLAP)
            entry.is_bad(OVERLAP)
        if stop > reach:
            reach, owner = stop, entry


def _salvaged(source: Source, most: int) -> Iterator[Entry]:
    """An archive without an end record, as a download that broke off: what the local headers say, in their order."""
    at, index = source.head.find(LOCAL_MARK, 0, 8), 0
    while 0 <= at < source.size_bytes and index <= most:
        raw = source.at(at, LOCAL.size)
        if len(raw) < LOCAL.size or not raw.startswith(LOCAL_MARK):
            return
        _, version, flags, method, time, date, crc, packed, size, name_bytes, extra_bytes = LOCAL.unpack(raw)
        names = source.at(at + LOCAL.size, name_bytes + extra_bytes)
        fixed = (b"", version, version, flags, method, time, date, crc, packed, size, 0, 0, 0, 0, 0, 0, at)
        data = at + LOCAL.size + len(names)
        entry = Entry(index, fixed, names[:name_bytes], names[name_bytes:], b"", size, packed, at, data)
        entry.is_bad(_why_unreadable(method, flags))
        unsized = flags & DESCRIPTOR and not packed
        if unsized:
            entry.is_bad("its size stood in the lost central directory")
        elif data + packed > source.size_bytes:
            entry.is_bad("the file ends inside it")
        yield entry
        at, index = -1 if unsized else data + packed, index + 1


# ---------------------------------------------------------------------------------------------- decoding


def expanded(decoder: Any, pieces: Iterable[bytes], ends_itself: bool = True) -> Iterator[bytes]:
    """The decoded bytes in bounded pieces, by one of the standard library's decompressors or an `Inflater`.

    Raises:
        MemberError: the stream does not decode, or lacks its end
    """
    for piece in pieces:
        while not decoder.eof:
            try:
                out = decoder.decompress(piece, OUT_BYTES)
            except (zlib.error, lzma.LZMAError, OSError, EOFError) as error:
                raise MemberError(f"its packed bytes do not decode ({error})") from error
            if out:
                yield out
            piece = b""
            if decoder.needs_input:
                break
    if ends_itself and not decoder.eof:
        raise MemberError("its packed bytes break off before their end")


def _lzma_decoder(pieces: Iterator[bytes], size_bytes: int) -> tuple[Any, Iterator[bytes]]:
    """A decoder set up from the properties in front of an LZMA stream (5.8.8), and the rest of the stream."""
    first = next(pieces, b"")
    if len(first) < 9 or first[2:4] != b"\5\0" or first[4] >= 9 * 5 * 5:
        raise MemberError("its LZMA properties are damaged")
    rest, lc = divmod(first[4], 9)
    pb, lp = divmod(rest, 5)
    # A window larger than the member is never used: so a hostile size cannot fill the memory.
    window = min(int.from_bytes(first[5:9], "little"), max(size_bytes, 4096), 2**28)
    filters = [{"id": lzma.FILTER_LZMA1, "lc": lc, "lp": lp, "pb": pb, "dict_size": max(window, 4096)}]
    try:
        decoder = lzma.LZMADecompressor(lzma.FORMAT_RAW, filters=filters)
    except (lzma.LZMAError, ValueError) as error:
        raise MemberError(f"its LZMA properties are damaged ({error})") from error
    return decoder, chain([first[9:]], pieces)


class ZipReader(Remarking):
    """An open ZIP archive (`base.Reader`)."""

    format = "zip"

    def __init__(self, source: Source, options: Options) -> None:
        super().__init__()
        self._source, self._options = source, options
        self._entries = self._listed()

    def members(self) -> Iterator[Member]:
        return map(self._member, self._entries)

    def read(self, member: Member) -> Iterator[bytes]:
        return enforced(self._decoded(self._entries[member.index]), member.size_bytes, member.checksum)

    def _listed(self) -> list[Entry]:
        """Members in the order of the central directory, each with what is wrong with it.

        Raises:
            ArchiveError: part of a multi-volume archive, or a central directory beyond all bounds
        """
        source, most = self._source, self._options.limits.members
        end, doubtful = find_end(source)
        if end is None:
            end, doubtful = find_end(source, FAR_TAIL_BYTES)
        if end is None:
            self.problems.append("no end record: the archive is cut short or damaged at its end")
            return list(_salvaged(source, most))
        if end.directory < 0:
            raise ArchiveError("one part of a multi-volume ZIP archive", hint="Join the parts into one archive first.")
        if end.size > DIRECTORY_BYTES:
            raise ArchiveError(f"a central directory of {end.size} bytes; at most {DIRECTORY_BYTES} are read")
        entries = list(_entries(source.at(end.directory, end.size), end.shift, most + 1))
        for entry in entries:
            _locate(source, entry, end.directory)
        _part(entries)
        self._check(end, entries)
        if doubtful:
            self.problems.append(
                "two end records could each be the true one; unpackers would disagree about the members"
            )
        after = source.size_bytes - end.stop
        if after < 0:
            self.problems.append(
                f"its comment at the end lacks {-after} bytes: the archive is cut short or damaged there"
            )
        elif after > 0:
            self.notices.append(f"{after} bytes after the end record")
        return entries

    def _check(self, end: End, entries: list[Entry]) -> None:
        """What is wrong with the archive beyond its members."""
        read = len(entries)
        # Packers without the 64-bit records let the 16-bit count run over (common practice, no source).
        few = read <= self._options.limits.members
        if few and {end.count & 0xFFFF, end.here & 0xFFFF} != {read & 0xFFFF}:
            counts = f"{end.count}" if end.count == end.here else f"{end.count} or {end.here}"
            self.problems.append(
                f"the end record counts {counts} members, the central directory holds {read}: damaged there"
            )
        if end.disk:
            self.problems.append(
                f"the end record says that this is volume {end.disk + 1} of several; the others are not read"
            )
        first = min((entry.header for entry in entries), default=end.directory)
        if first >= END.size and find_end(Source(self._source.file, first, self._source.head, self._source.name))[0]:
            self.problems.append(
                f"another ZIP archive stands in the {first} bytes in front of this one; it was not read"
            )

    def _member(self, entry: Entry) -> Member:
        """The member; a symbolic link's target is its data."""
        member = _member(entry, self._options.charset)
        if member.kind != "link" or member.problem or member.size_bytes > TARGET_BYTES:
            return member
        try:
            raw = b"".join(self.read(member))
        except MemberError as error:
            return replace(member, problem=error.message)
        return replace(member, target=raw.decode("utf-8", "replace"))

    def _decoded(self, entry: Entry) -> Iterator[bytes]:
        pieces = self._source.chunks(entry.data, entry.packed)
        match entry.method:
            case 0:
                return pieces
            case 8:
                return expanded(Inflater(-zlib.MAX_WBITS), pieces)
            case 12:
                return expanded(bz2.BZ2Decompressor(), pieces)
            case 14:
                decoder, rest = _lzma_decoder(pieces, entry.size)
                # Bit 1: the stream has an end mark (4.4.4); without it, the size ends it.
                return expanded(decoder, rest, ends_itself=bool(entry.flags & 2))
        return oldzip.decoded(entry, pieces, self._options)


FORMATS = (
    Format("zip", 0, starts_with_mark, ZipReader),
    Format("zip", 2, behind_a_stub, ZipReader),
)

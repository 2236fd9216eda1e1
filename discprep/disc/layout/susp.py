"""System Use entries (the sharing protocol's SP, CE, ER), Rock Ridge, and `AS` attributes with comments. Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from discprep.disc.layout.fields import SECTOR, both32, little, read_long_date, read_short_date

NO_ENTRY = bytes(4)
LINK_MODE = 0o120000  # of PX: a symbolic link
MAX_AREAS = 32  # continuation areas followed for one record
ReadSector = Callable[[int], bytes]

# Sizes of the entries that the writer gives every record, in Rock Ridge 1.09: RR, PX, TF with three short dates.
RR_BYTES, PX_BYTES, TF_BYTES, NM_BYTES, SP_BYTES, CE_BYTES = 5, 36, 26, 5, 7, 28
PLAIN_BYTES = RR_BYTES + PX_BYTES + TF_BYTES

SHARING = b"SP\x07\x01\xbe\xef\0"  # begins the root's own record (SUSP §5.3)
_EXTENSION = (
    b"RRIP_1991A",
    b"THE ROCK RIDGE INTERCHANGE PROTOCOL PROVIDES SUPPORT FOR POSIX FILE SYSTEM SEMANTICS",
    b"PLEASE CONTACT DISC PUBLISHER FOR SPECIFICATION SOURCE.  "
    b"SEE PUBLISHER IDENTIFIER IN PRIMARY VOLUME DESCRIPTOR FOR CONTACT INFORMATION.",
)  # identifier, description and source as Rock Ridge 1.09 words them
RRIP_1991A = (
    b"ER" + bytes((8 + sum(map(len, _EXTENSION)), 1, *map(len, _EXTENSION), 1)) + b"".join(_EXTENSION)
)  # SUSP §5.5; in a continuation area, since it is longer than a record


def continued(sector: int, length: int, offset: int = 0) -> bytes:
    """CE: the entries go on in a continuation area in a sector (SUSP §5.1)."""
    return b"CE\x1c\x01" + both32(sector) + both32(offset) + both32(length)


def plain_entries(mode: int, links: int, date: bytes, inner: bytes = b"", *, named: bool = True) -> bytes:
    """What Rock Ridge 1.09 says of a file or folder: RR, PX, TF, and between them its name and a link's text (`inner`;
    nothing where that stands in a continuation area). `named`: not of `.` and `..`.

    User and group are 0; the three stamps of TF (modified, accessed, changed) are one date.
    """
    flags = 0x81 | (0x08 if named else 0) | (0x04 if mode & 0o170000 == LINK_MODE else 0)
    posix = b"PX\x24\x01" + both32(mode) + both32(links) + bytes(16)
    return b"RR\x05\x01" + bytes((flags,)) + inner + posix + b"TF\x1a\x01\x0e" + date * 3


def name_entry(name: bytes) -> bytes:
    """NM: a name, whole (Rock Ridge 1.09 §4.1.4)."""
    return b"NM" + bytes((NM_BYTES + len(name), 1, 0)) + name


def link_entries(text: bytes) -> bytes:
    """SL: a symbolic link's text, a component for each part, `.` and `..` as flags; whole components go on in another
    entry where one does not hold them all (Rock Ridge 1.09 §4.1.3).

    >>> link_entries(b"../a").hex(" ")
    '53 4c 0a 01 00 04 00 00 01 61'
    """
    pieces = [b""]
    for part in text.split(b"/"):
        flags = {b".": 2, b"..": 4}.get(part, 0)
        component = bytes((flags, 0)) if flags else bytes((0, len(part))) + part
        if len(pieces[-1]) + len(component) > 250:
            pieces.append(b"")
        pieces[-1] += component
    last = len(pieces) - 1
    return b"".join(b"SL" + bytes((5 + len(piece), 1, at < last)) + piece for at, piece in enumerate(pieces))


def _link_text(data: bytes) -> tuple[bytes, bool]:
    """The text of one SL entry, and whether another goes on with it."""
    parts, at, joined = [b""], 1, False
    while at + 2 <= len(data):
        flags, length = data[at], data[at + 1]
        part = {2: b".", 4: b"..", 8: b""}.get(flags & 0x0E, data[at + 2 : at + 2 + length])
        parts = [*parts[:-1], parts[-1] + part] if joined else [*parts, part]
        at, joined = at + 2 + length, bool(flags & 1)
    return b"/".join(parts[1:]), bool(data[:1] and data[0] & 1)


Entry = tuple[bytes, bytes]  # signature, and the data after the four bytes of its header


class BrokenEntries(ValueError):
    """The System Use area cannot be read to its end."""


def entries(area: bytes, read: ReadSector, skip: int = 0) -> Iterator[Entry]:
    """The entries of a record's System Use area, continuation areas followed.

    Raises:
        BrokenEntries: an entry that does not fit its area, or areas without end
    """
    offset = skip
    for _ in range(MAX_AREAS):
        following = None
        end = len(area)
        while offset + 4 <= end:
            signature, length = area[offset : offset + 2], area[offset + 2]
            if signature == b"ST" or area[offset : offset + 4] == NO_ENTRY:
                break
            if length < 4 or offset + length > end:
                raise BrokenEntries(f"a System Use entry of {length} bytes does not fit its area")
            if signature == b"CE" and length >= 28:
                following = (little(area, offset + 4, 4), little(area, offset + 12, 4), little(area, offset + 20, 4))
            yield signature, area[offset + 4 : offset + length]
            offset += length
        if following is None:
            return
        sector, base, length = following
        if base + length > SECTOR:
            raise BrokenEntries("a continuation area passes the end of its sector")
        area, offset = read(sector)[base : base + length], 0
    raise BrokenEntries(f"more than {MAX_AREAS} continuation areas")


@dataclass(slots=True)
class RockRidge:
    """What a record's entries say. `name` and `comment` are stored bytes; None: not said."""

    name: bytes | None = None
    mode: int | None = None
    time_s: int | None = None
    attributes: int | None = None  # the 32-bit word of AS
    comment: bytes | None = None
    link: bytes | None = None  # a symbolic link's text
    moved: bool = False  # RE: a relocated directory, to be hidden
    child: int | None = None  # CL: the sector of the directory that stands here


NOTHING = RockRidge()  # of a record without entries; nobody writes to it


def rock_ridge(found: Iterator[Entry]) -> RockRidge:
    """Gathers the entries of one record."""
    facts, more = RockRidge(), False
    for signature, data in found:
        if signature == b"NM" and data:
            facts.name = (facts.name or b"") + data[1:]
        elif signature == b"PX" and len(data) >= 4:
            facts.mode = little(data, 0, 4)
        elif signature == b"TF" and data:
            facts.time_s = _modified(data)
        elif signature == b"AS" and data:
            _attributes(facts, data)
        elif signature == b"SL":
            text, following = _link_text(data)
            facts.link = text if facts.link is None else facts.link + (b"/" if more else b"") + text
            more = following
        elif signature == b"RE":
            facts.moved = True
        elif signature == b"CL" and len(data) >= 4:
            facts.child = little(data, 0, 4)
    return facts


def _modified(data: bytes) -> int | None:
    """The time of last change in a TF entry: flag bit 1, after creation if that is there too."""
    size, flags = (17, data[0]) if data[0] & 0x80 else (7, data[0])
    if not flags & 0x02:
        return None
    start = 1 + size * (flags & 0x01)
    stamp = data[start : start + size]
    return read_long_date(stamp) if size == 17 else read_short_date(stamp)


def _attributes(facts: RockRidge, data: bytes) -> None:
    """AS: flags, then protection (bit 0) and a piece of the comment (bit 1), whose length counts itself."""
    flags, rest = data[0], data[1:]
    if flags & 0x01 and len(rest) >= 4:
        facts.attributes, rest = int.from_bytes(rest[:4], "big"), rest[4:]
    if flags & 0x02 and rest:
        facts.comment = (facts.comment or b"") + rest[1 : rest[0]]

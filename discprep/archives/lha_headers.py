"""LHA headers, levels 0 to 3: pure parsing of bytes into records, nothing is decoded and no name is judged.

Sources: the header document of "LHa for UNIX" (header.doc.md) and its src/header.c; lhasa's lib/lha_file_header.c
and lib/ext_header.c for what real packers wrote beyond the document. All integers are little-endian.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Callable
from dataclasses import dataclass, field

from discprep.archives.crc import crc16

HEADER_MAX = 2**20  # bytes of one header with its extended headers
HEAD_BYTES = 512  # holds nearly every header whole
STUB_MAX = 256 * 1024  # how far a self-extractor's program may reach
METHOD = re.compile(rb"-(?:lh|lz|pm)[0-9a-z]-")
ANY_METHOD = re.compile(rb"-[0-9a-zA-Z]{3}-")
STORED = {"-lh0-", "-lz4-", "-pm0-"}
FOLDER = "-lhd-"
_BASE = struct.Struct("<5sIIIBB")  # method, packed or skip size, size, time, attribute, level: from byte 2

ReadAt = Callable[[int, int], bytes]
"""read(offset, size): up to `size` bytes from `offset` of the archive."""


class BadHeader(Exception):
    """What stands here cannot be read as a header, in words."""


@dataclass(slots=True)
class Header:
    """One header as stored; `fault` is filled when its checksum is wrong or its fields contradict each other."""

    offset: int
    level: int
    method: str
    packed_bytes: int
    size_bytes: int
    stamp: int  # DOS time (levels 0, 1) or unix time (2, 3)
    attribute: int
    header_bytes: int = 0  # with all extended headers
    crc: int | None = None  # of the unpacked data
    os_id: str = ""  # "" where the header has none
    name: bytes = b""
    extended: dict[int, bytes] = field(default_factory=dict)  # the last of each type
    unix_mode: int | None = None
    crc_at: int = 0  # where the header CRC stands; 0: it has none
    checked: bool = False  # a checksum over the header agrees
    closes: bool = False  # levels 2 and 3: the extended headers end where the header does
    fault: str = ""

    @property
    def data_offset(self) -> int:
        """Where the packed data begins."""
        return self.offset + self.header_bytes

    @property
    def end(self) -> int:
        """Where the next header begins."""
        return self.data_offset + self.packed_bytes

    def verified(self, end: int) -> bool:
        """Whether this surely is a header of an archive of `end` bytes, and not bytes that look like one."""
        return self.checked or (self.closes and not self.fault and self.end <= end)


def starts_archive(read: ReadAt, end: int) -> bool:
    """Whether a file of `end` bytes begins with a header: a usual method's, or any other that verifies."""
    head = read(0, HEAD_BYTES)
    if METHOD.match(head, 2) or not ANY_METHOD.match(head, 2):  # it stands at byte 2 in every level
        return len(head) > 20 and METHOD.match(head, 2) is not None
    try:
        header = read_header(read, 0, end, head)
    except BadHeader:
        return False
    return header.verified(end)


def nearly_header(head: bytes) -> bool:
    """Whether at least three of the five bytes of a method id are left: a damaged header rather than junk."""
    id_ = head[2:7].ljust(5, b"\0")
    return sum([id_[0] == 0x2D, id_[1] in b"lp", id_[2] in b"hzm", id_[3:4].isalnum(), id_[4] == 0x2D]) >= 3


def read_header(read: ReadAt, offset: int, end: int, head: bytes = b"") -> Header:
    """The header at `offset` of an archive of `end` bytes; `head` is its first HEAD_BYTES, if at hand.

    Raises:
        BadHeader: no method id, an unknown level, a length that cannot be; the file ends inside the header
    """
    head = head or read(offset, HEAD_BYTES)
    if not ANY_METHOD.match(head, 2):
        raise BadHeader("no method id stands where a header should be")
    if len(head) < 22:
        raise BadHeader("the file ends inside a header")
    method, packed, size, stamp, attribute, level = _BASE.unpack_from(head, 2)
    if level > 3:
        raise BadHeader(f"header level {level} is unknown (0 to 3 are known)")
    header = Header(offset, level, method.decode("ascii"), packed, size, stamp, attribute)
    _LEVELS[level](header, read, head, end)
    return header


def _more(read: ReadAt, head: bytes, offset: int, size: int, end: int) -> bytes:
    """The first `size` bytes of the header, from what is at hand or from the file."""
    if offset + size > end:
        raise BadHeader("the file ends inside a header")
    return head[:size] if size <= len(head) else read(offset, size)


def _base(header: Header, read: ReadAt, head: bytes, end: int) -> bytes:
    """The base header of levels 0 and 1, its sum compared."""
    total = head[0] + 2
    if total < 22:
        raise BadHeader(f"the header says it is {total} bytes long, too short for any")
    base = _more(read, head, header.offset, total, end)
    found = sum(base[2:]) & 0xFF
    if found != base[1]:
        header.fault = f"its header sum is {found:02x}, expected {base[1]:02x}"
    else:
        header.checked = True
    if 22 + base[21] > total:
        raise BadHeader("the name is longer than the header")
    header.name = base[22 : 22 + base[21]]
    return base


def _level_0(header: Header, read: ReadAt, head: bytes, end: int) -> None:
    base = _base(header, read, head, end)
    header.header_bytes = len(base)
    area = 24 + len(header.name)
    if len(base) >= area:  # the oldest packers stored no CRC
        header.crc = int.from_bytes(base[area - 2 : area], "little")
    if not header.method.startswith("-pm"):  # there the rest is a comment
        _level_0_area(header, base[area:])


def _level_0_area(header: Header, area: bytes) -> None:
    """The extended area: `U` 12 bytes, `K` 16, `9` 22; mode, uid and gid of the first two count from the end."""
    known = {(b"U", 12), (b"K", 16), (b"9", 22)}
    if (area[:1], len(area)) not in known:
        return
    header.os_id = area[:1].decode("ascii")
    if header.os_id in "UK":
        header.unix_mode = int.from_bytes(area[-6:-4], "little")


def _level_1(header: Header, read: ReadAt, head: bytes, end: int) -> None:
    base = _base(header, read, head, end)
    named = 22 + len(header.name)
    if len(base) < named + 5:
        raise BadHeader("the header is too short for its name")
    header.crc = int.from_bytes(base[named : named + 2], "little")
    header.os_id = chr(base[named + 2])
    skip = header.packed_bytes
    whole = _chain_1(header, read, base, skip)
    header.header_bytes = len(whole)
    header.packed_bytes = skip - (len(whole) - len(base))
    _extensions(header, whole)


def _chain_1(header: Header, read: ReadAt, base: bytes, skip: int) -> bytes:
    """Base and extended headers of level 1, which stand behind the base and are counted in the skip size."""
    whole = bytearray(base)
    size = int.from_bytes(base[-2:], "little")
    while size:
        if size < 3 or len(whole) - len(base) + size > skip:
            raise BadHeader("an extended header is longer than the header allows")
        if len(whole) + size > HEADER_MAX:
            raise BadHeader(f"its extended headers take more than {HEADER_MAX} bytes")
        piece = read(header.offset + len(whole), size)
        if len(piece) < size:
            raise BadHeader("the file ends inside a header")
        _extension(header, piece[0], piece[1:-2], len(whole) + 1)
        whole += piece
        size = int.from_bytes(piece[-2:], "little")
    return bytes(whole)


def _level_2(header: Header, read: ReadAt, head: bytes, end: int) -> None:
    total = int.from_bytes(head[:2], "little")
    short = head[23:24] == b"K"  # that system's packers count two bytes too few
    if len(head) < 26 or total < (24 if short else 26):
        raise BadHeader(f"the header says it is {total} bytes long, too short for any")
    header.crc = int.from_bytes(head[21:23], "little")
    header.os_id = chr(head[23])
    if short and not _closes(_more(read, head, header.offset, total, end)):
        total += 2
    _chain(header, _more(read, head, header.offset, total, end), 24, 2)


def _closes(whole: bytes) -> bool:
    """Whether the extended headers of level 2 end within the header."""
    at = 24
    while size := int.from_bytes(whole[at : at + 2], "little"):
        at += size
    return at + 2 <= len(whole)


def _level_3(header: Header, read: ReadAt, head: bytes, end: int) -> None:
    word, total = int.from_bytes(head[:2], "little"), int.from_bytes(head[24:28], "little")
    if word != 4 or len(head) < 32 or total < 32:
        raise BadHeader("a level-3 header must say a word size of 4 and at least 32 bytes")
    if total > HEADER_MAX:
        raise BadHeader(f"the header says it is {total} bytes long, more than {HEADER_MAX}")
    header.crc = int.from_bytes(head[21:23], "little")
    header.os_id = chr(head[23])
    _chain(header, _more(read, head, header.offset, total, end), 28, 4)


_SIZE_FIELD = {2: struct.Struct("<H").unpack_from, 4: struct.Struct("<I").unpack_from}


def _chain(header: Header, whole: bytes, at: int, word: int) -> None:
    """The extended headers of levels 2 and 3, from the first size field at `at`; sizes are `word` bytes wide."""
    size_at, last = _SIZE_FIELD[word], len(whole) - word
    (size,) = size_at(whole, at)
    while size:
        data, after = at + word + 1, at + size
        if size <= word or after > last:
            raise BadHeader("an extended header is longer than the header allows")
        _extension(header, whole[data - 1], whole[data:after], data)
        at = after
        (size,) = size_at(whole, at)
    header.header_bytes = len(whole)
    header.closes = last - at in (0, 1)  # one byte of padding is usual
    _extensions(header, whole)


def _extension(header: Header, type_: int, data: bytes, at: int) -> None:
    header.extended[type_] = data
    if type_ == 0 and len(data) >= 2:
        header.crc_at = at


def _extensions(header: Header, whole: bytes) -> None:
    """What the extended headers say about sizes, and the header CRC."""
    extended = header.extended
    if len(sizes := extended.get(0x42, b"")) >= 16:
        header.packed_bytes, header.size_bytes = struct.unpack_from("<QQ", sizes)
    if len(mode := extended.get(0x50, b"")) >= 2:
        header.unix_mode = int.from_bytes(mode[:2], "little")
    if header.crc_at:
        _compare_crc(header, whole, header.crc_at)


def _compare_crc(header: Header, whole: bytes, at: int) -> None:
    stored = int.from_bytes(whole[at : at + 2], "little")
    found = crc16(whole[:at] + b"\0\0" + whole[at + 2 :], 0)
    if found != stored:
        header.checked = False
        header.fault = header.fault or f"its header CRC is {found:04x}, expected {stored:04x}"
    elif not header.fault:
        header.checked = True


_LEVELS = (_level_0, _level_1, _level_2, _level_3)


class Search:
    """Finds verified headers: behind a self-extractor's program, or after a damaged header.

    All searching through one archive may read at most `budget` bytes of candidates, a piece counting for HEAD_BYTES at
    least, so that a file full of method ids cannot cost more than its own length many times over.
    """

    def __init__(self, read: ReadAt, end: int, budget: int = 2**26) -> None:
        self._read = read
        self._end = end
        self._left = budget

    def next(self, start: int, stop: int) -> int | None:
        """The offset of the first header in [start, stop) that verifies; None if there is none."""
        step = 2**18
        for block in range(start, stop, step):
            data = self._read(block, step + 6)
            for match in METHOD.finditer(data):
                offset = block + match.start() - 2
                if start <= offset < stop and self._verified(offset):
                    return offset
        return None

    def _verified(self, offset: int) -> bool:
        try:
            return read_header(self._bounded, offset, self._end).verified(self._end)
        except BadHeader:
            return False

    def _bounded(self, offset: int, size: int) -> bytes:
        self._left -= max(size, HEAD_BYTES)
        if self._left < 0:
            raise BadHeader("too much was searched through")
        return self._read(offset, size)

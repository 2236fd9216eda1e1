"""Writers for three containers that old machines open: ZIP (stored or deflated), plain tar, stored LHA.

Small on purpose, and deterministic: the same members give the same bytes on any day, host and zone. Members come as
`Entry`; folders that hold files need no member of their own. Times are the wall clock stored (see `discprep.model`).

Layouts: PKWARE APPNOTE 6.3 (4.3.7, 4.3.12, 4.3.16), POSIX.1-1988 ustar, LHA header level 1 as in the header document
of "LHa for UNIX".
"""

from __future__ import annotations

import struct
import tarfile
import time
import zlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import BinaryIO

from discprep.archives.crc import crc16
from discprep.disc.contents import chunks
from discprep.errors import ArchiveError
from discprep.model import Content, Shape

CHUNK_BYTES = 65_536
DOS_FIRST_S, DOS_LAST_S = 315_532_800, 4_354_819_198  # 1980-01-01 00:00:00 and 2107-12-31 23:59:58
FOUR_GIB = 2**32
TAR_LAST_S = 8**11 - 1  # eleven octal digits
ZIP_MEMBER_BYTES, ZIP_END_BYTES = 30 + 46, 22  # both headers without the name (APPNOTE 4.3.7, 4.3.12), the end (4.3.16)
LHA_HEADER_BYTES = 27 + 5  # the base header without the name, and the extension with the header's CRC


@dataclass(frozen=True, slots=True)
class Entry:
    """One file of an archive to be written: its path there, its bytes, its time, its attribute bits if known."""

    name: str
    content: Content
    time_s: int | None = None
    attributes: int | None = None
    attribute_system: str = ""


def pieces_of(content: Content) -> Iterator[bytes]:
    """The bytes of a content, in pieces.

    Raises:
        ArchiveError: the file on the host became shorter
    """
    left = content.size_bytes
    for chunk in chunks(content, CHUNK_BYTES):
        left -= len(chunk)
        yield chunk
    if left:
        raise ArchiveError("a file of the host changed while it was packed", where=str(content.path))


def dos_time(time_s: int | None) -> int:
    """DOS date and time in one 32-bit word, from a wall clock; 1980-01-01 where there is none or it lies outside.

    >>> hex(dos_time(1772600768))
    '0x5c6428c4'
    """
    inside = DOS_FIRST_S if time_s is None else min(max(time_s, DOS_FIRST_S), DOS_LAST_S)
    t = time.gmtime(inside)
    date = (t.tm_year - 1980) << 9 | t.tm_mon << 5 | t.tm_mday
    return date << 16 | t.tm_hour << 11 | t.tm_min << 5 | t.tm_sec // 2


def stored_bytes(shape: Shape, members: Iterable[tuple[str, int]]) -> int:
    """How long an archive of these files (path, size [B]) becomes, nothing compressed: a ZIP, a plain tar or an LHA as
    written below, its names of one byte a character.

    >>> stored_bytes("tar", [("A", 1)])
    10240
    """
    members = list(members)
    if shape == "tar":
        return _tape(sum(512 + size + -size % 512 for _, size in members))
    if shape == "lha":
        return 1 + sum(LHA_HEADER_BYTES + len(path) + 3 * ("/" in path) + size for path, size in members)
    return ZIP_END_BYTES + sum(ZIP_MEMBER_BYTES + 2 * len(path) + size for path, size in members)


# ---------------------------------------------------------------------------------------------------- ZIP


def write_zip(out: BinaryIO, entries: Sequence[Entry], *, deflate: bool, charset: str = "cp437") -> None:
    """A ZIP of version 2.0: no 64-bit fields, no data descriptors, so that the oldest unpackers read it.

    Names are written in `charset`, the machine's own, with the UTF-8 flag unset; a file that deflate makes no smaller
    is stored.

    Raises:
        ArchiveError: a name the charset lacks, more than 65,535 files, or more than 4 GiB
    """
    if len(entries) > 65_535:
        raise ArchiveError(f"{len(entries):,} files do not fit into one ZIP that old unpackers read (65,535)")
    directory = [_zip_member(out, entry, deflate, charset) for entry in entries]
    start, count = out.tell(), len(directory)
    out.write(b"".join(directory))
    size = out.tell() - start
    if out.tell() >= FOUR_GIB:
        raise ArchiveError("a ZIP over 4 GiB is none that old unpackers read")
    out.write(struct.pack("<4s4H2LH", b"PK\5\6", 0, 0, count, count, size, start, 0))


def _zip_member(out: BinaryIO, entry: Entry, deflate: bool, charset: str) -> bytes:
    """Writes a member. Returns its entry of the directory."""
    name = _encoded(entry, charset)
    offset = out.tell()
    header_bytes = 30 + len(name)
    out.write(b"\0" * header_bytes)
    crc, packed = _write_body(out, entry, deflate)
    method = 8 if deflate else 0
    if deflate and packed >= entry.content.size_bytes:
        out.seek(offset + header_bytes)
        out.truncate()
        crc, packed = _write_body(out, entry, False)
        method = 0
    end, size_bytes = out.tell(), entry.content.size_bytes
    if max(end, size_bytes) >= FOUR_GIB:
        raise ArchiveError("a ZIP over 4 GiB is none that old unpackers read", item=entry.name)
    version = 20 if method else 10
    both = (version, 0, method, dos_time(entry.time_s), crc, packed, size_bytes, len(name), 0)
    out.seek(offset)
    out.write(struct.pack("<4s3H4L2H", b"PK\3\4", *both) + name)
    out.seek(end)
    return struct.pack("<4s4H4L5H2L", b"PK\1\2", 20, *both, 0, 0, 0, 0x20, offset) + name


def _write_body(out: BinaryIO, entry: Entry, deflate: bool) -> tuple[int, int]:
    """Writes a member's bytes. Returns their CRC-32 and how many bytes were written."""
    # Level, window and memory are given so that the bytes do not hang on a default.
    packer = zlib.compressobj(9, zlib.DEFLATED, -15, 8) if deflate else None
    crc = packed = 0
    for chunk in pieces_of(entry.content):
        crc = zlib.crc32(chunk, crc)
        packed += out.write(packer.compress(chunk) if packer else chunk)
    return crc, packed + (out.write(packer.flush()) if packer else 0)


# ---------------------------------------------------------------------------------------------------- tar


def write_tar(out: BinaryIO, entries: Iterable[Entry], charset: str = "latin-1") -> None:
    """A plain ustar archive, padded to 10,240 bytes as tapes were.

    Raises:
        ArchiveError: a name that ustar cannot hold (100 bytes, and 155 of folders before it), or over 8 GiB
    """
    with tarfile.TarFile(
        fileobj=out, mode="w", format=tarfile.USTAR_FORMAT, encoding=charset, copybufsize=CHUNK_BYTES
    ) as tar:
        for entry in entries:
            _encoded(entry, charset)
            if entry.content.size_bytes >= 8 * 2**30:
                raise ArchiveError("a file over 8 GiB does not fit into a plain tar", item=entry.name)
            header = tarfile.TarInfo(entry.name)
            header.size, header.mtime = entry.content.size_bytes, min(max(0, entry.time_s or 0), TAR_LAST_S)
            try:
                tar.addfile(header, _Pieces(entry.content))
            except ValueError as error:
                raise ArchiveError(
                    "the name is too long for a plain tar", item=entry.name, hint="Offer it as a ZIP."
                ) from error
            tar.getmembers().clear()  # kept for a reader: it would grow with the archive


class _Pieces:
    """A content as the file that `tarfile` copies from, in the pieces in which it asks for them."""

    def __init__(self, content: Content) -> None:
        self._pieces = pieces_of(content)

    def read(self, size: int = CHUNK_BYTES, /) -> bytes:
        return next(self._pieces)


def _tape(total_bytes: int) -> int:
    """With the two empty blocks at the end, and as long as tapes were."""
    return total_bytes + 1024 + -(total_bytes + 1024) % tarfile.RECORDSIZE


# ---------------------------------------------------------------------------------------------------- LHA


def write_lha(out: BinaryIO, entries: Iterable[Entry], charset: str = "latin-1", system: str = "dos") -> None:
    """A stored LHA (-lh0-) with level-1 headers, each with its sum and its CRC, ended by a 0 byte.

    `system` "68k" gives OS id 'A' and its protection bits, else OS id 'M' and the DOS attribute.

    Raises:
        ArchiveError: a name too long for a header, or a file over 4 GiB
    """
    for entry in entries:
        crc = 0
        for chunk in pieces_of(entry.content):
            crc = crc16(chunk, crc)
        out.write(lha_header(entry, crc, charset, system))
        for chunk in pieces_of(entry.content):
            out.write(chunk)
    out.write(b"\0")


def lha_header(entry: Entry, crc: int, charset: str, system: str) -> bytes:
    """The level-1 header of a stored member: name in the base header, folders in extension 02, header CRC in 00."""
    folders, _, name = _encoded(entry, charset).rpartition(b"/")
    size = entry.content.size_bytes
    if size >= FOUR_GIB:
        raise ArchiveError("a file over 4 GiB does not fit into an LHA that old unpackers read", item=entry.name)
    if len(name) > 230 or len(folders) > 4000:
        raise ArchiveError("the name is too long for an LHA header", item=entry.name, hint="Offer it as a ZIP.")
    path = b"\x02" + folders.replace(b"/", b"\xff") + b"\xff" if folders else b""
    pieces = [piece for piece in (path, b"\x00\0\0") if piece]
    extended = _extensions(pieces)
    first = len(pieces[0]) + 2
    attribute = _attribute(entry, system)
    fields = (b"-lh0-", size + len(extended), size, dos_time(entry.time_s), attribute, 1, len(name))
    rest = struct.pack("<5s3L3B", *fields) + name
    rest += struct.pack("<HcH", crc, b"A" if system == "68k" else b"M", first)
    base = bytes([len(rest), sum(rest) & 0xFF]) + rest
    # The CRC covers everything with its own two bytes as zero; it stands before the last size field.
    return base + extended[:-4] + struct.pack("<H", crc16(base + extended, 0)) + extended[-2:]


def _extensions(pieces: Sequence[bytes]) -> bytes:
    """Each piece followed by the size of the next (its own size field counted in), 0 after the last."""
    sizes = [len(piece) + 2 for piece in pieces[1:]] + [0]
    return b"".join(piece + struct.pack("<H", size) for piece, size in zip(pieces, sizes, strict=True))


def _attribute(entry: Entry, system: str) -> int:
    """The byte at offset 19: protection bits for the 68k family, else DOS's "changed since backup"."""
    known = entry.attributes is not None and entry.attribute_system == system
    return (entry.attributes or 0) & 0xFF if known else 0x00 if system == "68k" else 0x20


def _encoded(entry: Entry, charset: str) -> bytes:
    try:
        return entry.name.encode(charset)
    except UnicodeEncodeError as error:
        raise ArchiveError(
            f"the name {entry.name!r} has characters that {charset} lacks", hint="`rename` the file."
        ) from error


Writer = Callable[[BinaryIO, Sequence[Entry]], None]


def writer(shape: str, charset: str, system: str) -> Writer:
    """The writer of a shape: "zip" (deflated), "zip-stored", "tar" or "lha"."""
    if shape in ("zip", "zip-stored"):
        return lambda out, entries: write_zip(out, entries, deflate=shape == "zip", charset=charset)
    if shape == "tar":
        return lambda out, entries: write_tar(out, entries, charset)
    return lambda out, entries: write_lha(out, entries, charset, system)

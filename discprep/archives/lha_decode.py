"""Decoding one LHA member. Two libraries know the methods; which is asked first, and what each gets wrong:

`lhafile` (its module lzhlib) is the faster one for -lh5- -lh6- -lh7-, but starts its window with the wrong bytes
(streams that refer before their beginning come out wrong), ignores all sizes, and crashes when a callback raises.
`pylhasa` (liblhasa) decodes everything else and the rest of those; it checks no checksum. A member counts only
when its length and its CRC come out right, so a wrong result of the first is passed to the second. Both run only
inside a worker process. Either may be missing on a host without a wheel; the decoders of our own (`lha_blocks` and its
neighbours) then take the place of the second: they know all methods too, and are some twenty times slower.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Iterator
from dataclasses import replace
from functools import cache
from itertools import chain
from pathlib import Path
from typing import Any

from discprep.archives.base import CHUNK_BYTES, MemberError, Source
from discprep.archives.crc import crc16
from discprep.archives.lha_headers import STORED, Header

KNOWN = STORED | {
    "-lh1-", "-lh4-", "-lh5-", "-lh6-", "-lh7-", "-lhx-", "-lz5-", "-lzs-", "-pm1-", "-pm2-",
}  # fmt: skip
FAST = {"-lh4-": b"-lh5-", "-lh5-": b"-lh5-", "-lh6-": b"-lh6-", "-lh7-": b"-lh7-"}
WINDOW_BYTES = 2**16  # the largest window of the methods in FAST
SMALL_BYTES = CHUNK_BYTES
IN_MEMORY_BYTES = 2**23  # packed data up to here is handed over as bytes, more through a file
OWN_SHARE = 1 / 50  # of the rate that the limits expect, at least, by the decoders of our own


def is_odd_lh7(header: Header) -> bool:
    """A DOS clone's packer used the id of -lh7- for another algorithm (lhasa, lib/lha_file_header.c)."""
    return header.method == "-lh7-" and header.level == 1 and header.os_id == " "


def decoders(header: Header) -> list[str]:
    """The decoders to try, in order."""
    if header.method in STORED:
        return ["stored"]
    fast = header.method in FAST and not is_odd_lh7(header) and header.size_bytes > 0 and _installed("lzhlib")
    return ["lzhlib"] * fast + [_second()]


def _second() -> str:
    """The decoder that knows all methods."""
    return "pylhasa" if _installed("pylhasa") else "own"


def compiled() -> bool:
    """Whether a compiled decoder is there; without one LHA archives are read slowly."""
    return _installed("pylhasa") or _installed("lzhlib")


def share(method: str) -> float:
    """Of the usual rate, at least, with which members of a method are decoded on this host."""
    return OWN_SHARE if method in KNOWN - STORED and _second() == "own" else 1.0


def decode(name: str, source: Source, header: Header, scratch: Path) -> Iterable[bytes]:
    """The decoder's output in pieces, at most a little longer than declared; what it is worth the caller checks."""
    if name == "stored":
        return source.chunks(header.data_offset, header.packed_bytes)
    if name == "lzhlib":
        return _same_start(_lzhlib(source, header), source, header, scratch)
    if name == "own":
        return _own(source, header)
    return _pylhasa(source, header, scratch)


def is_small(header: Header) -> bool:
    """Whether `small` may be asked: few bytes of a usual method, and a CRC that tells right from wrong."""
    return (
        header.packed_bytes <= SMALL_BYTES
        and 0 < header.size_bytes <= SMALL_BYTES
        and header.method in FAST
        and header.crc is not None
        and not is_odd_lh7(header)
        and _installed("lzhlib")
    )


def small(source: Source, header: Header) -> bytes | None:
    """All bytes of a small member by the fast decoder, if they have the declared size and CRC."""
    try:
        data = b"".join(_lzhlib(source, header))
    except MemberError:
        return None
    return data if len(data) == header.size_bytes and crc16(data, 0) == header.crc else None


@cache
def _installed(name: str) -> bool:
    try:
        __import__(name)
    except ImportError:
        return False
    return True


class _Info:
    """What lzhlib wants to know; a missing field would crash it."""

    __slots__ = ("CRC", "compress_size", "compress_type", "file_size")

    def __init__(self, header: Header) -> None:
        self.compress_type = FAST[header.method]
        self.compress_size = header.packed_bytes
        self.file_size = header.size_bytes
        self.CRC = 0


class _Input:
    """The packed bytes, up to their declared end. Never raises: that would crash the C code."""

    def __init__(self, source: Source, header: Header) -> None:
        self._source = source
        self._at = header.data_offset
        self._end = header.end
        self.failed: Exception | None = None

    def read(self, size: int) -> bytes:
        try:
            data = self._source.at(self._at, min(size, self._end - self._at))
        except Exception as error:
            self.failed = error
            return b""
        self._at += len(data)
        return data


class _Output:
    """Takes copies of the decoded pieces (the buffer is reused)."""

    def __init__(self) -> None:
        self.pieces: list[bytes] = []

    def write(self, data: Any) -> None:
        self.pieces.append(bytes(memoryview(data)))  # bytes(data) alone would be the same, reused object


def _same_start(pieces: Iterator[bytes], source: Source, header: Header, scratch: Path) -> Iterator[bytes]:
    """Passes the pieces on if the other decoder agrees on the first window: only there can the wrong start of
    lzhlib's window show, and a large member need not be decoded to its end to find that out."""
    first = next(pieces, b"")
    if header.size_bytes >= WINDOW_BYTES:
        start = replace(header, packed_bytes=min(header.packed_bytes, 2 * WINDOW_BYTES), size_bytes=WINDOW_BYTES)
        if first[:WINDOW_BYTES] != b"".join(decode(_second(), source, start, scratch)):
            raise MemberError("the two decoders differ on its first bytes")
    yield first
    yield from pieces


def _lzhlib(source: Source, header: Header) -> Iterator[bytes]:
    import lzhlib

    given, taken = _Input(source, header), _Output()
    session = lzhlib.LZHDecodeSession(given, taken, _Info(header))
    done = False
    while not done and session.output_pos <= header.size_bytes:
        try:
            done = session.do_next()
        except Exception as error:
            raise given.failed or MemberError(f"its packed data does not decode ({error})") from None
        pieces, taken.pieces = taken.pieces, []
        yield from pieces
    if given.failed:
        raise given.failed


def _own(source: Source, header: Header) -> Iterator[bytes]:
    from discprep.archives import lha_adaptive, lha_blocks, lha_plain, lha_recent

    packed = source.chunks(header.data_offset, header.packed_bytes)
    if header.method in lha_blocks.KINDS:
        kind = lha_blocks.ODD if is_odd_lh7(header) else lha_blocks.KINDS[header.method]
        return lha_blocks.decode(kind, packed, header.size_bytes)
    others = {
        "-lh1-": lha_adaptive.decode, "-lzs-": lha_plain.decode_lzs, "-lz5-": lha_plain.decode_lz5,
        "-pm1-": lha_recent.decode_pm1, "-pm2-": lha_recent.decode_pm2,
    }  # fmt: skip
    return others[header.method](packed, header.size_bytes)


def _pylhasa(source: Source, header: Header, scratch: Path) -> Iterator[bytes]:
    """pylhasa gets an archive of this one member with a header of our own: no hostile field reaches its parser."""
    import pylhasa

    front = wrapper(header)
    if header.packed_bytes <= IN_MEMORY_BYTES:
        packed = source.at(header.data_offset, header.packed_bytes)
        with pylhasa.open_bytes(front + packed + b"\0") as archive:
            yield from _pylhasa_pieces(archive, header.size_bytes)
        return
    path = scratch / "member.lzh"
    with path.open("wb") as file:
        file.writelines(chain([front], source.chunks(header.data_offset, header.packed_bytes), [b"\0"]))
    try:
        with pylhasa.open(path) as archive:
            yield from _pylhasa_pieces(archive, header.size_bytes)
    finally:
        path.unlink()


def _pylhasa_pieces(archive: Any, size_bytes: int) -> Iterator[bytes]:
    entries = list(archive)
    if len(entries) != 1:
        raise MemberError("the decoder does not accept it")
    with entries[0].open() as reader:
        left = size_bytes
        while left > 0 and (piece := reader.read(min(left, CHUNK_BYTES))):
            left -= len(piece)
            yield piece


def wrapper(header: Header) -> bytes:
    """A header that describes the member's data and nothing else: method, sizes, the name `x`.

    Level 2; the odd -lh7- is known only by level 1 with that system's id.
    """
    method = header.method.encode("ascii")
    if is_odd_lh7(header):
        base = struct.pack("<5sIIIBBB1sH1sH", method, header.packed_bytes, header.size_bytes, 0, 0x20, 1, 1, b"x", 0,
                           b" ", 0)  # fmt: skip
        return bytes([len(base), sum(base) & 0xFF]) + base
    packed, size = header.packed_bytes, header.size_bytes
    wide = b""
    if packed >= 2**32 or size >= 2**32:
        wide = b"\x13\0\x42" + struct.pack("<QQ", packed, size)
        packed = size = 0xFFFFFFFF
    rest = struct.pack("<5sIIIBBH1s", method, packed, size, 0, 0x20, 2, 0, b"U") + b"\x04\0\x01x" + wide + b"\0\0"
    return struct.pack("<H", len(rest) + 2) + rest

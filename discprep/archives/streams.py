"""gz, bz2 and xz: single compressed files, and the tars and disk images inside them.

The stream is unpacked into a scratch file, within the limits, and up to a damaged place if there is one. If a tar or
a disk image stands there, its members are what the user means, and the format is `tar.gz`, `fat12.gz` and so on;
else there is one member. Sources: RFC 1952 for gz; bz2 and xz end and concatenate as their libraries say.
"""

from __future__ import annotations

import bz2
import lzma
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import PurePath
from typing import Any, BinaryIO, cast

from discprep.archives.base import HEAD_BYTES, Format, Inflater, MemberError, Options, Reader, Remarking, Source
from discprep.members import Member, without_layer
from discprep.units import format_bytes

XZ_MEMORY_BYTES = 128 * 2**20
PIECE_BYTES = 2**20  # of unpacked data at once
# What is opened in place of the single file; an archive inside stays a member, opened when `nested` allows it.
NOT_COMPOSED = {"zip", "lha", "7z", "rar", "gz", "bz2", "xz"}
GZ_RESERVED = 0xE0  # RFC 1952 2.3.1.2: must be zero
GZ_NAME = 0x08


@dataclass(frozen=True, slots=True)
class Kind:
    """One compression."""

    name: str
    magic: bytes
    new: Callable[[], Any]


KINDS = (
    Kind("gz", b"\x1f\x8b\x08", lambda: Inflater(31)),
    Kind("bz2", b"BZh", bz2.BZ2Decompressor),
    Kind("xz", b"\xfd7zXZ\0", lambda: lzma.LZMADecompressor(memlimit=XZ_MEMORY_BYTES)),
)


class Unpacker:
    """Unpacks one stream after the other; `problem` says why it ended before the end of the file."""

    def __init__(self, kind: Kind, source: Source, options: Options) -> None:
        self._kind = kind
        self._source = source
        self._options = options
        self.size_bytes = 0
        self.problem = ""

    def into(self, file: BinaryIO) -> None:
        """Writes what unpacks, and no more than the limits allow."""
        try:
            for piece in self._pieces():
                file.write(piece)
                self.size_bytes += len(piece)
                self._options.alive()
                if self.problem or self._too_much():
                    return
        except MemberError as error:
            self.problem = error.message
        except MemoryError:
            self.problem = f"it needs more than {format_bytes(XZ_MEMORY_BYTES)} of memory to unpack"
        except Exception as error:  # zlib.error, OSError of bz2, LZMAError: each library has its own
            if isinstance(error, OSError) and error.errno:
                raise
            self.problem = f"it is damaged after {self.size_bytes} bytes ({error})"

    def _too_much(self) -> bool:
        limits, size = self._options.limits, self.size_bytes
        if size > limits.member_bytes:
            self.problem = f"it grows beyond the limit of {format_bytes(limits.member_bytes)}"
        elif limits.ratio and size > limits.ratio_bytes and size > limits.ratio * self._source.size_bytes:
            self.problem = f"it grows more than {limits.ratio} times, beyond {format_bytes(limits.ratio_bytes)}"
        return bool(self.problem)

    def _pieces(self) -> Iterator[bytes]:
        chunks = self._source.chunks(0, self._source.size_bytes)
        data = next(chunks, b"")
        while data:
            if self._kind.name == "gz" and len(data) > 3 and data[3] & GZ_RESERVED:
                raise MemberError("its gz header sets reserved flags, which must be zero")
            stream = self._kind.new()
            while not stream.eof:
                yield stream.decompress(data, PIECE_BYTES)
                data = b""
                if not stream.eof and stream.needs_input:
                    data = next(chunks, b"")
                    if not data:
                        raise MemberError(f"it ends before its end: {self.size_bytes} bytes could be unpacked")
            data = self._next_stream(stream.unused_data, chunks)

    def _next_stream(self, rest: bytes, chunks: Iterator[bytes]) -> bytes:
        """The start of another stream; nothing after zero padding."""
        rest = rest.lstrip(b"\0")
        while len(rest) < len(self._kind.magic):
            more = next(chunks, None)
            if more is None:
                break
            rest = (rest + more).lstrip(b"\0")
        if rest and not rest.startswith(self._kind.magic):
            raise MemberError(f"bytes that belong to no stream follow after {self.size_bytes} unpacked bytes")
        return rest


class StreamReader(Remarking):
    """A single compressed file; see `base.Reader`."""

    def __init__(self, kind: Kind, source: Source, inner: Source, problem: str) -> None:
        super().__init__()
        self.format = kind.name
        self._kind = kind
        self._source = source
        self._inner = inner
        self._problem = problem

    def members(self) -> Iterator[Member]:
        stored = _stored_name(self._source.head) if self.format == "gz" else b""
        yield Member(
            index=0,
            name=inner_name(self._kind, self._source.name) or _last_part(stored) or "content",
            raw_name=stored,
            kind="file",
            size_bytes=self._inner.size_bytes,
            packed_bytes=self._source.size_bytes,
            method={"gz": "deflate", "bz2": "bzip2", "xz": "lzma"}[self.format],
            time_s=int.from_bytes(self._source.head[4:8], "little") or None if self.format == "gz" else None,
            problem=self._problem,
        )

    def read(self, member: Member) -> Iterator[bytes]:
        """The unpacked bytes, checked already while they were unpacked."""
        return self._inner.chunks(0, member.size_bytes)

    def close(self) -> None:
        self._inner.file.close()


class ComposedReader:
    """A tar or an image inside a compressed file: the inner reader, with what is wrong with the outer file."""

    def __init__(self, kind: Kind, reader: Reader, inner: Source, problem: str) -> None:
        self.format = f"{reader.format}.{kind.name}"
        self._kind = kind
        self._reader = reader
        self._inner = inner
        self._outer = [f"the {kind.name} layer: {problem}"] if problem else []
        self.members, self.read, self.notices = reader.members, reader.read, reader.notices

    @property
    def problems(self) -> list[str]:
        return [*self._outer, *self._reader.problems]

    def close(self) -> None:
        self._reader.close()
        self._inner.file.close()


def _opened(kind: Kind, source: Source, options: Options) -> Reader:
    import tempfile

    from discprep.archives.formats import recognised

    file = cast("BinaryIO", tempfile.TemporaryFile(dir=options.scratch))  # noqa: SIM115 (the reader closes it)
    unpacker = Unpacker(kind, source, options)
    unpacker.into(file)
    file.flush()
    file.seek(0)
    inner = Source(file, unpacker.size_bytes, file.read(HEAD_BYTES), inner_name(kind, source.name))
    found = recognised(inner) if inner.size_bytes else None
    if found and found.rank < 2 and found.name not in NOT_COMPOSED:
        return ComposedReader(kind, found.open(inner, options), inner, unpacker.problem)
    return StreamReader(kind, source, inner, unpacker.problem)


def inner_name(kind: Kind, name: str) -> str:
    """What the file is called unpacked: `x.txt.gz` holds `x.txt`, `x.tgz` holds `x.tar`; "" when it does not say."""
    return without_layer(_last_part(name.encode("utf-8", "surrogateescape")), kind.name)


def _last_part(raw: bytes) -> str:
    return PurePath(raw.decode("utf-8", "replace").replace("\\", "/")).name


def _stored_name(head: bytes) -> bytes:
    """FNAME of RFC 1952 2.3; never used as a path."""
    if len(head) < 10 or not head[3] & GZ_NAME:
        return b""
    at = 10
    if head[3] & 0x04:
        at += 2 + int.from_bytes(head[10:12], "little")
    return head[at : at + 1024].partition(b"\0")[0]


def _begins(kind: Kind, source: Source) -> bool:
    return source.head.startswith(kind.magic)


FORMATS = tuple(Format(kind.name, 0, partial(_begins, kind), partial(_opened, kind)) for kind in KINDS)

"""The one protocol for every container, and what its readers share.

A reader module defines `FORMATS: tuple[Format, ...]`; `discprep.archives.formats` knows the modules.
Readers run inside a worker process (`worker.py`), which drives them so:

    for member in reader.members():              # stored order, never raises for one broken member
        if readable: for chunk in reader.read(member): ...   # at most once a member, before the next step
    reader.problems, reader.notices              # complete once members() is exhausted

A reader says what stands in the container. It does NOT judge names, duplicates, links or the limits on
members and sizes: `names.Guard` does that for all formats in one place, from what the reader says. A
compressed tar or image (gz, bz2, xz) is composed by `streams.py`: it unpacks the outer layer and opens the
inner file with whatever reader recognises it, so a reader only ever sees the plain file. Heavy libraries are
imported inside functions: each worker pays for the imports.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Protocol

from discprep.archives.crc import crc16
from discprep.errors import ArchiveError
from discprep.members import Limits, Member, Remarks

HEAD_BYTES = 4096
CHUNK_BYTES = 65_536


@dataclass(frozen=True, slots=True)
class Source:
    """The bytes of one container. `file` is seekable; it may be a window of a larger one."""

    file: BinaryIO
    size_bytes: int
    head: bytes  # the first HEAD_BYTES
    name: str  # the file's own name, for messages and for what a single compressed file is called

    def at(self, offset_bytes: int, size_bytes: int) -> bytes:
        """Up to `size_bytes` from `offset_bytes`; fewer at the end of the file, none beyond it."""
        if not 0 <= offset_bytes < self.size_bytes:  # a file refuses to go where a 64-bit field of an archive points
            return b""
        self.file.seek(offset_bytes)
        return self.file.read(size_bytes)

    def chunks(self, offset_bytes: int, size_bytes: int) -> Iterator[bytes]:
        """The same as `at`, in pieces of at most CHUNK_BYTES."""
        while size_bytes > 0:
            chunk = self.at(offset_bytes, min(size_bytes, CHUNK_BYTES))
            if not chunk:
                return
            yield chunk
            offset_bytes += len(chunk)
            size_bytes -= len(chunk)


@dataclass(frozen=True, slots=True)
class Options:
    """How to read.

    Attributes:
        scratch: a folder for temporary files; whoever started the worker removes it
        charset: of member names, when the user says so
        alive: to be called at least every few seconds by whatever takes long outside `read`, as it is bounded by
            the limits; the worker would be taken for hung otherwise
    """

    limits: Limits
    scratch: Path
    charset: str | None = None
    alive: Callable[[], None] = lambda: None


class Reader(Protocol):
    """One open container.

    Attributes:
        format: "lha", "zip", "tar", "tar.gz", "gz", "fat12", …
        problems: what is wrong with the container beyond single members; complete after `members()`
        notices: what the user should know and nothing is wrong with (junk after the end, a guessed charset)
    """

    @property
    def format(self) -> str: ...
    @property
    def problems(self) -> Sequence[str]: ...
    @property
    def notices(self) -> Sequence[str]: ...

    def members(self) -> Iterator[Member]:
        """Members in stored order.

        Each has `index` counting from 0, `raw_name` as stored, `name` as text with `/` between the parts
        whatever the container's separator (leading and doubled separators, `..` and control characters kept
        as they are: the guard refuses them). `problem` is filled when the member cannot be read (damaged
        header, unknown method, encrypted); `read` is not called then.
        """

    def read(self, member: Member) -> Iterable[bytes]:
        """The member's bytes in pieces, `size_bytes` in all and with the stored checksum right.

        Raises:
            MemberError: too few or too many bytes, a wrong checksum, a stream that does not decode
            ToolError: a library or a program that would be needed is missing on this host
            Again: what came so far does not count, call `read` once more (another decoder takes over)
        """

    def close(self) -> None:
        """Frees what the reader opened itself (not `Source.file`)."""


class Remarking:
    """What the readers have in common: they remark on problems and notices, and most hold nothing open."""

    def __init__(self) -> None:
        self.problems = Remarks()
        self.notices = Remarks()

    def close(self) -> None:
        """Nothing is held open."""


class Inflater:
    """zlib's decompressor behind the face of the standard library's others; `wbits` says what stands around the
    stream (31: a gz header, with CRC-32 and size, which it compares itself)."""

    def __init__(self, wbits: int) -> None:
        self._inner = zlib.decompressobj(wbits)
        self.needs_input = True

    @property
    def eof(self) -> bool:
        return self._inner.eof

    @property
    def unused_data(self) -> bytes:
        return self._inner.unused_data

    def decompress(self, data: bytes, max_length: int) -> bytes:
        out = self._inner.decompress(self._inner.unconsumed_tail + data, max_length)
        self.needs_input = len(out) < max_length and not self._inner.unconsumed_tail
        return out


class MemberError(ArchiveError):
    """A member's bytes are not what its header promises. `computed` is the checksum found, if any."""

    def __init__(self, message: str, *, computed: str = "") -> None:
        super().__init__(message)
        self.computed = computed


class Again(Exception):
    """The bytes read so far do not count: read the same member once more."""


@dataclass(frozen=True, slots=True)
class Format:
    """A kind of container. Formats are asked in the order of `rank`, then as listed.

    Attributes:
        rank: 0 a signature at the start says so; 1 a structure at the start agrees (a checksum, fields in
            range); 2 a search through the file finds it (self-extracting files)
        recognise: looks at `Source.head`, `size_bytes`, at most a little more; never raises
        open: may raise ArchiveError when nothing at all can be read
    """

    name: str
    rank: int
    recognise: Callable[[Source], bool]
    open: Callable[[Source, Options], Reader]


Update = Callable[[bytes, int], int]
_CHECKSUMS: dict[str, tuple[int, Update]] = {"crc16": (4, crc16), "crc32": (8, zlib.crc32)}


def checksum_text(kind: str, value: int) -> str:
    """`crc16 9778`, `crc32 af083b2d`: the form of `Member.checksum`."""
    return f"{kind} {value:0{_CHECKSUMS[kind][0]}x}"


def enforced(chunks: Iterable[bytes], size_bytes: int, checksum: str = "") -> Iterator[bytes]:
    """Passes the chunks on: exactly `size_bytes` in all, with `checksum` (as `Member.checksum`) right.

    Raises:
        MemberError: with the expected and the found
    """
    kind = checksum.split(" ")[0]
    update = _CHECKSUMS[kind][1] if kind in _CHECKSUMS else None
    value = total = 0
    for chunk in chunks:
        total += len(chunk)
        if total > size_bytes:
            raise MemberError(f"expected {size_bytes} bytes, got more; the rest was not read")
        if update:
            value = update(chunk, value)
        yield chunk
    computed = checksum_text(kind, value) if update else ""
    if total != size_bytes:
        raise MemberError(f"expected {size_bytes} bytes, got only {total}", computed=computed)
    if computed != (checksum if update else ""):
        raise MemberError(f"expected {checksum}, got {computed}", computed=computed)

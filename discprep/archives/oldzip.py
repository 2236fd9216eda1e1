"""The ZIP methods that the standard library lacks, through what the host has: a general-purpose program first
(it runs apart, so that hostile bytes cannot harm us), a library second.

The program is handed a ZIP archive of this one member under the name `m`, so it never sees a hostile header.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import IO, TYPE_CHECKING

from discprep.archives.base import CHUNK_BYTES, MemberError, Options
from discprep.errors import ToolError

if TYPE_CHECKING:
    from discprep.archives.zips import Entry

SHRINK, IMPLODE, DEFLATE64 = 1, 6, 9
# What each program decodes, measured with unzip 6.0 and 7-Zip 26.02: `unzip -v` lists its own, `7z i` likewise.
PROGRAMS: dict[str, Callable[[str], list[str]]] = {
    "unzip": lambda archive: ["-p", archive, "m"],
    "7z": lambda archive: ["x", "-so", "-bd", archive, "m"],
    "7zz": lambda archive: ["x", "-so", "-bd", archive, "m"],  # the same program under its newer name
}
INFLATE64_PIECE_BYTES = 1024  # its library has no bound on output: at most some 1,000 bytes come out of each


def why_not(method: int) -> str:
    """Why a method is not read, in words; empty for those that some program or library decodes."""
    if method in (SHRINK, IMPLODE, DEFLATE64):
        return ""
    if method in (2, 3, 4, 5):
        return "packed by the old method reduce, which no maintained unpacker decodes: unpack it on the machine itself"
    return f"packed by method {method}, which is not read: repack it with deflate"


def decoded(entry: Entry, pieces: Iterable[bytes], options: Options) -> Iterator[bytes]:
    """The bytes of a member packed by shrink, implode or deflate64.

    Raises:
        MemberError: the program could not decode it or took too long
        ToolError: neither a program nor a library on this host decodes it
    """
    import shutil

    for name, arguments in PROGRAMS.items():
        path = shutil.which(name)
        if path:
            return _through(path, arguments, entry, pieces, options)
    if entry.method == DEFLATE64 and (inflate := _inflate64()):
        return _inflated(inflate, pieces)
    raise ToolError(
        "members packed by its old method need the program unzip or 7z, and neither is installed",
        hint="Install one of them (Debian: apt-get install unzip), then run it again.",
    )


def wrapper(entry: Entry, pieces: Iterable[bytes]) -> Iterator[bytes]:
    """A ZIP archive in pieces that holds this one member as `m` (APPNOTE 4.3.7, 4.3.12, 4.3.16).

    Only the flags that the decoder needs survive: bits 1 and 2, the window and the trees of implode (4.4.4).
    """
    sizes = entry.crc, entry.packed, entry.size
    common = struct.pack("<5H3L2H", 20, entry.flags & 6, entry.method, 0, 0x21, *sizes, 1, 0)
    local = b"PK\3\4" + common + b"m"
    central = b"PK\1\2" + struct.pack("<H", 20) + common + struct.pack("<3H2L", 0, 0, 0, 0, 0) + b"m"
    yield local
    yield from pieces
    yield central
    yield b"PK\5\6" + struct.pack("<4H2LH", 0, 0, 1, 1, len(central), len(local) + entry.packed, 0)


def _through(
    path: str, arguments: Callable[[str], list[str]], entry: Entry, pieces: Iterable[bytes], options: Options
) -> Iterator[bytes]:
    """What the program at `path` makes of the member: bounded in size and time, then killed."""
    import subprocess  # few archives need it, and every worker would wait for it
    import tempfile
    import threading

    with tempfile.TemporaryDirectory(dir=options.scratch) as folder:
        place = Path(folder, "member.zip")
        with place.open("wb") as file:
            file.writelines(wrapper(entry, pieces))
        limit_s = options.limits.floor_s + entry.size / options.limits.rate_bytes_s
        process = subprocess.Popen(
            [path, *arguments(str(place))], stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
        )
        timer = threading.Timer(limit_s, process.kill)
        timer.start()
        try:
            assert process.stdout
            yield from _bounded(process.stdout, entry.size)
        finally:
            late = not timer.is_alive()
            timer.cancel()
            process.kill()
            process.communicate()
        if late:
            raise MemberError(f"decoding it took more than {limit_s:.3g} s; {Path(path).name} was stopped")


def _bounded(pipe: IO[bytes], size_bytes: int) -> Iterator[bytes]:
    """The pipe's bytes up to one more than declared, enough for the caller to see that it is too much."""
    left = size_bytes + 1
    while left > 0 and (chunk := pipe.read(min(left, CHUNK_BYTES))):
        yield chunk
        left -= len(chunk)


def _inflate64() -> Callable[[bytes], bytes] | None:
    """The optional library's decoder, if it is installed."""
    try:
        import inflate64
    except ImportError:
        return None
    decode: Callable[[bytes], bytes] = inflate64.Inflater().inflate
    return decode


def _inflated(inflate: Callable[[bytes], bytes], pieces: Iterable[bytes]) -> Iterator[bytes]:
    try:
        for piece in pieces:
            for at in range(0, len(piece), INFLATE64_PIECE_BYTES):
                yield inflate(piece[at : at + INFLATE64_PIECE_BYTES])
    except (ValueError, RuntimeError, EOFError) as error:
        raise MemberError(f"its packed bytes do not decode ({error})") from error

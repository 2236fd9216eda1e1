"""Damaged containers without end: samples of every format, ways to damage them, and one input's reading held to its
bounds. The tests run a few thousand, `bench/fuzz_containers.py` as many as it is told."""

import bz2
import gzip
import io
import lzma
import random
import signal
import struct
import zipfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from discprep.archives.base import Again, MemberError, Options
from discprep.archives.formats import open_source
from discprep.archives.names import Guard, TooMuch
from discprep.errors import ArchiveError, ToolError
from discprep.model import Limits
from support import floppies, tars, zips
from support.readers import source

LIMITS = Limits(member_bytes=2**24, total_bytes=2**25, members=2000, ratio_bytes=2**20, floor_s=2.0)
HANG_S = 20  # a reading that takes longer counts as hung
NUMBERS = (0, 1, 0x7F, 0x80, 0xFF, 0x7FFF, 0x8000, 0xFFFF, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF, 2**63, 2**64 - 1)

# Four whole archives that hold "hello world\n", header levels 0 to 3, accepted by three general-purpose unpackers.
LHA = (
    "23462d6c68302d0c0000000c000000c428645c20000d5355425c48454c4c4f2e545854789768656c6c6f20776f726c640a00",
    "27ee2d6c68302d180000000c000000c428645c02010e68656c6c6f2e747874006e6f7465789741070002737562ff050000f73d00006865"
    "6c6c6f20776f726c640a00",
    "39002d6c68302d0c0000000c000000c0bda76902027897410500008be10c000168656c6c6f2e747874070002737562ff0700716e6f7465"
    "000068656c6c6f20776f726c640a00",
    "04002d6c68302d0c0000000c000000c0bda76920037897323e000000070000000018040e0000000168656c6c6f2e74787409000000027375"
    "62ff0000000068656c6c6f20776f726c640a00",
)


def text(count: int = 300) -> bytes:
    rng = random.Random(1)
    return b" ".join(rng.choice([b"room", b"shelf", b"lamp", b"%d" % rng.randint(0, 999)]) for _ in range(count))


def _zips() -> list[bytes]:
    mixed = [
        zips.Put(b"sub/", external=0x10), zips.Put(b"sub/one", text(), 8), zips.Put(b"two", text(40)),
        zips.Put(b"link", b"sub/one", made_by=0x0317, external=0o120777 << 16, comment=b"note"),
    ]  # fmt: skip
    found = [zips.archive(*mixed, comment=b"all"), zips.archive(*mixed, stub=b"MZ" + bytes(300), tail=b"junk")]
    for method in (zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA):
        file = io.BytesIO()
        with zipfile.ZipFile(file, "w", method) as made:
            made.writestr("one", text())
            made.writestr("two", b"")
        found.append(file.getvalue())
    extra = struct.pack("<2H3Q", 1, 24, len(text()), len(text()), 0)
    wide = {"size": 0xFFFFFFFF, "packed": 0xFFFFFFFF, "extra": extra}
    return [*found, zips.archive(zips.Put(b"wide", text(), central=wide, offset=0xFFFFFFFF))]


def _tars() -> list[bytes]:
    parts = (
        tars.header(b"sub/", kind=b"5"), tars.member(b"sub/one", text(100)), tars.long_name(b"n" * 120),
        tars.member(b"short", b"hello", magic=tars.GNU), tars.pax({"path": b"p" * 110, "mtime": b"1.5"}),
        tars.member(b"s", text(80)), tars.header(b"link", kind=b"2", linkname=b"sub/one"),
    )  # fmt: skip
    whole = b"".join(parts) + tars.END
    return [whole, gzip.compress(whole, mtime=1), bz2.compress(whole), lzma.compress(whole)]


def _disks() -> list[bytes]:
    found = []
    for flag in (0, 1, 2):
        disk = floppies.BlockDisk(flag)
        tools = disk.folder(b"Tools")
        disk.file(b"long", bytes(range(256)) * 200, tools)
        target = disk.file(b"short", text(20), comment=b"note")
        disk.hard_link(b"again", target)
        found.append(disk.image())
    fat = floppies.Fat12()
    inner = fat.store(floppies.entry12(b"DEEP       ", fat.store(text(20)), len(text(20))))
    root = floppies.entry12(b"OUTER      ", inner, 0, 0x10) + floppies.entry12(b"FILE       ", fat.store(text()), 900)
    return [*found, fat.image(root)]


def samples(more: Mapping[str, list[bytes]] | None = None) -> dict[str, list[bytes]]:
    """Sound containers by family; `more` adds families."""
    streams = [gzip.compress(text(), mtime=1), bz2.compress(text()), lzma.compress(text())]
    lha = [bytes.fromhex(one) for one in LHA]
    return {"zip": _zips(), "tar": _tars(), "disk": _disks(), "stream": streams, "lha": lha, **(more or {})}


def damaged(data: bytes, rng: random.Random, other: bytes) -> bytes:
    """The data after one to four random damages; checksums of headers are mended half the time."""
    bad = bytearray(data)
    for _ in range(rng.choice((1, 1, 2, 4))):
        rng.choice(DAMAGES)(bad, rng, other)
    if rng.random() < 0.5:
        _mend(bad)
    return bytes(bad)


def _place(bad: bytearray, rng: random.Random) -> int:
    """A place, more often one with something in it: disks and tars are mostly zeros."""
    for _ in range(6):
        at = rng.randrange(len(bad)) if bad else 0
        if bad and bad[at]:
            break
    return at


def _flip(bad: bytearray, rng: random.Random, _other: bytes) -> None:
    if bad:
        bad[_place(bad, rng)] ^= 1 << rng.randrange(8)


def _number(bad: bytearray, rng: random.Random, _other: bytes) -> None:
    width = rng.choice((1, 2, 4, 8))
    value = rng.choice((*NUMBERS, len(bad), rng.randrange(2000))) % (1 << 8 * width)
    at = _place(bad, rng)
    bad[at : at + width] = value.to_bytes(width, rng.choice(("little", "big")))


def _cut(bad: bytearray, rng: random.Random, _other: bytes) -> None:
    del bad[_place(bad, rng) :]


def _drop(bad: bytearray, rng: random.Random, _other: bytes) -> None:
    at = _place(bad, rng)
    del bad[at : at + rng.choice((1, 4, 32, 512))]


def _double(bad: bytearray, rng: random.Random, _other: bytes) -> None:
    at = _place(bad, rng)
    bad[at:at] = bad[at : at + rng.choice((1, 4, 32, 512, 2000))] * rng.choice((1, 1, 30))


def _splice(bad: bytearray, rng: random.Random, other: bytes) -> None:
    at, start = _place(bad, rng), rng.randrange(len(other))
    bad[at:at] = other[start : start + rng.choice((16, 128, 1024))]


def _block(bad: bytearray, rng: random.Random, _other: bytes) -> None:
    """One block of 512 bytes over another: what a failing drive returns."""
    blocks = len(bad) // 512
    if blocks:
        to, start = (rng.randrange(blocks) * 512 for _ in range(2))
        bad[to : to + 512] = bad[start : start + 512]


DAMAGES: tuple[Callable[[bytearray, random.Random, bytes], None], ...] = (
    _flip, _flip, _number, _number, _cut, _drop, _double, _splice, _block,
)  # fmt: skip


def _mend(bad: bytearray) -> None:
    """Sums of tar headers, of the block file system's headers and of old LHA headers, so that damage gets past them."""
    if bad[257:262] == b"ustar":
        for start in range(0, len(bad) - 511, 512):
            block = bad[start : start + 148] + b" " * 8 + bad[start + 156 : start + 512]
            if bad[start + 257 : start + 262] == b"ustar":
                bad[start + 148 : start + 156] = b"%06o\0 " % sum(block)
    elif bad[:3] == b"DOS":
        for start in range(1024, len(bad) - 511, 512):
            if struct.unpack_from(">L", bad, start)[0] in (2, 8, 16):
                bad[start : start + 512] = floppies.balanced(bytes(bad[start : start + 512]))
    elif bad[2:3] == b"-" and len(bad) > 22 and bad[20] < 2:
        bad[1] = sum(bad[2 : bad[0] + 2]) & 0xFF


def inputs(count: int, seed: int, pool: Mapping[str, list[bytes]]) -> Iterator[tuple[str, bytes]]:
    """So many damaged containers, families by turns, the same for the same seed."""
    families = sorted(pool)
    rng = random.Random(seed)
    for n in range(count):
        family = families[n % len(families)]
        other = rng.choice(pool[rng.choice(families)])
        yield family, damaged(rng.choice(pool[family]), rng, other)


class Hung(Exception):
    """A reading took too long."""


@contextmanager
def watched() -> Iterator[None]:
    """Ends what hangs, where the host can."""

    def ring(_signal: int, _frame: Any) -> None:
        raise Hung(f"more than {HANG_S} s")

    if not hasattr(signal, "SIGALRM"):
        yield
        return
    before = signal.signal(signal.SIGALRM, ring)
    signal.alarm(HANG_S)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


def survive(data: bytes, scratch: Path) -> str:
    """Reads everything as a worker does; the outcome in a word. Any exception but ours comes through.

    Asserts that no member gives more bytes than it declares, and that what is called safe is safe.
    """
    with watched():
        try:
            reader = open_source(source(data), Options(LIMITS, scratch))
        except ArchiveError:
            return "refused"
        if reader is None:
            return "unknown"
        try:
            return _survive_members(reader)
        finally:
            reader.close()


def _survive_members(reader: Any) -> str:
    guard, outcome = Guard(LIMITS), "whole"
    try:
        for member in reader.members():
            checked, refusal = guard.check(member)
            if not checked.problem:
                assert ".." not in checked.name.split("/") and not checked.name.startswith("/")
            if member.problem or refusal or member.kind != "file":
                outcome = "hurt" if member.problem or refusal else outcome
            elif not _survive_reading(reader, member):
                outcome = "hurt"
    except TooMuch:
        return "too much"
    return "hurt" if reader.problems else outcome


def _survive_reading(reader: Any, member: Any) -> bool:
    for _ in range(8):
        total = 0
        try:
            for chunk in reader.read(member):
                total += len(chunk)
                assert total <= member.size_bytes + len(chunk)
            assert total == member.size_bytes
            return True
        except Again:
            continue
        except (MemberError, ToolError):
            return False
    raise AssertionError("asked to read again without end")

"""Archives of every format, and damage to them drawn from a seed: for the tests and for the long run in `bench/`."""

import bz2
import gzip
import io
import lzma
import random
import tarfile
from collections.abc import Iterator

from support import floppies, zips
from support.lha import HELLO_20, LEVEL_0, LEVEL_1, LEVEL_2, LEVEL_3, LH5_HELLO_20, LH7_HELLO_20, Made, archive

METHODS = [b"-lh0-", b"-lh1-", b"-lh4-", b"-lh5-", b"-lh6-", b"-lh7-", b"-lhx-", b"-lzs-", b"-lz5-", b"-pm1-", b"-pm2-"]
EDGES = [0, 1, 2, 0x7F, 0x80, 0xFF]


def lha_seeds() -> list[bytes]:
    """Every level with and without extended headers, every method over some packed stream."""
    seeds = [LEVEL_0, LEVEL_1, LEVEL_2, LEVEL_3, b"MZ program text " * 20 + LEVEL_1]
    extensions = [(0x02, b"a\xffb\xff"), (0x3F, b"note"), (0x40, b"\x20\0"), (0x41, bytes(24)), (0x50, b"\xa4\x81")]
    for level in range(4):
        for crc in (False, True):
            made = Made(level=level, header_crc=crc and level > 0, extensions=extensions if level else [])
            seeds.append(archive(made, Made(name=b"second", level=level), Made(name=b"third", level=level)))
    for method in METHODS:
        stream = LH7_HELLO_20 if method in (b"-lh6-", b"-lh7-", b"-lhx-") else LH5_HELLO_20
        for level in (1, 2):
            seeds.append(archive(Made(data=HELLO_20, packed=stream, method=method, level=level), Made(name=b"after")))
    return seeds


def other_seeds() -> list[bytes]:
    """ZIP, tar, gz, bz2, xz, and both kinds of floppy image (cut short: a mutation should often hit a structure)."""
    tar = io.BytesIO()
    with tarfile.open(fileobj=tar, mode="w") as file:
        for name in ("a.txt", "d/" + "long" * 40, "b"):
            info = tarfile.TarInfo(name)
            info.size = len(HELLO_20)
            file.addfile(info, io.BytesIO(HELLO_20))
    puts = [zips.Put(b"a.txt", HELLO_20, 8), zips.Put(b"d/b", HELLO_20, 0)]
    disk, root = floppies.small_disk({b"A       TXT": HELLO_20, b"B          ": HELLO_20 * 9})
    fast, plain = floppies.BlockDisk(flag=1), floppies.BlockDisk(flag=0)
    for block_disk in (fast, plain):
        block_disk.file(b"a.txt", HELLO_20 * 9)
    return [
        zips.archive(*puts), zips.archive(zips.Put(b"n.lha", LEVEL_1, 8)), tar.getvalue(),
        *[pack(tar.getvalue()) for pack in (gzip.compress, bz2.compress, lzma.compress)],
        *[pack(HELLO_20) for pack in (gzip.compress, bz2.compress, lzma.compress)],
        disk.image(root), fast.image(), plain.image(),
    ]  # fmt: skip


def mutants(seeds: list[bytes], seed: int) -> Iterator[bytes]:
    """Endless damaged archives, the same for the same seed."""
    source = random.Random(seed)
    while True:
        data = bytearray(source.choice(seeds))
        for _ in range(source.choice([1, 1, 1, 2, 3, 8])):
            source.choice(_CHANGES)(source, data, source.choice(seeds))
        if source.random() < 0.3:
            _mend_sum(data)
        yield bytes(data)


def _at(source: random.Random, data: bytearray) -> int:
    """Half of the time within the first bytes, where the headers are."""
    end = max(len(data), 1)
    return source.randrange(min(end, 80)) if source.random() < 0.5 else source.randrange(end)


def _flip(source: random.Random, data: bytearray, other: bytes) -> None:
    if data:
        data[_at(source, data)] ^= 1 << source.randrange(8)


def _put(source: random.Random, data: bytearray, other: bytes) -> None:
    if data:
        data[_at(source, data)] = source.choice(EDGES) if source.random() < 0.5 else source.randrange(256)


def _put_number(source: random.Random, data: bytearray, other: bytes) -> None:
    width = source.choice([2, 4, 8])
    at = _at(source, data)
    number = source.choice([0, 1, 2 ** (8 * width) - 1, 2 ** (8 * width - 1), source.randrange(2**16)])
    data[at : at + width] = number.to_bytes(width, source.choice(["little", "big"]))


def _cut(source: random.Random, data: bytearray, other: bytes) -> None:
    del data[_at(source, data) :]


def _drop(source: random.Random, data: bytearray, other: bytes) -> None:
    at = _at(source, data)
    del data[at : at + source.randrange(1, 40)]


def _insert(source: random.Random, data: bytearray, other: bytes) -> None:
    at = _at(source, data)
    data[at:at] = source.randbytes(source.randrange(1, 40))


def _splice(source: random.Random, data: bytearray, other: bytes) -> None:
    if other:
        start = source.randrange(len(other))
        at = _at(source, data)
        data[at:at] = other[start : start + source.randrange(1, 200)]


def _repeat(source: random.Random, data: bytearray, other: bytes) -> None:
    at = _at(source, data)
    data[at:at] = data[at : at + source.randrange(1, 200)] * source.choice([1, 2, 30])


_CHANGES = [_flip, _flip, _flip, _put, _put, _put_number, _cut, _drop, _insert, _splice, _repeat]


def _mend_sum(data: bytearray) -> None:
    """Makes an LHA header's sum right again, so that what is behind the sum is reached."""
    if len(data) > 22 and data[2:3] == b"-":
        data[1] = sum(data[2 : data[0] + 2]) & 0xFF

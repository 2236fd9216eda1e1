"""The LHA decoders of our own: their rate, and their verdicts against lhasa and the two libraries.

    python tests/bench/lha_own.py [--corpus FOLDER] [--mutants 10000]

First the rate of every method on one core beside the libraries' on the same members, in this run. Then lhasa's own test
archives: FOLDER, or what `apt-get source lhasa` brings where a source list allows it. Then damaged streams, whose
verdict (the right CRC and length or not) must be that of liblhasa, and of lzhlib where it knows the method.

Differences seen in 10,000: two -lz5- members cut by one byte, for which liblhasa takes the byte it read before (right
by chance), and one block of -lh7- whose code had a place too few, which both libraries refuse though no symbol of the
block needs that place.
"""

import argparse
import collections
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from support.lha_packed import blocks, pm1, pm2

from discprep.archives import lha_decode
from discprep.archives.base import MemberError, Source
from discprep.archives.crc import crc16
from discprep.archives.lha_headers import STORED, STUB_MAX, BadHeader, Header, Search, read_header

LONGEST_BYTES = 2**23  # of a member that is decoded here; the corpus holds one of 4.7 GB
MAKERS: dict[str, Callable[[int], tuple[bytes, int]]] = {
    "-lh1-": lambda seed: (random.Random(seed).randbytes(3000), 3000),
    "-lh4-": lambda seed: blocks(seed, count_bits=4, farthest=4096, size=3000),
    "-lh5-": lambda seed: blocks(seed, count_bits=4, farthest=8192, size=3000),
    "-lh6-": lambda seed: blocks(seed, count_bits=5, farthest=32_768, size=3000),
    "-lh7-": lambda seed: blocks(seed, count_bits=5, farthest=65_536, size=3000),
    "-lhx-": lambda seed: blocks(seed, count_bits=5, farthest=2**19, size=3000),
    "-lzs-": lambda seed: (random.Random(seed).randbytes(3000), 3000),
    "-lz5-": lambda seed: (random.Random(seed).randbytes(3000), 3000),
    "-pm1-": lambda seed: pm1(seed, size=3000),
    "-pm2-": lambda seed: pm2(seed, size=3000),
}


class Packed(NamedTuple):
    """A member's packed bytes under a header."""

    name: str
    header: Header
    data: bytes


def decoded(decoder: str, header: Header, data: bytes, scratch: Path) -> bytes:
    """What a decoder gives; nothing where it says that it cannot."""
    import io

    source = Source(io.BytesIO(data), len(data), data[:64], "member")
    front = Header(0, 1, header.method, len(data), header.size_bytes, 0, 0x20, os_id=header.os_id)
    try:
        return b"".join(lha_decode.decode(decoder, source, front, scratch))
    except MemberError:
        return b""


def right(header: Header, data: bytes) -> bool:
    return len(data) == header.size_bytes and crc16(data, 0) == header.crc


def others(header: Header) -> list[str]:
    """The compiled decoders at hand that know the method."""
    fast = header.method in lha_decode.FAST and not lha_decode.is_odd_lh7(header)
    wanted = {"lzhlib": fast and header.size_bytes > 0, "pylhasa": True}
    return [name for name, knows in wanted.items() if knows and lha_decode._installed(name)]


# ------------------------------------------------------------------------------------------------- corpus


def corpus(folder: Path | None, work: Path) -> Path | None:
    """lhasa's test archives; None where they cannot be had."""
    if folder:
        return folder
    done = subprocess.run(["apt-get", "source", "--download-only", "-q", "lhasa"], cwd=work, capture_output=True)
    (packed,) = list(work.glob("lhasa_*.orig.tar.*")) or [None]
    if done.returncode or packed is None:
        return None
    wildcards = ["tar", "xf", packed, "--wildcards", "*/test/archives/*"]
    subprocess.run(wildcards, cwd=work, check=True)
    return next(work.glob("lhasa-*/test/archives"))


def members(folder: Path) -> Iterator[Packed]:
    for path in sorted(path for path in folder.rglob("*") if path.is_file()):
        data = path.read_bytes()

        def at(offset: int, size: int, data: bytes = data) -> bytes:
            return data[offset : offset + size]

        offset = Search(at, len(data)).next(0, min(len(data), STUB_MAX))
        while offset is not None and offset < len(data) and data[offset]:
            try:
                header = read_header(at, offset, len(data))
            except BadHeader:
                break
            offset = header.end
            if header.method in lha_decode.KNOWN - STORED and header.size_bytes <= LONGEST_BYTES:
                yield Packed(path.name, header, data[header.data_offset : header.end])


def compare_corpus(folder: Path, scratch: Path) -> None:
    count, good = collections.Counter[str](), collections.Counter[str]()
    for name, header, data in members(folder):
        mine = right(header, decoded("own", header, data, scratch))
        count[header.method] += 1
        good[header.method] += mine
        verdicts = {other: right(header, decoded(other, header, data, scratch)) for other in others(header)}
        if any(verdicts.values()) != mine:
            print(f"  DIFFERENT: {name} {header.method}: own {mine}, {verdicts}")
    for method in sorted(count):
        print(f"  {method} {good[method]} of {count[method]} members right")


# ------------------------------------------------------------------------------------------------ mutants


def mutated(source: random.Random, data: bytes) -> bytes:
    bad = bytearray(data)
    for _ in range(source.choice((1, 1, 1, 2, 5))):
        if bad:
            near_end = -1 - source.randrange(min(8, len(bad)))
            bad[source.randrange(len(bad)) if source.random() < 0.8 else near_end] ^= 1 << source.randrange(8)
    if source.random() < 0.3:
        del bad[-source.randrange(1, 9) :]
    return bytes(bad)


def compare_mutants(count: int, scratch: Path, folder: Path | None) -> None:
    source = random.Random(7)
    pool = [packed for packed in members(folder) if len(packed.data) < 20_000] if folder else []
    for method, make in MAKERS.items():
        for seed in range(20):
            data, size = make(seed)
            header = Header(0, 1, method, len(data), size, 0, 0x20)
            whole = decoded("own", header, data, scratch)
            if len(set(whole)) > 20:  # others come out right by chance
                header.crc = crc16(whole, 0)
                pool.append(Packed("made", header, data))
    tally = collections.Counter[tuple[bool, bool]]()
    for number in range(count):
        name, header, data = source.choice(pool)
        bad = mutated(source, data)
        mine = decoded("own", header, bad, scratch)
        verdicts = {other: decoded(other, header, bad, scratch) for other in others(header)}
        good = [right(header, other) for other in verdicts.values()]
        tally[right(header, mine), any(good)] += 1
        if right(header, mine) != any(good):
            said = {other: right(header, data) for other, data in verdicts.items()}
            print(f"  DIFFERENT: mutant {number} of {name} {header.method}: own {right(header, mine)}, {said}")
    print(f"  {count} mutants: {tally[False, False]} bad and {tally[True, True]} good for both")


# --------------------------------------------------------------------------------------------------- rate


def text(size: int) -> bytes:
    source = random.Random(1)
    words = [bytes(source.choices(b"abcdefghijklmnopqrstuvwxyz", k=source.randint(2, 9))) for _ in range(4000)]
    return b" ".join(source.choices(words, k=size // 5))[:size]


def packed_text(work: Path) -> Packed:
    """Four megabytes of words by jlha."""
    (work / "words.txt").write_bytes(text(4_000_000))
    subprocess.run(["jlha", "-ao51", "x.lzh", "words.txt"], cwd=work, check=True, capture_output=True)
    data = (work / "x.lzh").read_bytes()
    header = read_header(lambda offset, size: data[offset : offset + size], 0, len(data))
    return Packed("words of text", header, data[header.data_offset : header.end])


def rates(cases: list[Packed], scratch: Path) -> None:
    for name, header, data in cases:
        took: dict[str, float] = {}
        for decoder in ["own", *others(header)]:
            begun_s = time.process_time()
            decoded(decoder, header, data, scratch)
            took[decoder] = max(time.process_time() - begun_s, 1e-6)
        told = ", ".join(f"{other} {took['own'] / took[other]:.0f} times that" for other in took if other != "own")
        print(f"  {header.method} {name}: own {header.size_bytes / took['own'] / 1e6:.1f} MB/s of output; {told}")


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--corpus", type=Path)
    parser.add_argument("--mutants", type=int, default=10_000)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as held:
        work = Path(held)
        print("rate, one core")
        folder = corpus(asked.corpus, work)
        largest: dict[str, Packed] = {}
        for packed in members(folder) if folder else []:
            if packed.header.size_bytes > largest.get(packed.header.method, packed)[1].size_bytes - 1:
                largest[packed.header.method] = packed
        rates([packed_text(work), *[largest[method] for method in sorted(largest)]], work)
        print("lhasa's test archives")
        if folder:
            compare_corpus(folder, work)
        else:
            print("  not to be had here: no source package; name a folder with --corpus")
        print("mutants")
        compare_mutants(asked.mutants, work, folder)


if __name__ == "__main__":
    main()

"""Our verdict on a whole archive beside that of unzip, 7z, bsdtar, tar and gzip, on good and on damaged inputs.

Damage is one changed byte at a known place, or a cut. Where a verdict differs from a program's, the difference must
stand in `DIFFERENCES` with its reason; a difference without a reason fails.
"""

import gzip
import random
import re
import subprocess
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from support.programs import program
from support.readers import look
from support.tars import END, GNU, header, long_name, member, pax
from support.zips import IMPLODE_8K, Put, archive, imploded, shrunk

from discprep.errors import ArchiveError

GOOD, BAD = True, False


def noise(size: int, seed: int) -> bytes:
    return random.Random(seed).randbytes(size)


def words(seed: int, count: int) -> bytes:
    rng = random.Random(seed)
    return b" ".join(rng.choice([b"room", b"shelf", b"lamp", b"%d" % rng.randint(0, 999)]) for _ in range(count))


# ------------------------------------------------------------------------------------------- the programs


@dataclass(frozen=True)
class Judge:
    """A program that tests archives; its exit status is its verdict."""

    name: str
    package: str
    arguments: tuple[str, ...]

    def verdict(self, path: Path) -> bool:
        done = subprocess.run(
            [program(self.name, self.package), *self.arguments, path],
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, timeout=60,
        )  # fmt: skip
        return done.returncode == 0


BSDTAR = Judge("bsdtar", "libarchive-tools", ("-xOf",))
JUDGES = {
    "zip": (Judge("unzip", "unzip", ("-tqq",)), Judge("7z", "7zip", ("t", "-bd", "-pnone")), BSDTAR),
    "tar": (Judge("tar", "tar", ("-xOf",)), Judge("7z", "7zip", ("t", "-bd", "-ttar")), BSDTAR),
    "gz": (
        Judge("gzip", "gzip", ("-t",)), Judge("7z", "7zip", ("t", "-bd", "-tgzip")),
        Judge("bsdcat", "libarchive-tools", ()),
    ),
}  # fmt: skip


def ours(data: bytes, scratch: Path) -> bool:
    try:
        return look(data, scratch).whole
    except (ArchiveError, AssertionError):  # the second: no reader knows the bytes
        return BAD


# ------------------------------------------------------------------------------------ archives with a map

Map = list[str]  # what stands at each byte

LOCAL = {"mark": 4, "version": 2, "flags": 2, "method": 2, "time": 2, "date": 2, "crc": 4, "packed": 4, "size": 4,
         "name length": 2, "extra length": 2}  # fmt: skip
CENTRAL = {"mark": 4, "made by": 2, "version": 2, "flags": 2, "method": 2, "time": 2, "date": 2, "crc": 4, "packed": 4,
           "size": 4, "name length": 2, "extra length": 2, "comment length": 2, "disk": 2, "internal": 2,
           "external": 4, "offset": 4}  # fmt: skip
ZIP_END = {"mark": 4, "disk": 2, "disk of directory": 2, "count here": 2, "count": 2, "directory size": 4,
           "directory offset": 4, "comment length": 2}  # fmt: skip
TAR = {"name": 100, "mode": 8, "uid": 8, "gid": 8, "size": 12, "mtime": 12, "sum": 8, "type": 1, "linkname": 100,
       "magic": 8, "uname": 32, "gname": 32, "device": 16, "prefix": 155, "rest": 12}  # fmt: skip


def spread(what: str, fields: dict[str, int]) -> Map:
    return [f"{what} {name}" for name, width in fields.items() for _ in range(width)]


def a_zip() -> tuple[bytes, Map]:
    puts = [
        Put(b"sub/", b"", external=0x10), Put(b"sub/one.txt", words(1, 60), 8), Put(b"two.bin", noise(300, 2)),
        Put(b"three.txt", words(3, 300), 8, comment=b"a note"),
    ]  # fmt: skip
    places: Map = []
    for put in puts:
        places += spread("local", LOCAL) + ["local name"] * len(put.name) + ["data"] * len(put.stream())
    for put in puts:
        places += spread("central", CENTRAL) + ["central name"] * len(put.name) + ["central comment"] * len(put.comment)
    return archive(*puts, comment=b"all"), places + spread("end", ZIP_END) + ["end comment"] * 3


def a_tar() -> tuple[bytes, Map]:
    data = b"".join((
        header(b"sub/", kind=b"5"), member(b"sub/one", noise(700, 1)), long_name(b"n" * 120),
        member(b"short", b"hello", magic=GNU), pax({"path": b"p" * 110, "mtime": b"1.5"}), member(b"s", noise(600, 2)),
        header(b"link", kind=b"2", linkname=b"sub/one"), member(b"last", b"x" * 100), END,
    ))  # fmt: skip
    places: Map = []
    while len(places) < len(data):
        block = data[len(places) : len(places) + 512]
        if block == bytes(512):
            places += ["end mark"] * 512
            continue
        what = {b"L": "long", b"x": "pax", b"2": "link"}.get(block[156:157], "file")
        size = int(block[124:135], 8)
        places += spread(what, TAR)
        places += [f"{what} data"] * size + ["padding"] * (-size % 512)
    return data, places


def a_gz() -> tuple[bytes, Map]:
    data = gzip.compress(words(4, 300), mtime=1)
    return data, spread("gz", {"mark": 2, "method": 1, "flags": 1, "time": 4, "hint": 1, "system": 1}) + [
        "gz data"
    ] * (len(data) - 18) + spread("gz", {"crc": 4, "size": 4})


MAKERS: dict[str, Callable[[], tuple[bytes, Map]]] = {"zip": a_zip, "tar": a_tar, "gz": a_gz}


def mended(data: bytearray, at: int) -> None:
    """The sum of the tar header around `at` made right again, so that the damage itself is judged."""
    start = at // 512 * 512
    block = data[start : start + 148] + b" " * 8 + data[start + 156 : start + 512]
    data[start + 148 : start + 156] = b"%06o\0 " % sum(block)


def damaged(format_: str, count: int, seed: int) -> Iterator[tuple[str, bytes]]:
    """Changed bytes, spread evenly over the kinds of places, then cuts; each with its place."""
    data, places = MAKERS[format_]()
    assert len(places) == len(data)
    rng = random.Random(seed)
    kinds = sorted(set(places))
    for n in range(count):
        place = kinds[n % len(kinds)]
        at = rng.choice([k for k, there in enumerate(places) if there == place])
        bad = bytearray(data)
        bad[at] ^= rng.choice((1 << rng.randrange(8), rng.randint(1, 255)))
        if format_ == "tar" and rng.random() < 0.5 and place.split(" ", 1)[-1] in TAR:
            mended(bad, at)
            place += ", sum right"
        yield place, bytes(bad)
    for _ in range(count // 5):
        cut = rng.randrange(1, len(data))
        yield f"cut in {places[cut]}", data[:cut]


# ------------------------------------------------------------------------------------- what differs, and why


@dataclass(frozen=True)
class Difference:
    """Where our verdict is `ours` and the program's the opposite."""

    format: str
    program: str
    places: str  # a regular expression over the place of the damage
    ours: bool
    why: str


DIFFERENCES = (
    # ZIP. The central directory rules here; where the local header disagrees the member is not believed.
    Difference("zip", "unzip", "central (crc|packed|size)|local (crc|packed|size)", BAD,
               "it tests what the local header says and only warns, or is silent, where the two disagree"),
    Difference("zip", "unzip", "central disk|end count here|end comment length", BAD,
               "it warns, with status 0, of disk numbers and of a comment that is cut short"),
    Difference("zip", "unzip", "(central|local) (flags|method|external|name)", BAD,
               "it tests by one header and only warns where the other disagrees, or a folder holds data"),
    Difference("zip", "unzip", "central version", GOOD, "it refuses members that ask for a later version of unzip"),
    Difference("zip", "unzip", "(central|local) flags", GOOD, "it refuses flags that do not matter to the method"),
    Difference("zip", "7z", "local (crc|extra length|version|time|date|packed|size|name length)", BAD,
               "it takes these from the central directory; a data offset beyond it is found to be good by chance"),
    Difference("zip", "7z", "(central|local) flags", GOOD, "it minds flags without effect that differ"),
    Difference("zip", "7z", "central external", BAD, "it does not mind a folder that holds data"),
    Difference("zip", "bsdtar", "central .*|local (method|name|flags|crc|size|packed)", BAD,
               "it compares neither names nor most fields of the two headers, and lacks no central directory"),
    Difference("zip", "bsdtar", "end .*|cut in (central|end) .*", BAD,
               "it reads by the local headers when the end record is damaged or lost: nothing tells what is missing"),
    Difference("zip", "bsdtar", "local flags|central (version|flags)", GOOD, "it refuses flags that do not matter"),
    # tar. There are no checksums over data; every header has one.
    Difference("tar", "bsdtar", "(file|link|long|pax) .*|end mark", BAD,
               "it passes over a damaged header, and over members of unknown type, with status 0"),
    Difference("tar", "bsdtar", ".*(uid|gid|mtime|mode|device), sum right", GOOD,
               "it refuses numbers that are none in fields which are not needed to read the member"),
    Difference("tar", "bsdtar", "cut in end mark", GOOD, "it wants the whole end mark; here the lack is a notice"),
    Difference("tar", "7z", "(file|link|long|pax) .*|end mark", BAD,
               "it ends quietly at a header whose sum is wrong, and knows no extended headers' inner form"),
    Difference("tar", "7z", ".*, sum right", GOOD,
               "it refuses numbers that are none in fields which are not needed to read the member"),
    Difference("tar", "7z", "cut in end mark|cut in padding", GOOD, "it wants the whole end mark; here it is a notice"),
    Difference("tar", "tar", "cut in .*|(file|link|long|pax) (type|name|linkname|size|prefix|data).*|pax data", BAD,
               "it takes part of a header for the end, reads unknown types as files and writes unsafe names"),
    Difference("tar", "tar", ".*(uid|gid|mtime|mode|device|size), sum right", GOOD,
               "it refuses numbers that are none in fields which are not needed to read the member"),
    Difference("tar", "tar", "cut in end mark", GOOD, "a lack in the end mark is a notice here"),
    # gz
    Difference("gz", "bsdcat", "gz .*|cut in gz (mark|method|flags|time|hint|system)", BAD,
               "it compares neither CRC-32 nor size, and copies what is no gz at all"),
)  # fmt: skip


def excuse(format_: str, judge: str, place: str, verdict: bool) -> Difference | None:
    for known in DIFFERENCES:
        same = (known.format, known.program, known.ours) == (format_, judge, verdict)
        if same and re.fullmatch(known.places, place):
            return known
    return None


def judged(format_: str, place: str, data: bytes, folder: Path) -> Iterator[str]:
    """Every difference without a reason, in words."""
    path = folder / f"judged.{format_}"
    path.write_bytes(data)
    verdict = ours(data, folder)
    theirs = {judge.name: judge.verdict(path) for judge in JUDGES[format_]}
    for name, other in theirs.items():
        if other != verdict and not excuse(format_, name, place, verdict):
            yield f"{place}: we say {'good' if verdict else 'bad'}, {name} does not"
    if verdict and not any(theirs.values()):
        yield f"{place}: we alone say good"


@pytest.mark.parametrize(("format_", "count"), [("zip", 140), ("tar", 170), ("gz", 60)])
def test_damaged(format_: str, count: int, tmp_path: Path) -> None:
    """The same verdict, or a known reason; and never good where all others say bad."""
    strange = [
        line for place, data in damaged(format_, count, seed=11) for line in judged(format_, place, data, tmp_path)
    ]
    assert not strange, "\n".join(strange)


@pytest.mark.parametrize("format_", MAKERS)
def test_the_whole_ones(format_: str, tmp_path: Path) -> None:
    """All say good of what is then damaged."""
    data = MAKERS[format_]()[0]
    (tmp_path / "whole").write_bytes(data)
    assert ours(data, tmp_path)
    assert all(judge.verdict(tmp_path / "whole") for judge in JUDGES[format_])


@pytest.mark.parametrize(
    ("data", "agree"),
    [
        (archive(Put(b"a", words(5, 500), 1, shrunk(words(5, 500)))), ("unzip", "7z")),
        (archive(Put(b"a", words(5, 500), 6, imploded(words(5, 500), 2), IMPLODE_8K)), ("unzip", "7z")),
        (archive(Put(b"a", b"x"), stub=b"MZ" + bytes(500)), ("bsdtar",)),
        (archive(), ("7z", "bsdtar")),
    ],
    ids=["shrink", "implode", "stub", "empty"],
)
def test_good_but_unusual(data: bytes, agree: tuple[str, ...], tmp_path: Path) -> None:
    """Good archives of which the named programs say so too (unzip's and 7z's status is 1 for a stub whose length the
    offsets leave out, unzip's for nothing inside; bsdtar decodes neither old method)."""
    path = tmp_path / "good.zip"
    path.write_bytes(data)
    # Asked first: what is missing here skips, and the old methods are decoded by one of these programs.
    assert [judge.name for judge in JUDGES["zip"] if judge.verdict(path)] == list(agree)
    assert ours(data, tmp_path)


@pytest.mark.parametrize(
    ("format_", "data"),
    [
        ("zip", archive(Put(b"a", words(5, 500), 1, shrunk(words(6, 500))))),
        ("zip", archive(Put(b"a", b"xyz", central={"crc": 1}, local={"crc": 1}))),
        ("zip", archive(Put(b"a", b"xyz", 8))[:-40]),
        ("tar", member(b"a", noise(3000, 1))[:2000]),
        ("gz", gzip.compress(noise(3000, 1))[:2000]),
        ("gz", gzip.compress(noise(3000, 1))[:-8] + bytes(8)),
    ],
    ids=["shrink of other data", "wrong CRC", "no directory", "cut tar", "cut gz", "gz checksum"],
)
def test_bad_for_all(format_: str, data: bytes, tmp_path: Path) -> None:
    """Bad archives that no program takes for good, libarchive's readers apart where the table says so."""
    path = tmp_path / "bad"
    path.write_bytes(data)
    assert not ours(data, tmp_path)
    assert not any(judge.verdict(path) for judge in JUDGES[format_][:2])

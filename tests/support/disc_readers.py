"""What general-purpose readers see on an image: paths with their SHA-256, by the tree that each of them reads.

`isoinfo`, `iso-info` and `xorriso` tell where a file's bytes lie, and the bytes there are hashed; `bsdtar` and `7z`
extract, and what they wrote is hashed; `pycdlib` gives the bytes.
"""

import hashlib
import io
import os
import re
import subprocess
import unicodedata
from collections.abc import Callable, Iterable
from pathlib import Path

from pycdlib import PyCdlib

from discprep.disc.image import ImageWritten
from support.programs import program

Seen = list[tuple[str, str]]
ENV = {**os.environ, "LC_ALL": "C.UTF-8", "TZ": "UTC"}


def run(*words: str | Path, charset: str = "utf-8") -> str:
    done = subprocess.run([str(word) for word in words], capture_output=True, env=ENV, check=False)
    assert done.returncode == 0, f"{words[0]}: {done.stdout[-500:]!r} {done.stderr[-2000:]!r}"
    return done.stdout.decode(charset, "surrogateescape")


def all_accept(image: Path) -> None:
    """xorriso, iso-info (libcdio), bsdtar (libarchive) and 7z read it whole and complain of nothing."""
    run(program("xorriso"), "-abort_on", "WARNING", "-indev", image, "-find", "/", "-exec", "report_lba")
    run(program("iso-info"), "-l", image)
    run(program("bsdtar"), "-tf", image)
    run(program("7z"), "t", image)


def hashed(image: Path, places: Iterable[tuple[str, int, int]]) -> Seen:
    """(path, first sector, bytes) as hashes of what lies there."""
    seen = []
    with image.open("rb") as file:
        for path, sector, size in places:
            file.seek(sector * 2048)
            seen.append((path, hashlib.sha256(file.read(size)).hexdigest()))
    return sorted(seen)


def extracted(folder: Path) -> Seen:
    return sorted(
        (str(path.relative_to(folder)), hashlib.sha256(path.read_bytes()).hexdigest())
        for path in folder.rglob("*")
        if path.is_file()
    )


def isoinfo(image: Path, tree: str, out: Path) -> Seen:
    """genisoimage's reader, told which tree to read."""
    return hashed(image, isoinfo_places(image, tree))


def isoinfo_places(image: Path, tree: str) -> list[tuple[str, int, int]]:
    """Path, first sector and bytes of every file, as genisoimage's reader lists them."""
    option = {"rock-ridge": ["-R"], "joliet": ["-J"], "iso": []}[tree]
    folder, places = "", []
    charset = "latin-1" if tree == "joliet" else "utf-8"
    for line in run(program("isoinfo", "genisoimage"), *option, "-l", "-i", image, charset=charset).split("\n"):
        if line.startswith("Directory listing of /"):
            folder = line.removeprefix("Directory listing of /")
        match = re.fullmatch(r"[-a-z]{10} +\d+ +\d+ +\d+ +(\d+) \w{3} +\d+ \d{4} \[ *(\d+) (\w\w)\]  (.*) ", line)
        if match and not int(match[3], 16) & 2:
            name = match[4] if tree == "rock-ridge" else match[4].removesuffix(";1")
            places.append((folder + (name.removesuffix(".") if tree == "iso" else name), int(match[2]), int(match[1])))
    return places


def iso_info(image: Path, tree: str, out: Path) -> Seen:
    """libcdio's reader: Joliet where it stands, else Rock Ridge, else primary names in small letters."""
    folder, places = "", []
    for line in run(program("iso-info", "libcdio-utils"), "-l", "-i", image).split("\n"):
        if re.fullmatch(r"/.*:", line):
            folder = line[1:-1]
        # With Rock Ridge mode, links, owners come first.
        match = re.search(r"^ +-.*?\[LSN +(\d+)\] +(\d+) \w{3} +\d+ \d{4} \d\d:\d\d:\d\d  (.*)$", line)
        if match:
            places.append((folder + match[3], int(match[1]), int(match[2])))
    seen = hashed(image, places)
    return sorted((path.upper(), sha) for path, sha in seen) if tree == "iso" else seen


def xorriso(image: Path, tree: str, out: Path) -> Seen:
    """libisofs' reader."""
    words = [program("xorriso"), "-indev", image, "-find", "/", "-type", "f", "-exec", "report_lba"]
    places = []
    for line in run(*words).split("\n"):
        match = re.fullmatch(r"File data lba: +\d+ , +(\d+) , +\d+ , +(\d+) , '/(.*)'", line)
        if match:
            places.append((match[3].replace("'\"'\"'", "'"), int(match[1]), int(match[2])))
    return hashed(image, places)


def bsdtar(image: Path, tree: str, out: Path) -> Seen:
    """libarchive's reader: Rock Ridge where it stands, else Joliet, else the primary tree."""
    out.mkdir()
    run(program("bsdtar", "libarchive-tools"), "-xf", image, "-C", out)
    return extracted(out)


def sevenzip(image: Path, tree: str, out: Path) -> Seen:
    """7-Zip's reader: Joliet where it stands, else Rock Ridge, else the primary tree."""
    run(program("7z", "7zip"), "x", "-y", f"-o{out}", image)
    return extracted(out)


def pycdlib_reader(image: Path, tree: str, out: Path) -> Seen:
    """pycdlib by its own walk, told which tree; it refuses an image whose structures disagree."""
    iso, seen = PyCdlib(), []
    iso.open(str(image))
    word = {"iso": "iso_path", "joliet": "joliet_path", "rock-ridge": "rr_path"}[tree]
    for folder, _, files in iso.walk(**{word: "/"}):
        for file in files:
            path, data = f"{folder.rstrip('/')}/{file}", io.BytesIO()
            iso.get_file_from_iso_fp(data, **{word: path})
            name = path[1:].removesuffix(";1")
            shown = name.removesuffix(".") if tree == "iso" else name
            seen.append((shown, hashlib.sha256(data.getvalue()).hexdigest()))
    iso.close()
    return sorted(seen)


READERS: dict[str, tuple[Callable[[Path, str, Path], Seen], tuple[str, ...]]] = {
    "isoinfo": (isoinfo, ("rock-ridge", "joliet", "iso")),
    "iso-info": (iso_info, ("joliet", "rock-ridge", "iso")),
    "xorriso": (xorriso, ("rock-ridge", "joliet", "iso")),
    "bsdtar": (bsdtar, ("rock-ridge", "joliet", "iso")),
    "7z": (sevenzip, ("joliet", "rock-ridge", "iso")),
    "pycdlib": (pycdlib_reader, ("rock-ridge", "joliet", "iso")),
}
"""Each reader, and the trees in the order in which it prefers them."""


def trees_of(rules: Iterable[str]) -> set[str]:
    """The trees that name rules ask for."""
    return {"iso", *(rule for rule in rules if rule in ("joliet", "rock-ridge"))}


def expected(written: ImageWritten, reader: str, tree: str) -> Seen:
    """The files of an image under the names that a reader shows for one of its trees."""
    shown = []
    for placed in written.placed:
        content = placed.named.staged.content
        if content:
            path = {"iso": placed.named.iso, "joliet": placed.named.joliet, "rock-ridge": placed.named.rock_ridge}[tree]
            text = "/".join(_shown(part, reader, tree) for part in path)
            # 7z extracts no last dot of a file.
            shown.append((text.removesuffix(".") if reader == "7z" else text, content.sha256))
            if placed.second_extent is not None:
                shown.append(("/".join(part.removesuffix(".") for part in placed.named.second), content.sha256))
    return sorted(shown)


def _shown(name: str, reader: str, tree: str) -> str:
    """A name as a reader shows it. Each of these is what the program does, measured, and not the disc's."""
    if tree == "iso":
        return name.removesuffix(".")
    if reader == "isoinfo" and tree == "joliet":  # told no charset, it shows Latin-1 only
        return "".join(c if ord(c) < 256 else "_" for c in name)
    if reader == "bsdtar" and tree == "joliet":  # composes letters and their accents
        return unicodedata.normalize("NFC", name)
    if reader == "iso-info" and tree == "joliet":  # cuts the UTF-8 text at as many bytes as the UCS-2 name has
        return name.encode()[: 2 * len(name)].decode("utf-8", "surrogateescape")
    return name


def _told_apart(written: ImageWritten) -> bool:
    """Whether iso-info, which enters folders by the names that it cuts, can tell all Joliet names of a disc apart."""
    own = {placed.named.joliet[:depth] for placed in written.placed for depth in range(1, len(placed.named.joliet) + 1)}
    return len({tuple(_shown(part, "iso-info", "joliet") for part in path) for path in own}) == len(own)


def check_readers(
    written: ImageWritten, rules: Iterable[str], out: Path, readers: Iterable[str] = tuple(READERS)
) -> None:
    """Every reader lists the names of the tree it reads, and (by hash) the same bytes."""
    have = trees_of(rules)
    for reader in readers:
        see, preferred = READERS[reader]
        trees = sorted(have) if reader in ("isoinfo", "pycdlib") else [next(tree for tree in preferred if tree in have)]
        for tree in trees:
            if (reader, tree) == ("iso-info", "joliet") and not _told_apart(written):
                continue
            assert see(written.path, tree, out / f"{reader}-{tree}") == expected(written, reader, tree), (reader, tree)

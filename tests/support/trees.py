"""Trees of files for disc tests: staged entries with real bytes on the host, and random trees with a fixed seed."""

import hashlib
import random
import unicodedata
from dataclasses import dataclass
from pathlib import Path

from discprep.disc.image import ImageOptions, ImageWritten, write_image
from discprep.disc.names import map_names
from discprep.model import Content, Named, NameRule, Profile, Staged

EPOCH = 1_700_000_000
RULES: dict[str, tuple[NameRule, ...]] = {
    "1": ("iso-level-1",),
    "2": ("iso-level-2",),
    "3": ("iso-level-3",),
    "1j": ("iso-level-1", "joliet"),
    "1r": ("iso-level-1", "rock-ridge"),
    "2jr": ("iso-level-2", "joliet", "rock-ridge"),
    "3r": ("iso-level-3", "rock-ridge"),
    "3j": ("iso-level-3", "joliet"),
    "3jr": ("iso-level-3", "joliet", "rock-ridge"),
}


@dataclass
class Shelf:
    """Bytes at rest on the host: every content lies in one file, as the unpacked archives' do."""

    folder: Path

    def content(self, data: bytes) -> Content:
        path = self.folder / "shelf.bin"
        with path.open("ab") as file:
            offset = file.tell()
            file.write(data)
        return Content(path, offset, len(data), hashlib.sha256(data).hexdigest())

    def file(self, path: str, data: bytes = b"x", **more: object) -> Staged:
        return Staged(tuple(path.split("/")), more.pop("item", "i"), self.content(data), **more)  # type: ignore[arg-type]

    def tree(self, files: dict[str, bytes]) -> list[Staged]:
        return [self.file(path, data) for path, data in files.items()]


def folder(path: str, item: str = "i") -> Staged:
    return Staged(tuple(path.split("/")), item, None)


def profile(rules: str = "1", charset: str = "utf-8") -> Profile:
    return Profile("test", name_rules=RULES[rules], charset=charset)


def options(rules: str = "1", **more: object) -> ImageOptions:
    return ImageOptions("TESTDISC", more.pop("epoch_s", EPOCH), RULES[rules], **more)  # type: ignore[arg-type]


def name(staged: list[Staged], rules: str = "1", charset: str = "utf-8") -> tuple[Named, ...]:
    named, errors = map_names(staged, profile(rules, charset))
    assert not errors, errors
    return named


def write(staged: list[Staged], path: Path, rules: str = "1", **more: object) -> ImageWritten:
    return write_image(name(staged, rules), path, options(rules, **more))


# ------------------------------------------------------------------------------------------- random trees

ALPHABETS = (
    "abcdefghijklmnopqrstuvwxyz", "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_", "ab.", "éüßñøÅçœ", "日本語ファイル", "Жздя",
    "a b-+=,;[](){}!$%&'~#@^", "0123456789",
)  # fmt: skip


def random_name(rng: random.Random) -> str:
    alphabet = rng.choice(ALPHABETS)
    stem = "".join(rng.choice(alphabet) for _ in range(rng.choice((1, 2, 5, 8, 9, 12, 20, 40))))
    return stem + rng.choice(("", "", ".", ".txt", ".lha", ".info", ".tar.gz", ".1ST", ".C1", ".C", ".html"))


def random_bytes(rng: random.Random) -> bytes:
    size = rng.choice((0, 1, 2047, 2048, 2049, 5000, 40_000))
    return rng.randbytes(size)


def random_tree(seed: int, shelf: Shelf, scale: int = 60) -> list[Staged]:
    """Deep, wide, long, clashing, non-ASCII, empty and equal files; every seed gives one tree."""
    rng = random.Random(seed)
    folders: list[tuple[str, ...]] = [()]
    taken: set[tuple[str, ...]] = set()  # without last dots: one reader extracts none
    staged: list[Staged] = []
    same = random_bytes(rng)
    for _ in range(rng.randrange(1, scale)):
        parent = rng.choice(folders[-3:] if rng.random() < 0.4 else folders)
        path = (*parent, random_name(rng))
        bare = tuple(part.rstrip(".") for part in path)
        if bare in taken or bare[-1].strip(".") == "" or not _fits(path):
            continue
        taken.add(bare)
        if rng.random() < 0.25 and len(path) < 6:
            folders.append(path)
            if rng.random() < 0.5:
                staged.append(Staged(path, "i", None))
            continue
        data = same if rng.random() < 0.1 else random_bytes(rng)
        when = rng.choice((None, 0, 315_532_800, 946_684_799, EPOCH + 10))
        staged.append(Staged(path, rng.choice("abc"), shelf.content(data), time_s=when))
    return staged


DEVICES = ("con", "PRN.txt", "aux.c", "Nul", "clock", "com1.lha", "LPT9", "com", "com10")


def _like(rng: random.Random, name: str) -> str:
    """A name that some rule takes for a neighbour's, or has to shorten to it."""
    stem, dot, extension = name.partition(".")
    return rng.choice((
        name.swapcase(), unicodedata.normalize("NFD", name), f"{stem[:8]}{rng.choice('x _')}{dot}{extension}",
        f"{name}.{rng.choice(('1', '1ST', 'C', 'C1'))}", f"{stem}{dot}{extension}{rng.randrange(10)}", f"{stem}.{name}",
        f"{stem}{'long ' * 12}{dot}{extension}", name.replace(".", "_"), f"{stem}{rng.randrange(100)}{dot}{extension}",
    ))  # fmt: skip


def hard_tree(seed: int, shelf: Shelf, scale: int = 60) -> list[Staged]:
    """A random tree with neighbours of like names, names of devices, files around a sector's size and folders of
    several sectors; every seed gives one tree."""
    rng = random.Random(seed)
    staged = random_tree(seed, shelf, scale)
    taken = {tuple(part.rstrip(".") for part in entry.name[:depth]) for entry in staged
             for depth in range(1, len(entry.name) + 1)}  # fmt: skip
    names = [(*entry.name[:-1], _like(rng, entry.name[-1])) for entry in rng.choices(staged, k=scale)] if staged else []
    names += [(device,) for device in rng.sample(DEVICES, 3)]
    if rng.random() < 0.3:
        names += [("many", f"{random_name(rng)[:20]}{number}") for number in range(rng.choice((30, 50, 120)))]
    for path in names:
        bare = tuple(part.rstrip(".") for part in path)
        if bare not in taken and bare[-1] and _fits(path) and bare[:-1] not in {e.name for e in staged if e.content}:
            taken |= {bare[:depth] for depth in range(1, len(bare) + 1)}
            size = max(0, 2048 * rng.randrange(3) + rng.randrange(-1, 2))
            staged.append(Staged(path, "d", shelf.content(rng.randbytes(size))))
    return staged


def wide_tree(shelf: Shelf, count: int = 10_000) -> list[Staged]:
    """One folder with many files whose names clash at level 1."""
    data = [shelf.content(f"file {n}".encode()) for n in range(count)]
    return [Staged(("wide", f"A rather long name {n}.text"), "i", content) for n, content in enumerate(data)]


def _fits(path: tuple[str, ...]) -> bool:
    """Within Joliet's 240, tails for clashes included."""
    return sum(min(2 * len(part), 128) + 7 for part in path) < 240

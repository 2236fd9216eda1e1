"""Single bytes flipped at random (seeded) in all a build rests on: noticed before a disc or the machine has them.

Each kind of place is noticed by another step; each test names it.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from random import Random

import pytest
from support.bench_set import BenchSet, usual
from support.command import run

from discprep.archives import read_content
from discprep.disc.record import load_record
from discprep.errors import DiscprepError, IntegrityError
from discprep.fetch.cache import Cache
from discprep.fetch.part import Part
from discprep.fetch.pins import load_pins
from discprep.fetch.transport import Validators
from discprep.job.at_hand import at_hand, open_items
from discprep.job.standing import standing
from discprep.manifest import load_manifest

Places = list[tuple[Path, int]]


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> BenchSet:
    """A whole build. Every test leaves it as it was."""
    made = usual(tmp_path_factory.mktemp("damage"))
    assert run("prepare", made.manifest, "--out", made.out, *made.words).code == 0
    return made


def flips(paths: list[Path], count: int, seed: int) -> Iterator[tuple[Path, int]]:
    """Paths, each with the place of a byte, in turn."""
    random = Random(seed)
    for number in range(count):
        path = paths[number % len(paths)]
        yield path, random.randrange(path.stat().st_size)


@contextmanager
def flipped(path: Path, at: int, *, same_marks: bool = False) -> Iterator[None]:
    """One bit of a byte turned over; the old byte and marks come back. `same_marks`: as rot does it, the date stays."""
    found, whole = path.stat(), path.read_bytes()
    path.chmod(0o644)
    path.write_bytes(whole[:at] + bytes([whole[at] ^ 1 << at % 8]) + whole[at + 1 :])
    if same_marks:
        os.utime(path, ns=(found.st_atime_ns, found.st_mtime_ns))
    try:
        yield
    finally:
        path.write_bytes(whole)
        os.utime(path, ns=(found.st_atime_ns, found.st_mtime_ns))
        path.chmod(found.st_mode & 0o777)


def refused(act: Callable[[], object]) -> bool:
    try:
        act()
    except DiscprepError:
        return True
    return False


def objects(bench: BenchSet) -> list[Path]:
    return sorted(path for path in (bench.folder / "cache" / "objects").rglob("*") if path.is_file())


def test_pins(bench: BenchSet) -> None:
    """800 flips: the seal, when the pins are read."""
    pins = bench.manifest.with_name("m.pins.toml")
    whole = load_pins(pins)
    for path, at in flips([pins], 800, 1):
        with flipped(path, at):
            assert refused(lambda: load_pins(pins)) or load_pins(pins) == whole, at


def test_record(bench: BenchSet) -> None:
    """800 flips: the seal, when the record is loaded."""
    for path, at in flips([bench.out / "record.json"], 800, 2):
        with flipped(path, at):
            assert refused(lambda path=path: load_record(path)), at  # type: ignore[misc]


def test_outputs(bench: BenchSet) -> None:
    """800 flips over image, record, sheets and sums: `standing` takes none of them for the build."""
    manifest = load_manifest(bench.manifest)
    digest = load_record(bench.out / "record.json").inputs_sha256
    assert standing(bench.out, digest, manifest)
    for path, at in flips(sorted(bench.out.iterdir()), 800, 3):
        with flipped(path, at):
            assert standing(bench.out, digest, manifest) is None, (path.name, at)
    assert standing(bench.out, digest, manifest)


def test_image_is_read_back(bench: BenchSet) -> None:
    """25 flips in the image: `readback`, which `burn` runs too, ends with 1, or says that only padding is hurt."""
    for path, at in flips([bench.image()], 25, 4):
        with flipped(path, at):
            ran = run("readback", bench.out / "record.json", path)
            assert ran.code == 1 or "no file lies there" in " ".join(ran.err.split()), (at, ran)


def test_log_of_the_cache(bench: BenchSet) -> None:
    """400 flips in what the cache remembers of its objects: each line has a checksum, so a damaged one is as if it were
    not there, and never says another size, date or hash."""
    log = bench.folder / "cache" / "known.log"
    kept = {path.name: path.read_bytes() for path in objects(bench)}
    known = {sha256: Cache(bench.folder / "cache").known(sha256) for sha256 in kept}
    lost = 0
    for path, at in flips([log], 400, 9):
        with flipped(path, at):
            now = Cache(bench.folder / "cache")
            lost += any(now.known(sha256) is None for sha256 in kept)
            assert all(now.known(sha256) in (None, known[sha256]) for sha256 in kept), at
    assert lost >= 300
    assert all(Cache(bench.folder / "cache").find(sha256) for sha256 in kept)


def test_parts(tmp_path: Path) -> None:
    """300 flips in a half-fetched part and in its notes, for an item that has no hash: nothing else could notice them,
    so the part is begun anew unless its synced bytes are as they were noted (CRC-32 finds every single flip)."""
    path, whole = tmp_path / "part", Random(3).randbytes(5000)
    with Part(path) as part:
        part.begin(Validators(size_bytes=9000, etag='"x"', last_modified="Sun, 06 Nov 1994 08:49:37 GMT"))
        part.append(whole, 2**20)
    with Part(path) as part:
        assert part.resume(covered=False)
    places = [path, path.with_name("part.json")]
    kept = {place: place.read_bytes() for place in places}
    again = 0
    for place, at in flips(places, 300, 10):
        with flipped(place, at), Part(path) as part:
            resume = part.resume(covered=False)
            again += resume is None
            assert resume is None or path.read_bytes()[: resume.offset_bytes] == whole[: resume.offset_bytes], at
        for other, data in kept.items():
            other.write_bytes(data)
    assert again >= 150


def test_unpacked_store(bench: BenchSet) -> None:
    """60 flips: the listing's hash makes it unpacked anew, or the hash of the member's bytes stops whoever reads."""
    hand = at_hand(load_manifest(bench.manifest), bench.folder / "cache")
    whole = _contents(hand)
    store = sorted((bench.folder / "cache" / "unpacked").glob("*.unpacked"))
    kept = {path: path.read_bytes() for path in store}
    for path, at in flips(store, 60, 5):
        path.write_bytes(kept[path][:at] + bytes([kept[path][at] ^ 1 << at % 8]) + kept[path][at + 1 :])
        with suppress(IntegrityError):
            assert _contents(hand) == whole, (path.name, at)
        path.write_bytes(kept[path])


def _contents(hand: object) -> list[bytes]:
    opened = open_items(hand)  # type: ignore[arg-type]
    return [
        b"".join(read_content(entry.content)) for _, one in sorted(opened.items()) for entry in one.members
        if entry.content
    ]  # fmt: skip


def test_cached_archives_with_new_marks(bench: BenchSet) -> None:
    """400 flips that a program made: the date differs, so the object is hashed, dropped, and fetched again."""
    kept = {path: path.read_bytes() for path in objects(bench)}
    for path, at in flips(list(kept), 400, 6):
        path.chmod(0o644)
        path.write_bytes(kept[path][:at] + bytes([kept[path][at] ^ 1 << at % 8]) + kept[path][at + 1 :])
        os.utime(path, ns=(1, at))
        assert Cache(bench.folder / "cache").find(path.name) is None and not path.exists(), (path.name, at)
        path.write_bytes(kept[path])
    assert run("fetch", bench.manifest, *bench.words).code == 0


def test_cached_archives_with_the_same_marks(bench: BenchSet) -> None:
    """300 flips as rot makes them, date and size kept: `find` believes them, `verify --again` reads and drops them."""
    for path, at in flips(objects(bench), 300, 7):
        with flipped(path, at, same_marks=True):
            cache = Cache(bench.folder / "cache")
            assert cache.find(path.name) == path
            assert not cache.verify(path.name)
        assert Cache(bench.folder / "cache").find(path.name)


def test_rotten_bytes_reach_no_disc(bench: BenchSet, tmp_path: Path) -> None:
    """30 such flips and a build anew, without a store: refused, or the very image: the decode pass hashes the archive,
    and the finished image is compared with what was staged."""
    whole = bench.image().read_bytes()
    store = bench.folder / "cache" / "unpacked"
    for number, (path, at) in enumerate(flips(objects(bench), 30, 8)):
        for unpacked in store.iterdir():
            unpacked.unlink()
        out = tmp_path / str(number)
        with flipped(path, at, same_marks=True):
            ran = run("build", bench.manifest, "--out", out, *bench.words)
            images = list(out.glob("*.iso")) if out.exists() else []
            assert ran.code or images[0].read_bytes() == whole, (path.name, at)
            assert not ran.code or not images, (path.name, at, ran.err)
        assert Cache(bench.folder / "cache").find(path.name)
    assert run("verify", bench.manifest, *bench.words, "--again").code == 0

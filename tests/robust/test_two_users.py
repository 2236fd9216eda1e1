"""Two users of one cache: shared by a group, and one that the second may only read. Rights: POSIX.1-2017, 4.5."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from support.bench_set import BenchSet, usual
from support.command import run
from support.killing import tree
from support.other_user import GROUP, as_user, open_folder
from support.programs import root_with

from discprep.fetch.digest import key_of

ONE, TWO = 61_001, 61_002


@pytest.fixture
def desks(monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[BenchSet, BenchSet, Path]]:
    """The same manifest in a folder of each user, and a cache folder of the group."""
    root_with()
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1000000000")  # else each disc bears the second of its own fetch
    with open_folder() as folder:
        made = []
        for uid in (ONE, TWO):
            own = folder / str(uid)
            own.mkdir()
            made.append(usual(own))
            for path in (own, *own.iterdir()):
                os.chown(path, uid, GROUP)
        cache = folder / "cache"
        cache.mkdir()
        os.chown(cache, ONE, GROUP)
        cache.chmod(0o2775)
        yield made[0], made[1], cache


def _prepare(bench: BenchSet, cache: Path) -> list[object]:
    return ["prepare", bench.manifest, "--out", bench.out, "--cache", cache]


def test_a_cache_shared_by_a_group(desks: tuple[BenchSet, BenchSet, Path]) -> None:
    """One after the other: both end well with the same image, and the second brings nothing into the cache. Then one
    drops the other's damaged object, and the other fetches it again."""
    one, two, cache = desks
    done = as_user(ONE, _prepare(one, cache))
    assert done.returncode == 0, done.stderr
    filled = tree(cache)
    done = as_user(TWO, _prepare(two, cache))
    assert done.returncode == 0, done.stderr
    assert tree(cache) == filled
    assert one.image().read_bytes() == two.image().read_bytes()
    assert one.image().stat().st_uid == ONE and two.image().stat().st_uid == TWO
    damaged = next(path for path in (cache / "objects").rglob("*") if path.is_file())
    damaged.chmod(0o644)
    damaged.write_bytes(b"damaged")
    assert as_user(TWO, ["verify", two.manifest, "--cache", cache, "--again"]).returncode == 1
    assert not damaged.exists()
    assert as_user(ONE, ["fetch", one.manifest, "--cache", cache]).returncode == 0
    assert as_user(TWO, ["verify", two.manifest, "--cache", cache, "--again"]).returncode == 0


def test_anothers_part_is_begun_anew(desks: tuple[BenchSet, BenchSet, Path]) -> None:
    """What the first user's killed run left half-fetched, and its locks, are in nobody's way."""
    _, two, cache = desks
    for name in ("parts", "locks"):
        (cache / name).mkdir()
        os.chown(cache / name, ONE, GROUP)
        (cache / name).chmod(0o2775)
    for name in ("tools.zip", "docs.tar.gz", "PLAIN.BIN"):
        source = two.folder / name
        sha256 = hashlib.sha256(source.read_bytes()).hexdigest()
        for left in (cache / "parts" / key_of("source", str(source)), cache / "locks" / sha256):
            left.write_bytes(source.read_bytes()[:100] if left.parent.name == "parts" else b"")
            os.chown(left, ONE, GROUP)
            left.chmod(0o664)
    done = as_user(TWO, _prepare(two, cache))
    assert done.returncode == 0, done.stderr
    assert run("readback", two.out / "record.json", two.image()).code == 0
    assert not [*(cache / "parts").iterdir(), *(cache / "locks").iterdir()]


def test_a_cache_that_the_second_may_only_read(desks: tuple[BenchSet, BenchSet, Path]) -> None:
    """EACCES for whatever must be written: exit 3, the remedy, no output; and the remedy works."""
    one, two, cache = desks
    assert as_user(ONE, _prepare(one, cache), umask=0o022).returncode == 0
    cache.chmod(0o755)
    before = tree(cache)
    done = as_user(TWO, _prepare(two, cache))
    assert done.returncode == 3 and "Traceback" not in done.stderr, done.stderr
    assert "Permission denied" in done.stderr and "--cache" in done.stderr, done.stderr
    assert tree(cache) == before and not (two.out.exists() and list(two.out.iterdir()))
    done = as_user(TWO, _prepare(two, two.folder / "own"))
    assert done.returncode == 0 and one.image().read_bytes() == two.image().read_bytes(), done.stderr

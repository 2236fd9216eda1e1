"""The cache: named by content, damage noticed, locks that die with their owner, safe beside other runs."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path
from random import Random

import pytest
from support.fetching import DATA, assert_whole, objects, sha256

from discprep.errors import IntegrityError, StorageError
from discprep.fetch.cache import Cache
from discprep.fetch.files import Lock


@pytest.fixture
def cache(tmp_path: Path) -> Cache:
    return Cache(tmp_path / "cache")


def _file(folder: Path, data: bytes = DATA) -> Path:
    path = folder / "tools.lha"
    path.write_bytes(data)
    return path


def test_adopted_bytes_are_named_by_their_hash(cache: Cache, tmp_path: Path) -> None:
    """The name is FIPS 180-4's SHA-256: of `abc` it is the standard's own example."""
    known = cache.adopt(_file(tmp_path, b"abc"))
    assert known.sha256 == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert cache.path_of(known.sha256).read_bytes() == b"abc"
    assert Cache(cache.root).find(known.sha256) == cache.path_of(known.sha256)


def test_adopting_what_is_not_expected_keeps_nothing(cache: Cache, tmp_path: Path) -> None:
    """Both hashes are said, the cache stays empty."""
    with pytest.raises(IntegrityError, match=r"expected SHA-256 0{64}, got [0-9a-f]{64}; the file was not taken"):
        cache.adopt(_file(tmp_path), expected="0" * 64)
    assert objects(tmp_path) == {}
    assert list(cache.parts.iterdir()) == []


def test_every_damage_to_an_object_is_noticed(cache: Cache, tmp_path: Path) -> None:
    """Sixty random flips, each by an ordinary write: never found as whole, and removed."""
    random = Random(8)
    small = DATA[:3000]
    name = sha256(small)
    for _ in range(60):
        cache.adopt(_file(tmp_path, small))
        path = cache.path_of(name)
        path.chmod(0o644)
        damaged = bytearray(small)
        damaged[random.randrange(len(small))] ^= 1 << random.randrange(8)
        path.write_bytes(damaged)
        assert Cache(cache.root).find(name) is None
        assert not path.exists()


def test_damage_that_leaves_every_mark_is_found_by_verify(cache: Cache, tmp_path: Path) -> None:
    """Bytes that rot under an unchanged size, time and inode: `find` believes them, `verify` does not."""
    name = cache.adopt(_file(tmp_path)).sha256
    path = cache.path_of(name)
    marks = path.stat()
    path.chmod(0o644)
    with path.open("r+b") as file:
        file.write(bytes([DATA[0] ^ 1]))
    os.utime(path, ns=(marks.st_atime_ns, marks.st_mtime_ns))
    assert cache.find(name) == path
    assert not cache.verify(name)
    assert cache.find(name) is None


def test_a_damaged_log_costs_a_hashing_and_nothing_else(cache: Cache, tmp_path: Path) -> None:
    """Random flips, cuts and lines of nonsense in `known.log`: what is found is always whole."""
    name = cache.adopt(_file(tmp_path)).sha256
    log = cache.root / "known.log"
    good = log.read_bytes()
    random = Random(9)
    for _ in range(300):
        bad = bytearray(good)
        bad[random.randrange(len(bad))] ^= 1 << random.randrange(8)
        log.write_bytes(bytes(bad[: random.randrange(len(bad) + 1)]))
        again = Cache(cache.root)
        assert again.find(name) == cache.path_of(name)
        known = again.known(name)
        assert known is not None
        assert known.size_bytes == len(DATA)


def test_the_log_does_not_grow_without_end(cache: Cache, tmp_path: Path) -> None:
    """Thousands of lines for one object become one again."""
    name = cache.adopt(_file(tmp_path)).sha256
    log = cache.root / "known.log"
    log.write_bytes(log.read_bytes() * 3000)
    assert Cache(cache.root).find(name)
    assert len(log.read_bytes().splitlines()) == 1


def test_a_linked_cache_is_fine(tmp_path: Path) -> None:
    """`--cache` may be a link to a folder on another disk."""
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "link").symlink_to("elsewhere")
    name = Cache(tmp_path / "link").adopt(_file(tmp_path)).sha256
    assert Cache(tmp_path / "elsewhere").find(name)
    assert (tmp_path / "link").is_symlink()


def test_a_clock_that_goes_back_takes_nothing_away(tmp_path: Path) -> None:
    """Parts dated in the future stay; what came `later` than now is not taken for recent."""
    now = Cache(tmp_path / "cache")
    known = now.adopt(_file(tmp_path), source="http://files.example/x")
    part = now.parts / "a-part"
    part.write_bytes(b"x")
    before = Cache(tmp_path / "cache", clock=lambda: time.time() - 400 * 86400)
    before.sweep(30)
    assert part.exists()
    assert before.find(known.sha256)
    assert before.recent("http://files.example/x") is None
    assert now.recent("http://files.example/x") is not None
    later = Cache(tmp_path / "cache", clock=lambda: time.time() + 31 * 86400)
    later.sweep(30)
    assert not part.exists()


def test_a_root_that_is_a_file(tmp_path: Path) -> None:
    """Said with the path and the way out."""
    path = _file(tmp_path)
    with pytest.raises(StorageError, match="making the cache failed") as caught:
        Cache(path)
    assert "--cache" in caught.value.hint


def test_locks_of_dead_runs_are_swept_and_no_others(cache: Cache) -> None:
    """A file that nobody holds is litter; one that is held is another run's (flock(2))."""
    dead, held = cache.lock("dead"), cache.lock("held")
    dead.path.touch()
    assert held.take()
    cache.sweep(30)
    assert (dead.path.exists(), held.path.exists()) == (False, True)
    held.free()


def test_parts_are_dropped_unless_somebody_works_on_them(cache: Cache) -> None:
    """Those that are named and free; a held lock (flock(2)) keeps its part, and the lock of a dropped one is free."""
    for key in ("free", "held", "other"):
        (cache.parts / key).write_bytes(b"half")
    held = cache.lock("held")
    assert held.take()
    cache.drop_parts(["free", "held", "gone"])
    assert sorted(path.name for path in cache.parts.iterdir()) == ["held", "other"]
    held.free()
    assert not any((cache.root / "locks").iterdir())


def test_a_lock_dies_with_its_owner(tmp_path: Path) -> None:
    """A process is killed while it holds the lock: the next one gets it at once, and no file stays."""
    path = tmp_path / "locks" / "key"
    code = (
        "import sys, time; from pathlib import Path; from discprep.fetch.files import Lock\n"
        f"print(Lock(Path({str(path)!r})).take(), flush=True); time.sleep(60)"
    )
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True) as other:
        assert other.stdout is not None
        assert other.stdout.readline().strip() == "True"
        lock = Lock(path)
        assert not lock.take()
        other.kill()
        other.wait(10)
        assert lock.take()
    lock.free()
    assert not path.exists()


def test_threads_and_processes_take_turns(tmp_path: Path) -> None:
    """Six processes each add fifty to one number, under the lock: none is lost."""
    number = tmp_path / "number"
    number.write_text("0")
    code = (
        "from pathlib import Path; from discprep.fetch.files import Lock\n"
        f"number = Path({str(number)!r})\n"
        "for _ in range(50):\n"
        f"    with Lock(Path({str(tmp_path / 'key')!r})).held(lambda: None):\n"
        "        number.write_text(str(int(number.read_text()) + 1))\n"
    )
    running = [subprocess.Popen([sys.executable, "-c", code]) for _ in range(6)]
    assert [process.wait(60) for process in running] == [0] * 6
    assert number.read_text() == "300"


def test_two_caches_on_one_folder(tmp_path: Path) -> None:
    """What one keeps, the other finds; both keep the same thing."""
    one, two = Cache(tmp_path / "cache"), Cache(tmp_path / "cache")
    name = one.adopt(_file(tmp_path)).sha256
    assert two.find(name)
    two.adopt(_file(tmp_path))
    assert one.find(name)
    assert_whole(tmp_path)

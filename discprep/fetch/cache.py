"""Bytes that were verified, kept by their SHA-256, and the half-fetched parts that may yet become some.

    ROOT/objects/ab/cd…64   whole and verified; the name is the content's SHA-256
    ROOT/parts/KEY(.json)   what came so far from one source, and what its server said about it
    ROOT/locks/KEY          held while a run works on that key; gone afterwards
    ROOT/known.log          what was verified when, one line each
    ROOT/unpacked/          left to whoever decodes archives

**What an object's name is worth.** Bytes get their name only after their hash was computed from the very bytes that
were written. Hashing all again at each use would cost a whole read, so `find` compares size, modification time and
inode with what `known.log` says they were then: a changed or replaced file differs in one of them and is hashed
again, and dropped when it is damaged. Bytes that rot on the disk while none of the three moves pass that check; they
are caught where the archive is decoded, which hashes all it reads, or by `verify`. Nothing reaches a stage without.
"""

from __future__ import annotations

import json
import os
import stat
import time
import zlib
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from discprep.errors import IntegrityError, StorageError
from discprep.fetch.digest import Digests, key_of
from discprep.fetch.files import BINARY, Lock, storage
from discprep.fetch.host import move
from discprep.fetch.part import drop_part

_CHUNK_BYTES = 2**20
_TIDY_LINES = 2000
_DAY_S = 86400.0


@dataclass(frozen=True, slots=True)
class Known:
    """One line of `known.log`: an object as it was when it was verified, and what its bytes were found to be."""

    sha256: str
    size_bytes: int
    mtime_ns: int
    inode: int
    date_s: int  # the server's date for it, else when it came
    kept_s: int  # when it came into the cache, by the host's clock
    source: str = ""
    slip_escapes: int = 0
    ppp_escapes: int = 0
    ppp_fixed_escapes: int | None = None  # not told by older versions


class Cache:
    """A cache by content. Several runs may use one at once. `root` may be a link to a folder.

    Arguments:
        root: the folder; the platform's cache folder when None
        clock: seconds since 1970, for the age of parts

    Raises:
        StorageError: the folder cannot be made or written
    """

    def __init__(self, root: Path | None = None, *, clock: Callable[[], float] = time.time) -> None:
        self.root = Path(os.path.realpath(root if root is not None else default_root()))
        self.unpacked = self.root / "unpacked"
        self.parts = self.root / "parts"
        self.clock = clock
        with storage("making the cache", self.root, hint="Name another folder with --cache DIR."):
            for folder in (self.root / "objects", self.parts, self.root / "locks", self.unpacked):
                folder.mkdir(parents=True, exist_ok=True)
        self._log = self.root / "known.log"
        self._known: dict[str, Known] = {}
        self._by_source: dict[str, Known] = {}
        self.reload()

    def path_of(self, sha256: str) -> Path:
        """Where the object of this hash stands or would stand."""
        return self.root / "objects" / sha256[:2] / sha256

    def known(self, sha256: str) -> Known | None:
        """What was found when this object was verified."""
        return self._known.get(sha256)

    def find(self, sha256: str) -> Path | None:
        """The object's path if it is here and whole (see above for what is compared), else None.

        An object that turns out damaged is removed, so that it is fetched again.
        """
        path = self.path_of(sha256)
        found = _stat(path)
        if found is None:
            return None
        known = self._known.get(sha256)
        now = (found.st_size, found.st_mtime_ns, found.st_ino)
        if known and (known.size_bytes, known.mtime_ns, known.inode) == now:
            return path
        return path if self.verify(sha256) else None

    def verify(self, sha256: str) -> bool:
        """Reads the whole object and compares its hash; removes it and says False when it differs or is not there.

        Raises:
            StorageError: it cannot be read or removed
        """
        path = self.path_of(sha256)
        with storage("reading the cache", path):
            digests = Digests()
            try:
                digests.read(path)
            except FileNotFoundError:
                return False
            if digests.sha256 != sha256:
                path.unlink(missing_ok=True)
                self._known.pop(sha256, None)
                return False
        old = self._known.get(sha256)
        self._note(path, digests, old.date_s if old else int(path.stat().st_mtime), old.source if old else "")
        return True

    def recent(self, source: str, within_s: float = _DAY_S) -> Known | None:
        """What came from `source` lately and is still whole: what a run that was killed before it could pin left.

        A clock that went backwards finds nothing recent.
        """
        known = self._by_source.get(source)
        if known is None or not 0 <= self.clock() - known.kept_s <= within_s:
            return None
        return known if self.find(known.sha256) else None

    def keep(self, part: Path, digests: Digests, *, date_s: int, source: str) -> Known:
        """Gives `part`, written and hashed and on the disk, its final name. `digests` are of just these bytes.

        Raises:
            StorageError: it cannot be moved
        """
        path = self.path_of(digests.sha256)
        with storage("keeping what was fetched", path):
            path.parent.mkdir(exist_ok=True)
            if os.name == "posix":
                part.chmod(0o444)
            os.utime(part, (date_s, date_s))  # so that a lost line of the log does not lose the date
            move(part, path)
            return self._note(path, digests, date_s, source)

    def adopt(self, path: Path, *, expected: str | None = None, source: str = "") -> Known:
        """Copies a file from elsewhere into the cache, hashing the bytes as they are copied.

        Raises:
            IntegrityError: `expected` is another hash; nothing was kept
            StorageError: it cannot be read or written
        """
        part = self.parts / key_of("adopt", os.fspath(path.resolve()))
        digests = Digests()
        with self.lock(part.name).held(), storage("copying into the cache", path):
            with path.open("rb") as read, part.open("wb") as write:
                date_s = int(os.fstat(read.fileno()).st_mtime)
                while chunk := read.read(_CHUNK_BYTES):
                    digests.update(chunk)
                    write.write(chunk)
                write.flush()
                os.fsync(write.fileno())
            if expected and digests.sha256 != expected:
                part.unlink()
                raise IntegrityError(
                    f"expected SHA-256 {expected}, got {digests.sha256}; the file was not taken", where=str(path)
                )
            return self.keep(part, digests, date_s=date_s, source=source or path.name)

    def lock(self, key: str) -> Lock:
        """The lock for work on `key` (letters and digits)."""
        return Lock(self.root / "locks" / key)

    def sweep(self, age_max_days: float) -> None:
        """Removes parts that nobody came back for, what stood beside a part that is gone, and the locks of dead runs.

        A part dated in the future, after a clock went back, stays.
        """
        self._free_dead_locks()
        with storage("tidying the cache", self.parts):
            found = {entry.name: entry for entry in os.scandir(self.parts)}
            for name, entry in found.items():
                with suppress(FileNotFoundError):
                    age_s = self.clock() - entry.stat(follow_symlinks=False).st_mtime
                    if age_s > age_max_days * _DAY_S or name.partition(".")[0] not in found:
                        Path(entry.path).unlink()

    def _free_dead_locks(self) -> None:
        """A killed run leaves its lock's file; whoever works on the same key takes it over, but not all come back."""
        for path in (self.root / "locks").iterdir():
            lock = Lock(path)
            with suppress(StorageError):  # another user's
                if lock.take():
                    lock.free()

    def drop_parts(self, keys: Iterable[str]) -> None:
        """Removes the parts of these keys, as far as they are there and nobody works on them."""
        here = {entry.name for entry in os.scandir(self.parts)}
        for key in here.intersection(keys):
            lock = self.lock(key)
            if lock.take():
                drop_part(self.parts / key)
                lock.free()

    def _note(self, path: Path, digests: Digests, date_s: int, source: str) -> Known:
        found = path.stat()
        escapes = digests.escapes.counts
        known = Known(
            sha256=digests.sha256,
            size_bytes=found.st_size,
            mtime_ns=found.st_mtime_ns,
            inode=found.st_ino,
            date_s=date_s,
            kept_s=int(self.clock()),
            source=source,
            slip_escapes=escapes.slip,
            ppp_escapes=escapes.fixed + escapes.controls,
            ppp_fixed_escapes=escapes.fixed,
        )
        self._remember(known)
        _append(self._log, _line(known))
        return known

    def _remember(self, known: Known) -> None:
        self._known[known.sha256] = known
        if known.source:
            self._by_source[known.source] = known

    def reload(self) -> None:
        """Reads `known.log` again, for what other runs added.

        A line that is cut or damaged is passed over: its object is hashed again at its next use.
        """
        with storage("reading the cache", self._log):
            try:
                lines = self._log.read_bytes().splitlines()
            except FileNotFoundError:
                return
        for line in lines:
            known = _parse(line)
            if known:
                self._remember(known)
        if len(lines) > _TIDY_LINES + 2 * len(self._known):
            self._tidy_log()

    def _tidy_log(self) -> None:
        """One line an object again. A line that another run adds meanwhile may be lost: it costs one more hashing."""
        lock = self.lock("known")
        if not lock.take():
            return
        try:
            part = self._log.with_suffix(".part")
            with storage("tidying the cache", part):
                part.write_bytes(b"".join(map(_line, self._known.values())))
                move(part, self._log)
        finally:
            lock.free()


def default_root() -> Path:
    """The platform's folder for what can be fetched again."""
    from platformdirs import user_cache_path

    return user_cache_path("discprep", appauthor=False)


def _stat(path: Path) -> os.stat_result | None:
    try:
        found = path.stat()
    except (FileNotFoundError, NotADirectoryError):
        return None
    return found if stat.S_ISREG(found.st_mode) else None


def _line(known: Known) -> bytes:
    text = json.dumps(asdict(known), separators=(",", ":")).encode()
    return b"%08x %s\n" % (zlib.crc32(text), text)


def _parse(line: bytes) -> Known | None:
    check, _, text = line.partition(b" ")
    if check != b"%08x" % zlib.crc32(text):
        return None
    try:
        data: dict[str, Any] = json.loads(text)
        return Known(**data)
    except (ValueError, TypeError):
        return None


def _append(path: Path, line: bytes) -> None:
    """One write in append mode, so that lines of runs side by side do not mix."""
    handle = os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT | BINARY, 0o666)
    try:
        os.write(handle, line)
    finally:
        os.close(handle)

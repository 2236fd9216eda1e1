"""Files that are whole or absent, and locks that die with their owner."""

from __future__ import annotations

import errno
import os
import secrets
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from discprep.errors import StorageError
from discprep.fetch.host import is_own, move

LOCKS_OPEN_FILES = sys.platform == "win32"  # files that are open cannot be removed, folders not be locked
BINARY: int = getattr(os, "O_BINARY", 0)  # else Windows ends lines anew and stops at a byte 1A
_POLL_S = 0.05


@contextmanager
def storage(what: str, path: Path, *, hint: str = "") -> Iterator[None]:
    """Turns the host's refusals into `StorageError` with the path, what was being done and the next step."""
    try:
        yield
    except OSError as error:
        raise refused(error, what, path, hint) from error


def refused(error: OSError, what: str = "", path: Path | None = None, hint: str = "") -> StorageError:
    """One refusal of the host in words, with its place and the next step."""
    message = f"{what} failed: {error.strerror or error}" if what else error.strerror or str(error)
    step = hint or _STEPS.get(error.errno or 0, "Make room or change the rights, then run it again.")
    return StorageError(message, where=str(path or error.filename or ""), hint=step)


_STEPS = {
    errno.ENOSPC: "Make room on that disk, then run it again: it goes on where it stopped.",
    errno.EDQUOT if hasattr(errno, "EDQUOT") else -1: "Your quota there is used up: make room, then run it again.",
    errno.EACCES: "Change the rights of that folder or name another, then run it again.",
    errno.EPERM: "Change the rights of that folder or name another, then run it again.",
    errno.EROFS: "That file system is read-only: name a folder elsewhere.",
    errno.ENAMETOOLONG: "Name a folder with a shorter path.",
    errno.EBUSY: "Close the program that has it open, then run it again.",
    errno.EIO: "The disk or its cable is failing: save what is on it, name a folder on another one.",
}


def write_atomically(path: Path, content: bytes | Iterable[bytes]) -> None:
    """Writes `content`, or its pieces, beside `path` and moves it there once it is on the disk. One writer at a time
    (see `Lock`).

    Raises:
        StorageError: the disk or its rights stand in the way; `path` is as it was
    """
    path = Path(os.path.realpath(path))  # a link stays a link
    part = path.with_name(path.name + ".part")
    with storage("writing", path):
        path.parent.mkdir(parents=True, exist_ok=True)
        try:
            with part.open("wb") as file:
                file.writelines((content,) if isinstance(content, bytes) else content)
                file.flush()
                os.fsync(file.fileno())
            move(part, path)
        except BaseException:
            with suppress(OSError):
                part.unlink()
            raise


class Lock:
    """An exclusive lock on a file made for it, or on a folder that stands; freed when its process ends, however.

    The file is removed when the lock is freed, so that no litter stays. Threads exclude each other as well.
    """

    def __init__(self, path: Path, *, folder: bool = False) -> None:
        """With `folder` only a folder that stands is locked, and nothing made in its place when it is gone."""
        self.path = path
        self._folder = folder
        self._handle: int | None = None

    def take(self) -> bool:
        """True when the lock is now ours, False while somebody else has it.

        Raises:
            StorageError: the file cannot be made, or the file system has no locks
        """
        with storage("locking", self.path, hint="Name a cache folder on a local disk with --cache."):
            handle = _open(self.path, self._folder)
            try:
                if _lock(handle) and _still_there(handle, self.path):
                    self._handle = handle
                    return True
            except OSError:
                os.close(handle)
                raise
            os.close(handle)
            return False

    def free(self) -> None:
        """Gives the lock back."""
        handle, self._handle = self._handle, None
        if handle is None:
            return
        if LOCKS_OPEN_FILES:  # a file that is open cannot be removed: not before it is closed, nor if another has it
            os.close(handle)
        if not self.path.is_dir():
            with suppress(OSError):
                self.path.unlink()
        if not LOCKS_OPEN_FILES:
            os.close(handle)

    def sign(self, words: str) -> None:
        """Says in the lock's file who has it. The lock holds without it, so nothing is raised."""
        with suppress(OSError):
            if self._handle is not None:
                os.ftruncate(self._handle, 0)  # a dead owner's words
                os.write(self._handle, words.encode())

    @property
    def signed(self) -> str:
        """What its owner said; empty where nobody said anything."""
        try:
            with self.path.open("rb") as file:
                return file.read(200).decode(errors="replace")
        except OSError:
            return ""

    @contextmanager
    def held(self, wait: Callable[[], None] = lambda: time.sleep(_POLL_S)) -> Iterator[bool]:
        """Takes the lock, calling `wait` as long as another has it; True when it had to wait."""
        waited = False
        while not self.take():
            waited = True
            wait()
        try:
            yield waited
        finally:
            self.free()


SCRATCH = "discprep-run-"


@contextmanager
def scratch(folder: Path | None = None, prefix: str = SCRATCH) -> Iterator[Path]:
    """A folder for this run alone, gone with it; what killed runs left there goes first, so that none of it adds up.

    Arguments:
        folder: where; None: the host's folder for temporary files
        prefix: of its name; nothing else of this prefix may stand there

    Raises:
        StorageError: it cannot be made
    """
    root = folder or _temporary()
    with storage("making a folder for temporary files", root):
        _remove_left(root, prefix)
        path, lock = _locked_folder(root, prefix)
    try:
        yield path
    finally:
        shutil.rmtree(path, ignore_errors=True)
        if lock:
            lock.free()
        # Once more: at the start, a worker of a run just killed may still have written into that run's folder.
        with suppress(OSError):
            _remove_left(root, prefix)


def _temporary() -> Path:
    """The host's folder for temporary files, in the order of `tempfile`, which would write a trial file to find out: a
    kill leaves that. It is asked where none of the usual ones will do."""
    named = (tempfile.tempdir, *map(os.environ.get, ("TMPDIR", "TEMP", "TMP")))
    for place in (*named, "/tmp"):  # noqa: S108 (a folder of our own in it)
        if place and Path(place).is_dir() and os.access(place, os.W_OK | os.X_OK):
            return Path(place).absolute()
    return Path(tempfile.gettempdir())


def _locked_folder(root: Path, prefix: str) -> tuple[Path, Lock | None]:
    """A new folder, and the lock that says its run is alive; no lock where the system has none for folders."""
    while LOCKS_OPEN_FILES:
        path = root / f"{prefix}{secrets.token_hex(6)}"
        lock = _file_lock(path)
        if lock.take():  # before there is a folder that others could take for a dead run's
            path.mkdir(mode=0o700)
            return path, lock
    while True:
        path = Path(tempfile.mkdtemp(prefix=prefix, dir=root))
        lock = Lock(path, folder=True)
        try:
            if lock.take():
                return path, lock
        except StorageError:
            if path.is_dir():
                return path, None
        # Another run took it for a dead one's and removed it before it was locked: once more.


def _remove_left(root: Path, prefix: str) -> None:
    """The user's own folders of this prefix whose run is dead; a folder that cannot be locked is left alone."""
    with suppress(FileNotFoundError):
        for entry in os.scandir(root):
            if not (entry.name.startswith(prefix) and entry.is_dir(follow_symlinks=False)):
                continue
            lock = _file_lock(Path(entry.path)) if LOCKS_OPEN_FILES else Lock(Path(entry.path), folder=True)
            with suppress(StorageError, FileNotFoundError):
                if is_own(entry.stat(follow_symlinks=False)) and lock.take():
                    shutil.rmtree(entry.path, ignore_errors=True)
                    lock.free()


def _file_lock(folder: Path) -> Lock:
    """The lock beside a folder, where folders have none of their own."""
    return Lock(folder.with_name(folder.name + ".lock"))


def _open(path: Path, folder: bool) -> int:
    if folder or path.is_dir():
        return os.open(path, os.O_RDONLY | getattr(os, "O_DIRECTORY", 0))
    path.parent.mkdir(parents=True, exist_ok=True)
    return os.open(path, os.O_RDWR | os.O_CREAT | BINARY, 0o666)  # the user's mask decides who shares it


def _still_there(handle: int, path: Path) -> bool:
    """Whether the file we locked still has its name: its last owner may have removed it in between."""
    try:
        found = path.stat()
    except FileNotFoundError:
        return False
    ours = os.fstat(handle)
    return (found.st_ino, found.st_dev) == (ours.st_ino, ours.st_dev)


if sys.platform == "win32":
    import msvcrt

    def _lock(handle: int) -> bool:
        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True
else:
    import fcntl

    def _lock(handle: int) -> bool:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except (BlockingIOError, InterruptedError):
            return False
        return True


def lock_beside(path: Path) -> Lock:
    """The lock for whoever rewrites `path`: on its folder where the system can, so that no file appears beside it."""
    return _file_lock(path) if LOCKS_OPEN_FILES else Lock(path.resolve().parent)

"""Files that come from the machine, into one folder that the user named: bounded in size and number, under names made
safe, never over a file that stands there, and never under a final name before they are whole."""

from __future__ import annotations

import errno
import hashlib
import os
import re
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from discprep.archives.names import name_problem
from discprep.fetch.files import storage

SUMS = "SHA256SUMS"  # what came, as `sha256sum -c` takes it
NAME_MOST = 80
_SAFE = re.compile(r"[^A-Za-z0-9._+@()~ -]")
_PART = ".coming-"


@dataclass(frozen=True, slots=True)
class Limits:
    """What one run takes at most."""

    file_bytes: int = 64_000_000
    total_bytes: int = 512_000_000
    files: int = 1000


@dataclass(frozen=True, slots=True)
class Taken:
    """A file that came whole, under the name that it got."""

    name: str
    size_bytes: int
    sha256: str
    client: str


class TakeIn:
    """The folder. Every method may be called from many threads.

    Args:
        tell: called with each file that came whole

    Raises:
        StorageError: the folder cannot be made
    """

    def __init__(self, folder: Path, tell: Callable[[Taken], None], limits: Limits | None = None) -> None:
        self.folder, self.limits = folder, limits or Limits()
        self._tell = tell
        self._lock = threading.Lock()
        self._bytes = self._begun = 0
        with storage("taking files", folder):
            folder.mkdir(parents=True, exist_ok=True)

    def begin(self, name: str, client: str) -> Incoming:
        """A file starts to come.

        Raises:
            OSError: the run has taken all that it takes, or the disk refuses
        """
        with self._lock:
            if self._begun >= self.limits.files:
                raise OSError(errno.EDQUOT, f"{self.limits.files} files are the most that are taken")
            self._begun += 1
            part = self.folder / f"{_PART}{os.getpid()}-{self._begun}"
        return Incoming(self, safe_name(name), part, client)

    def grown(self, amount: int) -> None:
        """So many bytes more came. Raises OSError when that is over what the run takes."""
        with self._lock:
            self._bytes += amount
            if self._bytes > self.limits.total_bytes:
                raise OSError(errno.EDQUOT, f"{self.limits.total_bytes:,} bytes are the most that are taken")

    def finished(self, coming: Incoming, size_bytes: int, sha256: str) -> Taken:
        """Gives a whole file its name, the first of its kind that is free, and notes its hash."""
        with self._lock:
            name = _place(coming.part, self.folder, coming.wanted)
            taken = Taken(name, size_bytes, sha256, coming.client)
            try:
                with (self.folder / SUMS).open("a", encoding="utf-8", newline="\n") as sums:
                    sums.write(f"{sha256}  {name}\n")
            except OSError:
                (self.folder / name).unlink()  # the client hears that it was not kept
                raise
        self._tell(taken)
        return taken


class Incoming:
    """One file on its way in: written, then either finished or dropped. A file to those who write into it."""

    def __init__(self, folder: TakeIn, wanted: str, part: Path, client: str) -> None:
        self._folder, self.wanted, self.part, self.client = folder, wanted, part, client
        self.name = wanted
        self._size = 0
        self._hash = hashlib.sha256()
        self._file: BinaryIO = part.open("xb")

    @property
    def closed(self) -> bool:
        return self._file.closed

    def write(self, data: bytes) -> int:
        """Raises OSError over the bound, or when the disk refuses."""
        self._size += len(data)
        if self._size > self._folder.limits.file_bytes:
            raise OSError(errno.EFBIG, f"{self._folder.limits.file_bytes:,} bytes are the most for a file")
        self._folder.grown(len(data))
        self._hash.update(data)
        return self._file.write(data)

    def close(self) -> None:
        """Without `finish` before, what came is dropped."""
        if not self._file.closed:
            self._file.close()
            self.part.unlink(missing_ok=True)

    def finish(self) -> Taken:
        """The file is whole. Raises OSError when the disk refuses; nothing is left of it then."""
        try:
            self._file.flush()
            os.fsync(self._file.fileno())
            self._file.close()
            return self._folder.finished(self, self._size, self._hash.hexdigest())
        finally:
            self._file.close()
            self.part.unlink(missing_ok=True)


def safe_name(name: str) -> str:
    """A name that every system takes and no shell minds, as near to the wanted one as that allows.

    >>> safe_name("../../etc/passwd"), safe_name("C:\\\\NET\\\\LINE.CFG"), safe_name(".profile"), safe_name("..")
    ('passwd', 'LINE.CFG', '_profile', '_')
    """
    last = re.split(r"[/\\\\:]", name)[-1]
    text = _SAFE.sub("_", last).strip(" ").rstrip(". ")
    if text.startswith((".", "-")) or text.casefold() == SUMS.casefold():
        text = "_" + text.lstrip(".-")
    stem, dot, ending = text.rpartition(".")
    if len(text) > NAME_MOST:
        text = stem[: NAME_MOST - 12] + dot + ending[:11] if stem else text[:NAME_MOST]
    return "_" + text if not text or name_problem(text) else text


def _place(part: Path, folder: Path, wanted: str) -> str:
    """Moves a part to the first free of NAME, NAME-2, NAME-3 …, never over another. Returns the name."""
    stem, dot, ending = wanted.rpartition(".")
    for number in range(1, 10_000):
        mark = f"-{number}" if number > 1 else ""
        name = f"{stem}{mark}{dot}{ending}" if stem else f"{wanted}{mark}"
        try:
            _move(part, folder / name)
        except FileExistsError:
            continue
        return name
    raise OSError(errno.EEXIST, "there are too many files of one name")


def _move(part: Path, final: Path) -> None:
    """A rename that fails where the name is taken: a link where the file system has links, else a name kept first."""
    try:
        os.link(part, final)
    except FileExistsError:
        raise
    except OSError:
        os.close(os.open(final, os.O_CREAT | os.O_EXCL | os.O_WRONLY | getattr(os, "O_BINARY", 0)))
        part.replace(final)
    else:
        part.unlink()

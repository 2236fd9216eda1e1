"""What has come so far of one source, on the disk, and whether it can be gone on with."""

from __future__ import annotations

import json
import os
import zlib
from contextlib import suppress
from dataclasses import asdict
from io import FileIO
from pathlib import Path

from discprep.fetch.files import BINARY, storage
from discprep.fetch.host import is_own
from discprep.fetch.transport import Resume, Validators


class Part:
    """The part file at `path` and, beside it, what its server said when it began. One owner at a time (a lock).

    Used as a context: leaving it puts on the disk what came, so that the next run goes on from there.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._about = path.with_name(path.name + ".json")
        self._file: FileIO | None = None
        self._validators = Validators()
        self._synced_bytes = 0
        self._noted_crc: int | None = None  # of the bytes that the notes call synced
        self._crc: int | None = None  # of all that is in the part; None: not known
        self.size_bytes = 0
        self._whole = False  # a file of 0 bytes may be what is wanted
        self.joined = False  # whether bytes of an earlier request are in it

    def __enter__(self) -> Part:
        with storage("opening a part file", self.path):
            _drop_anothers(self.path)
            self._file = FileIO(os.open(self.path, os.O_RDWR | os.O_CREAT | BINARY, 0o666), "r+")
            self.size_bytes = os.fstat(self._file.fileno()).st_size
        self._read_about()
        return self

    def __exit__(self, *_: object) -> None:
        file, self._file = self._file, None
        if file is None:
            return
        with suppress(OSError):  # an error that matters has been raised before
            if self.size_bytes > self._synced_bytes:
                os.fsync(file.fileno())
                self._write_about(self.size_bytes)
        file.close()
        if self.size_bytes == 0 and not self._whole:
            self.drop()

    def resume(self, covered: bool) -> Resume | None:
        """Where to go on, or None to begin. With no hash to check the whole (`covered` False) only what was put on
        the disk for certain counts, if it is still what was put there, and the server can tell its versions apart."""
        size_bytes = self.size_bytes if covered else self._synced_bytes
        told_apart = self._validators.strong or self._validators.last_modified
        if size_bytes == 0 or not (covered or (told_apart and self._as_noted())):
            return None
        if size_bytes < self.size_bytes:
            self._cut(size_bytes)
        self._crc = None if covered else self._noted_crc
        self.joined = True
        return Resume(size_bytes, self._validators)

    def begin(self, validators: Validators) -> None:
        """Empties the part for a file that `validators` describe. Raises StorageError."""
        self._cut(0)
        self._validators, self.joined, self._crc = validators, False, 0
        with storage("writing a part file", self._about):
            self._write_about(0)

    def append(self, chunk: bytes, sync_every_bytes: int) -> None:
        """Writes one more chunk at the end. Raises StorageError; what came before stays."""
        with storage("writing what is fetched", self.path):
            view = memoryview(chunk)
            while view:
                written = self._opened.write(view)
                self._crc = None if self._crc is None else zlib.crc32(view[:written], self._crc)
                self.size_bytes += written
                view = view[written:]
            if self.size_bytes - self._synced_bytes >= sync_every_bytes:
                self._sync()
                self._write_about(self._synced_bytes)

    def finish(self) -> None:
        """Puts all bytes on the disk. Raises StorageError."""
        with storage("writing what is fetched", self.path):
            self._sync()
        self._whole = True

    def drop(self) -> None:
        """Removes part and notes."""
        drop_part(self.path)

    @property
    def _opened(self) -> FileIO:
        if self._file is None:
            raise ValueError("the part is not open")
        return self._file

    def _sync(self) -> None:
        os.fsync(self._opened.fileno())
        self._synced_bytes = self.size_bytes

    def _as_noted(self) -> bool:
        """Whether the synced bytes are what they were when they were put on the disk: nothing else would notice."""
        crc, left = 0, self._synced_bytes
        with storage("reading a part file", self.path):
            self._opened.seek(0)
            while left > 0 and (chunk := self._opened.read(min(left, 2**20))):
                crc, left = zlib.crc32(chunk, crc), left - len(chunk)
            self._opened.seek(self.size_bytes)
        return left == 0 and crc == self._noted_crc

    def _cut(self, size_bytes: int) -> None:
        with storage("writing a part file", self.path):
            self._opened.truncate(size_bytes)
            self._opened.seek(size_bytes)
            self.size_bytes = size_bytes
            self._synced_bytes = min(self._synced_bytes, size_bytes)

    def _read_about(self) -> None:
        """Notes that are missing or damaged make the part worthless, no more."""
        try:
            data = json.loads(self._about.read_bytes())
            self._validators = Validators(**data["validators"])
            self._synced_bytes, self._noted_crc = int(data["synced_bytes"]), data["crc32"]
        except (OSError, ValueError, TypeError, KeyError):
            self._validators, self._synced_bytes = Validators(), 0
            self._cut(0)
        self._opened.seek(self.size_bytes)

    def _write_about(self, synced_bytes: int) -> None:
        self._noted_crc = self._crc if synced_bytes else 0
        data = {"validators": asdict(self._validators), "synced_bytes": synced_bytes, "crc32": self._noted_crc}
        self._about.write_bytes(json.dumps(data).encode())


def _drop_anothers(path: Path) -> None:
    """A part that another user began is begun anew: only its owner may give it the marks of an object of the cache."""
    with suppress(FileNotFoundError):
        if not is_own(path.stat()):
            drop_part(path)


def drop_part(path: Path) -> None:
    """Removes a part and what stands beside it, as far as they are there."""
    for suffix in ("", ".json", ".plain"):
        with suppress(OSError):
            path.with_name(path.name + suffix).unlink()

"""Everything that is computed over bytes as they stream by, in one pass."""

from __future__ import annotations

import hashlib
import zlib
from collections.abc import Callable
from pathlib import Path

from discprep.link.escapes import EscapeCounter
from discprep.model import Hashes

_CHUNK_BYTES = 2**18
HEAD_BYTES = 1024


class Digests:
    """SHA-256, size, first bytes, link escapes, and the weak hashes that are asked for.

    Arguments:
        weak: which of sha1, md5, crc32 to compute as well: those that are not None
    """

    def __init__(self, weak: Hashes = Hashes()) -> None:  # noqa: B008  a frozen record
        self._sha256 = hashlib.sha256()
        self._others = {
            name: hashlib.new(name, usedforsecurity=False) for name in ("sha1", "md5") if getattr(weak, name)
        }
        self._crc32: int | None = 0 if weak.crc32 else None
        self.size_bytes = 0
        self.head = b""
        self.escapes = EscapeCounter()

    def update(self, chunk: bytes) -> None:
        """One more chunk."""
        if len(self.head) < HEAD_BYTES:
            self.head += chunk[: HEAD_BYTES - len(self.head)]
        self._sha256.update(chunk)
        for other in self._others.values():
            other.update(chunk)
        if self._crc32 is not None:
            self._crc32 = zlib.crc32(chunk, self._crc32)
        self.escapes.update(chunk)
        self.size_bytes += len(chunk)

    def read(self, path: Path, told: Callable[[int], None] = lambda _: None) -> None:
        """Takes in a whole file, telling of each chunk's length. Raises OSError."""
        with path.open("rb") as file:
            while chunk := file.read(_CHUNK_BYTES):
                self.update(chunk)
                told(len(chunk))

    @property
    def sha256(self) -> str:
        return self._sha256.hexdigest()

    @property
    def hashes(self) -> Hashes:
        """All that was computed."""
        found = {name: other.hexdigest() for name, other in self._others.items()}
        if self._crc32 is not None:
            found["crc32"] = f"{self._crc32:08x}"
        return Hashes(sha256=self.sha256, **found)


def differs(expected: Hashes, found: Hashes) -> str:
    """The first expected hash that `found` contradicts, in words with both values; empty when none does."""
    for name, label in (("sha256", "SHA-256"), ("sha1", "SHA-1"), ("md5", "MD5"), ("crc32", "CRC-32")):
        want, got = getattr(expected, name), getattr(found, name)
        if want and got and want.lower() != got:
            return f"expected {label} {want.lower()}, got {got}"
    return ""


def key_of(*parts: str) -> str:
    """A file name for work on `parts`: 40 hexadecimal digits."""
    return hashlib.sha256("\0".join(parts).encode("utf-8", "surrogateescape")).hexdigest()[:40]

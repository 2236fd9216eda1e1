"""How many bytes of a file a link must escape, by kind: counted as the bytes stream by, in one pass with the hash.

SLIP escapes C0 and DB (RFC 1055). PPP escapes 7D and 7E always, and those of 00..1F that its map has (RFC 1662 7.1).
Kermit prefixes what a terminal's line may take for itself (its manual, 6th edition).
"""

from __future__ import annotations

import zlib
from collections.abc import Iterable
from pathlib import Path

from discprep.model import Escapes

_CONTROLS = bytes(value < 0x20 for value in range(256))  # 1 where a byte is counted
_KERMIT = bytes(value & 0x7F < 0x20 or value in (0x7F, 0xFF) or value & 0x7F in (0x23, 0x7E) for value in range(256))
_SUM_BYTES = 65_519  # so many ones are the most that Adler-32's low half (1 + sum, modulo 65,521) tells apart
_CHUNK_BYTES = 1 << 20


class EscapeCounter:
    """Counts over any number of chunks; `counts` may be read at any time."""

    def __init__(self) -> None:
        self.size_bytes = 0
        self.slip = 0  # C0 and DB
        self.fixed = 0  # 7D and 7E
        self.controls = 0  # 00..1F

    def update(self, chunk: bytes) -> None:
        """Counts one more chunk. For two values `count` scans fastest."""
        self.size_bytes += len(chunk)
        self.slip += chunk.count(0xC0) + chunk.count(0xDB)
        self.fixed += chunk.count(0x7D) + chunk.count(0x7E)
        self.controls += _of_set(chunk, _CONTROLS)

    @property
    def counts(self) -> Escapes:
        """As a `Transfer` has them."""
        return Escapes(self.slip, self.fixed, self.controls)


def _of_set(chunk: bytes, table: bytes) -> int:
    """How many bytes are of a set of many: a table of ones and a checksum that sums them (RFC 1950) without holding up
    other threads."""
    ones = memoryview(chunk.translate(table))
    starts = range(0, len(ones), _SUM_BYTES)
    return sum((zlib.adler32(ones[start : start + _SUM_BYTES]) & 0xFFFF) - 1 for start in starts)


def count_escapes(source: Path | Iterable[bytes]) -> Escapes:
    """Those of a file or of chunks.

    Raises:
        OSError: the file cannot be read
    """
    counter = EscapeCounter()
    for chunk in _chunks(source) if isinstance(source, Path) else source:
        counter.update(chunk)
    return counter.counts


def count_prefixed(source: Path | Iterable[bytes]) -> int:
    """The bytes of a file or of chunks that Kermit prefixes on an 8-bit line: controls of both halves, DEL, and its own
    signs # and ~ of both halves (70 values of 256).

    Raises:
        OSError: the file cannot be read
    """
    return sum(_of_set(chunk, _KERMIT) for chunk in (_chunks(source) if isinstance(source, Path) else source))


def _chunks(path: Path) -> Iterable[bytes]:
    with path.open("rb") as file:
        while chunk := file.read(_CHUNK_BYTES):
            yield chunk

"""How many bytes of a file a link must escape: counted as the bytes stream by, in one pass with the hash.

SLIP escapes C0 and DB (RFC 1055). PPP escapes 7D and 7E always and 00..1F under the default map (RFC 1662 7.1).
"""

from __future__ import annotations

import zlib
from collections.abc import Iterable
from pathlib import Path

_PPP = bytes(value < 0x20 or value in (0x7D, 0x7E) for value in range(256))  # 1 where a byte is escaped
_SUM_BYTES = 65_519  # so many ones are the most that Adler-32's low half (1 + sum, modulo 65,521) tells apart
_CHUNK_BYTES = 1 << 20


class EscapeCounter:
    """Counts over any number of chunks; `slip` and `ppp` may be read at any time."""

    def __init__(self) -> None:
        self.size_bytes = 0
        self.slip = 0  # C0 and DB
        self.ppp = 0  # 00..1F, 7D and 7E

    def update(self, chunk: bytes) -> None:
        """Counts one more chunk. For two values `count` scans fastest; for many, a table of ones and a checksum that
        sums them (RFC 1950) without holding up other threads."""
        self.size_bytes += len(chunk)
        self.slip += chunk.count(0xC0) + chunk.count(0xDB)
        ones = memoryview(chunk.translate(_PPP))
        for start in range(0, len(ones), _SUM_BYTES):
            self.ppp += (zlib.adler32(ones[start : start + _SUM_BYTES]) & 0xFFFF) - 1

    @property
    def counts(self) -> tuple[int, int]:
        """(slip, ppp), as pins keep them and a `Transfer` has them."""
        return self.slip, self.ppp


def count_escapes(source: Path | Iterable[bytes]) -> tuple[int, int]:
    """(slip, ppp) of a file or of chunks.

    Raises:
        OSError: the file cannot be read
    """
    counter = EscapeCounter()
    for chunk in _chunks(source) if isinstance(source, Path) else source:
        counter.update(chunk)
    return counter.counts


def _chunks(path: Path) -> Iterable[bytes]:
    with path.open("rb") as file:
        while chunk := file.read(_CHUNK_BYTES):
            yield chunk

"""How many bytes of a file a link must escape: counted as the bytes stream by, in one pass with the hash.

SLIP escapes C0 and DB (RFC 1055). PPP escapes 7D and 7E always and 00..1F under the default map (RFC 1662 7.1).
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

_PPP = bytes(range(0x20)) + b"\x7d\x7e"
_CHUNK_BYTES = 1 << 20


class EscapeCounter:
    """Counts over any number of chunks; `slip` and `ppp` may be read at any time."""

    def __init__(self) -> None:
        self.size_bytes = 0
        self.slip = 0  # C0 and DB
        self.ppp = 0  # 00..1F, 7D and 7E

    def update(self, chunk: bytes) -> None:
        """Counts one more chunk. For two values `count` scans fastest, for many deleting by table does."""
        self.size_bytes += len(chunk)
        self.slip += chunk.count(0xC0) + chunk.count(0xDB)
        self.ppp += len(chunk) - len(chunk.translate(None, _PPP))

    @property
    def counts(self) -> tuple[int, int]:
        """(slip, ppp), as pins keep them and `download` takes them."""
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

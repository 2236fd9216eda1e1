"""Hashes an image and pieces of it in one pass over its bytes."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from concurrent.futures import Future

Span = tuple[int, int]  # first byte, number of bytes


@dataclass(slots=True)
class _Open:
    """A span whose bytes are passing by."""

    span: Span
    digest: Any = field(default_factory=hashlib.sha256)
    hurt: bool = False


class Digester:
    """Fed with an image's bytes in order; a context manager. The whole and the spans are hashed on two cores.

    Spans may share bytes. A span of which bytes were skipped has no hash. `wanted` are hashes as they should come out:
    the same text is then kept once, which counts with thousands of them.
    """

    def __init__(self, spans: Iterable[Span], wanted: Mapping[Span, str] | None = None) -> None:
        self._waiting = sorted({span for span in spans if span[1]}, reverse=True)
        self._open: list[_Open] = []
        self._whole = hashlib.sha256()
        from concurrent.futures import ThreadPoolExecutor

        self._thread = ThreadPoolExecutor(1)
        self._pending: Future[None] | None = None
        self.at = 0
        self.hashes: dict[Span, str] = {}
        self._wanted = wanted or {}

    def __enter__(self) -> Digester:
        return self

    def __exit__(self, *_: object) -> None:
        self._thread.shutdown()

    def feed(self, block: bytes) -> None:
        """The next bytes."""
        if self._pending:
            self._pending.result()
        self._pending = self._thread.submit(self._whole.update, block)
        self._pass(len(block), memoryview(block))

    def skip(self, size_bytes: int) -> None:
        """The next bytes could not be read: they count as zeros, and what they belong to is hurt."""
        if self._pending:
            self._pending.result()
        self._whole.update(bytes(size_bytes))
        self._pass(size_bytes, None)

    def _pass(self, size_bytes: int, block: memoryview | None) -> None:
        end = self.at + size_bytes
        while self._waiting and self._waiting[-1][0] < end:
            self._open.append(_Open(self._waiting.pop()))
        still = []
        for item in self._open:
            start, stop = max(item.span[0], self.at), min(sum(item.span), end)
            if block is None:
                item.hurt = True
            else:
                item.digest.update(block[start - self.at : stop - self.at])
            if stop < sum(item.span):
                still.append(item)
            elif not item.hurt:
                found = str(item.digest.hexdigest())
                wanted = self._wanted.get(item.span, "")
                self.hashes[item.span] = wanted if wanted == found else found
        self._open = still
        self.at = end

    def whole(self) -> str:
        """SHA-256 of all bytes so far, hexadecimal."""
        if self._pending:
            self._pending.result()
        return self._whole.hexdigest()

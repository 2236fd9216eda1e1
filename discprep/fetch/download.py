"""One file from one source: resumed, bounded, hashed on the way, and handed over only if it is what was meant."""

from __future__ import annotations

import os
import threading
import time
import zlib
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import BinaryIO

from discprep.fetch.digest import Digests, differs
from discprep.fetch.files import storage
from discprep.fetch.local import LocalTransport
from discprep.fetch.part import Part
from discprep.fetch.source import SCHEMES, scheme, secrets_of, unspoken
from discprep.fetch.transport import (
    Answer,
    Guard,
    Redirected,
    Resume,
    Run,
    SourceFault,
    Transport,
    Validators,
    Watch,
)
from discprep.machine import source_name
from discprep.model import Hashes

_WORTH_ANOTHER_BYTES = 64 * 2**10  # an attempt that came so much further than any before does not count as one
_WEB_NAMES = (".htm", ".html", ".shtml", ".xhtml")
_WEB_STARTS = (b"<!doctype html", b"<html", b"<head", b"<title", b"<body", b"<script", b"<meta")
_ENCODINGS = {"gzip": 31, "x-gzip": 31, "deflate": 47}  # zlib's window bits


@dataclass(frozen=True, slots=True)
class Wanted:
    """What the bytes must be. `pinned` is what they were when first fetched."""

    hashes: Hashes
    size_bytes: int | None = None
    pinned: str | None = None
    pinned_bytes: int | None = None

    @property
    def strong(self) -> str | None:
        """The SHA-256 that decides, if one is known."""
        return self.hashes.sha256 or self.pinned

    @property
    def covered(self) -> bool:
        """Whether a strong hash decides."""
        return self.strong is not None

    @property
    def likely_bytes(self) -> int | None:
        """Its size as far as it is known before it comes."""
        return self.size_bytes if self.size_bytes is not None else self.pinned_bytes


class Changed(SourceFault):
    """A whole file that is not the one that was pinned."""

    def __init__(self, message: str, sha256: str, size_bytes: int) -> None:
        super().__init__(message, kind="content")
        self.sha256 = sha256
        self.size_bytes = size_bytes


@dataclass(frozen=True, slots=True)
class Got:
    """Verified bytes in a file of the cache's parts, on the disk; they still need their name."""

    path: Path
    digests: Digests
    date_s: int | None  # the server's date for the file
    source: str  # where it came from in the end, after redirects


@dataclass(slots=True)
class Meter:
    """Counts what crosses the network, and tells how far the file is."""

    told: Callable[[int], None]
    network_bytes: int = 0
    done_bytes: int = 0

    def add(self, size_bytes: int, *, network: bool = True) -> None:
        self.network_bytes += size_bytes if network else 0
        self.done_bytes += size_bytes
        self.told(size_bytes)

    def back(self) -> None:
        """All is to be done again."""
        self.told(-self.done_bytes)
        self.done_bytes = 0


class Downloader:
    """Gets single files for one run. Thread-safe; the HTTP library is loaded when the first HTTP source comes."""

    def __init__(self, run: Run) -> None:
        self.run = run
        self._guard = Guard(run)
        self._transports: dict[str, Transport] = {}
        self._loading = threading.Lock()

    def close(self) -> None:
        """Ends the connections."""
        self._guard.close()
        for transport in self._transports.values():
            transport.close()

    def get(self, source: str, wanted: Wanted, part_path: Path, meter: Meter) -> Got:
        """The whole file from `source`, tried several times where that can help. The caller holds the part's lock.

        Raises:
            SourceFault: this source does not give it; `Changed` when it gives another file than was pinned
            StorageError: the host's disk
            Stopped: the run ends
        """
        with _unspoken(source):
            return self._get(source, wanted, part_path, meter)

    def _get(self, source: str, wanted: Wanted, part_path: Path, meter: Meter) -> Got:
        started_s, failures, furthest_bytes = time.monotonic(), 0, 0
        while True:
            part = Part(part_path)
            try:
                with part:
                    return self._attempt(source, wanted, part, meter)
            except SourceFault as fault:
                meter.back()
                useless = fault.kind in ("content", "restart")
                mixed = fault.kind == "restart" or (useless and part.joined)
                if useless:
                    part.drop()
                failures += mixed or part.size_bytes < furthest_bytes + _WORTH_ANOTHER_BYTES
                furthest_bytes = max(furthest_bytes, part.size_bytes)
                late = time.monotonic() - started_s > self.run.settings.transfer_max_s
                if not (mixed or fault.again) or failures >= self.run.settings.attempts or late:
                    raise
                if not mixed:
                    self.run.pause(self._pause_s(fault, failures))

    def head(self, source: str) -> Validators:
        """What the source's server says of the file, without fetching it. Raises SourceFault, Stopped."""
        watch = Watch(self.run.settings)
        with _unspoken(source), self._guard.over(watch):
            return self._transport(source).head(source, self.run, watch)

    def _pause_s(self, fault: SourceFault, failures: int) -> float:
        if fault.pause_s is not None:
            return min(fault.pause_s, self.run.settings.retry_after_max_s)
        return self.run.settings.pause_s * 2.0 ** max(0, failures - 1)

    def _attempt(self, source: str, wanted: Wanted, part: Part, meter: Meter) -> Got:
        """One request, or none where the part is whole already."""
        digests = Digests(wanted.hashes)
        resume = part.resume(wanted.covered)
        if resume:
            self._rehash(part, digests, meter)
            if resume.offset_bytes == resume.validators.size_bytes:
                return self._checked(source, resume.validators, digests, wanted, part)
        watch = Watch(self.run.settings)
        with self._guard.over(watch), self._opened(source, resume, watch) as answer:
            _refuse_size(answer.validators, wanted)
            answer.validators = _fit_to_keep(answer.validators, source)
            if resume is None or answer.offset_bytes == 0:
                digests = Digests(wanted.hashes)
                meter.back()
                part.begin(answer.validators)
            self._receive(answer, wanted, part, digests, meter, watch)
        return self._checked(answer.source, answer.validators, digests, wanted, part)

    @contextmanager
    def _opened(self, source: str, resume: Resume | None, watch: Watch) -> Iterator[Answer]:
        """The answer of the source or of where it redirects to, whatever transport that takes."""
        hops = 0
        with ExitStack() as stack:
            while True:
                transport = self._transport(source)
                try:
                    answer = stack.enter_context(transport.open(source, resume, self.run, watch, hops))
                    break
                except Redirected as redirected:
                    source, hops = redirected.source, redirected.hops
            yield answer

    def _rehash(self, part: Part, digests: Digests, meter: Meter) -> None:
        def told(size_bytes: int) -> None:
            self.run.check()
            meter.add(size_bytes, network=False)

        with storage("reading a part file", part.path):
            digests.read(part.path, told)

    def _receive(
        self, answer: Answer, wanted: Wanted, part: Part, digests: Digests, meter: Meter, watch: Watch
    ) -> None:
        """Everything the server sends, within bounds, into the part."""
        settings, whole_bytes = self.run.settings, answer.validators.size_bytes
        limit_bytes = _limit(wanted, answer.validators, settings.max_bytes)
        network = scheme(answer.source) != "file"
        while chunk := self._chunk(answer, part, whole_bytes):
            meter.add(len(chunk), network=network)
            if part.size_bytes + len(chunk) > limit_bytes:
                raise SourceFault(f"it sends more than the {limit_bytes:,} bytes expected; broken off", kind="content")
            digests.update(chunk)
            part.append(chunk, settings.sync_every_bytes)
            watch.note(len(chunk))
            if not wanted.covered and digests.size_bytes == len(chunk):
                _refuse_web_page(answer, digests)
        if whole_bytes is not None and part.size_bytes != whole_bytes:
            short = part.size_bytes < whole_bytes
            words = "it broke off after" if short else "it sent"
            raise SourceFault(
                f"{words} {part.size_bytes:,} of {whole_bytes:,} bytes", again=short, kind="" if short else "content"
            )

    def _chunk(self, answer: Answer, part: Part, whole_bytes: int | None) -> bytes:
        self.run.check()
        try:
            return answer.read(self.run.settings.chunk_bytes)
        except SourceFault:
            if part.size_bytes == whole_bytes:
                return b""  # all is here; how the server says good-bye does not matter
            raise

    def _checked(self, source: str, said: Validators, digests: Digests, wanted: Wanted, part: Part) -> Got:
        """The part, or what it decodes to, if it is what was meant."""
        path = part.path
        if digests.size_bytes == 0 and wanted.size_bytes != 0 and not wanted.covered:
            raise SourceFault("nothing came: a file of 0 bytes; it was not kept", kind="content")
        if said.encoding:
            path, digests = _decoded(said.encoding, source_name(source), digests, wanted, part, self.run)
        _refuse_wrong(digests, wanted)
        if path == part.path:
            part.finish()
        return Got(path, digests, said.date_s, source)

    def _transport(self, source: str) -> Transport:
        """Who speaks the source's scheme. Raises SourceFault."""
        name = scheme(source).replace("https", "http")
        with self._loading:
            if name not in self._transports:
                self._transports[name] = self._load(name)
            return self._transports[name]

    def _load(self, name: str) -> Transport:
        if name == "http":
            from discprep.fetch.http import HttpTransport

            return HttpTransport(self.run)
        if name == "ftp":
            from discprep.fetch.ftp import FtpTransport

            return FtpTransport()
        if name == "file":
            return LocalTransport()
        raise SourceFault(f"nothing here speaks {name}; known are {', '.join(SCHEMES)} and paths on this host")


@contextmanager
def _unspoken(source: str) -> Iterator[None]:
    """A server's words may hold anything: none of them goes further as it came."""
    try:
        yield
    except SourceFault as fault:
        fault.message = unspoken(fault.message, source)
        raise


def _fit_to_keep(said: Validators, source: str) -> Validators:
    """What is noted beside a part: without a validator that tells the password back."""
    told = any(secret in f"{said.etag} {said.last_modified}" for secret in secrets_of(source))
    return replace(said, etag="", last_modified="") if told else said


def _limit(wanted: Wanted, said: Validators, max_bytes: int) -> int:
    """No more bytes than this are taken. A pinned file may have grown; an encoded one may be a little longer."""
    if wanted.size_bytes is not None:
        return wanted.size_bytes + (wanted.size_bytes // 100 + 4096 if said.encoding else 0)
    if wanted.pinned_bytes is not None:
        return min(max_bytes, 2 * wanted.pinned_bytes + 16 * 2**20)
    return max_bytes


def _refuse_size(said: Validators, wanted: Wanted) -> None:
    """Before a byte is taken: the size that the manifest gives."""
    if wanted.size_bytes is None or said.size_bytes is None or said.encoding:
        return
    if said.size_bytes != wanted.size_bytes:
        sizes = f"expected {wanted.size_bytes:,} bytes, its source has {said.size_bytes:,}"
        raise SourceFault(f"{sizes}; nothing was taken", kind="content", unlike=True)


def _is_web_page(head: bytes) -> bool:
    return head.lstrip(b"\xef\xbb\xbf \t\r\n").lower().startswith(_WEB_STARTS)


def _refuse_web_page(answer: Answer, digests: Digests) -> None:
    """With no hash to decide, a page where none was asked for is refused at its first bytes."""
    if _is_web_page(digests.head) and not source_name(answer.source).lower().endswith(_WEB_NAMES):
        raise SourceFault("a web page came instead of the file; it was not kept", kind="content")


def _refuse_wrong(digests: Digests, wanted: Wanted) -> None:
    """Raises SourceFault unless the bytes are what the manifest says, and Changed unless they are what was pinned."""
    words = differs(wanted.hashes, digests.hashes)
    if not words and wanted.size_bytes not in (None, digests.size_bytes):
        words = f"expected {wanted.size_bytes:,} bytes, got {digests.size_bytes:,}"
    if not words and wanted.pinned in (None, digests.sha256):
        return
    if _is_web_page(digests.head):
        raise SourceFault("a web page came instead of the file; it was not kept", kind="content")
    if words:
        raise SourceFault(f"{words}; it was not kept", kind="content", unlike=True)
    raise Changed(f"pinned SHA-256 {wanted.pinned}, got {digests.sha256}", digests.sha256, digests.size_bytes)


def _decoded(encoding: str, name: str, digests: Digests, wanted: Wanted, part: Part, run: Run) -> tuple[Path, Digests]:
    """What is meant by bytes that came with a Content-Encoding nobody asked for: they as they are, or decoded.

    A server may pack on the way (then the decoded bytes are the file), or describe an archive that is packed anyway
    (then the bytes as they are). The hash decides; without one, the name: a `.gz` holds one layer, not none.
    """
    packed_ok = not differs(wanted.hashes, digests.hashes) and wanted.pinned in (None, digests.sha256)
    if packed_ok and (wanted.covered or wanted.hashes.any):
        return part.path, digests
    if encoding not in _ENCODINGS:
        raise SourceFault(f"the server packed it as {encoding!r}, which nobody asked for; not kept", kind="content")
    path, plain = _unpack(encoding, wanted, part, run)
    named_packed = name.lower().endswith((".gz", ".tgz", ".z", ".svgz"))
    if not wanted.covered and not wanted.hashes.any and named_packed and plain.head[:2] != b"\x1f\x8b":
        path.unlink()
        return part.path, digests
    return path, plain


def _unpack(encoding: str, wanted: Wanted, part: Part, run: Run) -> tuple[Path, Digests]:
    """Undoes gzip or deflate into a file beside the part, within bounds."""
    path, digests = part.path.with_name(part.path.name + ".plain"), Digests(wanted.hashes)
    limit_bytes = _limit(wanted, Validators(), run.settings.max_bytes)
    try:
        with storage("unpacking what was fetched", path), part.path.open("rb") as read, path.open("wb") as write:
            for chunk in _inflate(read, _ENCODINGS[encoding], run.settings.chunk_bytes):
                run.check()
                if digests.size_bytes + len(chunk) > limit_bytes:
                    raise SourceFault(f"unpacked it is over the {limit_bytes:,} bytes expected", kind="content")
                digests.update(chunk)
                write.write(chunk)
            write.flush()
            os.fsync(write.fileno())
    except zlib.error as error:
        path.unlink()
        raise SourceFault(f"the server packed it and damaged it ({error})", kind="content") from None
    except BaseException:
        with suppress(OSError):
            path.unlink()
        raise
    return path, digests


def _inflate(file: BinaryIO, window_bits: int, chunk_bytes: int) -> Iterator[bytes]:
    """Chunk by chunk, several gzip members in a row too; raises zlib.error for damage and for a missing end."""
    decoder = zlib.decompressobj(window_bits)
    packed = file.read(chunk_bytes)
    while packed:
        yield decoder.decompress(packed, chunk_bytes)
        packed = decoder.unconsumed_tail
        if decoder.eof:
            packed = decoder.unused_data or file.read(chunk_bytes)
            if not packed:
                return
            decoder = zlib.decompressobj(window_bits)
        packed = packed or file.read(chunk_bytes)
    yield decoder.flush()
    if decoder.eof:
        return
    raise zlib.error("its end is missing")

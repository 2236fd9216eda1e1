"""Bytes at rest on the host: reading them, writing new ones under their hash, their checksums."""

from __future__ import annotations

import hashlib
import zlib
from collections.abc import Iterable, Iterator
from pathlib import Path

from discprep.archives.crc import crc16
from discprep.errors import IntegrityError
from discprep.fetch.files import storage, write_atomically
from discprep.fetch.host import move
from discprep.model import Content, Named

CHUNK_BYTES = 2**20


def read_content(content: Content) -> bytes:
    """The bytes a content points at, all at once."""
    return b"".join(chunks(content))


def chunks(content: Content, most_bytes: int = CHUNK_BYTES) -> Iterator[bytes]:
    """The bytes a content points at, in pieces of so many; the last one is shorter."""
    with content.path.open("rb") as file:
        file.seek(content.offset_bytes)
        left = content.size_bytes
        while left > 0 and (chunk := file.read(min(left, most_bytes))):
            left -= len(chunk)
            yield chunk


def keep(data: bytes, work: Path) -> Content:
    """Bytes written into the work folder under their SHA-256; the same bytes are written once."""
    sha256 = hashlib.sha256(data).hexdigest()
    path = work / f"changed-{sha256}"
    if not path.exists():
        write_atomically(path, data)
    return Content(path, 0, len(data), sha256)


def keep_pieces(pieces: Iterable[bytes], work: Path) -> Content:
    """As `keep`, of bytes that come one piece after the other and are too many to be held. One writer at a time."""
    digest, part = hashlib.sha256(), work / "changing.part"
    with storage("writing", part):
        work.mkdir(parents=True, exist_ok=True)
        try:
            with part.open("wb") as file:
                for piece in pieces:
                    digest.update(piece)
                    file.write(piece)
                size_bytes = file.tell()
            path = work / f"changed-{digest.hexdigest()}"
            if not path.exists():
                move(part, path)
        finally:
            part.unlink(missing_ok=True)
    return Content(path, 0, size_bytes, digest.hexdigest())


def content_sha256(content: Content) -> str:
    """SHA-256 of the bytes that a content points at, whatever it says of them."""
    return _hexdigest(content, "sha256")


def _hexdigest(content: Content, kind: str) -> str:
    digest = hashlib.new(kind, usedforsecurity=False)
    for chunk in chunks(content):
        digest.update(chunk)
    return digest.hexdigest()


def checksum_line(sha256: str, path: str) -> str:
    """A line that `sha256sum -c` takes: backslashes and line ends in a name are escaped, and a backslash before the
    line says so (coreutils manual)."""
    escaped = path.replace("\\", "\\\\").replace("\n", "\\n").replace("\r", "\\r")
    return f"{chr(92) if escaped != path else ''}{sha256}  {escaped}\n"


def as_staged(content: Content) -> bool:
    """Whether the bytes are still those that the content says."""
    try:
        return content_sha256(content) == content.sha256
    except FileNotFoundError:
        return False


def changed(named: Named) -> IntegrityError:
    """The error for a file whose bytes are not."""
    return IntegrityError(
        "its bytes changed or vanished while the image was being written; the image was dropped",
        where="/".join(named.staged.name),
        item=named.staged.item,
        hint="Leave the cache and the stage alone while discprep works, and build again.",
    )


def content_checksum(content: Content, kind: str) -> str:
    """`crc16`, `crc32`, `md5`, `sha1` or `sha256` of a content, in lower-case hexadecimal."""
    if kind == "sha256":
        return content.sha256
    if kind in ("md5", "sha1"):
        return _hexdigest(content, kind)
    update, digits = (crc16, 4) if kind == "crc16" else (zlib.crc32, 8)
    value = 0
    for chunk in chunks(content):
        value = update(chunk, value)
    return f"{value:0{digits}x}"

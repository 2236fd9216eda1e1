"""Writes a disc that is one tar archive, in one sweep, and reads it again: with the standard library's reader, as a
stream, every file's bytes against the hash they were staged with, while the whole is hashed."""

from __future__ import annotations

import hashlib
import os
import platform
import tarfile
from pathlib import Path
from typing import IO

from discprep.disc.contents import changed, chunks
from discprep.disc.layout.fields import SECTOR
from discprep.disc.layout.sizes import Chunk, Layout
from discprep.disc.layout.structures import OUR_FAULT
from discprep.disc.layout.tape import members
from discprep.errors import DiscError
from discprep.fetch.files import BINARY
from discprep.model import Progress

READ_BYTES = 1 << 20


def write_tape(path: Path, layout: Layout, charset: str, progress: Progress) -> tuple[str, str, str]:
    """Writes the archive of a layout; returns the SHA-256 of the whole, that of the sectors before the first file's
    bytes, and what has read it again.

    Raises:
        IntegrityError: a source file is no longer what it was when it was staged
        DiscError: what is read again is not what was to be written (our fault)
    """
    pieces: list[tuple[int, Chunk | None, bytes]] = [(at, None, header) for at, header in layout.headers]
    pieces += [(chunk.extent * SECTOR, chunk, b"") for chunk in layout.chunks]
    pieces.sort(key=lambda piece: piece[0])
    with os.fdopen(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY | BINARY, 0o666), "wb") as file:
        for at, chunk, header in pieces:
            file.write(bytes(at - file.tell()) + header)
            if chunk is None:
                continue
            digest = hashlib.sha256()
            for block in chunks(chunk.content):
                digest.update(block)
                file.write(block)
                progress.advance("image", len(block))
            if digest.hexdigest() != chunk.content.sha256:
                raise changed(chunk.named)
        file.truncate(layout.sectors * SECTOR)
    return *_read_again(path, layout, charset), f"tarfile of Python {platform.python_version()}"


class _Hashing:
    """A file whose bytes are hashed as they are read."""

    def __init__(self, file: IO[bytes]) -> None:
        self.file, self.digest = file, hashlib.sha256()

    def read(self, size: int = -1) -> bytes:
        data = self.file.read(size)
        self.digest.update(data)
        return data


def _read_again(path: Path, layout: Layout, charset: str) -> tuple[str, str]:
    wanted = [("/".join(name), content.size_bytes, link or content.sha256) for name, content, link in members(layout)]
    found = []
    with path.open("rb") as file:
        head = hashlib.sha256(file.read(layout.data_sector * SECTOR)).hexdigest()
        file.seek(0)
        stream = _Hashing(file)
        with tarfile.open(fileobj=stream, mode="r|", encoding=charset, errors="strict") as archive:  # type: ignore[call-overload]
            for one in archive:
                if one.issym():
                    found.append((one.name, one.size, one.linkname))
                elif one.isfile():
                    digest, inner = hashlib.sha256(), archive.extractfile(one)
                    while inner and (block := inner.read(READ_BYTES)):
                        digest.update(block)
                    found.append((one.name, one.size, digest.hexdigest()))
        while stream.read(READ_BYTES):
            pass
    if found != wanted:
        odd = next((pair for pair in zip(found, wanted, strict=False) if pair[0] != pair[1]), None)
        raise DiscError(f"the archive does not read as it was to be written: {odd or (len(found), len(wanted))}",
                        hint=OUR_FAULT)  # fmt: skip
    return stream.digest.hexdigest(), head

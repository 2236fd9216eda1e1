"""Every container behind one protocol: recognised by content, decoded once in a worker process, kept by hash.

`open_all` is what the rest of discprep calls. Nothing heavy is imported here: each worker imports this module.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from discprep.archives.task import OpenTask

if TYPE_CHECKING:
    from discprep.errors import ToolError
    from discprep.model import Content, Limits, Opened, Progress

__all__ = ["OpenTask", "lacking", "open_all", "read_content"]
READ_BYTES = 2**20


def open_all(
    tasks: Iterable[OpenTask],
    *,
    store: Path,
    limits: Limits,
    workers: int | None = None,
    progress: Progress | None = None,
) -> Iterator[Opened]:
    """Decodes each archive once, in worker processes, and yields the results in the order of the tasks.

    Members come to rest in `store`, one file an archive, with their listing behind them; a second call finds it and
    decodes nothing. A file that is no archive comes back with format "file" and one member without a
    name, whose content is the file itself.

    Args:
        tasks: what to open; a task's `sha256` is checked against the file's bytes before they are decoded
        store: a folder, made when absent; safe to share between runs and to delete between them
        limits: bounds on sizes, members, time and memory
        workers: processes at once; one for each processor by default
        progress: told of archive bytes read, under the key "archives"

    Raises:
        StorageError: a file of this host cannot be read or written. What is wrong with an archive is no error
            here but stands in its `Opened`.
    """
    from discprep.archives.store import Store, open_tasks

    yield from open_tasks(list(tasks), Store(store), limits, workers, progress)


def read_content(content: Content) -> Iterator[bytes]:
    """The bytes of a content in pieces, its hash checked at the end.

    Raises:
        IntegrityError: the bytes are not those that were decoded (raised after the last piece). The damaged copy
            is forgotten, so that the next run decodes the archive again.
        StorageError: the file is gone or cannot be read
    """
    from discprep.errors import IntegrityError, StorageError

    digest = hashlib.sha256()
    try:
        with content.path.open("rb", buffering=0) as file:
            file.seek(content.offset_bytes)
            left = content.size_bytes
            while left > 0 and (piece := file.read(min(left, READ_BYTES))):
                digest.update(piece)
                left -= len(piece)
                yield piece
    except OSError as error:
        raise StorageError(f"it cannot be read ({error.strerror})", where=str(content.path)) from error
    if digest.hexdigest() != content.sha256:
        from discprep.archives.store import forget

        forget(content.path)
        raise IntegrityError(
            f"expected sha256 {content.sha256}, got {digest.hexdigest()}: the copy on this host is damaged",
            where=str(content.path),
            hint="Run the same command again: the archive is unpacked anew.",
        )


def lacking(opened: Opened, *, where: str = "", item: str = "") -> list[ToolError]:
    """What this computer lacks to read an archive, once each: no fault of the archive."""
    from discprep.errors import ToolError

    return [ToolError(words, where=where, item=item, hint=hint) for words, hint in opened.lacks]

"""A file on this host, or on a share it has mounted, as a source."""

from __future__ import annotations

import stat
from collections.abc import Iterator
from contextlib import contextmanager

from discprep.fetch.source import local_path
from discprep.fetch.transport import Answer, Resume, Run, SourceFault, Validators, Watch


class LocalTransport:
    """Reads plain files only: a pipe or a device would never end."""

    @contextmanager
    def open(self, source: str, resume: Resume | None, run: Run, watch: Watch, hops: int) -> Iterator[Answer]:
        path, validators = local_path(source), self.head(source, run, watch)
        offset_bytes = resume.offset_bytes if resume and resume.validators.etag == validators.etag else 0
        try:
            with path.open("rb", buffering=0) as file:
                file.seek(offset_bytes)

                def read(size_bytes: int) -> bytes:
                    try:
                        return file.read(size_bytes)
                    except OSError as error:
                        raise SourceFault(f"reading it failed: {error.strerror or error}") from None

                yield Answer(offset_bytes, validators, read, source)
        except OSError as error:
            raise SourceFault(f"it cannot be read: {error.strerror or error}") from None

    def head(self, source: str, run: Run, watch: Watch) -> Validators:
        """Size and time of the file, its time in nanoseconds as the validator. Raises SourceFault."""
        try:
            found = local_path(source).stat()
        except (OSError, ValueError) as error:
            raise SourceFault(f"it cannot be read: {getattr(error, 'strerror', None) or error}") from None
        if not stat.S_ISREG(found.st_mode):
            raise SourceFault("expected a plain file, found a folder, a device or a pipe; it was not opened")
        return Validators(size_bytes=found.st_size, etag=f"{found.st_mtime_ns}", date_s=int(found.st_mtime))

    def close(self) -> None:
        """Nothing stays open."""

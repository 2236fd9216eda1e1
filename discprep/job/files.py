"""Writing a file so that nothing half-written ever stands under its name."""

from __future__ import annotations

import os
from pathlib import Path


def write_whole(path: Path, data: str | bytes) -> None:
    """Writes `data` (text as UTF-8 with LF) beside `path`, syncs it and moves it into place.

    Raises:
        OSError: the disk or its rights; the old file, if any, is untouched then
    """
    raw = data.encode("utf-8") if isinstance(data, str) else data
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with part.open("wb") as file:
            file.write(raw)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise

"""Logs of JSON lines that only grow: each line is one `write` to a file opened for appending, then fsync, so that lines
of two runs never mix, and a kill leaves at most a torn last line, which the next one is kept apart from."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable, Mapping
from dataclasses import fields
from pathlib import Path
from typing import TypeVar

from discprep.fetch.files import BINARY

Record = TypeVar("Record")
Read = tuple[tuple[Record, ...], list[int]]


def append(path: Path, values: Mapping[str, object]) -> None:
    """Adds one line. Raises OSError."""
    line = json.dumps(values, ensure_ascii=False) + "\n"
    file = os.open(path, os.O_RDWR | os.O_CREAT | os.O_APPEND | BINARY, 0o644)
    try:
        _lock(file)
        size = os.fstat(file).st_size
        # A kill can have torn the last line: ours then starts on a new one.
        torn = size > 0 and _byte_at(file, size - 1) != b"\n"
        os.write(file, (("\n" if torn else "") + line).encode())
        os.fsync(file)
    finally:
        os.close(file)


def lines_of(path: Path) -> list[tuple[int, str]]:
    """Number and text of every line that is not empty; none when there is no log yet. Raises OSError."""
    try:
        text = path.read_text(encoding="utf-8", errors="replace")
    except FileNotFoundError:
        return []
    return [(number, line) for number, line in enumerate(text.split("\n"), 1) if line]


def records(path: Path, mark: str, form: int, cls: type[Record], sound: Callable[[Record], bool]) -> Read[Record]:
    """Every line that is a whole record of `cls`, marked as one of this form; and which lines are none. Keys that a
    later version may add are passed over. Raises OSError."""
    found, odd = [], []
    for number, line in lines_of(path):
        try:
            values = json.loads(line)
            known = {one.name: values[one.name] for one in fields(cls) if one.name in values}  # type: ignore[arg-type]
            one = cls(**known) if values[mark] == form else None
        except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
            one = None
        if one is not None and sound(one):
            found.append(one)
        else:
            odd.append(number)
    return tuple(found), odd


def _lock(file: int) -> None:
    """Held until the file is closed, so that the last byte looked at is not in the middle of another's line."""
    if sys.platform != "win32":  # there the reader passes over what two runs at once may do
        import fcntl

        fcntl.flock(file, fcntl.LOCK_EX)


def _byte_at(file: int, offset: int) -> bytes:
    os.lseek(file, offset, os.SEEK_SET)
    return os.read(file, 1)

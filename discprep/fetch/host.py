"""What systems do differently with files: one function each, so that nobody else asks which system this is.

Python has `os.pwrite`, `os.preadv`, `st_blocks` and user ids on some systems only, Windows wants write access for
`fsync` and refuses to rename over a file that is open, and macOS tells a device's size in answer to a question.
"""

from __future__ import annotations

import errno
import hashlib
import os
import struct
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import BinaryIO

PAUSES_S = (0.05, 0.1, 0.2, 0.4, 0.8)  # between trials to give a file its name
HELD = {5, 32}  # Windows: access denied, sharing violation
_BLOCK_BYTES = 512  # of st_blocks (POSIX <sys/stat.h>, as every system counts them)
# macOS <sys/disk.h>: DKIOCGETBLOCKSIZE gives 32 bits, DKIOCGETBLOCKCOUNT 64.
_GET_BLOCK_SIZE, _GET_BLOCK_COUNT = 0x40046418, 0x40086419


def write_at(handle: int, data: bytes | bytearray | memoryview, at: int) -> int:
    """Writes at a place of a file; returns how many bytes were taken. One thread may use the handle. Raises OSError."""
    pwrite = getattr(os, "pwrite", None)
    if pwrite is not None:
        return int(pwrite(handle, data, at))
    os.lseek(handle, at, os.SEEK_SET)
    return os.write(handle, data)


def read_at(handle: int, room: memoryview, at: int) -> int:
    """Reads from a place of a file into `room`; returns how many bytes, none at the end. One thread may use the handle.
    Raises OSError."""
    preadv = getattr(os, "preadv", None)
    if preadv is not None:
        return int(preadv(handle, [room], at))
    os.lseek(handle, at, os.SEEK_SET)
    data = os.read(handle, len(room))
    room[: len(data)] = data
    return len(data)


def occupied_bytes(path: Path) -> int:
    """What a file takes of its disk, holes left out where the system tells; 0 where there is none."""
    try:
        status = path.stat()
    except FileNotFoundError:
        return 0
    blocks = getattr(status, "st_blocks", None)
    return status.st_size if blocks is None else int(blocks) * _BLOCK_BYTES


def is_own(status: os.stat_result) -> bool:
    """Whether it belongs to the user; on a system without user ids, always."""
    user = getattr(os, "geteuid", None)
    return user is None or status.st_uid == user()


def file_sha256(path: Path, told: Callable[[int], None] = lambda count: None) -> str:
    """SHA-256 of a file's bytes; `told` of those of each piece. Raises OSError."""
    digest = hashlib.sha256()
    with path.open("rb", buffering=0) as file:
        while piece := file.read(2**20):
            digest.update(piece)
            told(len(piece))
    return digest.hexdigest()


def onto_disk(path: Path) -> None:
    """Waits until the bytes of a written file are on its disk. Raises OSError."""
    with path.open("r+b") as file:
        os.fsync(file.fileno())


def move(part: Path, path: Path) -> Path:
    """Gives a file its final name, over what had it. Where that is refused because a program has the old file open, it
    is tried a little longer.

    Raises:
        OSError: it cannot be moved; in words where a program holds the old one
    """
    for pause_s in (*PAUSES_S, None):
        try:
            return part.replace(path)
        except PermissionError as error:
            if getattr(error, "winerror", None) not in HELD:
                raise
            if pause_s is None:
                raise OSError(errno.EBUSY, "another program has the file open", str(path)) from error
            time.sleep(pause_s)
    raise AssertionError("the last trial returns or raises")


def size_bytes(file: BinaryIO) -> int:
    """Of a file or a device; the place in the file is its end or its beginning then. Raises OSError."""
    end = file.seek(0, os.SEEK_END)
    if end == 0 and sys.platform == "darwin":
        return _device_bytes(file.fileno())
    return end


def _device_bytes(handle: int) -> int:
    """A device's size as macOS tells it; 0 for what is none."""
    if sys.platform == "win32":
        return 0
    import fcntl

    try:
        (block,) = struct.unpack("I", fcntl.ioctl(handle, _GET_BLOCK_SIZE, bytes(4)))
        (count,) = struct.unpack("Q", fcntl.ioctl(handle, _GET_BLOCK_COUNT, bytes(8)))
    except OSError:
        return 0
    return int(block * count)

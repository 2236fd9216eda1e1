"""An optical drive of this computer and the medium in it, as far as Linux and the drive tell. Nothing is written.

Byte layouts of the drive's answers: <linux/cdrom.h> (disc_information, track_information, feature_header), which
follows the SCSI multimedia commands; numbers of the profiles from the same commands.
"""

from __future__ import annotations

import ctypes
import os
import stat
import sys
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from discprep.errors import ToolError, UsageError

PLAIN = "stdio:"  # a plain file as the drive, as one general-purpose burner writes it: for trying things out
OPTICAL_TYPE = "5"  # the SCSI peripheral device type of CD and DVD drives
PROFILES = {
    0x08: "CD-ROM", 0x09: "CD-R", 0x0A: "CD-RW", 0x10: "DVD-ROM", 0x11: "DVD-R", 0x12: "DVD-RAM", 0x13: "DVD-RW",
    0x14: "DVD-RW", 0x15: "DVD-R DL", 0x16: "DVD-R DL", 0x1A: "DVD+RW", 0x1B: "DVD+R", 0x2B: "DVD+R DL", 0x40: "BD-ROM",
    0x41: "BD-R", 0x42: "BD-R", 0x43: "BD-RE",
}  # fmt: skip
STATES = ("blank", "unfinished", "finished", "of another kind")
_SG_IO, _FROM_DEVICE, _TIMEOUT_MS = 0x2285, -3, 20_000


@dataclass(frozen=True, slots=True)
class Medium:
    """What lies in the drive. None: the drive does not tell."""

    kind: str = ""
    state: str = ""  # of STATES
    erasable: bool | None = None
    free_sectors: int | None = None  # of 2,048 bytes


@dataclass(frozen=True, slots=True)
class Drive:
    """A drive that may be written to. `name` is what the user types to confirm."""

    name: str
    path: Path
    model: str
    medium: Medium
    plain: bool = False  # a plain file that stands for a drive


@dataclass(frozen=True, slots=True)
class Host:
    """Where this computer tells of its devices; tests give others."""

    system: str = sys.platform
    sys: Path = Path("/sys")
    mounts: Path = Path("/proc/mounts")
    stat: Callable[[str | Path], os.stat_result] = os.stat
    ask: Callable[[Path], Medium] = lambda path: ask_drive(path)


def find_drive(device: str, host: Host | None = None) -> Drive:
    """The drive that a name means, after making sure that it is one and that nobody uses it.

    Raises:
        UsageError: no such device, no optical drive, or a plain file that has content
        ToolError: it is mounted or in use, or this system does not tell
    """
    host = host or Host()
    if device.startswith(PLAIN):
        return _plain_file(device)
    if sys.platform == "win32" or not host.system.startswith("linux"):
        raise ToolError(
            "on this system discprep cannot make sure that a device is an optical drive; nothing was written",
            where=device,
            hint="Run your burner by hand (--dry-run shows the command), then discprep readback.",
        )
    number = _block_device(device, host)
    folder = (host.sys / "dev/block" / f"{os.major(number)}:{os.minor(number)}").resolve()
    kind = _line(folder / "device/type")
    if kind != OPTICAL_TYPE:
        raise UsageError(
            "it is not an optical drive; nothing was written",
            where=device,
            hint="Optical drives are usually /dev/sr0, /dev/sr1.",
        )
    _refuse_mounted(device, number, host)
    model = " ".join(filter(None, (_line(folder / "device/vendor"), _line(folder / "device/model"))))
    return Drive(device, Path(device), model, host.ask(Path(device)))


def _plain_file(device: str) -> Drive:
    path = Path(device.removeprefix(PLAIN))
    if path.exists() and not (path.is_file() and path.stat().st_size == 0):
        raise UsageError("a file stands there; nothing was written", where=device, hint="Name a new file.")
    return Drive(device, path, "a plain file in place of a drive", Medium("a plain file", "blank"), plain=True)


def _block_device(device: str, host: Host) -> int:
    try:
        number = _number(device, host)
    except OSError as error:
        raise UsageError(f"the device cannot be looked at: {error.strerror}", where=device) from None
    if number is None:
        raise UsageError(
            "it is not a device for discs; nothing was written",
            where=device,
            hint=f"Optical drives are usually /dev/sr0, /dev/sr1. {PLAIN}FILE writes to a new plain file.",
        )
    return number


def _refuse_mounted(device: str, number: int, host: Host) -> None:
    try:
        lines = host.mounts.read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError as error:
        raise ToolError(f"it cannot be seen whether it is mounted: {error.strerror}", where=device) from None
    for line in lines:
        source, folder, *_ = [*line.split(" "), ""]
        same = source == device
        with suppress(OSError):
            same = same or (source.startswith("/") and _number(source, host) == number)
        if same:
            raise ToolError(
                f"it is mounted at {folder}; nothing was written",
                where=device,
                hint=f"Unmount it first: umount {folder}",
            )


def _number(source: str, host: Host) -> int | None:
    """A block device's number; None for anything else. Raises OSError: it cannot be looked at."""
    if sys.platform == "win32":
        raise AssertionError("asked only where a system tells")
    status = host.stat(source)
    return status.st_rdev if stat.S_ISBLK(status.st_mode) else None


def _line(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        return ""


# ------------------------------------------------------------------------------------- asking the drive


class _Request(ctypes.Structure):
    """`struct sg_io_hdr` of <scsi/sg.h>."""

    _fields_ = [
        ("interface_id", ctypes.c_int), ("dxfer_direction", ctypes.c_int), ("cmd_len", ctypes.c_ubyte),
        ("mx_sb_len", ctypes.c_ubyte), ("iovec_count", ctypes.c_ushort), ("dxfer_len", ctypes.c_uint),
        ("dxferp", ctypes.c_void_p), ("cmdp", ctypes.c_void_p), ("sbp", ctypes.c_void_p), ("timeout", ctypes.c_uint),
        ("flags", ctypes.c_uint), ("pack_id", ctypes.c_int), ("usr_ptr", ctypes.c_void_p), ("status", ctypes.c_ubyte),
        ("masked_status", ctypes.c_ubyte), ("msg_status", ctypes.c_ubyte), ("sb_len_wr", ctypes.c_ubyte),
        ("host_status", ctypes.c_ushort), ("driver_status", ctypes.c_ushort), ("resid", ctypes.c_int),
        ("duration", ctypes.c_uint), ("info", ctypes.c_uint),
    ]  # fmt: skip


def ask_drive(path: Path) -> Medium:
    """What the drive says of its medium; an empty answer where it says nothing.

    Raises:
        ToolError: another program holds the drive
    """
    if sys.platform == "win32":
        raise AssertionError("asked only where a system tells")
    try:
        handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_EXCL)
    except OSError as error:
        raise ToolError(
            f"the drive cannot be opened: {error.strerror}; nothing was written",
            where=str(path),
            hint="Close what uses it (a desktop may have opened the disc), and check your rights.",
        ) from None
    try:
        configuration = _send(handle, bytes([0x46, 0x02, 0, 0, 0, 0, 0, 0, 8, 0]), 8)
        disc = _send(handle, bytes([0x51, 0, 0, 0, 0, 0, 0, 0, 34, 0]), 34)
        track = _send(handle, bytes([0x52, 0x01, 0, 0, 0, 1, 0, 0, 36, 0]), 36)
    finally:
        os.close(handle)
    return read_answers(configuration, disc, track)


def _send(handle: int, command: bytes, length: int) -> bytes:
    """One command that only asks; no bytes where the drive refuses it."""
    if sys.platform == "win32":
        raise AssertionError("asked only where a system tells")
    import fcntl

    answer, sense = ctypes.create_string_buffer(length), ctypes.create_string_buffer(32)
    words = ctypes.create_string_buffer(command, len(command))
    request = _Request(interface_id=ord("S"), dxfer_direction=_FROM_DEVICE, cmd_len=len(command), mx_sb_len=32,
                       dxfer_len=length, dxferp=ctypes.addressof(answer), cmdp=ctypes.addressof(words),
                       sbp=ctypes.addressof(sense), timeout=_TIMEOUT_MS)  # fmt: skip
    try:
        fcntl.ioctl(handle, _SG_IO, request)
    except OSError:
        return b""
    right = request.status == 0 and request.host_status == 0
    return answer.raw[: max(0, length - request.resid)] if right else b""


def read_answers(configuration: bytes, disc: bytes, track: bytes) -> Medium:
    """The medium from a drive's answers to GET CONFIGURATION, READ DISC INFORMATION and READ TRACK INFORMATION.

    Offsets: profile 6 (16 bits); disc status and erasable bit in byte 2; free blocks of the track 16 (32 bits), true
    while the track can be written (byte 6, bit 6: blank; byte 7, bit 0: next address valid).
    """
    kind = PROFILES.get(int.from_bytes(configuration[6:8], "big"), "") if len(configuration) >= 8 else ""
    state, erasable = "", None
    if len(disc) >= 3:
        state, erasable = STATES[disc[2] & 3], bool(disc[2] & 0x10)
    free = int.from_bytes(track[16:20], "big") if len(track) >= 20 and state == "blank" else None
    return Medium(kind, state, erasable, free or None)

"""A serial port: opened for one program alone, read until nothing is left, written as far as it takes.

What is read and written are bytes; a pseudo-terminal, and a socket in tests, are ports too.
"""

from __future__ import annotations

import contextlib
import errno
import os
import select
import sys
import time
from dataclasses import dataclass
from typing import Any

from discprep.errors import UsageError
from discprep.link.line import parse_framing
from discprep.model import Flow

_PIECE_BYTES = 4096
_POLL_S = 0.005  # where the system cannot wait for a port
_HINTS = {
    errno.ENOENT: "Plug the adapter in, and look which name the system gives it: /dev/ttyUSB0, /dev/ttyS0, COM3.",
    errno.EACCES: "Your user may not use serial ports: add it to the group that owns the port, then log in anew.",
    errno.EBUSY: "Another program has it open: end that one.",
    errno.EAGAIN: "Another program has it open: end that one.",
    errno.ENOTTY: "It is no serial port.",
}


@dataclass(frozen=True, slots=True)
class Lines:
    """The handshake lines as they stand; None where the port cannot tell."""

    cts: bool | None
    dsr: bool | None
    dcd: bool | None
    ring: bool | None


class Port:
    """An open port.

    Args:
        name: as the system calls it, or `socket://HOST:PORT`
        rate_bit_s, framing: of the line
        flow: who may hold the other back

    Raises:
        UsageError: there is no such port, it is another's, or it cannot do this rate
    """

    def __init__(self, name: str, rate_bit_s: int, framing: str = "8N1", flow: Flow = "none") -> None:
        import serial

        parsed = parse_framing(framing)
        self.name = name
        try:
            self._port: Any = serial.serial_for_url(
                name, baudrate=rate_bit_s, bytesize=parsed.data_bits, parity=parsed.parity,
                stopbits=parsed.stop_bits, timeout=0, write_timeout=0, rtscts=flow == "rts-cts",
                xonxoff=flow == "xon-xoff", **({} if "://" in name else {"exclusive": True}),
            )  # fmt: skip
        except (serial.SerialException, ValueError, OSError) as error:
            raise _refused(name, rate_bit_s, error) from error
        self._fd: int | None = None
        if os.name == "posix":
            with contextlib.suppress(Exception):  # a port of another kind has none
                self._fd = self._port.fileno()
        if sys.platform != "win32" and self._fd is not None and "://" not in name:
            os.set_blocking(self._fd, False)

    def read(self, wait_s: float, wake_fd: int | None = None) -> bytes:
        """All that is there, after waiting so long for the first byte at most. `wake_fd` ends the wait when something
        can be read there.

        Raises:
            OSError: the port is gone
        """
        if self._fd is None:
            return self._polled(wait_s)
        fds = [self._fd] if wake_fd is None else [self._fd, wake_fd]
        select.select(fds, [], [], max(0.0, wait_s))
        if wake_fd is not None:
            with contextlib.suppress(BlockingIOError):
                os.read(wake_fd, _PIECE_BYTES)
        found = bytearray()
        # Until it would block: what stays behind would wait for the next byte, and the line would lose the time.
        while piece := self._piece():
            found += piece
            if len(found) >= 16 * _PIECE_BYTES:
                break
        return bytes(found)

    def _piece(self) -> bytes:
        assert self._fd is not None
        for _ in range(2):
            if not select.select([self._fd], [], [], 0)[0]:
                return b""
            with contextlib.suppress(BlockingIOError):
                if piece := os.read(self._fd, _PIECE_BYTES):
                    return piece
        raise OSError(errno.EIO, "it hung up")  # something is to be read, again and again, and nothing is read

    def _polled(self, wait_s: float) -> bytes:
        until = time.monotonic() + wait_s
        while not (found := bytes(self._port.read(_PIECE_BYTES))) and time.monotonic() < until:
            time.sleep(_POLL_S)
        return found

    def write(self, data: bytes) -> int:
        """Hands over as much as the port takes now. Returns how much that was."""
        if self._fd is None:
            return int(self._port.write(data) or 0)
        try:
            return os.write(self._fd, data)
        except BlockingIOError:
            return 0

    @property
    def queued_bytes(self) -> int:
        """What the system still holds for the line; 0 where it cannot tell."""
        try:
            return int(self._port.out_waiting)
        except (AttributeError, OSError, NotImplementedError):
            return 0

    def set_rate(self, rate_bit_s: int) -> None:
        """Another rate from now on.

        Raises:
            UsageError: the port cannot do it
        """
        try:
            self._port.baudrate = rate_bit_s
        except (ValueError, OSError) as error:
            raise _refused(self.name, rate_bit_s, error) from error

    def lines(self) -> Lines:
        """CTS, DSR, DCD and RI as the other side drives them."""

        def line(name: str) -> bool | None:
            try:
                return bool(getattr(self._port, name))
            except (AttributeError, OSError, NotImplementedError):
                return None

        return Lines(line("cts"), line("dsr"), line("cd"), line("ri"))

    def close(self, *, drop: bool = False) -> None:
        """Gives the port back. `drop`: what the line has not carried yet goes with it, as a machine that holds us back
        must not keep us from ending."""
        if drop:
            with contextlib.suppress(Exception):
                self._port.reset_output_buffer()
        with contextlib.suppress(OSError):
            self._port.close()

    def __enter__(self) -> Port:
        return self

    def __exit__(self, kind: object, *_: object) -> None:
        self.close(drop=kind is not None)


def _refused(name: str, rate_bit_s: int, error: Exception) -> UsageError:
    number = getattr(error, "errno", None)
    why = os.strerror(number) if number else str(error)
    if isinstance(error, ValueError) or number == errno.EINVAL:
        return UsageError(f"{name}: cannot do {rate_bit_s} bit/s: {why}", hint="Take another rate on both ends.")
    return UsageError(f"{name}: cannot be opened: {why}", hint=_HINTS.get(number or 0, "Look at the port's name."))

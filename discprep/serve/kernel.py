"""What the system's TCP tells of a connection: what is not acknowledged, its timeout, its segments. Linux tells all;
where another system tells nothing, `can_tell` says so."""

from __future__ import annotations

import contextlib
import socket
import struct
import sys
from dataclasses import dataclass

# Offsets in Linux's struct tcp_info (linux/tcp.h).
_STATE, _TIMEOUT, _SEGMENT, _ROUND_TRIP, _SIZE = 0, 8, 16, 68, 104
_CLOSED = 7


@dataclass(frozen=True, slots=True)
class Told:
    """What the system tells of a connection."""

    timeout_s: float
    segment_bytes: int
    round_trip_s: float


def can_tell() -> bool:
    """Whether this system tells what a sender that knows its line must know."""
    return sys.platform == "linux" and hasattr(socket, "TCP_INFO")


def told(sock: socket.socket) -> Told | None:
    """What the system tells of an open connection; None where it tells nothing."""
    info = _info(sock)
    if len(info) < _SIZE:
        return None
    timeout, segment, round_trip = (struct.unpack_from("I", info, at)[0] for at in (_TIMEOUT, _SEGMENT, _ROUND_TRIP))
    return Told(timeout / 1e6, segment, round_trip / 1e6)


def _info(sock: socket.socket) -> bytes:
    option = getattr(socket, "TCP_INFO", None)
    if option is None or sys.platform != "linux":
        return b""
    try:
        return sock.getsockopt(socket.IPPROTO_TCP, option, _SIZE)
    except OSError:
        return b""


def unacknowledged(sock: socket.socket) -> int:
    """Bytes written that the other side has not acknowledged (SIOCOUTQ of Linux); 0 where the system cannot tell."""
    if sys.platform == "win32":
        return 0
    import fcntl
    import termios

    try:
        return int(struct.unpack("i", fcntl.ioctl(sock.fileno(), termios.TIOCOUTQ, b"\0" * 4))[0])
    except (AttributeError, OSError, ValueError):
        return 0


def handshake_seconds(sock: socket.socket) -> float:
    """The round trip of a new connection's handshake [s] (tcpi_rtt); 0 where unknown."""
    found = told(sock)
    return found.round_trip_s if found else 0.0


def broken(sock: socket.socket) -> bool:
    """Whether the connection is gone, so that no acknowledgement will come."""
    info = _info(sock)
    return bool(sock.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)) or (bool(info) and info[_STATE] == _CLOSED)


def limit_segments(listener: socket.socket, segment_bytes: int) -> None:
    """No connection accepted here makes longer segments (TCP_MAXSEG), where the system can."""
    with contextlib.suppress(OSError, AttributeError):
        listener.setsockopt(socket.IPPROTO_TCP, socket.TCP_MAXSEG, segment_bytes)


def await_request(listener: socket.socket, patience_s: int) -> None:
    """Connections count as made when their first bytes are there (TCP_DEFER_ACCEPT), where the system can. The
    handshake that the system measures then holds the request's time on the line, and so does its first timeout."""
    if sys.platform == "linux":
        with contextlib.suppress(OSError):
            listener.setsockopt(socket.IPPROTO_TCP, socket.TCP_DEFER_ACCEPT, patience_s)


def limit_buffer(sock: socket.socket, size_bytes: int) -> None:
    """The system takes no more than so many bytes ahead of what was acknowledged (SO_SNDBUF)."""
    with contextlib.suppress(OSError):
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, size_bytes)


def plain_control(sock: socket.socket) -> None:
    """The plain congestion control of RFC 5681 without pacing, where the system can: the pace is the line's."""
    if sys.platform == "linux":
        with contextlib.suppress(OSError):
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_CONGESTION, b"reno")

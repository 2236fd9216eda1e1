"""Hands bytes to the system for one connection: in turns where its client is on a line, and for as long as anything
moves."""

from __future__ import annotations

import socket
import time
from collections.abc import Callable

from discprep.serve.exchange import Stream
from discprep.serve.gate import Flow, Gate
from discprep.serve.kernel import broken, can_tell, handshake_seconds, limit_buffer, plain_control, unacknowledged

CHUNK_BYTES = 16_384
SEND_BUFFER_BYTES = 32_768  # bounds what the system holds for a client that reads nothing, and how far ahead it runs
LOOK_S = 2.0  # how often a blocked transfer is looked at
_MORE = getattr(socket, "MSG_MORE", 0)  # more comes, be it the end: it then goes along instead of after


class Pusher:
    """One connection's way out. `moved`: when a byte last moved; `handshake_s`: what the system measured.

    Args:
        sock: a new connection
        gate: the line that clients may be on; None: every client is as fast as the system's TCP makes it
        stall_s: how long nothing may move
    """

    def __init__(self, sock: socket.socket, gate: Gate | None, stall_s: float) -> None:
        self._sock, self._gate, self._stall_s = sock, gate, stall_s
        self._flow: Flow | None = None
        self.moved, self.handshake_s = time.monotonic(), handshake_seconds(sock)
        if gate:
            plain_control(sock)
        limit_buffer(sock, gate.blind_bytes if gate and not can_tell() else SEND_BUFFER_BYTES)

    def push(self, source: Stream, *, ends: bool, moved: Callable[[int], None] = lambda amount: None) -> None:
        """Sends all of it; `moved` is told what the system took. `ends`: the connection's end comes right after.

        Raises:
            OSError: the client is gone, or nothing moves
        """
        self.moved = time.monotonic()
        self._sock.settimeout(LOOK_S)
        if self._gate and self._flow is None and can_tell():
            self._flow = self._gate.join(self._sock, self.handshake_s)
        while source.left_bytes:
            for size in self._sizes(source.left_bytes):
                last = size == source.left_bytes and ends
                self._push_bytes(source.read(size), _MORE if last else 0, moved)

    def wait_acknowledged(self) -> None:
        """Until the other side has acknowledged all, or nothing moved for too long."""
        began = time.monotonic()
        queued = unacknowledged(self._sock)
        while queued and not broken(self._sock):
            # A thousandth of the time so far, so that waiting measures finely on fast lines and idles on slow ones.
            time.sleep(min(0.02, max(0.0005, (time.monotonic() - began) / 1000)))
            now_queued = unacknowledged(self._sock)
            self._note_movement(moved=now_queued != queued)
            queued = now_queued

    def leave(self) -> None:
        """The connection is over: nothing of it is on the line any more."""
        if self._gate and self._flow:
            self._gate.leave(self._flow)
            self._flow = None

    def _sizes(self, left_bytes: int) -> tuple[int, ...]:
        """What may be handed to the system now, in pieces."""
        if not self._gate or self._flow is None:
            return (min(left_bytes, CHUNK_BYTES),)
        queued = unacknowledged(self._sock)
        sizes = self._gate.turn(self._flow, left_bytes, LOOK_S)
        if not sizes and broken(self._sock):
            raise ConnectionResetError("the client is gone")
        idle = not queued  # it waits for others, not they for it
        self._note_movement(moved=bool(sizes) or idle or unacknowledged(self._sock) != queued)
        return sizes

    def _push_bytes(self, data: bytes, flags: int, moved: Callable[[int], None]) -> None:
        left = memoryview(data)
        queued = -1
        while left:
            try:
                count = self._sock.send(left, flags)
            except TimeoutError:
                count = 0
            now_queued = unacknowledged(self._sock)
            self._note_movement(moved=count > 0 or now_queued != queued)
            queued = now_queued
            left = left[count:]
            if self._flow:
                self._flow.written += count
            moved(count)

    def _note_movement(self, *, moved: bool) -> None:
        now = time.monotonic()
        if moved:
            self.moved = now
        elif now - self.moved > self._stall_s:
            raise TimeoutError("nothing moves")

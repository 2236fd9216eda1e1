"""A serial line made of time: two network namespaces whose packets cross a user-space line clocked byte by byte.

The kernel's own TCP stands at both ends. Each packet is framed (RFC 1055, RFC 1144, RFC 1662), its wire bytes are
counted, and it arrives when the line has had the time to carry them. Nothing here is shared with the model.
"""

import ctypes
import heapq
import os
import random
import select
import socket
import struct
import subprocess
import threading
import time
from collections import deque
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from statistics import median_high

import pytest

fcntl = pytest.importorskip("fcntl")

SERVER, CLIENT = "192.0.2.1", "192.0.2.2"
_CLONE_NEWNET = 0x40000000
_TUNSETIFF, _IFF_TUN, _IFF_NO_PI = 0x400454CA, 0x0001, 0x1000
_TCP_WINDOW_CLAMP, _SYN = 10, 0x02
_DEFAULT_MTU = 576  # beyond it newer kernels let a window grow that only the route or the socket limits
LIMITS = ("small", "both", "line", "clamp", "buffer")
# How the client's window is limited. small: the route's window, a small buffer where the kernel would let it grow, and
# rewritten; both: clamped by the socket and rewritten; line: rewritten only; clamp: the socket's clamp only; buffer: a
# small SO_RCVBUF only. Only "small" makes a client that knows its window, and acknowledges as such a one does.
ACKS = ("kernel", "second", "late")
# kernel: as the client's kernel makes them; second: every second segment, a single one after 0.2 s, as RFC 1122 4.2.3.2
# lets a machine do; late: each 0.2 s later.
_ACK_DELAY_S, _FIN_OR_RST = 0.2, 0x05
REQUEST = (
    b"GET /files/tools.zip HTTP/1.0\r\nHost: files.example\r\nUser-Agent: fetch/1.0\r\nAccept: */*\r\n\r\n"
)


@dataclass
class Setting:
    """One line and one download. `latency_s` is one way; `window` in bytes, 0 for none."""

    rate: int = 115_200
    protocol: str = "slip"
    mtu: int = 1500
    window: int = 8760
    latency_s: float = 0.025
    size: int = 100_000
    bits: int = 10
    error_rate: float = 0.0
    files: int = 1
    control: str = ""  # the server's congestion control; empty: the kernel's own choice
    joined: bool = True  # the server hands the head and the body to TCP in one piece
    limit: str = "small"  # how the window is limited: see LIMITS
    buffer_packets: int = 0  # what the bridge can hold, the packet on the line among them; 0: without bound
    accm: int = 0xFFFFFFFF
    acks: str = "kernel"  # the client's habit of acknowledging: see ACKS
    seed: int = 1


@dataclass
class Run:
    """One download as it went. `windows`: what each acknowledgement told [B]; `dropped`: by a full bridge; `again`:
    data packets to the client that carried nothing new; `most_waiting`: packets in the bridge at a time."""

    seconds: float
    windows: list[int] = field(default_factory=list)
    dropped: int = 0
    again: int = 0
    most_waiting: int = 0

    @property
    def window(self) -> int:
        """The window that the client told most of the time."""
        return int(median_high(self.windows))


def unshare_network() -> None:
    """Puts the calling thread into a new, empty network namespace. Descriptors opened before keep theirs."""
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.unshare(_CLONE_NEWNET):
        raise OSError(ctypes.get_errno(), "unshare")


def open_tun(address: str, peer: str, mtu: int, window: int = 0) -> int:
    """A tun device in the thread's namespace, up, with its route; `window`: the largest told over it, 0 for any."""
    fd = os.open("/dev/net/tun", os.O_RDWR | os.O_NONBLOCK)
    fcntl.ioctl(fd, _TUNSETIFF, struct.pack("16sH22x", b"line0", _IFF_TUN | _IFF_NO_PI))
    for words in (
        ["link", "set", "lo", "up"],
        ["link", "set", "line0", "mtu", str(mtu), "up"],
        ["addr", "add", address, "dev", "line0"],
        ["route", "add", peer, "dev", "line0", *(["window", str(window)] if window else [])],
    ):
        subprocess.run(["ip", *words], check=True)
    return fd


def set_ipv4(**values: object) -> None:
    for name, value in values.items():
        Path(f"/proc/sys/net/ipv4/{name}").write_text(str(value))


# ---------------------------------------------------------------------------------------------- wire bytes


def slip_size(packet: bytes) -> int:
    return len(packet) + packet.count(0xC0) + packet.count(0xDB) + 2


def ppp_size(packet: bytes, accm: int) -> int:
    """Address, control and protocol fields, FCS-16 taken as two random bytes' worth, one shared flag."""
    body = b"\xff\x03\x00\x21" + packet
    controls = sum(body.count(code) for code in range(32) if accm >> code & 1)
    return len(body) + body.count(0x7E) + body.count(0x7D) + controls + 2 + 1


class Compressor:
    """RFC 1144 3.2: what the header of a TCP packet becomes. Only sizes matter here, so bytes are built once."""

    def __init__(self) -> None:
        self.last: dict[bytes, tuple[int, ...]] = {}
        self.connection = b""

    def shrink(self, packet: bytes) -> tuple[bytes, bool]:
        """The packet as sent (without framing), and whether it was compressed."""
        if packet[9] != 6 or packet[0] != 0x45 or len(packet) < 40:
            return packet, False
        length = 20 + (packet[32] >> 4) * 4
        flags = packet[33]
        key = packet[12:24]
        (ident,) = struct.unpack_from("!H", packet, 4)
        seq, ack, _, window = struct.unpack_from("!IIHH", packet, 24)
        size = len(packet) - length
        now = (ident, seq, ack, window, size)
        before = self.last.get(key)
        if flags & 0x07 or not flags & 0x10:  # SYN, FIN, RST; no ACK: nothing is remembered (3.2.3)
            return packet, False
        if length != 40:  # options
            self.last[key] = now
            return packet, False
        self.last[key], same = now, self.connection == key
        self.connection = key
        if before is None:
            return packet, False
        return self._delta(packet, before, now, same)

    def _delta(self, packet, before, now, same):
        ident, ack, seq, window = (
            (now[i] - before[i]) & (0xFFFFFFFF if i in (1, 2) else 0xFFFF) for i in (0, 2, 1, 3)
        )
        if seq > 0xFFFF or ack > 0xFFFF:
            return packet, False
        if seq == ack == window == 0 and not (now[4] > 0 and before[4] == 0):
            return packet, False  # sent again: full header, so that the other side falls in step
        fields = bytearray()
        if window:
            fields += self._number(window)
        if ack:
            fields += self._number(ack)
        if seq and not (ack == 0 and window == 0 and seq == before[4]):  # special D: unidirectional data
            fields += self._number(seq)
        if ident != 1:
            fields += self._number(ident)
        header = bytes([0x00 if same else 0x40]) + (b"" if same else b"\0") + packet[36:38] + fields
        return header + packet[40:], True

    @staticmethod
    def _number(value: int) -> bytes:
        return bytes([value]) if 0 < value < 256 else b"\0" + struct.pack("!H", value)


class Wire:
    """One direction: a queue, a clock, a latency before or after it. `room`: packets it holds, 0 for any number."""

    def __init__(self, setting: Setting, before_s: float, after_s: float, seed: int, room: int = 0) -> None:
        self.setting, self.room = setting, room
        self.leaving: deque[float] = deque()  # when what is queued will have left
        self.dropped = self.most_waiting = 0
        self.before_s, self.after_s = before_s, after_s
        self.char_s = setting.rate / setting.bits
        self.free_at = 0.0
        self.compressor = Compressor()
        self.in_step = True
        self.random = random.Random(seed)
        self.bytes = 0

    def carry(self, packet: bytes, now: float) -> float | None:
        """When the packet has arrived; None when it is lost."""
        while self.leaving and self.leaving[0] <= now + self.before_s:
            self.leaving.popleft()
        if self.room and len(self.leaving) >= self.room:
            self.dropped += 1
            return None
        size, compressed = self.size(packet)
        self.bytes += size
        self.free_at = max(self.free_at, now + self.before_s) + size / self.char_s
        self.leaving.append(self.free_at)
        self.most_waiting = max(self.most_waiting, len(self.leaving))
        hurt = self.random.random() > (1 - self.setting.error_rate) ** size
        if self.setting.protocol == "cslip":
            if hurt:
                self.in_step = False
            elif not compressed:
                self.in_step = True
            hurt = hurt or not self.in_step
        return None if hurt else self.free_at + self.after_s

    def size(self, packet: bytes) -> tuple[int, bool]:
        if self.setting.protocol == "ppp":
            return ppp_size(packet, self.setting.accm), False
        compressed = False
        if self.setting.protocol == "cslip":
            packet, compressed = self.compressor.shrink(packet)
        return slip_size(packet), compressed


def limit_window(packet: bytes, window: int) -> bytes:
    """The packet with its TCP window no larger, checksum mended (RFC 1624): a receiver with a small, fixed buffer."""
    (told,) = struct.unpack_from("!H", packet, 34)
    if packet[9] != 6 or told <= window:
        return packet
    (checksum,) = struct.unpack_from("!H", packet, 36)
    total = (~checksum & 0xFFFF) + (~told & 0xFFFF) + window
    total = (total & 0xFFFF) + (total >> 16)
    total = (total & 0xFFFF) + (total >> 16)
    return packet[:34] + struct.pack("!HH", window, ~total & 0xFFFF) + packet[38:]


class Habit:
    """Holds back the client's pure acknowledgements, in its place, as `acks` says."""

    def __init__(self, acks: str) -> None:
        self.acks = acks
        self.taken: dict[bytes, int] = {}  # segments that the client got and did not acknowledge, by its port
        self.held: dict[bytes, tuple[float, bytes]] = {}

    def arrived(self, packet: bytes) -> None:
        """A packet reached the client."""
        if payload_of(packet):
            port = packet[22:24]
            self.taken[port] = self.taken.get(port, 0) + 1

    def leaving(self, packet: bytes, now: float) -> list[bytes]:
        """What goes up when the client's kernel sends a packet."""
        port = packet[20:22]
        if self.acks == "kernel" or payload_of(packet) or packet[33] & (_SYN | _FIN_OR_RST):
            self.held.pop(port, None)
            self.taken[port] = 0
            return [packet]
        if self.acks == "second" and self.taken.get(port, 0) != 1:
            self.held.pop(port, None)
            self.taken[port] = 0
            return [packet]
        if self.acks == "late":
            self.held[port + packet[28:32]] = (now + _ACK_DELAY_S, packet)
        else:
            self.held[port] = (self.held.get(port, (now + _ACK_DELAY_S, b""))[0], packet)
        return []

    def due(self, now: float) -> list[bytes]:
        ripe = [key for key, (when, _) in self.held.items() if when <= now]
        for key in ripe:
            self.taken[key[:2]] = 0
        return [self.held.pop(key)[1] for key in ripe]


def payload_of(packet: bytes) -> int:
    """Bytes of data in a TCP packet."""
    return len(packet) - 20 - (packet[32] >> 4) * 4 if packet[9] == 6 else 0


class Again:
    """Counts data packets that carry nothing new."""

    def __init__(self) -> None:
        self.count = 0
        self.high: dict[bytes, int] = {}

    def see(self, packet: bytes) -> None:
        size = payload_of(packet)
        if not size:
            return
        end = (struct.unpack_from("!I", packet, 24)[0] + size) & 0xFFFFFFFF
        high = self.high.get(packet[22:24])
        if high is not None and (end - high - 1) & 0x80000000:
            self.count += 1
        else:
            self.high[packet[22:24]] = end


def run_line(server_fd: int, client_fd: int, setting: Setting, stop: threading.Event, run: Run) -> None:
    """Carries packets both ways until told to stop."""
    down = Wire(setting, setting.latency_s, 0.0, setting.seed, setting.buffer_packets)
    up = Wire(setting, 0.0, setting.latency_s, setting.seed + 1000)
    ways = {server_fd: (down, client_fd), client_fd: (up, server_fd)}
    habit, again = Habit(setting.acks), Again()
    due: list[tuple[float, int, int, bytes]] = []
    count = 0
    while not stop.is_set():
        wait = max(0.0, min(0.05, due[0][0] - time.monotonic())) if due else 0.05
        wait = wait if not habit.held else min(wait, 0.005)
        carried = [(up, server_fd, packet) for packet in habit.due(time.monotonic())]
        for fd in select.select([server_fd, client_fd], [], [], wait)[0]:
            packet = os.read(fd, 65_536)
            if packet[0] >> 4 != 4:
                continue  # neighbour discovery of IPv6
            wire, other = ways[fd]
            if wire is up and setting.window and setting.limit in ("small", "both", "line"):
                packet = limit_window(packet, setting.window)
            if wire is up and not packet[33] & _SYN:
                run.windows += struct.unpack_from("!H", packet, 34)
            leaving = habit.leaving(packet, time.monotonic()) if wire is up else [packet]
            carried += [(wire, other, one) for one in leaving]
        for wire, other, packet in carried:
            if wire is down:
                again.see(packet)
            arrives = wire.carry(packet, time.monotonic())
            run.dropped, run.again, run.most_waiting = down.dropped, again.count, down.most_waiting
            if arrives is not None:
                count += 1
                heapq.heappush(due, (arrives, count, other, packet))
        while due and due[0][0] <= time.monotonic():
            _, _, other, packet = heapq.heappop(due)
            if other == client_fd:
                habit.arrived(packet)
            os.write(other, packet)


# ------------------------------------------------------------------------------------------------ download


def measure_all(settings: list[Setting], apart_s: float = 0.15) -> list[Run]:
    """Each download as it went, all under way together: they sleep, they do not compute. Started one after another,
    as a burst of starts would delay the handshakes that the server's first timeout comes from."""
    with ThreadPoolExecutor(len(settings)) as pool:
        started = []
        for setting in settings:
            started.append(pool.submit(measure, setting))
            time.sleep(apart_s)
        return [one.result() for one in started]


class Handler(BaseHTTPRequestHandler):
    """Sends the same bytes for every path, over HTTP/1.0."""

    def do_GET(self) -> None:
        self.send_response(200)
        self.send_header("Content-Type", "application/octet-stream")
        self.send_header("Content-Length", str(len(self.server.payload)))
        if self.server.joined:
            self._headers_buffer += [b"\r\n", self.server.payload]
            self.flush_headers()
        else:
            self.end_headers()
            self.wfile.write(self.server.payload)

    def log_message(self, *_args: object) -> None:
        pass


def measure(setting: Setting) -> Run:
    """A real download over the line, from the first SYN to the last byte. Runs in a thread of its own."""
    result: list[Run | BaseException] = []
    thread = threading.Thread(target=_measure_into, args=(setting, result))
    thread.start()
    thread.join()
    if isinstance(result[0], BaseException):
        raise result[0]
    return result[0]


def _measure_into(setting: Setting, result: list) -> None:
    try:
        result.append(_measure(setting))
    except BaseException as error:
        result.append(error)


def _measure(setting: Setting) -> Run:
    unshare_network()
    set_ipv4(tcp_no_metrics_save=1)
    server_fd = open_tun(SERVER, CLIENT, setting.mtu)
    server = HTTPServer((SERVER, 80), Handler)
    if setting.control:
        server.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_CONGESTION, setting.control.encode())
    rng = random.Random(setting.seed)
    server.joined = setting.joined
    server.payload = rng.randbytes(setting.size)
    unshare_network()
    set_ipv4(tcp_timestamps=0, tcp_sack=0, tcp_window_scaling=0, tcp_no_metrics_save=1)
    client_fd = open_tun(CLIENT, SERVER, setting.mtu, setting.window if setting.limit == "small" else 0)
    stop, run = threading.Event(), Run(0.0)
    threads = [
        threading.Thread(target=run_line, args=(server_fd, client_fd, setting, stop, run), daemon=True),
        threading.Thread(target=server.serve_forever, args=(0.05,), daemon=True),
    ]
    for thread in threads:
        thread.start()
    started = time.monotonic()
    try:
        for _ in range(setting.files):
            _get(setting)
        run.seconds = time.monotonic() - started
        return run
    finally:
        stop.set()
        server.shutdown()
        server.server_close()
        threads[0].join()
        os.close(server_fd)
        os.close(client_fd)


def _get(setting: Setting) -> None:
    with socket.socket() as client:
        if setting.window and setting.limit in ("both", "clamp"):  # newer kernels let it grow again
            client.setsockopt(socket.IPPROTO_TCP, _TCP_WINDOW_CLAMP, setting.window)
        if setting.window and setting.limit == "buffer":  # the kernel doubles it and keeps some for itself
            client.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, setting.window)
        if setting.window and setting.limit == "small" and setting.mtu > _DEFAULT_MTU:
            client.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, setting.window * 3 // 2)  # fits the window: measured
        client.settimeout(600)
        client.connect((SERVER, 80))
        client.sendall(REQUEST)
        with client.makefile("rb") as reply:
            while reply.readline() not in (b"\r\n", b""):
                pass
            body = reply.read(setting.size)  # the head told the length: the end of the connection is not waited for
    assert len(body) == setting.size, "the download is short"

"""The real `serve`, a process of its own, at the far end of the line made of time (`line_rig`)."""

import json
import os
import random
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from support import line_rig
from support.line_rig import CLIENT, SERVER, Run, Setting

REQUEST = "GET /{} HTTP/1.0\r\nHost: 192.0.2.1\r\nUser-Agent: fetch/1.0\r\nAccept: */*\r\n\r\n"
_LINK = """
[link]
rate = {rate}
framing = "8N1"
protocol = "{protocol}"
mtu = {mtu}
window = {window}
round_trip_ms = {round_trip_ms:g}
accm = {accm}
field_compression = false
header_compression = false

[bridge]
rate = {rate}
address = "{server}"
machine_address = "{client}"
"""
_PROFILE = 'format = 1\nname = "desk"\nprovides = ["unpack-zip"]\n\n[[volume]]\npath = "C:"\n'


@dataclass
class Pulled:
    """One client's download: from its first packet to the last byte of the body. `at`: when that was."""

    seconds: float
    head_bytes: int
    at: float


@dataclass
class Evening:
    """What came over the line: each client's download, the line's own count, what `serve` said of it."""

    pulled: list[Pulled]
    run: Run
    logged: list[dict]


def manifest(folder: Path, setting: Setting, *, told: bool, clients: int) -> Path:
    """A manifest with a file of random bytes for each client; without `told` it says nothing of the line."""
    lines = ["format = 1", 'title = "Reading room"', "bring_up = []", "[machine]", 'profile = "desk.toml"']
    lines += ["[medium]", 'kind = "cd-74"']
    if told:
        lines += _LINK.format(
            rate=setting.rate, protocol=setting.protocol, mtu=setting.mtu, window=setting.window,
            round_trip_ms=2000 * setting.latency_s, accm=setting.accm, server=SERVER, client=CLIENT,
        ).splitlines()  # fmt: skip
    rng = random.Random(setting.seed)
    for number in range(clients):
        (folder / f"file{number}.dat").write_bytes(rng.randbytes(setting.size))
        lines += ["[[item]]", f'id = "file{number}"', f'sources = ["file{number}.dat"]', f"size = {setting.size}",
                  'place = "later"']  # fmt: skip
    (folder / "desk.toml").write_text(_PROFILE)
    path = folder / "room.toml"
    path.write_text("\n".join(lines) + "\n")
    return path


@contextmanager
def shelf(path: Path, *more: str) -> Iterator[tuple[subprocess.Popen[str], dict]]:
    """A running `serve` in the thread's namespace, and its first line."""
    words = [sys.executable, "-m", "discprep", "serve", str(path), "--bind", f"{SERVER}:80", "--ftp", f"{SERVER}:21",
             "--json", *more, "--cache", str(path.parent / "cache")]  # fmt: skip
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout and process.stderr
            line = process.stdout.readline()
            assert line, process.stderr.read()
            yield process, json.loads(line)
        finally:
            process.kill()


def evening(
    setting: Setting, folder: Path, *, told: bool = True, clients: int = 1,
    ready: Callable[[], None] = lambda: None, fetch: Callable[[], None] | None = None,
) -> Evening:  # fmt: skip
    """So many clients at once pull a file each. `ready` is called, and may wait, when the server listens; `fetch` pulls
    instead, in the machine's namespace; the shelf is there over FTP too."""
    with ThreadPoolExecutor(1) as pool:  # a namespace belongs to a thread: the caller's own stays where it is
        return pool.submit(_evening, setting, folder, told, clients, ready, fetch).result()


def _evening(
    setting: Setting, folder: Path, told: bool, clients: int, ready: Callable[[], None],
    fetch: Callable[[], None] | None,
) -> Evening:  # fmt: skip
    path = manifest(folder, setting, told=told, clients=clients)
    line_rig.unshare_network()
    line_rig.set_ipv4(tcp_no_metrics_save=1)
    server_fd = line_rig.open_tun(SERVER, CLIENT, setting.mtu)
    with shelf(path) as (process, _):
        ready()
        _keep_time(process.pid)
        line_rig.unshare_network()
        line_rig.set_ipv4(tcp_timestamps=0, tcp_sack=0, tcp_window_scaling=0, tcp_no_metrics_save=1)
        client_fd = line_rig.open_tun(CLIENT, SERVER, setting.mtu, setting.window)
        _keep_time(0)
        stop, run = threading.Event(), Run(0.0)
        line = threading.Thread(target=line_rig.run_line, args=(server_fd, client_fd, setting, stop, run))
        line.start()
        try:
            if fetch:
                fetch()
            pulled = [] if fetch else _all(setting, clients)
            assert process.stdout
            logged = [json.loads(process.stdout.readline()) for _ in range(clients)]
            return Evening(pulled, run, logged)
        finally:
            stop.set()
            line.join()
            os.close(server_fd)
            os.close(client_fd)


def _keep_time(process: int) -> None:
    """A line's clock and what answers to it go before all else on a busy computer, as a machine's hardware would: this
    thread and those that it starts (0), or a process and those that it starts from now on."""
    with suppress(OSError, AttributeError):
        os.sched_setscheduler(process, os.SCHED_FIFO, os.sched_param(10))


def _all(setting: Setting, clients: int) -> list[Pulled]:
    found: dict[int, Pulled] = {}
    here = [socket.socket() for _ in range(clients)]  # a namespace belongs to a thread, a socket to its namespace
    threads = [
        threading.Thread(target=lambda n=n: found.update({n: get(here[n], f"file{n}.dat", setting)}))
        for n in range(clients)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return [found[number] for number in range(clients)]


def get(client: socket.socket, name: str, setting: Setting) -> Pulled:
    """One file over a fresh socket, its bytes compared with those that were offered."""
    with client:
        if setting.window and setting.mtu > line_rig._DEFAULT_MTU:
            client.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, setting.window * 3 // 2)
        client.settimeout(600)
        started = time.monotonic()
        client.connect((SERVER, 80))
        client.sendall(REQUEST.format(name).encode())
        head = 0
        with client.makefile("rb") as reply:
            while (line := reply.readline()) not in (b"\r\n", b""):
                head += len(line)
            body = reply.read(setting.size)
        at = time.monotonic()
    rng = random.Random(setting.seed)
    number = int(name.removeprefix("file").removesuffix(".dat"))
    assert body == [rng.randbytes(setting.size) for _ in range(number + 1)][number], "the download differs"
    return Pulled(at - started, head + 2, at)


def limit_s(setting: Setting, head_bytes: int, clients: int = 1) -> float:
    """What no server can beat [s]: the opening, then head and body in full packets, all at the line's rate. Wire bytes
    by the rig's own framing (RFC 1055, RFC 1144, RFC 1662)."""
    char_s = setting.rate / setting.bits
    rng, dice = random.Random(setting.seed), random.Random(1)
    ends = bytes.fromhex("c0000201 c0000202 0050")  # the two addresses and the server's port

    def header() -> bytes:
        fields = bytes.fromhex("45000400"), dice.randbytes(2), bytes.fromhex("40004006"), dice.randbytes(2), ends
        return b"".join(fields) + dice.randbytes(10) + bytes.fromhex("5010") + dice.randbytes(4) + bytes(2)

    def wire_s(data: bytes, *, shrunk: bool = False) -> float:
        packet = (dice.randbytes(3) if shrunk and setting.protocol == "cslip" else header()) + data
        if setting.protocol == "ppp":
            return line_rig.ppp_size(packet, setting.accm) / char_s
        return line_rig.slip_size(packet) / char_s

    request = REQUEST.format("file0.dat").encode()
    opening = 2 * wire_s(bytes(4)) + wire_s(b"") + wire_s(request, shrunk=True) + wire_s(b"") + 4 * setting.latency_s
    body = b"".join(bytes(head_bytes) + rng.randbytes(setting.size) for _ in range(clients))
    step = setting.mtu - 40
    return opening + sum(wire_s(body[at : at + step], shrunk=True) for at in range(0, len(body), step))

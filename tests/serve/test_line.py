"""End to end over a serial line made of time: the logged rate of one file gives the time of the next.

The line is a byte-clocked one between two network namespaces with the kernel's own TCP at both ends; it shares nothing
with the model.
"""

import os
import random
import socket
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import pytest
from support import line_rig
from support.clients import offer, shelf_file
from support.line_rig import CLIENT, SERVER, Setting
from support.links import download
from support.programs import program, root_with
from support.queued import queued_s

from discprep.link.calibrate import Measured, calibrate, calibrated
from discprep.link.encapsulation import negotiated
from discprep.link.path import path_of
from discprep.model import LinkSettings, Seconds
from discprep.serve import log
from discprep.serve.gate import Gate
from discprep.serve.keeper import Keeper
from discprep.serve.server import Server
from discprep.serve.shelf import Shelf

FIRST_BYTES, NEXT_BYTES = 20_000, 30_000


def evening(setting: Setting, told: LinkSettings, folder: Path) -> list[tuple[float, float]]:
    """Serves two files over the line. Returns what the client's own watch says of each, and the part of it that a busy
    computer may have added."""
    line_rig.unshare_network()
    line_rig.set_ipv4(tcp_no_metrics_save=1)
    server_fd = line_rig.open_tun(SERVER, CLIENT, setting.mtu)
    rng = random.Random(setting.seed)
    files = [shelf_file(folder, f"{size}.DAT", rng.randbytes(size)) for size in (FIRST_BYTES, NEXT_BYTES)]
    keeper = Keeper(Shelf("t", tuple(map(offer, files))), log_file=folder / "pulls.jsonl")
    server = Server(SERVER, 80, keeper, gate=Gate(path_of(told, None, None)))
    acceptor = threading.Thread(target=server.run)
    acceptor.start()
    line_rig.unshare_network()
    line_rig.set_ipv4(tcp_timestamps=0, tcp_sack=0, tcp_window_scaling=0, tcp_no_metrics_save=1)
    client_fd = line_rig.open_tun(CLIENT, SERVER, setting.mtu)
    stop = threading.Event()
    line = threading.Thread(target=line_rig.run_line, args=(server_fd, client_fd, setting, stop, line_rig.Run(0.0)))
    line.start()
    try:
        # The list first, as a person does: by it the server learns how late acknowledgements come.
        fetch("LIST.TXT", None, setting)
        return [fetch(f"{size}.DAT", size, setting) for size in (FIRST_BYTES, NEXT_BYTES)]
    finally:
        limit = time.monotonic() + 10
        while len(log.read(folder / "pulls.jsonl")) < 2 and time.monotonic() < limit:
            time.sleep(0.05)
        server.stop()
        acceptor.join()
        server.abort()
        stop.set()
        line.join()
        os.close(server_fd)
        os.close(client_fd)


def fetch(name: str, size: int | None, setting: Setting) -> tuple[float, float]:
    with socket.socket() as client:
        if setting.window:
            client.setsockopt(socket.IPPROTO_TCP, line_rig._TCP_WINDOW_CLAMP, setting.window)
        client.settimeout(120)
        started = time.monotonic()
        client.connect((SERVER, 80))
        client.sendall(f"GET /{name} HTTP/1.0\r\nUser-Agent: fetch/1.0\r\nAccept: */*\r\n\r\n".encode())
        received, before_s = bytearray(), queued_s()
        while chunk := client.recv(65_536):
            received += chunk
        elapsed = time.monotonic() - started
    assert size is None or len(received.partition(b"\r\n\r\n")[2]) == size
    return elapsed, (queued_s() - before_s) / elapsed


def in_thread(setting: Setting, told: LinkSettings, folder: Path) -> list[tuple[float, float]]:
    """A namespace belongs to a thread: the test's own stays where it is."""
    with ThreadPoolExecutor(1) as pool:
        return pool.submit(evening, setting, told, folder).result()


STANDARD_PPP = negotiated(LinkSettings(57_600, "8N1", "ppp", 296, None, 0.06), standard=True)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("setting", "told"),
    [
        (Setting(115_200, "slip", 576, 4288, 0.05), LinkSettings(115_200, "8N1", "slip", 576, 4288, 0.1)),
        (Setting(57_600, "slip", 576, 4288, 0.1), LinkSettings(57_600, "8N1", "slip", 576, None, 0.14)),
        (Setting(57_600, "ppp", 296, 0, 0.02), STANDARD_PPP),
    ],
    ids=["settings-as-they-are", "window-and-latency-unknown", "ppp"],
)
def test_the_logged_rate_calibrates_the_estimate(tmp_path: Path, setting: Setting, told: LinkSettings) -> None:
    """Within 2 % on the next file, against the client's own watch; and the log agrees with that watch to 2 %. So much
    more as both waited for a core."""
    root_with("/dev/net/tun")
    program("ip")
    watched = in_thread(setting, told, tmp_path)
    logged = log.read(tmp_path / "pulls.jsonl")
    assert [transfer.bytes for transfer in logged] == [FIRST_BYTES, NEXT_BYTES]
    rel = 0.02 + sum(share for _, share in watched)
    for transfer, (watch, _) in zip(logged, watched, strict=True):
        assert transfer.seconds == pytest.approx(watch, rel=rel)

    def model(size_bytes: int) -> Seconds:
        # The shelf is asked by number: no name is looked up.
        return download(size_bytes, escapes=None, link=replace(told, name_lookup=False), bridge=None, profile=None)

    ((size, seconds),) = log.measured(logged[:1])
    calibration, _ = calibrate([Measured(size, seconds)], model)
    assert calibrated(model(NEXT_BYTES), calibration).expected == pytest.approx(watched[1][0], rel=rel)

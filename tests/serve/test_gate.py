"""The line's turns: who is on the line, that none holds the others up, and that the real `serve` floods no line."""

import ftplib
import io
import socket
import time
from dataclasses import replace
from pathlib import Path

import pytest
from support.clients import offer, random_bytes, serving, shelf_file
from support.line_rig import SERVER, Setting
from support.line_serve import evening
from support.programs import program, root_with

from discprep.link.path import path_of
from discprep.model import LinkSettings
from discprep.serve import gate as gates
from discprep.serve import kernel
from discprep.serve.gate import Gate
from discprep.serve.kernel import Told
from discprep.serve.shelf import Shelf

SLOW = path_of(LinkSettings(1200, mtu_bytes=1500, window_bytes=8192), None, None)
HANDSHAKE_S = 1.0  # at 120 characters a second two packets of 46 and 42 take 0.73 s


class System:
    """A system's TCP and its clock, in the gate's place: sockets are numbers, nothing is acknowledged by itself."""

    def __init__(self, patch: pytest.MonkeyPatch, timeout_s: float = 60.0) -> None:
        self.now, self.waiting = 100.0, {}
        self.timeout_s = timeout_s
        patch.setattr(gates, "unacknowledged", lambda sock: self.waiting[sock])
        patch.setattr(gates, "told", lambda sock: Told(self.timeout_s, 1460, 0.1))

    def clock(self) -> float:
        return self.now

    def write(self, flow: gates.Flow, sizes: tuple[int, ...]) -> None:
        self.waiting[flow.sock] = self.waiting.get(flow.sock, 0) + sum(sizes)
        flow.written += sum(sizes)


def test_flows_share_what_the_line_holds(monkeypatch: pytest.MonkeyPatch) -> None:
    """Three full segments in all, not three each."""
    system = System(monkeypatch)
    gate = Gate(SLOW, system.clock)
    flows = [gate.join(number, HANDSHAKE_S) for number in (1, 2)]
    system.waiting = {1: 0, 2: 0}
    for flow in (flows[0], flows[1], flows[0]):
        sizes = gate.turn(flow, 9000, 0)
        assert sizes == (1460,)
        system.write(flow, sizes)
    assert gate.turn(flows[1], 9000, 0) == ()
    system.waiting[1] -= 1460
    system.now += 12.5
    assert gate.turn(flows[1], 9000, 0) == (1460,)


def test_who_does_not_answer_holds_nobody_up(monkeypatch: pytest.MonkeyPatch) -> None:
    """What has not moved for far longer than line and round trip explain counts no more, and gets no more."""
    system = System(monkeypatch)
    gate = Gate(SLOW, system.clock)
    dead, alive = (gate.join(number, HANDSHAKE_S) for number in (1, 2))
    system.waiting = {1: 0, 2: 0}
    for _ in range(3):
        system.write(dead, gate.turn(dead, 90_000, 0))
    assert gate.turn(dead, 90_000, 0) == () == gate.turn(alive, 90_000, 0)
    system.now += 120
    assert gate.turn(dead, 90_000, 0) == ()
    assert gate.turn(alive, 90_000, 0) == (1460,)
    system.waiting[1] = 0
    assert gate.turn(dead, 90_000, 0) == (1460,), 'it moves again'


def test_bytes_that_are_still_to_be_written_are_not_acknowledged(monkeypatch: pytest.MonkeyPatch) -> None:
    """A flow was granted its turn and its thread has not written yet: nothing waits, and nothing has arrived either."""
    system = System(monkeypatch)
    gate = Gate(SLOW, system.clock)
    slow, other = (gate.join(number, HANDSHAKE_S) for number in (1, 2))
    system.waiting = {1: 0, 2: 0}
    assert [gate.turn(slow, 9000, 0) for _ in range(3)] == [(1460,)] * 3
    assert gate.turn(other, 9000, 0) == ()
    assert not slow.free


def test_who_is_faster_than_the_line_is_not_on_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """By the handshake, and by the first bytes where a handshake took long for another reason."""
    system = System(monkeypatch)
    gate = Gate(SLOW, system.clock)
    assert gate.join(1, 0.001).free
    assert not gate.join(3, 0.0).free, "nothing was measured"
    system.waiting[3] = 0
    late = gate.join(2, HANDSHAKE_S)
    system.waiting = {1: 0, 2: 0}
    system.write(late, gate.turn(late, 90_000, 0))
    system.waiting[2] = 0
    system.now += 0.01
    assert gate.turn(late, 90_000, 0) == (gates.FREE_BYTES,)


def test_a_page_on_this_network_is_not_slowed(tmp_path: Path) -> None:
    """300,000 bytes take 42 minutes at 1,200 bit/s; the test's own limit is far below."""
    big = shelf_file(tmp_path, "BIG.DAT", random_bytes(300_000))
    with serving(Shelf("t", (offer(big),)), gate=Gate(SLOW)) as run:
        assert run.ask("/BIG.DAT")[2] == random_bytes(300_000)
        assert len(run.ask("/")[2]) > 100


def test_the_good_client_finishes_beside_those_that_never_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ten that ask and never read, all counted as on the line; each holds it up for its patience at most."""
    monkeypatch.setattr(gates, "_FASTER", 0.0)
    monkeypatch.setattr(gates, "_GONE_S", 0.05)
    quick = path_of(LinkSettings(921_600, mtu_bytes=1500, window_bytes=8192, round_trip_s=0.0), None, None)
    big = shelf_file(tmp_path, "BIG.DAT", random_bytes(400_000))
    with serving(Shelf("t", (offer(big),)), gate=Gate(quick)) as run:
        held = []
        for _ in range(10):
            sock = socket.socket()
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
            sock.connect(("127.0.0.1", run.port))
            sock.sendall(b"GET /BIG.DAT HTTP/1.0\r\n\r\n")
            held.append(sock)
        assert run.ask("/BIG.DAT")[2] == random_bytes(400_000)
        assert run.server.connections >= 10, "and they are still there"
        for sock in held:
            sock.close()
        ends = time.monotonic() + 20
        while run.server.connections and time.monotonic() < ends:
            time.sleep(0.05)
        assert run.server.connections == 0, "who has gone is let go"


def test_a_system_that_tells_nothing_gets_the_least_buffer(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Linux doubles what SO_SNDBUF asks for (socket(7)): two segments of 1,460 bytes are asked."""
    from discprep.serve import pusher as servers

    monkeypatch.setattr(servers, "can_tell", lambda: False)
    sizes: list[int] = []
    real = servers.limit_buffer
    monkeypatch.setattr(servers, "limit_buffer", lambda sock, size: sizes.append(size) or real(sock, size))
    big = shelf_file(tmp_path, "BIG.DAT", random_bytes(30_000))
    with serving(Shelf("t", (offer(big),)), gate=Gate(SLOW)) as run:
        assert run.ask("/BIG.DAT")[2] == random_bytes(30_000)
    assert set(sizes) == {2 * 1460}


def test_what_the_system_tells() -> None:
    """Against a connection of this computer's own: a timeout of at least 0.2 s (measured; RFC 6298 2.4 asks for 1 s),
    and what the other side has not read counts until it does."""
    with socket.create_server(("127.0.0.1", 0)) as listener, socket.create_connection(listener.getsockname()) as near:
        far, _ = listener.accept()
        with far:
            found = kernel.told(near)
            assert found and found.timeout_s >= 0.2 and 0 < found.round_trip_s < 0.1
            assert kernel.unacknowledged(near) == 0
            near.setblocking(False)
            sent = near.send(bytes(30_000_000))
            assert 0 < kernel.unacknowledged(near) <= sent
            while sent > 0:
                sent -= len(far.recv(65_536))
            limit = time.monotonic() + 20
            while kernel.unacknowledged(near) and time.monotonic() < limit:
                time.sleep(0.001)
            assert kernel.unacknowledged(near) == 0


# Lines on which a system's TCP alone sends again what only waits: 11 to 60 packets in the bench's runs.
FLOODED = Setting(19_200, "slip", 1006, 8192, 0.005, 5000)


def over_ftp(address: str, port: int, name: str) -> bytes:
    came = io.BytesIO()
    with ftplib.FTP() as ftp:
        ftp.connect(address, port, timeout=120)
        ftp.login()
        ftp.retrbinary(f"RETR {name}", came.write)
    return came.getvalue()


@pytest.mark.slow
def test_ftp_floods_the_line_no_more(tmp_path: Path) -> None:
    """The same line, the same file, over FTP: the bound is the line's, not a protocol's."""
    root_with("/dev/net/tun")
    program("ip", "iproute2")
    came: list[bytes] = []
    setting = replace(FLOODED, buffer_packets=5)
    found = evening(setting, tmp_path, fetch=lambda: came.append(over_ftp(SERVER, 21, "file0.dat")))
    assert came == [(tmp_path / "file0.dat").read_bytes()]
    assert (found.run.again, found.run.dropped) == (0, 0)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("setting", "clients"),
    [
        (FLOODED, 1),
        (replace(FLOODED, size=3000, buffer_packets=5), 2),
        (replace(FLOODED, rate=9600, mtu=1500, latency_s=0.06, size=3000, buffer_packets=4), 1),
        (replace(FLOODED, acks="late", buffer_packets=4), 1),
    ],
    ids=["large-packets", "two-clients", "bridge-of-4", "late-acknowledgements"],
)
def test_nothing_is_sent_again_and_nothing_dropped(tmp_path: Path, setting: Setting, clients: int) -> None:
    """The real `serve` over a line made of time, counted on the line itself; the bytes are compared at the client."""
    root_with("/dev/net/tun")
    program("ip", "iproute2")
    found = evening(setting, tmp_path, clients=clients)
    assert (found.run.again, found.run.dropped) == (0, 0)
    assert found.run.most_waiting <= (5 if clients > 1 else 4)
    assert all(line["complete"] for line in found.logged)

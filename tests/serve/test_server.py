"""The shelf over real sockets: replies, bounds, slow and hostile clients, what is logged, how it ends."""

import gc
import json
import random
import socket
import sys
import threading
import time
import tracemalloc
from dataclasses import replace
from pathlib import Path

import pytest
from support.clients import (
    TIME_S,
    TRAVERSALS,
    malformed,
    offer,
    random_bytes,
    read_all,
    reading_room,
    serving,
    shelf_file,
    split_reply,
    wait_until,
)

from discprep.errors import MissingError
from discprep.model import Silent
from discprep.serve import log
from discprep.serve.exchange import Reply, Sent
from discprep.serve.http import Request
from discprep.serve.keeper import Keeper
from discprep.serve.server import Bounds, Server
from discprep.serve.shelf import Offer, Shelf
from discprep.serve.take_in import TakeIn

TOOLS = random_bytes(150_000)


def test_whole_file_with_lengths_types_and_dates(tmp_path: Path) -> None:
    with serving(reading_room(tmp_path)) as run:
        status, headers, body = run.ask("/TOOLS.LHA")
    assert (status, body) == (200, TOOLS)
    assert headers["content-length"] == "150000"
    assert headers["content-type"] == "application/x-lha"
    assert headers["last-modified"] == "Mon, 24 Oct 1994 13:20:00 GMT"
    assert headers["accept-ranges"] == "bytes"


def test_head_says_the_same_without_the_bytes(tmp_path: Path) -> None:
    """RFC 9110 9.3.2: the same headers as GET."""
    with serving(reading_room(tmp_path)) as run:
        got, asked = (run.ask("/MAPS.ZIP", method=method) for method in ("GET", "HEAD"))
    assert asked[2] == b""
    for headers in (got[1], asked[1]):
        headers.pop("date")
    assert got[:2] == asked[:2]


def test_simple_request_gets_the_bytes_alone(tmp_path: Path) -> None:
    """RFC 1945 6: the reply to a simple request is the entity body and nothing else."""
    with serving(reading_room(tmp_path)) as run:
        assert run.raw(b"GET /TOOLS.LHA\r\n") == TOOLS
        assert run.raw(b"GET /tools.lha\n", half_close=True) == TOOLS
        assert run.raw(b"GET /EMPTY.DAT\r\n") == b""
        assert run.raw(b"GET /\r\n").startswith(b"<!DOCTYPE HTML")


def test_a_part_and_its_refusals(tmp_path: Path) -> None:
    with serving(reading_room(tmp_path)) as run:
        status, headers, body = run.ask("/TOOLS.LHA", "Range: bytes=100-199")
        assert (status, body, headers["content-range"]) == (206, TOOLS[100:200], "bytes 100-199/150000")
        status, headers, body = run.ask("/TOOLS.LHA", "Range: bytes=150000-")
        assert (status, headers["content-range"]) == (416, "bytes */150000")
        status, _, body = run.ask("/TOOLS.LHA", "Range: bytes=100-", 'If-Range: "changed"')
        assert (status, body) == (200, TOOLS)
        tag = run.ask("/TOOLS.LHA")[1]["etag"]
        assert run.ask("/TOOLS.LHA", "Range: bytes=149999-", f"If-Range: {tag}")[0] == 206
        assert run.ask("/TOOLS.LHA", f"If-None-Match: {tag}")[0] == 304


def test_one_connection_serves_several_requests(tmp_path: Path) -> None:
    """RFC 9112 9.3, and 9.3.2: requests sent ahead are answered in order."""
    ask = b"GET /%s HTTP/1.1\r\nHost: x\r\n\r\n"
    last = b"HEAD /MAPS.ZIP HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n"
    with serving(reading_room(tmp_path)) as run:
        reply = run.raw(ask % b"GUIDE/README.TXT" + ask % b"nothing" + ask % b"TOOLS.LHA" + last)
    status, headers, rest = split_reply(reply)
    assert (status, headers["connection"], rest[:14]) == (200, "keep-alive", b"Reading room\r\n")
    status, headers, rest = split_reply(rest[14:])
    assert status == 404
    status, _, rest = split_reply(rest[int(headers["content-length"]) :])
    assert (status, rest[:150_000]) == (200, TOOLS)
    status, headers, rest = split_reply(rest[150_000:])
    assert (status, headers["connection"], headers["content-length"], rest) == (200, "close", "40000", b"")


def test_keep_alive_of_http_1_0_is_taken_up(tmp_path: Path) -> None:
    with serving(reading_room(tmp_path)) as run, socket.create_connection(("127.0.0.1", run.port), 20) as sock:
        for _ in range(2):
            sock.sendall(b"GET /GUIDE/README.TXT HTTP/1.0\r\nConnection: Keep-Alive\r\n\r\n")
            received = b""
            while not received.endswith(b"Reading room\r\n"):
                received += sock.recv(4096)
            assert b"Connection: keep-alive" in received


@pytest.mark.parametrize("version", ["1.0", "1.1"])
def test_names_beyond_ascii(tmp_path: Path, version: str) -> None:
    """A name in the machine's charset, in UTF-8, and typed raw with its blanks."""
    with serving(reading_room(tmp_path)) as run:
        for path in ("/GUIDE/caf%E9%20&%20co.txt", "/GUIDE/caf%C3%A9%20%26%20co.txt", "/GUIDE/caf\u00e9 & co.txt"):
            assert run.ask(path, version=version)[2] == b"menu"


@pytest.mark.parametrize("path", TRAVERSALS)
def test_no_path_leaves_the_shelf(tmp_path: Path, path: str) -> None:
    """Traversal in every encoding (common practice, no source): words, never a byte of a file."""
    secret = b"Reading room\r\n"
    (tmp_path / "etc").mkdir()
    (tmp_path / "etc" / "passwd").write_bytes(secret)
    with serving(reading_room(tmp_path)) as run:
        status, headers, body = run.ask(f"/{path}")
        assert (status, headers["content-type"]) in ((404, "text/html"), (400, "text/html"))
        assert secret not in body
        simple = run.raw(f"GET /{path}\r\n".encode())
        assert secret not in simple


def test_other_methods_are_refused(tmp_path: Path) -> None:
    with serving(reading_room(tmp_path)) as run:
        status, headers, _ = run.ask("/TOOLS.LHA", "Content-Length: 5", method="PUT")
        assert (status, headers["allow"]) == (405, "GET, HEAD")
        assert run.ask("/", method="BREW")[0] == 501


def test_malformed_requests_over_sockets(tmp_path: Path) -> None:
    """300 of them (seed 11): each is answered or closed, none leaks a file it did not name, the server lives on."""
    rng = random.Random(11)
    bounds = Bounds(idle_s=0.3, head_s=0.3)
    with serving(reading_room(tmp_path), bounds) as run:
        for _ in range(300):
            data = malformed(rng)
            reply = run.raw(data, half_close=True)
            assert b"Reading room\r\n" not in reply or b"GUIDE" in data
        assert run.ask("/TOOLS.LHA")[2] == TOOLS
        wait_until(lambda: run.server.connections <= 1)


def test_endless_heads_are_cut_off(tmp_path: Path) -> None:
    with serving(reading_room(tmp_path)) as run:
        for piece in (b"GET /" + b"A" * 100_000, b"GET / HTTP/1.0\r\n" + b"X: y\r\n" * 50_000, b"\r\n" * 50_000):
            assert split_reply(run.raw(piece))[0] in (400, 414, 431)


def test_a_head_that_comes_too_slowly_ends(tmp_path: Path) -> None:
    bounds = Bounds(head_s=0.2, idle_s=0.2)
    with serving(reading_room(tmp_path), bounds) as run:
        assert split_reply(run.raw(b"GET / HTTP/1.0\r\nX: "))[0] == 408
        assert run.raw(b"") == b""


def test_one_fast_client_beside_fifty_slow_ones(tmp_path: Path) -> None:
    """The fast one is served whole while all slow ones still hold their connections."""
    with serving(reading_room(tmp_path)) as run:
        slow = [socket.create_connection(("127.0.0.1", run.port), 20) for _ in range(50)]
        for number, sock in enumerate(slow):
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
            sock.sendall(b"GET /TOOLS.LHA HTTP/1.0\r\n" + (b"\r\n" if number % 2 else b"X: half a head"))
        wait_until(lambda: run.server.connections == 50)
        assert run.ask("/TOOLS.LHA")[2] == TOOLS
        assert run.server.connections >= 50
        assert b"200 OK" in slow[1].recv(500), "and the slow ones are still served"
        for sock in slow:
            sock.close()


def test_waiting_clients_make_room(tmp_path: Path) -> None:
    """Half-open and silent connections cannot keep the machine out: the longest-waiting one loses its place."""
    bounds = Bounds(connections=5, evict_waiting_s=0.0)
    with serving(reading_room(tmp_path), bounds) as run:
        idle = [socket.create_connection(("127.0.0.1", run.port), 20) for _ in range(20)]
        assert run.ask("/TOOLS.LHA")[2] == TOOLS
        assert run.server.connections <= 5
        assert read_all(idle[0]) == b""
        for sock in idle:
            sock.close()


def test_a_full_server_says_so(tmp_path: Path) -> None:
    bounds = Bounds(connections=1)
    with serving(reading_room(tmp_path), bounds) as run, socket.create_connection(("127.0.0.1", run.port), 20):
        wait_until(lambda: run.server.connections == 1)
        status, headers, _ = split_reply(run.raw(b""))
        assert (status, headers["retry-after"]) == (503, "10")


def test_a_full_server_says_so_to_who_has_asked_already(tmp_path: Path) -> None:
    """Bytes that nobody reads would reset the connection (RFC 9293 3.10.4), and the words with it."""
    with serving(reading_room(tmp_path), Bounds(connections=1)) as run:
        first = socket.create_connection(("127.0.0.1", run.port), 20)
        wait_until(lambda: run.server.connections == 1)
        with run.server._lock:  # the acceptor waits for it until the request is there
            late = socket.create_connection(("127.0.0.1", run.port), 20)
            late.sendall(b"GET / HTTP/1.0\r\n\r\n" + b"x" * 4000)
            time.sleep(0.1)
        said = b"".join(iter(lambda: late.recv(4096), b""))  # a reset would raise
        assert split_reply(said)[0] == 503
        late.close()
        first.close()


@pytest.mark.skipif(sys.platform != "linux", reason="needs a second address of loopback")
def test_who_holds_most_places_gives_one_up(tmp_path: Path) -> None:
    """Files that trickle in never stand still: others get in all the same, and the same client gets no more."""
    takes = TakeIn(tmp_path / "in", lambda taken: None)
    with serving(reading_room(tmp_path), Bounds(connections=4), takes=takes) as run:
        held = []
        for number in range(6):
            sock = socket.create_connection(("127.0.0.1", run.port), 20, ("127.0.0.2", 0))
            sock.sendall(b"PUT /x%d HTTP/1.0\r\nContent-Length: 9000\r\n\r\nabc" % number)
            wait_until(lambda: run.server.running == min(4, len(held) + 1))
            held.append(sock)
        assert split_reply(read_all(held[-1]))[0] == 503
        assert run.ask("/TOOLS.LHA")[2] == TOOLS
        assert read_all(held[0]) == b"", "the oldest went"
        for sock in held:
            sock.close()


def test_who_does_not_hang_up_holds_a_place(tmp_path: Path) -> None:
    """A connection that is over lingers a while in its thread: such threads are counted too."""
    with serving(reading_room(tmp_path), Bounds(connections=3)) as run:
        threads = threading.active_count()
        refused = [socket.create_connection(("127.0.0.1", run.port), 20) for _ in range(12)]
        for sock in refused:
            sock.sendall(b"BAD\r\n\r\n")
        time.sleep(0.5)
        assert threading.active_count() <= threads + 4
        for sock in refused:
            sock.close()


def test_memory_stays_bounded_under_hostile_clients(tmp_path: Path) -> None:
    """200 endless heads and 100 readers that never read, one after another: under 4 MiB of Python memory more."""
    bounds = Bounds(connections=40, evict_waiting_s=0.0, evict_stalled_s=0.0)
    with serving(reading_room(tmp_path), bounds) as run:
        run.ask("/TOOLS.LHA")
        gc.collect()
        tracemalloc.start()
        for _ in range(200):
            run.raw(b"GET / HTTP/1.0\r\n" + b"Cookie: " + b"z" * 60_000)
        held = []
        for _ in range(100):
            sock = socket.create_connection(("127.0.0.1", run.port), 20)
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
            sock.sendall(b"GET /TOOLS.LHA HTTP/1.0\r\n\r\n")
            held.append(sock)
        _, peak = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        for sock in held:
            sock.close()
    assert peak < 4 * 2**20


def test_many_small_parts_cost_no_memory_and_no_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A client that asks for every other byte: what is kept of it stays bounded, a long stretch counts beside it, and
    only the entries of that file change."""
    monkeypatch.setattr("discprep.serve.keeper.MOST_LOGGED", 3)
    pulls = tmp_path / "first.pulls.jsonl"
    told: list[str] = []
    progress = type("Told", (Silent,), {"say": lambda self, message: told.append(message)})()
    keeper = Keeper(reading_room(tmp_path), log_file=pulls, progress=progress)
    before = keeper.stock
    tools = before.offers[0].files[0]
    for first, size in [(2 * n, 1) for n in range(1100)] + [(50_000, 100_000)]:
        reply = Reply(206, {}, b"", str(tools.content.path), first, size, tools)
        keeper.sent("1.1", Sent(reply, Request("GET", b"", (1, 1)), "192.0.2.9", 1, size, 0.1, fresh=False))
    after = keeper.stock
    assert after.offers[0].had_bytes == 100_000 + log.MOST_APART - 1
    assert keeper.transfers == 1101 and keeper.sent_bytes == 101_100
    assert len(log.read(pulls)) == 3 and told == ["3 transfers in this run: no more of them are logged"]
    assert all(a is b for a, b in zip(after.offers[1:], before.offers[1:], strict=True))


# --------------------------------------------------------------------------------------------------- log


def test_each_transfer_is_logged(tmp_path: Path) -> None:
    pulls = tmp_path / "first.pulls.jsonl"
    with serving(reading_room(tmp_path), log_file=pulls) as run:
        run.ask("/TOOLS.LHA")
        wait_until(lambda: len(log.read(pulls)) == 1)  # each connection writes its own line
        run.ask("/TOOLS.LHA", "Range: bytes=100000-")
        run.ask("/MAPS.ZIP", method="HEAD")
        run.ask("/")
        wait_until(lambda: len(log.read(pulls)) == 2)
    whole, part = log.read(pulls)
    assert (whole.item, whole.file, whole.bytes) == ("tools", "TOOLS.LHA", 150_000)
    assert (whole.resumed, whole.complete) == (False, True)
    assert (part.first_byte, part.bytes, part.resumed, part.complete) == (100_000, 50_000, True, True)
    assert whole.client == "127.0.0.1"
    assert whole.rate_bytes_s == pytest.approx(whole.bytes / whole.seconds, rel=0.01)


def test_an_interrupted_transfer_counts_what_arrived_and_resumes(tmp_path: Path) -> None:
    pulls = tmp_path / "first.pulls.jsonl"
    big = shelf_file(tmp_path, "BIG.DAT", random_bytes(3_000_000, 5))
    with serving(Shelf("t", (offer(big),)), log_file=pulls) as run:
        with socket.create_connection(("127.0.0.1", run.port), 20) as sock:
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            sock.sendall(b"GET /BIG.DAT\r\n")
            got = len(sock.recv(20_000))
        wait_until(lambda: len(log.read(pulls)) == 1)
        first = log.read(pulls)[0]
        assert not first.complete
        assert got <= first.bytes < 3_000_000
        state = run.keeper.stock.offers[0]
        assert 0 < state.had_bytes < 3_000_000 and not state.pulled
        assert b"% pulled" in run.raw(b"GET /\r\n")
        run.ask("/BIG.DAT", f"Range: bytes={got}-")
        wait_until(lambda: run.keeper.stock.offers[0].pulled)
    with serving(Shelf("t", (offer(big),)), log_file=pulls) as run:
        assert run.keeper.stock.offers[0].pulled, "a month later the log still says so"


def test_the_log_survives_a_torn_line(tmp_path: Path) -> None:
    pulls = tmp_path / "x.pulls.jsonl"
    with serving(reading_room(tmp_path), log_file=pulls) as run:
        run.ask("/MAPS.ZIP")
        wait_until(lambda: len(log.read(pulls)) == 1)
    pulls.write_text(pulls.read_text() + pulls.read_text()[:80])
    log.append(pulls, log.read(pulls)[0])
    assert len(log.read(pulls)) == 2
    odd = pulls.read_text().splitlines()[0].replace('"sha256": "', '"sha256": ["').replace('", "size', '"], "size')
    pulls.write_text(odd)
    assert json.loads(odd)["sha256"] and log.read(pulls) == ()
    pulls.write_text('{"pull": 1}\n[]\n{"pull": 2, "item": 3}\n' + "[" * 100_000)
    assert log.read(pulls) == ()


def test_log_lines_never_mix(tmp_path: Path) -> None:
    """Two writers at once: every line stays whole."""
    pulls = tmp_path / "x.pulls.jsonl"
    one = log.Transfer(1, "a", "A", "00", 10, 0, 10, 1.0, 10.0, False, True, True, "192.0.2.2")
    threads = [threading.Thread(target=lambda: [log.append(pulls, one) for _ in range(50)]) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert [json.loads(line)["item"] for line in pulls.read_text().splitlines()] == ["a"] * 200


def test_measurements_are_the_honest_ones() -> None:
    """Only whole, fresh, not small transfers measure a line; this computer's own count only when alone."""
    one = log.Transfer(1, "a", "A", "00", 50_000, 0, 50_000, 10.0, 5000.0, False, True, True, "192.0.2.2")
    odd = [replace(one, complete=False), replace(one, fresh=False), replace(one, bytes=500)]
    own = replace(one, client="127.0.0.1", seconds=0.01)
    assert log.measured([*odd, own, one]) == ((50_000, 10.0),)
    assert log.measured([own]) == ((50_000, 0.01),)


def test_seconds_measure_what_the_reader_did(tmp_path: Path) -> None:
    """A client that reads late makes a transfer long, although all bytes fit into the system's buffers at once."""
    pulls = tmp_path / "x.pulls.jsonl"
    with serving(reading_room(tmp_path), log_file=pulls) as run:
        sock = socket.socket()
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        sock.settimeout(20)
        sock.connect(("127.0.0.1", run.port))
        sock.sendall(b"GET /MAPS.ZIP HTTP/1.0\r\n\r\n")
        started = time.monotonic()
        while time.monotonic() - started < 0.6:
            time.sleep(0.01)
        assert log.read(pulls) == ()
        read_all(sock)
        read_s = time.monotonic() - started
        sock.close()
        wait_until(lambda: len(log.read(pulls)) == 1)
    assert log.read(pulls)[0].seconds >= 0.5
    assert log.read(pulls)[0].seconds <= read_s + 1


# -------------------------------------------------------------------------------------- pulling through


def waiting_shelf(tmp_path: Path) -> tuple[Shelf, Offer]:
    file = shelf_file(tmp_path, "LATER.LHA", TOOLS, item="later")
    return Shelf("t", (Offer("later", "Later", ("LATER.LHA",), state="wanted", size_bytes=150_000),)), offer(file)


def test_an_item_is_brought_and_only_then_handed_on(tmp_path: Path) -> None:
    stock, found = waiting_shelf(tmp_path)
    verified = threading.Event()

    def bring(item: str) -> Offer:
        assert verified.wait(20)
        return found

    with serving(stock, bring=bring, hold_s=0.05) as run:
        status, headers, body = run.ask("/LATER.LHA")
        assert (status, headers["refresh"], headers["retry-after"]) == (503, "15", "15")
        assert b"being fetched and checked" in body and b'HTTP-EQUIV="Refresh"' in body
        assert TOOLS[:50] not in body
        assert b"being fetched" in run.raw(b"GET /\r\n")
        verified.set()
        wait_until(lambda: run.keeper.stock.offers[0].state == "ready")
        assert run.ask("/LATER.LHA")[2] == TOOLS


def test_who_waits_for_an_item_and_loses_the_place_is_counted(tmp_path: Path) -> None:
    """A thread that waits for an item outlives its connection: no more of them than are allowed."""
    stock, found = waiting_shelf(tmp_path)
    verified = threading.Event()

    def bring(item: str) -> Offer:
        assert verified.wait(30)
        return found

    bounds = Bounds(connections=3, leaving=2, evict_stalled_s=0.0)
    with serving(stock, bounds, bring=bring, hold_simple_s=20.0) as run:
        threads = threading.active_count()
        asking = []
        for _ in range(12):
            sock = socket.create_connection(("127.0.0.1", run.port), 20)
            sock.sendall(b"GET /LATER.LHA?wait HTTP/1.0\r\n\r\n")
            asking.append(sock)
            wait_until(lambda: run.server.running == min(3, len(asking)))
        assert threading.active_count() <= threads + 3 + 2 + 1  # one brings the item
        verified.set()
        for sock in asking:
            sock.close()


def test_a_simple_request_waits_or_gets_nothing(tmp_path: Path) -> None:
    """It knows no status, so words would be saved as the file."""
    stock, found = waiting_shelf(tmp_path)
    with serving(stock, bring=lambda item: found) as run:
        assert run.raw(b"GET /LATER.LHA\r\n") == TOOLS

    def missing(item: str) -> Offer:
        raise MissingError("every source failed", item=item)

    with serving(stock, bring=missing) as run:
        assert run.raw(b"GET /LATER.LHA\r\n") == b""
        assert run.ask("/LATER.LHA?wait")[2] == b""
        status, headers, body = run.ask("/LATER.LHA")
        assert (status, headers["retry-after"]) == (503, "60")
        assert b"every source failed" in body


def test_a_failed_item_is_not_tried_at_every_request(tmp_path: Path) -> None:
    stock, _ = waiting_shelf(tmp_path)
    calls = []

    def missing(item: str) -> Offer:
        calls.append(item)
        raise MissingError("no")

    with serving(stock, bring=missing) as run:
        for _ in range(4):
            assert run.ask("/LATER.LHA")[0] == 503
    assert calls == ["later"]


# -------------------------------------------------------------------------------------------- the end


def test_drain_lets_running_transfers_end(tmp_path: Path) -> None:
    big = shelf_file(tmp_path, "BIG.DAT", random_bytes(3_000_000, 5))
    keeper = Keeper(Shelf("t", (offer(big),)))
    server = Server("127.0.0.1", 0, keeper)
    acceptor = threading.Thread(target=server.run)
    acceptor.start()
    idle = socket.create_connection(("127.0.0.1", server.port), 20)
    sock = socket.create_connection(("127.0.0.1", server.port), 20)
    sock.sendall(b"GET /BIG.DAT\r\n")
    first = sock.recv(1000)
    server.stop()
    acceptor.join()
    ended: list[int] = []
    drain = threading.Thread(target=lambda: ended.append(server.drain()))
    drain.start()
    assert len(first + read_all(sock)) == 3_000_000
    sock.close()
    drain.join(20)
    assert ended == [1]
    assert idle.recv(1) == b""
    idle.close()
    with pytest.raises(OSError):
        socket.create_connection(("127.0.0.1", server.port), 1)


def test_abort_ends_at_once(tmp_path: Path) -> None:
    big = shelf_file(tmp_path, "BIG.DAT", random_bytes(3_000_000, 5))
    with serving(Shelf("t", (offer(big),))) as run, socket.create_connection(("127.0.0.1", run.port), 20) as sock:
        sock.sendall(b"GET /BIG.DAT\r\n")
        got = sock.recv(1000)
        run.server.stop()
        run.server.abort()
        assert len(got + read_all(sock)) < 3_000_000


def test_dates_come_from_the_item(tmp_path: Path) -> None:
    """The shelf's fixed time, 783,004,800 s, is 1994-10-24 13:20:00 UTC (date -u -d @783004800)."""
    assert TIME_S == 783_004_800
    with serving(reading_room(tmp_path)) as run:
        assert run.ask("/MAPS.ZIP", "If-Modified-Since: Mon, 24 Oct 1994 13:20:00 GMT")[0] == 304


def test_bytes_that_rotted_are_not_handed_on(tmp_path: Path) -> None:
    """One bit of a file on the host flips while the shelf stands: words, not the file."""
    shelf = reading_room(tmp_path)
    path = shelf.offers[0].files[0].content.path
    with serving(shelf) as run:
        data = bytearray(path.read_bytes())
        data[77_777] ^= 1
        path.write_bytes(data)
        status, headers, body = run.ask("/TOOLS.LHA")
        assert (status, headers["content-type"]) == (503, "text/html")
        assert b"damaged" in body
        assert run.ask("/MAPS.ZIP")[0] == 200


def test_a_fault_of_our_own_ends_one_connection(tmp_path: Path) -> None:
    """The others go on, and the person hears of it."""
    heard: list[str] = []

    class Ear(Silent):
        def say(self, message: str) -> None:
            heard.append(message)

    def script(shelf: Shelf, host: str) -> str:
        raise ZeroDivisionError("oops")

    stock = replace(reading_room(tmp_path), script_name="PULL")
    with serving(stock, script=script, progress=Ear()) as run:
        assert run.raw(b"GET /PULL HTTP/1.0\r\n\r\n") == b""
        wait_until(lambda: heard)
        assert run.ask("/TOOLS.LHA")[0] == 200
    assert "ZeroDivisionError: oops" in heard[0]

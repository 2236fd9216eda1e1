"""What `listen` makes of a line: each kind of bytes in words, at the right rung, and the rate that makes sense."""

import json
import random
import struct
import subprocess
import sys
import time
from collections import deque
from ipaddress import IPv4Address
from pathlib import Path

import pytest
from support.clocked import Cable
from support.embedded import build
from support.uart import misheard

from discprep.job import listen as job
from discprep.job.sheet.ladder import NAMES
from discprep.link.encapsulation import slip_encode
from discprep.model import LinkSettings, Notice, Silent
from discprep.peer import framing, ip, names, segment
from discprep.peer.compression import Compressor, Kind
from discprep.peer.heard import Ear, lines_words
from discprep.peer.ip import ICMP, Packet
from discprep.peer.port import Lines
from discprep.peer.segment import ACK, SYN, Segment
from discprep.report.listen import Ended, Heard, Started, document, text

OWN, MACHINE = IPv4Address("192.0.2.1"), IPv4Address("192.0.2.2")
MANIFEST = """format = 1
title = "Reading room"
[machine]
profile = "desk.toml"
[medium]
kind = "cd-74"
[link]
rate = 230400
protocol = "slip"
[bridge]
rate = 230400
address = "192.0.2.1"
machine_address = "192.0.2.2"
"""
# A Configure-Request as an embedded IP stack sent it: map, password by PAP, magic number, short fields.
LCP = bytes.fromhex("ff03c021010100180206000000000304c0230506627f031507020802")


def ping(source: IPv4Address = MACHINE, target: IPv4Address = OWN) -> bytes:
    plain = struct.pack("!BBHHH", 8, 0, 0, 1, 1) + b"abcdefgh"
    payload = plain[:2] + struct.pack("!H", ip.checksum(plain)) + plain[4:]
    return ip.build(Packet(source, target, ICMP, payload), 1)


def syn(number: int = 1, flags: int = SYN) -> bytes:
    told = Segment(1025, 80, 100 + number, 0 if flags == SYN else 5, flags, 2048, b"x" * (flags == ACK))
    return ip.build(segment.build(told, MACHINE, OWN), number)


def query(name: bytes = b"shelf") -> bytes:
    asked = bytes.fromhex("000101000001000000000000") + bytes([len(name)]) + name + bytes.fromhex("0000010001")
    return ip.build(names.datagram(MACHINE, IPv4Address("198.51.100.53"), 1025, 53, asked), 1)


def compressed() -> bytes:
    compressor, out = Compressor(), b""
    for number in range(1, 4):
        kind, packet = compressor.compress(syn(number, ACK))
        out += slip_encode(bytes([packet[0] | (kind if kind is not Kind.IP else 0)]) + packet[1:])
    return out


CASES = {
    "a ping": (slip_encode(ping()), "packet", "192.0.2.2 pings 192.0.2.1", "address"),
    "a connection": (slip_encode(syn()), "packet", "192.0.2.2 opens TCP port 80 of 192.0.2.1", "fetch"),
    "a name": (slip_encode(query()), "packet", "192.0.2.2 asks 198.51.100.53 for the name shelf", "beyond"),
    "compressed headers": (compressed(), "cslip", "the machine speaks SLIP with compressed headers", "address"),
    "PPP": (framing.frame(LCP, 0xFFFFFFFF), "ppp-frame", "PPP, LCP Configure-Request: map of controls 00000000, "
            "password c023, magic number, short protocol field, short address field", "address"),
    "a modem's commands": (b"ATZ\rATDT5551234\r", "modem", "the machine commands a modem: ATDT5551234", "prompt"),
    "text": (b"Ready for work. Type HELP\r\n", "text", "plain text comes: rate and framing are right", "prompt"),
    "XMODEM waits": (b"CCC", "asks-file",
                     "the machine asks for a file by XMODEM or YMODEM (C, again and again)", "prompt"),
    "XOFF": (b"\x13", "xon-xoff",
             "XON or XOFF alone comes: the machine's port is set to software flow control", "prompt"),
    "zeros": (bytes(8), "zeros", "only zeros come: a break, a rate far too low, or a level that never rises", "prompt"),
}  # fmt: skip


@pytest.mark.parametrize(("data", "kind", "words", "rung"), CASES.values(), ids=CASES)
def test_told_in_words(data: bytes, kind: str, words: str, rung: str) -> None:
    """However the bytes come cut, and once only; every rung is one of the ladder's."""
    ear = Ear(None, "192.0.2.1", "192.0.2.2")
    found = [finding for byte in data for finding in ear.hear(bytes([byte]))]
    assert (kind, words, rung) in [(f.kind, f.words, f.rung) for f in found]
    assert not [f for f in ear.hear(data) if (f.kind, f.words) == (kind, words)]
    assert all(f.rung in NAMES for f in found)


def test_another_protocol_than_the_manifest_says() -> None:
    """Both are named, and what to set."""
    (_, differs, *_) = Ear("slip").hear(framing.frame(LCP, 0xFFFFFFFF))
    assert differs.words == "the machine speaks PPP, the manifest says SLIP"
    assert 'protocol = "ppp"' in differs.hint
    assert "protocol-differs" not in [f.kind for f in Ear("cslip").hear(slip_encode(ping()))]


def test_other_addresses_than_the_manifest_says() -> None:
    """Whoever sends from, or to, another address hears which one is expected."""
    ear = Ear("slip", "192.0.2.1", "192.0.2.2")
    found = ear.hear(slip_encode(ping(IPv4Address("192.0.2.9"))))
    assert "the manifest gives the machine 192.0.2.2" in found[-1].hint


@pytest.mark.parametrize("seed", range(5))
def test_random_bytes_are_garbage_and_nothing_else(seed: int) -> None:
    """A mad line: nothing is proven by chance, what is told is bounded, and so is what is kept."""
    rng, ear = random.Random(seed), Ear("ppp")
    found = []
    for _ in range(2000):
        found += ear.hear(rng.randbytes(rng.randrange(100)))
    assert {finding.kind for finding in found} == {"garbage"}
    assert len(ear._recent) <= 512 and len(ear._unslip._rest) <= 5000


def test_handshake_lines_in_words() -> None:
    assert lines_words(Lines(True, True, False, None))[0].startswith("CTS on, DSR on, DCD off (CTS: the other end")
    assert "three wires only" in lines_words(Lines(False, False, False, False))[0]
    assert lines_words(Lines(None, None, None, None))[0] == "this port has no handshake lines"


# ------------------------------------------------------------------------------------- a whole evening


class FakePort:
    """A port at which a machine sends at one rate of its own; what is read is what a receiver at ours makes of it."""

    name = "fake"

    def __init__(self, said: list[bytes], rate: int, ours: int, clock: "Clock") -> None:
        self.said, self.rate, self.ours, self.clock = deque(said), rate, ours, clock
        self.written, self.echoes, self.rates = b"", False, [ours]
        self.queued_bytes = 0

    def read(self, wait_s: float, wake_fd: int | None = None) -> bytes:
        self.clock.now += max(wait_s, 0.01)
        if self.echoes and self.written:
            back, self.written = self.written, b""
            return back
        return misheard(self.said.popleft(), self.rate, self.ours) if self.said else b""

    def write(self, data: bytes) -> int:
        self.written += data
        return len(data)

    def set_rate(self, rate_bit_s: int, framing: str | None = None) -> None:
        self.ours = rate_bit_s
        self.rates.append(rate_bit_s)

    def lines(self) -> Lines:
        return Lines(True, True, True, False)


class Clock:
    now = 0.0

    def __call__(self) -> float:
        return self.now


def evening(said: list[bytes], rate: int, link: LinkSettings | None = None, seconds: float = 60, first: int = 9600,
            echoes: bool = False, **wish) -> tuple[list[Heard], FakePort]:  # fmt: skip
    clock, events = Clock(), []
    port = FakePort(said, rate, first, clock)
    port.echoes = echoes
    setting = job.Setting(first, False, "8N1", "none", link, job.Ends(OWN, MACHINE), ("192.0.2.1", "192.0.2.2"))
    asked = job.Wish("fake", seconds=seconds, **wish)
    job.Session(port, asked, setting, events.append, Silent(), clock).run()
    return [event for event in events if isinstance(event, Heard)], port


@pytest.mark.parametrize("rate", [pytest.param(1200, marks=pytest.mark.slow), 19_200, 38_400, 57_600, 115_200])
@pytest.mark.parametrize("said", [slip_encode(ping()), framing.frame(LCP, 0xFFFFFFFF),
                                  b"Ready for work in the reading room\r\n"], ids=["slip", "ppp", "text"])  # fmt: skip
def test_the_rate_that_makes_sense(rate: int, said: bytes) -> None:
    """Whatever the machine speaks, its rate is found, by the usual rates in turn, and told."""
    told, port = evening([said] * 300, rate)
    assert port.ours == rate
    (found,) = [event for event in told if event.kind == "rate-found"]
    assert f"at {rate} bit/s it makes sense" in found.message
    assert f"[{found.rung_name}]" in text(found) and found.hint.split()[0] in text(found)
    assert document(found)["message"] == found.message and document(found)["event"] == "heard"


def test_how_it_begins_and_ends_is_told() -> None:
    began = Started("ttyX", 9600, "8N1", (Notice("an adapter", hint="look"),))
    assert text(began).startswith("Listening at ttyX, 9600 8N1") and "Ctrl-C" in text(began)
    assert document(began)["notices"] == [{"message": "an adapter", "item": "", "hint": "look"}]
    over = Ended(2000, 19_200, 3)
    assert text(over) == "ended: 2.00 KB came, 3 things told"
    assert document(over) == {"event": "ended", "received_bytes": 2000, "rate_bit_s": 19_200, "findings": 3}


def test_silence_and_a_loop() -> None:
    """Nothing for a while is told once; what we send and get back is a loop."""
    told, _ = evening([], 9600)
    assert [event.kind for event in told] == ["handshake", "silence"]
    told, _ = evening([], 9600, loop=True, echoes=True)
    assert "loop" in [event.kind for event in told]
    assert [event.rung_name for event in told if event.kind == "loop"] == [NAMES["loop"]]


def test_it_answers_a_ping_only_when_asked() -> None:
    """Without --answer nothing leaves; with it the ping that was heard first is answered."""
    for answer in (False, True):
        told, port = evening([slip_encode(ping())], 9600, answer=answer)
        assert bool(port.written) == answer
        assert ("answering" in [event.kind for event in told]) == answer
    assert port.written.startswith(b"\xc0\x45")


@pytest.mark.parametrize("protocol", ["slip", "ppp"])
def test_an_embedded_stack_climbs_the_ladder(protocol: str, tmp_path: Path) -> None:
    """`listen --answer`, as a user starts it, against a stack that nobody here wrote: PPP opens, its name is answered,
    and the words tell both and the page that it asks for."""
    machine = build()
    with Cable(230_400) as cable:
        manifest = tmp_path / "first.toml"
        manifest.write_text(MANIFEST)
        (tmp_path / "desk.toml").write_text('format = 1\nname = "desk"\n[[volume]]\npath = "C:"\n')
        words = ["listen", cable.ours, "--manifest", str(manifest), "--answer", "--json"]
        process = subprocess.Popen([sys.executable, "-m", "discprep", *words], stdout=subprocess.PIPE, text=True)
        told = [json.loads(process.stdout.readline())]
        call = [str(machine), cable.theirs, protocol, "shelf", "/nothing"]
        dialling = subprocess.Popen(call, cwd=tmp_path, stderr=subprocess.DEVNULL)
        until = time.monotonic() + 60
        while not any("TCP port 80" in one.get("message", "") for one in told) and time.monotonic() < until:
            told.append(json.loads(process.stdout.readline()))
        dialling.kill()
        dialling.wait()
        process.terminate()
        process.communicate()
    kinds = [one.get("kind") for one in told]
    assert protocol in kinds and "answering" in kinds
    assert ("protocol-differs" in kinds) == (protocol == "ppp")

"""XMODEM, XMODEM-1K and YMODEM against `lrzsz`, which nobody here wrote, and against lines that are mad."""

import contextlib
import hashlib
import io
import json
import os
import random
import select
import signal
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import pytest
from support.clocked import Cable
from support.command import run
from support.programs import program

from discprep.errors import UsageError
from discprep.job.over_blocks import LineWish, expected_s, send, take
from discprep.model import Silent
from discprep.peer import blocks
from discprep.peer.blocks import Failed, Offer, Receiver, Sender
from discprep.report.over_blocks import document, text

FILES = {
    "first.bin": random.Random(1).randbytes(20_000),
    "second.txt": b"short\r\n",
    "third.bin": bytes(range(256)) * 4,
}
FLAG = {"xmodem": [], "xmodem-1k": ["-k"], "ymodem": []}


def test_checks_of_the_standard() -> None:
    """The catalogue of CRCs gives 31C3 for "123456789" with the polynomial 1021 from zero, which chapter 7.3 of the
    XMODEM/YMODEM reference describes; the plain sum of 7.2 by hand."""
    assert blocks.check(b"123456789", crc=True).hex() == "31c3"
    assert blocks.check(bytes([200, 100]), crc=False) == bytes([44])
    assert blocks.block(1, bytes(128), crc=False)[:3] == bytes([1, 1, 254])
    assert blocks.header(Offer("a.bin", 77, io.BytesIO)).startswith(b"a.bin\x0077\x00")


@pytest.mark.parametrize(
    ("name", "size", "expected"),
    [
        ("xmodem", 0, []), ("xmodem", 128, [128]), ("xmodem", 129, [128, 128]), ("xmodem-1k", 1023, [1024]),
        ("ymodem", 1025, [1024, 128]), ("ymodem", 1024 + 896, [1024] + 7 * [128]), ("ymodem", 1024 + 897, [1024, 1024]),
    ],
)  # fmt: skip
def test_a_file_in_blocks(name: str, size: int, expected: list[int]) -> None:
    """Small blocks for a short rest (chapter 5, as senders in use do); the estimate counts the same ones."""
    assert blocks.pieces(size, name) == expected


class Endless:
    """A line on which one byte comes without end."""

    def __init__(self) -> None:
        self.heard = 0

    def byte(self, wait_s: float) -> int:
        self.heard += 1
        assert self.heard < 2_000_000, "it would listen for ever"
        return 0x55

    def write(self, data: bytes) -> None:
        pass

    def forget(self) -> None:
        pass


@pytest.mark.parametrize("name", ["xmodem", "ymodem"])
def test_noise_without_end_ends_it(name: str) -> None:
    """A mad line says bytes without end, and none that means anything: both sides give up in words."""
    with pytest.raises(Failed, match="did not ask"):
        Sender(Endless(), name, print).send([Offer("a", 1, io.BytesIO)])
    with pytest.raises(Failed, match="nothing that could be a file"):
        Receiver(Endless(), name, None, print).take("a")


@pytest.mark.parametrize("name", ["xmodem", "xmodem-1k", "ymodem"])
def test_the_time_is_what_estimate_tells(name: str) -> None:
    """Two faces of one number; plain XMODEM is reckoned with CRC, which its receivers ask for."""
    model = "xmodem-crc" if name == "xmodem" else name
    told = run("estimate", "--size-bytes", 50_000, "--baud", 19_200, "--protocol", model, "--json").document
    wish = LineWish("unused", 19_200, protocol=name)
    assert told["seconds"]["expected"] == pytest.approx(expected_s(wish, 50_000), abs=0.001)


def folder_of(where: Path) -> Path:
    where.mkdir()
    for name, data in FILES.items():
        (where / name).write_bytes(data)
    return where


def own(*words: object) -> subprocess.Popen:
    """Ours, once it has the port and says that the machine is to start."""
    command = [sys.executable, "-m", "discprep", *map(str, words), "--baud", "115200", "--json"]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert "on the machine now" in process.stderr.readline()
    return process


def theirs(words: list[str], cable: Cable, where: Path) -> subprocess.Popen:
    terminal, pipe = os.open(cable.theirs, os.O_RDWR | os.O_NOCTTY), os.open(cable.their_pipe, os.O_WRONLY)
    try:
        return subprocess.Popen(words, cwd=where, stdin=terminal, stdout=pipe, stderr=subprocess.DEVNULL)
    finally:
        os.close(terminal)
        os.close(pipe)


@pytest.mark.parametrize("name", ["xmodem", "xmodem-1k", "ymodem"])
def test_lrzsz_receives(name: str, tmp_path: Path) -> None:
    """What `send` sends, `rx` and `rb` write, bit by bit (XMODEM fills the last block)."""
    program("rx", "lrzsz")
    source, target = folder_of(tmp_path / "from"), tmp_path / "to"
    target.mkdir()
    names = list(FILES) if name == "ymodem" else ["first.bin"]
    with Cable(115_200) as cable:
        words = ["rb", "-q"] if name == "ymodem" else ["rx", "-q", "-c", "first.bin"]
        done = own("send", cable.ours, *(source / n for n in names), "--protocol", name)
        receiver = theirs(words, cable, target)
        out, _ = done.communicate(timeout=60)
        assert done.returncode == 0, out
        assert receiver.wait(20) == 0
    for one in names:
        got = (target / one).read_bytes()
        assert got == FILES[one] or (name != "ymodem" and got.rstrip(b"\x1a") == FILES[one])
    told = json.loads(out)
    assert [file["size_bytes"] for file in told["files"]] == [len(FILES[n]) for n in names]


@pytest.mark.parametrize("name", ["xmodem", "xmodem-1k", "ymodem"])
def test_lrzsz_sends(name: str, tmp_path: Path) -> None:
    """What `sx` and `sb` send, `take` writes, bit by bit."""
    program("sx", "lrzsz")
    source, target = folder_of(tmp_path / "from"), tmp_path / "to"
    names = list(FILES) if name == "ymodem" else ["first.bin"]
    with Cable(115_200) as cable:
        more = [] if name == "ymodem" else ["--name", "first.bin"]
        done = own("take", cable.ours, target, "--protocol", name, *more)
        words = ["sb", "-q"] if name == "ymodem" else ["sx", "-q", *FLAG[name]]
        sender = theirs([*words, *names], cable, source)
        out, _ = done.communicate(timeout=60)
        assert done.returncode == 0, out
        assert sender.wait(20) == 0
    for one in names:
        got = (target / one).read_bytes()
        assert got == FILES[one] or (name != "ymodem" and got.rstrip(b"\x1a") == FILES[one])
    assert sorted(path.name for path in target.iterdir()) == sorted(names)


# ---------------------------------------------------------------------- both sides in virtual time


class Pipe:
    """Two wires back to back, both programs run in turn by threads in lock step; bytes are hurt on the way."""

    def __init__(self, rate: float, seed: int) -> None:
        import threading

        self.rate, self.rng = rate, random.Random(seed)
        self.lock = threading.Condition()
        self.ways: list[bytearray] = [bytearray(), bytearray()]
        self.over = [False, False]

    def wire(self, side: int) -> "Side":
        return Side(self, side)


class Side:
    def __init__(self, pipe: Pipe, side: int) -> None:
        self.pipe, self.side = pipe, side

    def byte(self, wait_s: float) -> int | None:
        with self.pipe.lock:
            mine = self.pipe.ways[self.side]
            # A hundredth of the time: nothing else is under way than what the other thread does at once.
            self.pipe.lock.wait_for(lambda: mine or self.pipe.over[1 - self.side], wait_s / 100)
            return mine.pop(0) if mine else None

    def write(self, data: bytes) -> None:
        with self.pipe.lock:
            hurt = bytes(
                b ^ self.pipe.rng.randrange(1, 256) if self.pipe.rng.random() < self.pipe.rate else b for b in data
            )
            self.pipe.ways[1 - self.side] += hurt
            self.pipe.lock.notify_all()

    def forget(self) -> None:
        with self.pipe.lock:
            self.pipe.ways[self.side].clear()


class Kept:
    def __init__(self) -> None:
        self.files: dict[str, bytes] = {}
        self.name, self.data = "", bytearray()

    def begin(self, name: str, size: int | None) -> None:
        self.name, self.data = name, bytearray()

    def write(self, data: bytes) -> None:
        self.data += data

    def finish(self, size: int | None) -> None:
        self.files[self.name] = bytes(self.data[:size])


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("rate", [0.0, 5e-5, 3e-4])
def test_exact_or_nothing_over_a_bad_line(rate: float, seed: int) -> None:
    """Sender and receiver with byte errors between: all files exact, or an end in words."""
    import threading

    pipe, kept, ends = Pipe(rate, seed), Kept(), []
    offers = [Offer(name, len(data), lambda data=data: io.BytesIO(data)) for name, data in FILES.items()]

    def take() -> None:
        try:
            Receiver(pipe.wire(1), "ymodem", kept, lambda amount: None).take()
        except Failed as failed:
            ends.append(failed)
        pipe.over[1] = True

    thread = threading.Thread(target=take)
    thread.start()
    try:
        Sender(pipe.wire(0), "ymodem", lambda amount: None).send(offers)
    except Failed as failed:
        ends.append(failed)
    pipe.over[0] = True
    thread.join(60)
    for name, data in kept.files.items():
        assert FILES[name] == data
    if not ends:
        assert kept.files == FILES
    assert rate or not ends


class Noise:
    """A wire on which somebody sends random bytes, for so long."""

    def __init__(self, seed: int, count: int, among: bytes) -> None:
        self.rng, self.left, self.among, self.sent = random.Random(seed), count, among, 0

    def byte(self, wait_s: float) -> int | None:
        self.left -= 1
        if self.left < 0 or self.rng.random() < 0.01:
            return None
        return self.rng.choice(self.among)

    def write(self, data: bytes) -> None:
        self.sent += len(data)

    def forget(self) -> None:
        pass


@pytest.mark.parametrize("among", [bytes(range(256)), bytes([1, 2, 4, 6, 21, 24, 67, 0, 255])], ids=["all", "controls"])
@pytest.mark.parametrize("seed", range(3))
def test_noise_ends_in_words(among: bytes, seed: int) -> None:
    """Random bytes for a whole transfer: it ends, in bounded time, and no file counts as whole that did not come."""
    kept = Kept()
    with pytest.raises(Failed):
        Receiver(Noise(seed, 200_000, among), "ymodem", kept, lambda amount: None).take()
    assert not kept.files
    offers = [Offer("a", 5000, lambda: io.BytesIO(bytes(5000)))]
    wire = Noise(seed, 200_000, among)
    with contextlib.suppress(Failed):
        Sender(wire, "ymodem", lambda amount: None).send(offers)
    assert wire.sent < 200_000


@pytest.mark.parametrize("command", ["send", "take"])
def test_ctrl_c_ends_it_at_once(command: str, tmp_path: Path) -> None:
    """Nobody answers: Ctrl-C ends with 130, tells the other side, gives the port back, leaves no half file."""
    source = folder_of(tmp_path / "from")
    with Cable(115_200) as cable:
        done = own(command, cable.ours, source / "first.bin" if command == "send" else tmp_path / "to")
        done.send_signal(signal.SIGINT)
        done.communicate(timeout=120)
        assert done.returncode == 130
        terminal = os.open(cable.theirs, os.O_RDWR | os.O_NOCTTY)
        heard = b""
        while blocks.CANCEL not in heard and select.select([terminal], [], [], 5)[0]:
            heard += os.read(terminal, 100)
        os.close(terminal)
        assert blocks.CANCEL in heard
        subprocess.run([sys.executable, "-c", "import serial, sys; serial.Serial(sys.argv[1], exclusive=True)",
                        cable.ours], check=True)  # fmt: skip
    assert not (tmp_path / "to").exists() or not list((tmp_path / "to").iterdir())


@pytest.mark.parametrize("name", ["../up", "a/../../b", "..", "nul\x01"])
def test_a_name_leaves_no_folder(name: str, tmp_path: Path) -> None:
    """Only the last part of a name counts, and a bad one is refused."""
    from discprep.job.over_blocks import FolderTarget

    target = FolderTarget(tmp_path / "in")
    with contextlib.suppress(Failed):
        target.begin(name, 1)
        target.write(b"x")
        target.finish(1)
    assert all(path.parent == tmp_path / "in" for path in tmp_path.rglob("*") if path.is_file())


def test_nothing_is_replaced(tmp_path: Path) -> None:
    """A file of that name stays as it is; a broken one leaves nothing."""
    from discprep.job.over_blocks import FolderTarget

    (tmp_path / "a").write_bytes(b"mine")
    target = FolderTarget(tmp_path)
    with pytest.raises(Failed, match="is there already"):
        target.begin("a", 1)
    target.begin("b", 10)
    target.write(b"x")
    with pytest.raises(Failed, match="1 of 10 bytes"):
        target.finish(10)
    target.drop()
    assert [path.name for path in tmp_path.iterdir()] == ["a"]


@pytest.mark.parametrize("name", ["ymodem", "xmodem-1k"])
def test_what_both_ends_report(name: str, tmp_path: Path) -> None:
    """From one of our ends to the other: each names the same bytes by their size and SHA-256, as hashlib has them, and
    a file that a block protocol fills up is said to be longer."""
    source = folder_of(tmp_path / "from")
    paths = [source / file for file in FILES] if name == "ymodem" else [source / "first.bin"]
    with Cable(115_200) as cable, ThreadPoolExecutor(1) as pool:
        named = "" if name == "ymodem" else "got.bin"
        taking = pool.submit(take, LineWish(cable.theirs, 115_200, protocol=name), tmp_path / "to", named, Silent())
        sent = send(LineWish(cable.ours, 115_200, protocol=name), paths, Silent())
        taken = taking.result()
    for carried, lasts in ((sent, "sent and acknowledged"), (taken, "taken")):
        told = document(carried)
        assert [file["sha256"] for file in told["files"]] == [
            hashlib.sha256(Path(file["path"]).read_bytes()).hexdigest() for file in told["files"]
        ]
        assert all(f"{lasts}, SHA-256 {file['sha256']}" in text(carried) for file in told["files"])
        assert ("fills the last block" in text(carried)) == (name != "ymodem")
    pairs = zip(paths, (file.path for file in taken.files), strict=True)
    assert all(there.read_bytes().startswith(here.read_bytes()) for here, there in pairs)
    filled = 1 if name == "ymodem" else 128
    assert [file.size_bytes for file in taken.files] == [-(-here.stat().st_size // filled) * filled for here in paths]


def test_a_file_that_cannot_be_read_or_taken_is_said(tmp_path: Path) -> None:
    """Before the line is touched: no such port is there."""
    wish = LineWish(str(tmp_path / "ttyX"), 9600)
    with pytest.raises(UsageError, match="no file"):
        send(wish, [tmp_path], Silent())
    with pytest.raises(UsageError, match="one file at a time"):
        send(replace(wish, protocol="xmodem"), [tmp_path, tmp_path], Silent())
    with pytest.raises(UsageError, match="tells the names itself"):
        take(wish, tmp_path / "to", "a", Silent())
    with pytest.raises(UsageError, match="no whole bytes"):
        take(replace(wish, framing="7E1"), tmp_path / "to", "", Silent())

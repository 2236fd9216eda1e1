"""`send` and `take`: files by a block protocol over a serial port, before there is any network."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Literal

from discprep.archives.names import name_problem
from discprep.errors import LineError, UsageError
from discprep.fetch.files import storage
from discprep.fetch.host import file_sha256, move
from discprep.link.blocks import BLOCK_PROTOCOLS, send_blocks
from discprep.link.line import characters_per_second
from discprep.model import Progress
from discprep.peer import blocks
from discprep.peer.blocks import Failed
from discprep.peer.port import Port
from discprep.peer.wire import PortWire
from discprep.report.over_blocks import Carried, CarriedFile
from discprep.units import format_seconds

_IN_MODEL = {"xmodem": "xmodem-crc"}  # the plain sum is a byte shorter, and only what receivers without CRC ask for


@dataclass(frozen=True, slots=True)
class LineWish:
    """The line and what is spoken on it, as the user says."""

    port: str
    rate_bit_s: int
    framing: str = "8N1"
    flow: Literal["none", "rts-cts"] = "none"  # XON/XOFF takes the bytes 11 and 13 for itself, and files hold them
    protocol: blocks.Name = "ymodem"

    def __post_init__(self) -> None:
        """Raises UsageError: a line that carries no whole bytes."""
        if not self.framing.startswith("8"):
            raise UsageError(f"{self.framing} carries no whole bytes", hint="Set 8N1 on both ends.")


def expected_s(wish: LineWish, size_bytes: int, files: int = 1) -> float:
    """Seconds for so many bytes, as `estimate` tells them."""
    protocol = BLOCK_PROTOCOLS[_IN_MODEL.get(wish.protocol, wish.protocol)]
    return send_blocks(size_bytes, protocol, wish.rate_bit_s, wish.framing, files=max(1, files)).expected


def send(wish: LineWish, paths: Sequence[Path], progress: Progress) -> Carried:
    """Sends files, in this order.

    Raises:
        UsageError: the line, or more than one file by a protocol that carries one
        StorageError: a file cannot be read
        LineError: the transfer did not come about
    """
    if len(paths) != 1 and wish.protocol != "ymodem":
        raise UsageError(f"{wish.protocol} carries one file at a time", hint="--protocol ymodem carries several.")
    offers = [_offer(path) for path in paths]
    total = sum(offer.size_bytes for offer in offers)
    expected = expected_s(wish, total, len(offers))
    with Port(wish.port, wish.rate_bit_s, wish.framing, wish.flow) as port:
        wire = PortWire(port, characters_per_second(wish.rate_bit_s, wish.framing))
        clock = _Clock(progress, total)
        sender = blocks.Sender(wire, wish.protocol, clock.moved)

        def carry() -> None:
            progress.say(
                f"start to receive by {wish.protocol} on the machine now; it will take about {format_seconds(expected)}"
            )
            sender.send(offers)

        _carried(carry, wire, wish)
        clock.end()
    files = tuple(map(_file, paths))
    return Carried("send", wish.protocol, files, clock.elapsed_s, expected, sender.again)


def take(wish: LineWish, folder: Path, name: str, progress: Progress) -> Carried:
    """Takes files into a folder; `name` is the file's where the protocol tells none.

    Raises:
        UsageError: the line, or a name that is missing or not to be used
        StorageError: the folder cannot be used
        LineError: the transfer did not come about; what was whole before stays
    """
    if (wish.protocol == "ymodem") == bool(name):
        raise UsageError(
            "ymodem tells the names itself" if name else f"{wish.protocol} tells no name",
            hint="Leave --name out." if name else "Give one with --name FILE.",
        )
    clock = _Clock(progress, None)
    target = FolderTarget(folder)
    with Port(wish.port, wish.rate_bit_s, wish.framing, wish.flow) as port:
        wire = PortWire(port, characters_per_second(wish.rate_bit_s, wish.framing))
        receiver = blocks.Receiver(wire, wish.protocol, target, clock.moved)

        def carry() -> None:
            progress.say(f"start to send by {wish.protocol} on the machine now")
            receiver.take(name)

        try:
            _carried(carry, wire, wish)
        finally:
            target.drop()
            clock.end()
    total = sum(file.size_bytes for file in target.files)
    expected = expected_s(wish, total, len(target.files))
    return Carried("take", wish.protocol, tuple(target.files), clock.elapsed_s, expected, receiver.again)


def _carried(carry: Callable[[], object], wire: PortWire, wish: LineWish) -> None:
    """Tells the other side when the person, who is asked to start there in `carry`, ends it."""
    try:
        carry()
    except Failed as failed:
        raise LineError(
            str(failed), where=wish.port,
            hint=f"Are both ends at {wish.rate_bit_s} {wish.framing} and both at {wish.protocol}? "
            f"`discprep listen {wish.port}` tells what comes.",
        ) from failed  # fmt: skip
    except OSError as error:
        raise LineError(f"the port is gone: {error}", where=wish.port, hint="Look at the adapter's plug.") from error
    except BaseException:
        wire.leave()
        raise


def _offer(path: Path) -> blocks.Offer:
    with storage("reading", path):
        size = path.stat().st_size
        if not path.is_file():
            raise UsageError(f"{path} is no file", hint="Name files; a folder can be packed first.")
        return blocks.Offer(path.name, size, lambda: path.open("rb"))


def _file(path: Path) -> CarriedFile:
    with storage("reading", path):
        return CarriedFile(path, path.stat().st_size, file_sha256(path))


class _Clock:
    """Progress, and the time from the first bytes to the last."""

    def __init__(self, progress: Progress, total: int | None) -> None:
        self._progress, self._began = progress, 0.0
        self.elapsed_s = 0.0
        progress.begin("line", "over the line", total)

    def moved(self, amount: int) -> None:
        now = time.monotonic()
        self._began = self._began or now
        self.elapsed_s = now - self._began
        self._progress.advance("line", amount)

    def end(self) -> None:
        self._progress.end("line")


class FolderTarget:
    """Files that arrive, in a folder: under another name until they are whole, never over one that stands there."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._file: BinaryIO | None = None
        self._part = self._final = folder
        self._size = 0
        self.files: list[CarriedFile] = []

    def begin(self, name: str, size_bytes: int | None) -> None:
        last = name.replace("\\", "/").rpartition("/")[2]
        problem = name_problem(last) or ("its name is no name" if last in (".", "..") else "")
        if problem:
            raise Failed(f"a file cannot be taken: {problem}")
        self._final = self._folder / last
        if self._final.exists():
            raise Failed(f"{self._final} is there already: move it away, or take into another folder")
        with storage("taking a file", self._folder):
            self._folder.mkdir(parents=True, exist_ok=True)
            self._part = self._folder / f".{last}.part"
            self._file = self._part.open("wb")
        self._size = 0

    def write(self, data: bytes) -> None:
        assert self._file
        with storage("taking a file", self._part):
            self._file.write(data)
        self._size += len(data)

    def finish(self, size_bytes: int | None) -> None:
        assert self._file
        if size_bytes is not None and self._size < size_bytes:
            raise Failed(f"{self._final.name}: {self._size} of {size_bytes} bytes came")
        with storage("taking a file", self._final):
            if size_bytes is not None:
                self._file.truncate(size_bytes)
            self._file.close()
            self._file = None
            move(self._part, self._final)
        self.files.append(_file(self._final))

    def drop(self) -> None:
        """Takes away what did not become whole."""
        if self._file:
            self._file.close()
            self._part.unlink(missing_ok=True)
            self._file = None



"""XMODEM (checksum and CRC), XMODEM-1K and YMODEM, both ways, over anything that gives bytes and takes them.

Source: XMODEM/YMODEM protocol reference (10-10-85), chapters 4 to 7. What a program in use does beyond it is marked.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass
from typing import BinaryIO, Literal, Protocol

from fastcrc import crc16

from discprep.link.blocks import BLOCK_PROTOCOLS, block_count

Name = Literal["xmodem", "xmodem-1k", "ymodem"]
SOH, STX, EOT, ACK, NAK, CAN, SUB = 0x01, 0x02, 0x04, 0x06, 0x15, 0x18, 0x1A
WANTS_CRC = 0x43  # "C"
SMALL, LARGE = 128, 1024
START_S = 100.0  # how long the other side may take to be started
REPLY_S = 10.0  # 7.3.1: the sender's patience; the receiver's, too
TRIES = 10  # 7.2
CANCEL = bytes([CAN] * 8 + [8] * 8)  # 7.2 and programs in use: several, then erased from a person's screen
_ASK_S = 3.0  # 7.3.2: between two "C"
_CRC_ASKED = 4  # so often, then the plain sum is asked for (common practice, no source: three to six)
_QUIET_S = 1.0  # 7.3.2: the line is purged until it is silent for so long
_BYTE_S = 1.0  # between the bytes of a block
_NOISE_BYTES = 4 * LARGE  # so many without a sign are as good as silence: a mad line must not hold us for ever


class Failed(Exception):
    """The transfer did not come about; says why, for a person."""


class Wire(Protocol):
    """Bytes each way."""

    def byte(self, wait_s: float) -> int | None:
        """The next byte; None when none came in time."""

    def write(self, data: bytes) -> None:
        """Sends all of it; returns when the line has carried it.

        Raises:
            Failed: the other side holds the line back for too long
        """

    def forget(self) -> None:
        """Drops what has come and was not read."""


@dataclass(frozen=True, slots=True)
class Offer:
    """A file to send: its name for the other side, its size, how its bytes are read."""

    name: str
    size_bytes: int
    open: Callable[[], BinaryIO]


class Target(Protocol):
    """Where a received file goes."""

    def begin(self, name: str, size_bytes: int | None) -> None:
        """A file starts; the name is as it came.

        Raises:
            Failed: it cannot be taken
        """

    def write(self, data: bytes) -> None:
        """The next bytes."""

    def finish(self, size_bytes: int | None) -> None:
        """It is whole; with a size, what goes beyond it was filling."""


def check(data: bytes, *, crc: bool) -> bytes:
    """The check bytes of a block: CRC-16 with the polynomial 1021 from zero (7.3), or the sum modulo 256 (7.2)."""
    return int(crc16.xmodem(data)).to_bytes(2, "big") if crc else bytes([sum(data) & 0xFF])


def block(number: int, data: bytes, *, crc: bool) -> bytes:
    """One block as it goes on the line; `data` is 128 or 1,024 bytes."""
    number &= 0xFF
    return bytes([SOH if len(data) == SMALL else STX, number, 255 - number]) + data + check(data, crc=crc)


def pieces(size_bytes: int, name: Name) -> list[int]:
    """The blocks' sizes of a file, as many as the estimate counts."""
    protocol = BLOCK_PROTOCOLS[name]
    full, small = block_count(protocol, size_bytes)
    return [protocol.data_bytes] * full + [protocol.tail_bytes] * small


def header(offer: Offer) -> bytes:
    """YMODEM's block 0 (5): name, NUL, size in decimal; all zeros where the name is empty, after the last file."""
    told = offer.name.encode("latin-1", "replace") + b"\0" + str(offer.size_bytes).encode()
    size = SMALL if len(told) < SMALL else LARGE
    return told[: LARGE - 1].ljust(size, b"\0")


class _Side:
    """What sending and receiving have in common.

    Attributes:
        again: blocks that went more than once
    """

    def __init__(self, wire: Wire, name: Name, moved: Callable[[int], None]) -> None:
        """`moved` is told how many bytes of the file have been acknowledged since it was last called."""
        self._wire, self._name, self._moved = wire, name, moved
        self._crc = True
        self.again = 0

    def _sign(self, wanted: Collection[int], wait_s: float) -> int | None:
        """The next byte of those wanted, whatever noise comes before it; None when the line is silent for so long, or
        when nothing but noise comes.

        Raises:
            Failed: two signs of giving up in a row (7.2)
        """
        cancels = 0
        for _ in range(_NOISE_BYTES):
            byte = self._wire.byte(wait_s)
            if byte is None or byte in wanted:
                return byte
            cancels = cancels + 1 if byte == CAN else 0
            if cancels >= 2:
                raise Failed("the other side gave up")
        return None


# --------------------------------------------------------------------------------------------------- sending


class Sender(_Side):
    """Sends files to whoever asks for them."""

    def send(self, offers: Sequence[Offer]) -> None:
        """All of them; XMODEM carries one.

        Raises:
            Failed: the other side did not begin, gave up, or the line is too bad
        """
        for offer in offers:
            self._wait_start()
            if self._name == "ymodem":
                self._block(0, header(offer))
                self._wait_start()
            self._file(offer)
        if self._name == "ymodem":
            self._wait_start()
            self._block(0, bytes(SMALL))

    def _wait_start(self) -> None:
        """Until the receiver asks: "C" for CRC, NAK for the plain sum."""
        wanted = (WANTS_CRC,) if self._name == "ymodem" else (WANTS_CRC, NAK)  # 5: YMODEM knows no plain sum
        for _ in range(int(START_S)):
            asked = self._sign(wanted, 1.0)
            if asked is not None:
                self._crc = asked == WANTS_CRC
                self._wire.forget()  # it asked several times: one answer is enough
                return
        raise Failed(f"the other side did not ask for a file within {START_S:.0f} s")

    def _file(self, offer: Offer) -> None:
        with offer.open() as file:
            sizes = pieces(offer.size_bytes, self._name if self._crc else "xmodem")
            for number, size in enumerate(sizes, 1):
                data = file.read(size)
                self._block(number, data.ljust(size, bytes([SUB])))
                self._moved(len(data))
        # Receivers answer the first one with NAK, to be sure that it is no noise.
        self._until_acknowledged(bytes([EOT]), "the end of the file")

    def _block(self, number: int, data: bytes) -> None:
        self._until_acknowledged(block(number, data, crc=self._crc), f"block {number}")

    def _until_acknowledged(self, data: bytes, what: str) -> None:
        for attempt in range(TRIES):
            self.again += attempt > 0
            self._wire.write(data)
            if self._sign((ACK, NAK), REPLY_S) == ACK:
                return
        raise Failed(f"{what} was not acknowledged {TRIES} times")


# ------------------------------------------------------------------------------------------------- receiving


@dataclass(slots=True)
class _Block:
    number: int
    data: bytes


class Receiver(_Side):
    """Takes files. Every one is whole, by the checks of its blocks, or it is not finished."""

    def __init__(self, wire: Wire, name: Name, target: Target, moved: Callable[[int], None]) -> None:
        super().__init__(wire, name, moved)
        self._target = target

    def take(self, name: str = "") -> int:
        """Until the other side has no more; `name` is the file's with XMODEM, which tells none. Returns how many came.

        Raises:
            Failed: nothing came, the other side gave up, or the line is too bad
        """
        if self._name != "ymodem":
            got = self._ask()
            self._target.begin(name, None)
            self._file(None, got)
            return 1
        count = 0
        while True:
            first = self._ask(number=0)
            assert first is not None
            told, _, rest = first.data.partition(b"\0")
            if not told:
                self._reply(ACK)
                return count
            size = _size(rest)
            self._target.begin(told.decode("latin-1"), size)
            self._reply(ACK)
            self._file(size, self._ask())
            count += 1

    def _ask(self, number: int = 1) -> _Block | None:
        """Asks for the first block until it comes; None: the file is empty."""
        asked = 0
        left_s = START_S
        while left_s > 0:
            self._crc = self._name == "ymodem" or asked < _CRC_ASKED
            self._reply(WANTS_CRC if self._crc else NAK)
            asked += 1
            try:
                got = self._block(_ASK_S if self._crc else REPLY_S)
            except _Hurt:
                self._purge()
                left_s -= _ASK_S
                continue
            if (got and got.number == number) or (got is None and number):
                return got
            self._reply(ACK)  # what came before is sent again: our answer to it was lost
            left_s -= _ASK_S
        raise Failed(f"nothing that could be a file came within {START_S:.0f} s")

    def _file(self, size: int | None, got: _Block | None) -> None:
        for data in self._blocks(got):
            self._target.write(data)
            self._moved(len(data))
        self._target.finish(size)
        self._reply(ACK)

    def _blocks(self, got: _Block | None) -> Iterator[bytes]:
        """The data of one block after the other, up to EOT; the last EOT is not acknowledged yet."""
        number = 1
        while got is not None:
            if got.number == number & 0xFF:
                yield got.data
                number += 1
            elif got.number != (number - 1) & 0xFF:  # one that was sent again is acknowledged once more (7.2)
                self._cancelled(f"block {number} was to come, block {got.number} came")
            self._reply(ACK)
            got = self._next()

    def _next(self) -> _Block | None:
        for _ in range(TRIES):
            try:
                return self._block(REPLY_S)
            except _Hurt:
                self.again += 1
                self._purge()
                self._reply(NAK)
        self._cancelled(f"a block did not come whole {TRIES} times")
        return None

    def _block(self, wait_s: float) -> _Block | None:
        """The next whole block, None for EOT.

        Raises:
            _Hurt: nothing came, or not whole
            Failed: the other side gave up
        """
        start = self._sign((SOH, STX, EOT), wait_s)
        if start is None:
            raise _Hurt
        return None if start == EOT else self._rest(SMALL if start == SOH else LARGE)

    def _rest(self, size: int) -> _Block:
        body = bytearray()
        while len(body) < 2 + size + (2 if self._crc else 1):
            byte = self._wire.byte(_BYTE_S)
            if byte is None:
                raise _Hurt
            body.append(byte)
        data = bytes(body[2 : 2 + size])
        if body[0] + body[1] != 255 or bytes(body[2 + size :]) != check(data, crc=self._crc):
            raise _Hurt
        return _Block(body[0], data)

    def _purge(self) -> None:
        """Reads until the line is silent, for a while at most."""
        for _ in range(_NOISE_BYTES):
            if self._wire.byte(_QUIET_S) is None:
                return

    def _reply(self, byte: int) -> None:
        self._wire.write(bytes([byte]))

    def _cancelled(self, why: str) -> None:
        self._wire.write(CANCEL)
        raise Failed(why)


class _Hurt(Exception):
    """A block that did not come, or not whole."""


def _size(rest: bytes) -> int | None:
    digits = rest.split(b" ")[0].split(b"\0")[0]
    return int(digits) if digits.isdigit() and len(digits) <= 12 else None

"""Packed bytes as bits, the highest of each byte first, and the history that copies refer to.

What the own LHA decoders share. Each takes packed chunks and the size of a member, and gives the first bytes that the
chunks stand for, in pieces; it raises MemberError for what no packer writes and for too few packed bytes. Bits behind
the end of the packed bytes read as zero, so that no loop has to ask before each of them; whether some were taken is
asked after a stretch, and makes the member a damaged one.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Iterator
from itertools import repeat

from discprep.archives.base import CHUNK_BYTES, MemberError

WORD_BITS = 32
TAIL_WORDS = 64  # zero words given at a time once the packed bytes have ended
NONE = 0xFFFF  # in a table: no symbol has this code
LONGEST = 16  # bits of a code; a longer one is no code at all in these formats

ENDED = "its packed data ends before the member is whole"
UNKNOWN_CODE = "its packed data holds a code that stands for nothing"
TOO_FAR = "its packed data refers further back than the method's window reaches"

Table = tuple[list[int], list[int], int]
"""Symbols by the next `width` bits, the length of each symbol's code, and the width."""


class Bits:
    """The bits in order. Fast loops take `held`, `kept`, `words` and `at` into locals and put them back.

    Attributes:
        kept: the bits taken from `words` last; the lowest `held` of them are still to come
        words: 32-bit words at hand, those before `at` used up
    """

    __slots__ = ("_bits_given", "_chunks", "_ended", "_rest", "_words_given", "at", "held", "kept", "words")

    def __init__(self, chunks: Iterable[bytes]) -> None:
        self._chunks = iter(chunks)
        self._rest = b""
        self._ended = False
        self._bits_given = self._words_given = 0
        self.kept = self.held = self.at = 0
        self.words: list[int] = []

    def take(self, count: int) -> int:
        """The next `count` bits, at most 32, as a number."""
        if self.held < count:
            if self.at == len(self.words):
                self.load(1)
            self.kept = (self.kept & 0xFFFFFFFF) << WORD_BITS | self.words[self.at]
            self.at += 1
            self.held += WORD_BITS
        self.held -= count
        return self.kept >> self.held & (1 << count) - 1

    def symbol(self, table: Table) -> int:
        """The symbol whose code comes next.

        Raises:
            MemberError: no symbol has such a code
        """
        symbols, lengths, width = table
        found = symbols[self.take(width)]
        if found == NONE:
            raise MemberError(UNKNOWN_CODE)
        self.held += width - lengths[found]
        return found

    def load(self, least: int) -> int:
        """Sees to it that `least` words are at hand, zeros behind the end; how many there are."""
        while (there := len(self.words) - self.at) < least:
            self.words = self.words[self.at :] + self._more()
            self.at = 0
        return there

    def _more(self) -> list[int]:
        data = self._rest
        while len(data) < 4 and not self._ended:
            chunk = next(self._chunks, b"")
            self._ended = not chunk
            self._bits_given += 8 * len(chunk)
            data += chunk
        if len(data) < 4:
            data = data.ljust(4 * TAIL_WORDS, b"\0")
        count = len(data) // 4
        self._rest = data[4 * count :]
        self._words_given += count
        return list(struct.unpack_from(f">{count}I", data))

    def check(self) -> None:
        """Compares what was taken with what there was.

        Raises:
            MemberError: more was taken
        """
        if self._ended:
            taken = WORD_BITS * (self._words_given - len(self.words) + self.at) - self.held
            if taken > self._bits_given:
                raise MemberError(ENDED)


def code_table(lengths: list[int]) -> Table:
    """Symbols by code, from the lengths of their codes (0: the symbol has none), shortest codes first and of one
    length in order. Room that is left stands for nothing.

    Raises:
        MemberError: there are more codes than have room
    """
    coded = sorted((length, symbol) for symbol, length in enumerate(lengths) if 0 < length <= LONGEST)
    width = coded[-1][0] if coded else 0
    symbols: list[int] = []
    for length, symbol in coded:
        symbols.extend(repeat(symbol, 1 << width - length))
    if len(symbols) > 1 << width:
        raise MemberError("its packed data tells a code that cannot be")
    symbols.extend(repeat(NONE, (1 << width) - len(symbols)))
    return symbols, lengths, width


def single(symbol: int, most: int) -> Table:
    """The table of a symbol, one of `most`, that stands alone and takes no bits."""
    return [symbol if symbol < most else NONE], [0] * most, 0


def written(code: str) -> tuple[Table, list[int]]:
    """The table of a code that is written from its root: `.` forks, into what follows for a bit 0 and then what follows
    for a 1, and a letter ends. Its symbols count the letters as they come; second, which letter each is, `a` being 0.

    >>> written("..abc")
    (([0, 1, 2, 2], [2, 2, 1], 2), [0, 1, 2])
    """
    lengths, open_ = list[int](), [0]  # the depths of what is still to come, the next one last
    for mark in code:
        depth = open_.pop()
        if mark == ".":
            open_ += [depth + 1] * 2
        else:
            lengths.append(depth)
    width = max(lengths)
    symbols = [leaf for leaf, length in enumerate(lengths) for _ in range(1 << width - length)]
    return (symbols, lengths, width), [ord(mark) - ord("a") for mark in code if mark != "."]


class History:
    """What came out, the last of which copies refer to.

    Attributes:
        bytes: the window before the member's first byte, then what came out and was not handed on yet. Loops append
            to it themselves.
    """

    __slots__ = ("_first", "_handed_on", "_size_bytes", "_window_bytes", "bytes")

    def __init__(self, before: bytes, size_bytes: int) -> None:
        self.bytes = bytearray(before)
        self._size_bytes = size_bytes
        self._window_bytes = self._first = len(before)
        self._handed_on = 0

    @property
    def left(self) -> int:
        """How many bytes the member lacks; none or fewer when it is whole."""
        return self._size_bytes - self._handed_on - len(self.bytes) + self._first

    def copy(self, distance: int, length: int) -> None:
        """Repeats `length` bytes from `distance` back; it may reach into what it writes itself.

        Raises:
            MemberError: it goes back further than the window
        """
        out = self.bytes
        at = len(out) - distance
        if at < 0:
            raise MemberError(TOO_FAR)
        if distance >= length:
            out += out[at : at + length]
        else:
            out += (out[at:] * (length // distance + 1))[:length]

    def pieces(self) -> Iterator[bytes]:
        """What may be handed on: all when the member is whole, else nothing until it is worth the while."""
        whole = self.left <= 0
        if whole or len(self.bytes) - self._first >= CHUNK_BYTES:
            piece = bytes(self.bytes[self._first :])[: self._size_bytes - self._handed_on]
            self._handed_on += len(piece)
            del self.bytes[: -self._window_bytes]
            self._first = self._window_bytes
            yield piece

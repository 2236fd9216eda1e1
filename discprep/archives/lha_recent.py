"""-pm1- and -pm2-: the methods of an 8-bit system's packer, which code a byte by how lately it came last.

As lhasa reads them; no description was ever published. Both keep all 256 byte values in the order of their last use.
What is coded is a place in that order, and copies put their bytes in front too.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from discprep.archives.base import MemberError
from discprep.archives.lha_bits import NONE, TOO_FAR, UNKNOWN_CODE, Bits, History, Table, code_table, single, written

# The order at first.
FIRST = bytes([*range(0x20, 0x80), *range(0x20), *range(0xA0, 0xE0), *range(0x80, 0xA0), *range(0xE0, 0x100)])
STRETCH = 4096  # symbols decoded before what came out is looked at

Ranges = Sequence[tuple[int, int]]
"""Numbers, and how many bits follow that are added to each."""


def _number(bits: Bits, ranges: Ranges, which: int) -> int:
    base, more = ranges[which]
    return base + bits.take(more)


class Recent:
    """The window, and the byte values in the order of their last use."""

    def __init__(self, window_bytes: int, size_bytes: int) -> None:
        self.history = History(b" " * window_bytes, size_bytes)
        self.done = 0  # bytes
        self._order = bytearray(FIRST)

    def byte(self, place: int) -> None:
        """Adds the byte value at a place of the order."""
        value = self._order.pop(place)
        self._order.insert(0, value)
        self.history.bytes.append(value)
        self.done += 1

    def copy(self, distance: int, length: int) -> None:
        """Repeats earlier bytes.

        Raises:
            MemberError: it goes back further than the window
        """
        self.history.copy(distance, length)
        self.done += length
        order = self._order
        for value in self.history.bytes[-length:]:
            if value != order[0]:
                order.remove(value)
                order.insert(0, value)


# ------------------------------------------------------------------------------------------------- -pm2-

PM2_WINDOW_BYTES = 8192
PM2_COPIES = 8  # symbols below it are bytes
PM2_BYTES = ((0, 3), (8, 3), (16, 4), (32, 5), (64, 5), (96, 5), (128, 6), (192, 6))
PM2_LENGTHS = (*[(n, 0) for n in range(2, 17)], (17, 3), (25, 3), (33, 5), (65, 6), (129, 7), (256, 0))
PM2_DISTANCES = ((0, 6), *[(1 << n, n) for n in range(6, 13)])
PM2_SYMBOLS = PM2_COPIES + len(PM2_LENGTHS)
# From so many bytes on: so many distance codes are told anew.
PM2_STAGES = ((0, 5), (1024, 6), (2048, 7), (4096, 8))
PM2_STAGE_BYTES = 4096  # between further ones


class Pm2:
    """The two codes of -pm2-, which the packed data tells anew now and then."""

    def __init__(self, bits: Bits) -> None:
        self._bits = bits
        self._told = 0
        self._far_wanted = False
        self.next = 0  # bytes done when the codes are told next
        self.codes: Table = single(NONE, 0)
        self.distances: Table = single(NONE, 0)

    def renew(self) -> None:
        """Reads what is told at `next`."""
        stage, self._told = self._told, self._told + 1
        if stage < 3:
            if stage == 0:
                self._bits.take(1)
                self._tell_codes()
            self._tell_distances(PM2_STAGES[stage][1])
            self.next = PM2_STAGES[stage + 1][0]
            return
        anew = self._bits.take(1)
        if anew:
            self._tell_codes()
        if anew or stage == 3:
            self._tell_distances(8)
        self.next += PM2_STAGE_BYTES

    def _tell_codes(self) -> None:
        count, least = self._bits.take(5), self._bits.take(3)
        self._far_wanted = count >= 10 and (count, least) != (PM2_SYMBOLS, 0)
        if not least:
            self.codes = single(count - 1 if count else NONE, PM2_SYMBOLS)
            return
        width = self._bits.take(3)
        told = [self._bits.take(width) for _ in range(count)]
        self.codes = code_table([length and length + least - 1 for length in told])

    def _tell_distances(self, count: int) -> None:
        if not self._far_wanted:
            return
        lengths = [self._bits.take(3) for _ in range(count)]
        used = [code for code, length in enumerate(lengths) if length]
        self.distances = single(used[0], count) if len(used) == 1 else code_table(lengths)


def decode_pm2(chunks: Iterable[bytes], size_bytes: int) -> Iterator[bytes]:
    bits, recent = Bits(chunks), Recent(PM2_WINDOW_BYTES, size_bytes)
    codes = Pm2(bits)
    while recent.history.left > 0:
        for _ in range(min(max(recent.history.left // 256, 1), STRETCH)):
            while recent.done >= codes.next:
                codes.renew()
            symbol = bits.symbol(codes.codes)
            if symbol < PM2_COPIES:
                recent.byte(_number(bits, PM2_BYTES, symbol))
                continue
            if symbol >= PM2_SYMBOLS:
                raise MemberError(UNKNOWN_CODE)
            length = _number(bits, PM2_LENGTHS, symbol - PM2_COPIES)
            if symbol == PM2_COPIES:
                distance = bits.take(6)
            elif symbol < PM2_SYMBOLS - 1:
                distance = _number(bits, PM2_DISTANCES, bits.symbol(codes.distances))
            else:
                distance = 0
            recent.copy(distance + 1, length)
        bits.check()
        yield from recent.history.pieces()


# ------------------------------------------------------------------------------------------------- -pm1-

PM1_WINDOW_BYTES = 16_384
PM1_BYTES = ((0, 4), (16, 4), (32, 5), (64, 6), (128, 6), (192, 6))
# The codes of these ranges, as `lha_bits.written` has them; the packed data begins with the number of the one it uses.
# That one of them has two ranges twice and two never is no slip: archives of the packer use it so.
PM1_CODES = (
    "....abcd.ef", "...ab.cf.de", "...abc.d.ef", "..a.bc.d.ef", "..a.bd.c.ef", "..a.b.ef.cd", "..ab..cd.ef",
    "..ab..c.efd", "..ab.c.d.ef", ".a...bfc.de", ".a...b.efcd", ".a...bcd.ef", ".a..b.cf.de", ".a..bc.d.ef",
    ".a..b.d.efc", ".a.b..cd.ef", ".a.b.c.d.ef", "...dec.de", "..a.be.cd", "..ab.c.de", ".a...becd",
    ".a..bc.de", ".a..b.dec", ".a.b.c.de", "...abcd", "..a.bdc", "..ab.cd", ".a..bdc",
    ".a.b.cd", ".a.bc", ".ab", "a",
)  # fmt: skip
PM1_ROW_MOST = 216  # bytes in a row; after fewer there is a copy
# Ranges of distances; with the first two a copy has two bytes. The further ones come in, and are told with a bit more
# each time, when there are so many bytes that they can be referred to: the codes of the ranges by what is done.
PM1_FAR = ((0, 6), (64, 8), (0, 6), (64, 9), (576, 11), (2624, 13))
PM1_FAR_CODES = [
    (least, written(code)) for least, code in ((2624, "...abe.d.fc"), (576, "...abe.dc"), (64, "..ab.dc"), (0, ".ac"))
]
PM1_LEAST_BITS = 8  # of a distance told so


def decode_pm1(chunks: Iterable[bytes], size_bytes: int) -> Iterator[bytes]:
    """Zero bits behind the packed bytes count, as lhasa counts them."""
    bits, recent = Bits(chunks), Recent(PM1_WINDOW_BYTES, size_bytes)
    code, letters = written(PM1_CODES[bits.take(5)])
    ranges = [PM1_BYTES[letter] for letter in letters]
    while recent.history.left > 0:
        for _ in range(min(max(recent.history.left // (PM1_ROW_MOST + 256), 1), STRETCH)):
            row = _row(bits) if bits.take(1) else 0
            for _ in range(row):
                recent.byte(_number(bits, ranges, bits.symbol(code)))
            if row < PM1_ROW_MOST:
                distance, length = _copy(bits, recent.done)
                recent.copy(distance, length)
        yield from recent.history.pieces()


def _row(bits: Bits) -> int:
    """How many bytes come in a row: few by two bits, more by further ones."""
    if (few := bits.take(2)) < 3:
        return 1 + few
    if (some := bits.take(3)) < 7:
        return 4 + some
    if (more := bits.take(4)) < 14:
        return 11 + more
    return _number(bits, ((25, 6), (89, 7)), more - 14)


def _copy(bits: Bits, done: int) -> tuple[int, int]:
    """Distance and length of a copy behind `done` bytes."""
    code, letters = next(code for least, code in PM1_FAR_CODES if done >= least)
    which = letters[bits.symbol(code)]
    length = 2 if which < 2 else _length(bits)
    base, more = PM1_FAR[which]
    if which > 2:
        more = next(n for n in range(PM1_LEAST_BITS, more + 1) if n == more or base + (1 << n) > done)
    distance = base + bits.take(more) + 1
    if distance > done:
        raise MemberError(TOO_FAR)
    return distance, length


def _length(bits: Bits) -> int:
    """Of a copy of three bytes or more."""
    if (few := bits.take(2)) < 3:
        return 3 + few
    if (some := bits.take(3)) < 5:
        return 6 + some
    if some < 7:
        return _number(bits, ((11, 2), (15, 3)), some - 5)
    more = bits.take(6)
    return 23 + more if more < 62 else _number(bits, ((85, 5), (117, 7)), more - 62)

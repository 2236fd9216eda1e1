"""-lh4- to -lh7-, -lhx- and the odd -lh7-: a window and three static codes, told anew before each block of symbols.

A block begins with the number of its symbols (16 bits) and three codes, each as the lengths of its codes: a helper
code for the lengths of the second, then the code of literals and copies, then that of distances. A symbol below 256
is a byte, one above says how long a copy is; a distance code follows it, with as many more bits as it says. Sources:
the description of the method that came with LHA, and for the odd one what lhasa reads.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import repeat

from discprep.archives.base import MemberError
from discprep.archives.lha_bits import NONE, TOO_FAR, UNKNOWN_CODE, Bits, History, Table, code_table, single

LITERALS = 256
SHORTEST = 3  # bytes of a copy
HELPER_BITS, CODE_BITS = 5, 9  # of the number of codes told, and of a code that stands alone
HELPERS, CODES = 20, 512  # the most there are


@dataclass(frozen=True, slots=True)
class Kind:
    """What differs between the methods.

    Attributes:
        window_bits: a copy reaches back so far at most, as a power of two
        count_bits: of the number of distance codes
        lengths: bytes of a copy by symbol, those of literals unused; then how many further bits say more
        distances: the same by distance code
    """

    window_bits: int
    count_bits: int
    lengths: tuple[list[int], list[int]]
    distances: tuple[list[int], list[int]]


def _usual(window_bits: int, count_bits: int) -> Kind:
    """A symbol for each length; distance code n > 1 stands for 2^(n-1) and n - 1 further bits."""
    lengths = [symbol - LITERALS + SHORTEST for symbol in range(CODES)]
    bases = [0, 1] + [1 << code - 1 for code in range(2, 1 << count_bits)]
    further = [0, 0] + [code - 1 for code in range(2, 1 << count_bits)]
    return Kind(window_bits, count_bits, (lengths, [0] * len(lengths)), (bases, further))


def _odd() -> Kind:
    """Four symbols share each number of further bits of a length, two codes that of a distance."""
    lengths, more = [0] * LITERALS, [0] * LITERALS
    for n in range(32):
        bits = max(n // 4 - 1, 0)
        lengths.append((n if n < 8 else (4 + n % 4) << bits) + SHORTEST)
        more.append(bits)
    bases, further = [0, 1, 2, 3], [0] * 4
    for code in range(4, 64):
        bases.append((2 + code % 2) << code // 2 - 1)
        further.append(code // 2 - 1)
    return Kind(16, 6, ([*lengths, 514], [*more, 0]), (bases, further))


KINDS = {
    # Some packers reach back twice as far as the method's own window.
    "-lh4-": _usual(14, 4), "-lh5-": _usual(14, 4), "-lh6-": _usual(16, 5), "-lh7-": _usual(17, 5),
    "-lhx-": _usual(20, 5),
}  # fmt: skip
ODD = _odd()


def decode(kind: Kind, chunks: Iterable[bytes], size_bytes: int) -> Iterator[bytes]:
    bits, history = Bits(chunks), History(b" " * (1 << kind.window_bits), size_bytes)
    longest = max(kind.lengths[0])
    while history.left > 0:
        symbols = bits.take(16)
        codes = _codes(bits, len(kind.lengths[0]))
        distances = _lengths_code(bits, kind.count_bits, len(kind.distances[0]))
        bits.check()
        while symbols and (left := history.left) > 0:
            # So few that neither the words at hand nor the member can end among them.
            count = min(symbols, bits.load(4) // 2, max(left // longest, 1))
            _symbols(kind, bits, history.bytes, codes, distances, count)
            bits.check()
            symbols -= count
            yield from history.pieces()


def _codes(bits: Bits, most: int) -> Table:
    """The code of literals and copies, behind that of its lengths."""
    helper = _lengths_code(bits, HELPER_BITS, HELPERS, skip_after=3)
    count = bits.take(CODE_BITS)
    if not count:
        return single(bits.take(CODE_BITS), most)
    lengths: list[int] = []
    while len(lengths) < count:
        told = bits.symbol(helper)
        if told > 2:
            lengths.append(told - 2)
        else:  # a run of symbols without a code
            lengths += repeat(0, 1 if told == 0 else 3 + bits.take(4) if told == 1 else 20 + bits.take(9))
    return code_table(lengths[: min(count, most)])


def _lengths_code(bits: Bits, count_bits: int, most: int, skip_after: int = -1) -> Table:
    """A code whose lengths are told plainly: three bits, from 7 on a further one for each one more, then a zero."""
    count = min(bits.take(count_bits), most)
    if not count:
        return single(bits.take(count_bits), most)
    lengths: list[int] = []
    while len(lengths) < count:
        length = bits.take(3)
        while length >= 7 and bits.take(1):
            length += 1
        lengths.append(length)
        if len(lengths) == skip_after:
            lengths += repeat(0, bits.take(2))
    return code_table(lengths)


def _symbols(kind: Kind, bits: Bits, out: bytearray, codes: Table, distances: Table, count: int) -> None:
    """Decodes `count` symbols; `bits` has two words for each at hand. The one loop in which all time is spent."""
    kept, held, words, at = bits.kept, bits.held, bits.words, bits.at
    code_symbols, code_lengths, code_width = codes
    code_mask = (1 << code_width) - 1
    far_symbols, far_lengths, far_width = distances
    far_mask = (1 << far_width) - 1
    copy_bases, copy_bits = kind.lengths
    far_bases, far_bits = kind.distances
    append = out.append
    for _ in repeat(None, count):
        if held < 32:
            kept = (kept & 0xFFFFFFFF) << 32 | words[at]
            at += 1
            held += 32
        symbol = code_symbols[kept >> held - code_width & code_mask]
        if symbol < 256:
            held -= code_lengths[symbol]
            append(symbol)
            continue
        if symbol == NONE:
            raise MemberError(UNKNOWN_CODE)
        held -= code_lengths[symbol]
        length = copy_bases[symbol]
        if more := copy_bits[symbol]:
            held -= more
            length += kept >> held & (1 << more) - 1
            if held < 32:
                kept = (kept & 0xFFFFFFFF) << 32 | words[at]
                at += 1
                held += 32
        far = far_symbols[kept >> held - far_width & far_mask]
        if far == NONE:
            raise MemberError(UNKNOWN_CODE)
        held -= far_lengths[far]
        distance = far_bases[far] + 1
        if more := far_bits[far]:
            if held < more:
                kept = (kept & 0xFFFFFFFF) << 32 | words[at]
                at += 1
                held += 32
            held -= more
            distance += kept >> held & (1 << more) - 1
        start = len(out) - distance
        if start < 0:
            raise MemberError(TOO_FAR)
        if distance >= length:
            out += out[start : start + length]
        else:
            out += (out[start:] * (length // distance + 1))[:length]
    bits.kept, bits.held, bits.at = kept, held, at

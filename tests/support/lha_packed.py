"""Packed streams of LHA's methods made from a seed: sound ones that use all a method knows, whatever they unpack to.

Written from the description of the method, not from the decoder under test. They compress nothing: what they are for is
that two decoders give the same bytes.
"""

import random
from dataclasses import dataclass
from itertools import pairwise

SYMBOLS = 510  # of -lh4- to -lh7-: 256 bytes and the lengths 3 to 256
ODD_SYMBOLS = 289
LENGTH_BITS = 3  # of a code length told plainly
HELPERS = 19


class Writer:
    """Bits, the highest of each byte first."""

    def __init__(self) -> None:
        self._text: list[str] = []

    def put(self, value: int, count: int) -> None:
        if count:
            self._text.append(f"{value:0{count}b}")

    def data(self) -> bytes:
        text = "".join(self._text)
        text += "0" * (-len(text) % 8)
        return int(text or "0", 2).to_bytes(len(text) // 8, "big")


@dataclass
class Code:
    """Lengths of the codes of all symbols, and the codes in their order."""

    lengths: list[int]
    codes: dict[int, int]

    def put(self, writer: Writer, symbol: int) -> None:
        if len(self.codes) > 1:
            writer.put(self.codes[symbol], self.lengths[symbol])


def random_code(source: random.Random, symbols: int, used: list[int], longest: int) -> Code:
    """A full code of the used symbols: codes are split until there are enough, now and then the longest one."""
    depths = [0]
    while len(depths) < len(used):
        splittable = [n for n, depth in enumerate(depths) if depth < longest]
        at = max(splittable, key=lambda n: depths[n]) if source.random() < 0.3 else source.choice(splittable)
        depth = depths.pop(at)
        depths += [depth + 1] * 2
    lengths = [0] * symbols
    for symbol, depth in zip(used, depths, strict=True):
        lengths[symbol] = depth
    value, codes, last = 0, {}, 0
    for depth, symbol in sorted(zip((lengths[symbol] for symbol in used), used, strict=True)):
        value <<= depth - last
        codes[symbol], last = value, depth
        value += 1
    return Code(lengths, codes)


def blocks(seed: int, *, count_bits: int, farthest: int, odd: bool = False, size: int = 20_000) -> tuple[bytes, int]:
    """A stream of -lh4- to -lh7- (`count_bits` 4 or 5) or the odd -lh7- (6), and how many bytes it unpacks to.

    Distances go up to `farthest`, whether there are so many bytes before or not.
    """
    source = random.Random(seed)
    writer, total = Writer(), 0
    while total < size:
        total += _block(source, writer, count_bits, farthest, odd)
    return writer.data(), total


def _block(source: random.Random, writer: Writer, count_bits: int, farthest: int, odd: bool) -> int:
    symbols = ODD_SYMBOLS if odd else SYMBOLS
    used = sorted(source.sample(range(symbols), source.choice([1, 2, 3, 40, 200, symbols])))
    far_codes = [code for code in range((1 << count_bits) - 1) if _far(code, odd)[0] + 1 <= farthest]
    far_used = sorted(source.sample(far_codes, source.choice([1, 2, min(5, len(far_codes)), len(far_codes)])))
    codes, distances = random_code(source, symbols, used, 16), random_code(source, len(far_codes), far_used, 16)
    count = source.choice([1, 5, 300, 2000])
    writer.put(count, 16)
    _tell_codes(source, writer, codes)
    _tell_plainly(writer, distances, count_bits)
    total = 0
    for _ in range(count):
        symbol = source.choice(used)
        codes.put(writer, symbol)
        if symbol < 256:
            total += 1
            continue
        base, more = _odd_length(symbol) if odd else (symbol - 253, 0)
        extra = source.randrange(1 << more)
        writer.put(extra, more)
        total += base + extra
        far = source.choice(far_used)
        distances.put(writer, far)
        base, more = _far(far, odd)
        writer.put(source.randrange(min(1 << more, farthest - base)), more)
    return total


def _far(code: int, odd: bool) -> tuple[int, int]:
    """The least distance less one, and how many bits follow."""
    if odd:
        return (code, 0) if code < 4 else ((2 | code & 1) << (code // 2 - 1), code // 2 - 1)
    return (code, 0) if code < 2 else (1 << (code - 1), code - 1)


def _odd_length(symbol: int) -> tuple[int, int]:
    if symbol < 264 or symbol == 288:
        return (514 if symbol == 288 else symbol - 253), 0
    more = (symbol - 260) // 4
    return ((4 + symbol % 4) << more) + 3, more


def _tell_plainly(writer: Writer, code: Code, count_bits: int, skip_after: int = -1) -> None:
    """Lengths of three bits, from 7 on with further ones; after the third of the helper code, zeros left out."""
    if len(code.codes) == 1:
        writer.put(0, count_bits)
        writer.put(next(iter(code.codes)), count_bits)
        return
    count = max(n for n, length in enumerate(code.lengths) if length) + 1
    writer.put(count, count_bits)
    at = 0
    while at < count:
        length = code.lengths[at]
        writer.put(min(length, 7), LENGTH_BITS)
        if length >= 7:
            writer.put((1 << (length - 7)) - 1 << 1, length - 6)
        at += 1
        if at == skip_after:
            zeros = 0
            while zeros < 3 and at + zeros < count and not code.lengths[at + zeros]:
                zeros += 1
            writer.put(zeros, 2)
            at += zeros


def _tell_codes(source: random.Random, writer: Writer, code: Code) -> None:
    """The lengths of the symbols' codes by a helper code, runs of zeros shortened as the method has it."""
    if len(code.codes) == 1:
        for bits in (5, 5, 9):
            writer.put(0, bits)
        writer.put(next(iter(code.codes)), 9)
        return
    count = max(n for n, length in enumerate(code.lengths) if length) + 1
    told: list[tuple[int, int, int]] = []  # helper symbol, further bits and their number
    at = 0
    while at < count:
        run = 0
        while not code.lengths[at + run]:
            run += 1
        if not run:
            told.append((code.lengths[at] + 2, 0, 0))
            at += 1
            continue
        if run >= 20 and source.random() < 0.9:
            run = min(run, 20 + 511)
            told.append((2, run - 20, 9))
        elif run >= 3:
            run = min(run, 18)
            told.append((1, run - 3, 4))
        else:
            run = 1
            told.append((0, 0, 0))
        at += run
    used = sorted({symbol for symbol, _, _ in told})
    helper = random_code(source, HELPERS, used, 16)
    _tell_plainly(writer, helper, 5, skip_after=3)
    writer.put(count, 9)
    for symbol, further, bits in told:
        helper.put(writer, symbol)
        writer.put(further, bits)


PM2_COPIES = {8 + n: (2 + n, 0) for n in range(15)} | {23: (17, 3), 24: (25, 3), 25: (33, 5), 26: (65, 6), 27: (129, 7)}
PM2_BYTES = [3, 3, 4, 5, 5, 5, 6, 6]  # bits behind the symbols below 8


def pm2(seed: int, *, size: int = 20_000) -> tuple[bytes, int]:
    """A stream of -pm2-, and how many bytes it unpacks to (lhasa, lib/pm2_decoder.c)."""
    source, writer, done = random.Random(seed), Writer(), 0
    begins = [0, 1024, 2048, *range(4096, size + 8192, 4096)]
    writer.put(0, 1)
    for stage, (begin, end) in enumerate(pairwise(begins)):
        if done >= size:
            break
        anew = begin == 0 or (begin >= 4096 and source.random() < 0.5)
        if begin >= 4096:
            writer.put(anew, 1)
        if anew:
            codes = _pm2_codes(source, writer)
        if anew or begin <= 4096:
            distances = _pm2_distances(source, writer, min(5 + stage, 8))
        while done < min(end, size):
            done += _pm2_symbol(source, writer, codes, distances)
    return writer.data(), done


def _pm2_codes(source: random.Random, writer: Writer) -> Code:
    used = sorted({28, *source.sample(range(29), source.choice([3, 12, 29]))})
    code = random_code(source, 29, used, 15)
    for value, bits in ((29, 5), (1, 3), (4, 3)):
        writer.put(value, bits)
    for length in code.lengths:
        writer.put(length, 4)
    return code


def _pm2_distances(source: random.Random, writer: Writer, count: int) -> Code:
    used = sorted(source.sample(range(count), source.choice([1, 2, count])))
    code = random_code(source, count, used, 7)
    for symbol, length in enumerate(code.lengths):
        writer.put(1 if used == [symbol] else length, 3)
    return code


def _pm2_symbol(source: random.Random, writer: Writer, codes: Code, distances: Code) -> int:
    symbol = source.choice(list(codes.codes))
    codes.put(writer, symbol)
    if symbol < 8:
        writer.put(source.getrandbits(PM2_BYTES[symbol]), PM2_BYTES[symbol])
        return 1
    if symbol == 28:
        return 256
    base, more = PM2_COPIES[symbol]
    extra = source.randrange(1 << more)
    writer.put(extra, more)
    if symbol == 8:
        writer.put(source.getrandbits(6), 6)
    else:
        far = source.choice(list(distances.codes))
        distances.put(writer, far)
        writer.put(source.getrandbits(6 if far == 0 else far + 5), 6 if far == 0 else far + 5)
    return base + extra


# Of the codes a stream of -pm1- may choose: its number, and code and further bits of some of its ranges.
PM1_CODES = {
    0: [("0000", 4), ("0001", 4), ("001", 5), ("01", 6), ("10", 6), ("11", 6)],
    16: [("0", 4), ("10", 4), ("110", 5), ("1110", 6), ("11110", 6), ("11111", 6)],
    17: [("01", 5), ("000", 6), ("10", 6), ("001", 6), ("11", 6)],
    31: [("", 4)],
}


def pm1(seed: int, *, size: int = 20_000) -> tuple[bytes, int]:
    """A stream of -pm1-, and how many bytes it unpacks to (lhasa, lib/pm1_decoder.c)."""
    source, writer, done = random.Random(seed), Writer(), 0
    number = source.choice(list(PM1_CODES))
    writer.put(number, 5)
    while done < size:
        row = source.choice([0, 1, 3, 4, 10, 11, 24, 25, 88, 89, 215, 216]) if done else 216
        writer.put(row > 0, 1)
        if row:
            _pm1_row(writer, row)
        for _ in range(row):
            code, more = source.choice(PM1_CODES[number])
            writer.put(int(code or "0", 2), len(code))
            writer.put(source.getrandbits(more), more)
        done += row
        if row < 216:
            done += _pm1_copy(source, writer, done)
    return writer.data(), done


def _pm1_row(writer: Writer, row: int) -> None:
    for least, most, front, bits in ((1, 3, "", 2), (4, 10, "11", 3), (11, 24, "11111", 4), (25, 88, "111111110", 6),
                                     (89, 216, "111111111", 7)):  # fmt: skip
        if least <= row <= most:
            writer.put(int(front or "0", 2), len(front))
            writer.put(row - least, bits)


def _pm1_copy(source: random.Random, writer: Writer, done: int) -> int:
    """Range by range: its code, whether the copy has two bytes, the least distance less one, the most further bits."""
    ranges = [("000", True, 0, 6), ("001", True, 64, 8), ("01", False, 576, 11), ("10", False, 64, 9),
              ("110", False, 2624, 13), ("111", False, 0, 6)]  # fmt: skip
    if done < 2624:
        ranges[4:] = [("11", False, 0, 6)]
    if done < 576:
        ranges = [("00", True, 0, 6), ("01", True, 64, 8), ("10", False, 64, 9), ("11", False, 0, 6)]
    code, two, base, most = source.choice([one for one in ranges if one[2] < done])
    writer.put(int(code, 2), len(code))
    length = 2
    if not two:
        front, least, bits = source.choice([("00", 3, 0), ("10", 5, 0), ("11000", 6, 0), ("11100", 10, 0),
                                            ("11101", 11, 2), ("11110", 15, 3), ("11111000111", 30, 0),
                                            ("11111111110", 85, 5), ("11111111111", 117, 7)])  # fmt: skip
        extra = source.randrange(1 << bits)
        writer.put(int(front, 2), len(front))
        writer.put(extra, bits)
        length = least + extra
    bits = most
    if base and not two:
        bits = min(most, max(8, (done - base).bit_length()))
    writer.put(source.randrange(min(1 << bits, done - base)), bits)
    return length

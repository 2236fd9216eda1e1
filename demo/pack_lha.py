"""A small LHA packer, so that the demonstration makes its own archives: -lh0-, -lh5-, -lh7-, header levels 0 to 2.

Formats: the header document of "LHa for UNIX"; the block layout is that of the published ar002 sources.
It packs, nothing more: the package discprep has its own reader and shares no line with this file.
"""

from __future__ import annotations

import heapq
import struct
from collections import Counter
from dataclasses import dataclass, field

THRESHOLD, MAX_MATCH = 3, 256
NC, NT = 510, 19  # symbols of the literal/length code and of the code for its lengths
WINDOWS = {"-lh5-": (13, 4), "-lh7-": (16, 5)}  # bits of the window, bits of a position-code count
BLOCK_SYMBOLS = 16_000


@dataclass
class Bits:
    """Bits, most significant first."""

    out: bytearray = field(default_factory=bytearray)
    value: int = 0
    count: int = 0

    def put(self, width: int, value: int) -> None:
        self.value = (self.value << width) | value
        self.count += width
        while self.count >= 8:
            self.count -= 8
            self.out.append((self.value >> self.count) & 0xFF)
        self.value &= (1 << self.count) - 1

    def whole(self) -> bytes:
        if self.count:
            self.put(8 - self.count, 0)
        return bytes(self.out)


def crc16(data: bytes) -> int:
    """CRC-16/ARC."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ (0xA001 if crc & 1 else 0)
    return crc


def matches(data: bytes, window: int) -> list[tuple[int, int]]:
    """Greedy parse: (literal, -1) or (length, distance - 1)."""
    recent: dict[bytes, list[int]] = {}
    tokens, at = [], 0
    while at < len(data):
        key = data[at : at + THRESHOLD]
        best, where = 0, 0
        for candidate in reversed(recent.get(key, [])[-16:]):
            if at - candidate > window:
                break
            length = common(data, candidate, at)
            if length > best:
                best, where = length, candidate
        step = best if best >= THRESHOLD else 1
        tokens.append((best, at - where - 1) if best >= THRESHOLD else (data[at], -1))
        for position in range(at, at + step):
            recent.setdefault(data[position : position + THRESHOLD], []).append(position)
        at += step
    return tokens


def common(data: bytes, one: int, other: int) -> int:
    """How many bytes agree from two places on, at most MAX_MATCH."""
    length = 0
    most = min(MAX_MATCH, len(data) - other)
    while length < most and data[one + length] == data[other + length]:
        length += 1
    return length


def code_lengths(counts: Counter[int], symbols: int) -> list[int]:
    """Huffman code lengths, at most 16 bits; counts are flattened until they fit."""
    lengths = [0] * symbols
    while True:
        heap = [(count, symbol, (symbol,)) for symbol, count in sorted(counts.items())]
        heapq.heapify(heap)
        depth: Counter[int] = Counter()
        while len(heap) > 1:
            a, b = heapq.heappop(heap), heapq.heappop(heap)
            depth.update(a[2] + b[2])
            heapq.heappush(heap, (a[0] + b[0], min(a[1], b[1]), a[2] + b[2]))
        if max(depth.values(), default=0) <= 16:
            break
        counts = Counter({symbol: (count + 1) // 2 for symbol, count in counts.items()})
    for symbol, bits in depth.items():
        lengths[symbol] = bits
    return lengths


def codes(lengths: list[int]) -> list[int]:
    """Canonical codes: by length, then by symbol."""
    result, code = [0] * len(lengths), 0
    for bits in range(1, 17):
        for symbol, length in enumerate(lengths):
            if length == bits:
                result[symbol] = code
                code += 1
        code <<= 1
    return result


def put_small_tree(bits: Bits, lengths: list[int], width: int, special: int) -> None:
    """The code lengths of a small code, 3 bits each, longer ones in unary; after `special` a run of zeros."""
    count = max((i + 1 for i, length in enumerate(lengths) if length), default=0)
    bits.put(width, count)
    at = 0
    while at < count:
        length = lengths[at]
        at += 1
        if length <= 6:
            bits.put(3, length)
        else:
            bits.put(length - 3, (1 << (length - 3)) - 2)
        if at == special:
            while at < 6 and not lengths[at]:
                at += 1
            bits.put(2, at - 3)


def runs(lengths: list[int]) -> list[tuple[int, int, int]]:
    """The literal/length code's lengths as (symbol, extra bits, extra value); runs of zeros shortened."""
    count = max(i + 1 for i, length in enumerate(lengths) if length)
    found, at = [], 0
    while at < count:
        if lengths[at]:
            found.append((lengths[at] + 2, 0, 0))
            at += 1
            continue
        zeros = 0
        while at < count and not lengths[at]:
            zeros += 1
            at += 1
        if zeros <= 2:
            found += [(0, 0, 0)] * zeros
        elif zeros <= 18:
            found.append((1, 4, zeros - 3))
        elif zeros == 19:
            found += [(0, 0, 0), (1, 4, 15)]
        else:
            found.append((2, 9, zeros - 20))
    return found


def put_block(bits: Bits, tokens: list[tuple[int, int]], position_bits: int, width: int) -> None:
    """One block: its codes, then its symbols."""
    symbols = [value if distance < 0 else value - THRESHOLD + 256 for value, distance in tokens]
    slots = [distance.bit_length() for _, distance in tokens if distance >= 0]
    bits.put(16, len(symbols))
    literal = put_literal_tree(bits, Counter(symbols))
    position = put_position_tree(bits, Counter(slots), position_bits + 1, width)
    for symbol, (_, distance) in zip(symbols, tokens, strict=True):
        bits.put(*literal[symbol])
        if distance >= 0:
            slot = distance.bit_length()
            bits.put(*position[slot])
            if slot > 1:
                bits.put(slot - 1, distance & ((1 << (slot - 1)) - 1))


def table(lengths: list[int]) -> list[tuple[int, int]]:
    return list(zip(lengths, codes(lengths), strict=True))


def put_literal_tree(bits: Bits, counts: Counter[int]) -> list[tuple[int, int]]:
    if len(counts) == 1:
        (only,) = counts
        for width, value in ((5, 0), (5, 0), (9, 0), (9, only)):
            bits.put(width, value)
        return [(0, 0)] * NC
    lengths = code_lengths(counts, NC)
    packed = runs(lengths)
    small = Counter(symbol for symbol, _, _ in packed)
    if len(small) == 1:
        (only,) = small
        bits.put(5, 0)
        bits.put(5, only)
        inner = [(0, 0)] * NT
    else:
        inner_lengths = code_lengths(small, NT)
        put_small_tree(bits, inner_lengths, 5, 3)
        inner = table(inner_lengths)
    bits.put(9, max(i + 1 for i, length in enumerate(lengths) if length))
    for symbol, extra, value in packed:
        bits.put(*inner[symbol])
        if extra:
            bits.put(extra, value)
    return table(lengths)


def put_position_tree(bits: Bits, counts: Counter[int], symbols: int, width: int) -> list[tuple[int, int]]:
    if len(counts) <= 1:
        bits.put(width, 0)
        bits.put(width, next(iter(counts), 0))
        return [(0, 0)] * symbols
    lengths = code_lengths(counts, symbols)
    put_small_tree(bits, lengths, width, -1)
    return table(lengths)


def pack(data: bytes, method: str) -> bytes:
    """The packed bytes of one member."""
    if method == "-lh0-":
        return data
    position_bits, width = WINDOWS[method]
    bits, tokens = Bits(), matches(data, (1 << position_bits) - 1)
    for start in range(0, len(tokens), BLOCK_SYMBOLS):
        put_block(bits, tokens[start : start + BLOCK_SYMBOLS], position_bits, width)
    return bits.whole()


def member(name: str, data: bytes, method: str, level: int, time_s: int, system: bytes = b"M") -> bytes:
    """A member with its header. `name` has `/` between parts; `time_s` is the wall clock read as UTC."""
    packed = pack(data, method) if data else b""
    method = method if len(packed) < len(data) else "-lh0-"
    packed = packed if method != "-lh0-" else data
    folder, _, base = name.rpartition("/")
    where = folder.encode("latin-1").replace(b"/", b"\xff") + b"\xff" if folder else b""
    sizes = struct.pack("<II", len(packed), len(data))
    sum16 = struct.pack("<H", crc16(data))
    if level == 0:
        path = name.replace("/", "\\").encode("latin-1")
        rest = method.encode() + sizes + dos_time(time_s) + b"\x20\x00" + bytes([len(path)]) + path + sum16
        return bytes([len(rest), sum(rest) & 0xFF]) + rest + packed
    if level == 1:
        extra = struct.pack("<B", 2) + where + b"\0\0" if where else b""
        skip = struct.pack("<I", len(packed) + len(extra))
        file = base.encode("latin-1")
        rest = method.encode() + skip + sizes[4:] + dos_time(time_s) + b"\x20\x01" + bytes([len(file)]) + file
        rest += sum16 + system + struct.pack("<H", len(extra))
        return bytes([len(rest), sum(rest) & 0xFF]) + rest + extra + packed
    return level_two(method, sizes, time_s, sum16, system, base.encode("latin-1"), where) + packed


def level_two(
    method: str, sizes: bytes, time_s: int, sum16: bytes, system: bytes, base: bytes, where: bytes
) -> bytes:
    pieces = [b"\0\0\0", b"\x01" + base] + ([b"\x02" + where] if where else [])
    chain = b"".join(struct.pack("<H", len(piece) + 2) + piece for piece in pieces) + b"\0\0"
    head = method.encode() + sizes + struct.pack("<I", time_s) + b"\x20\x02" + sum16 + system
    total = 2 + len(head) + len(chain)
    padding = b"\0" if total & 0xFF == 0 else b""
    raw = bytearray(struct.pack("<H", total + len(padding)) + head + chain + padding)
    at = 2 + len(head) + 3  # the header's own CRC stands first in the chain
    raw[at : at + 2] = struct.pack("<H", crc16(bytes(raw)))
    return bytes(raw)


def dos_time(time_s: int) -> bytes:
    """Date and time in 4 bytes."""
    import time as clock

    t = clock.gmtime(time_s)
    date = (t.tm_year - 1980) << 9 | t.tm_mon << 5 | t.tm_mday
    return struct.pack("<HH", t.tm_hour << 11 | t.tm_min << 5 | t.tm_sec // 2, date)


def archive(files: dict[str, bytes], method: str, level: int, time_s: int) -> bytes:
    """A whole archive with its end mark."""
    return b"".join(member(name, data, method, level, time_s) for name, data in files.items()) + b"\0"

"""-lzs- and -lz5-: copies and literals without any Huffman code, told apart by one bit each.

A copy says where in a ring of bytes it begins. What the ring holds at first, and where writing begins in it, is as
lhasa has it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from discprep.archives.base import MemberError
from discprep.archives.lha_bits import ENDED, Bits, History

LZS_RING, LZ5_RING = 2048, 4096
LZS_START, LZ5_START = LZS_RING - 17, LZ5_RING - 18
LZS_SHORTEST, LZS_LONGEST, LZ5_SHORTEST = 2, 17, 3
STRETCH = 4096  # symbols decoded before what came out is looked at
GROUP_BYTES = 1 + 8 * 2  # flags of eight, and two bytes for each copy


def decode_lzs(chunks: Iterable[bytes], size_bytes: int) -> Iterator[bytes]:
    """A bit 1 and a byte, or a bit 0, eleven bits of a place in the ring and four of a length."""
    bits, history = Bits(chunks), History(b" " * LZS_RING, size_bytes)
    take, put, at = bits.take, history.bytes.append, LZS_START
    while history.left > 0:
        for _ in range(min(max(history.left // LZS_LONGEST, 1), STRETCH)):
            if take(1):
                put(take(8))
                at += 1
            else:
                place, length = take(11), take(4) + LZS_SHORTEST
                history.copy((at - place - 1) % LZS_RING + 1, length)
                at += length
        bits.check()
        yield from history.pieces()


def decode_lz5(chunks: Iterable[bytes], size_bytes: int) -> Iterator[bytes]:
    """A byte of eight flags, the lowest first; for a 1 a byte, for a 0 two, the low eight bits of the place, then its
    upper four and four of the length."""
    first = _lz5_ring()
    history, at = History(first[LZ5_START:] + first[:LZ5_START], size_bytes), LZ5_START
    data, given = b"", iter(chunks)
    while history.left > 0:
        chunk = next(given, b"")
        data += chunk
        if not chunk:  # zeros behind the end, so that no byte has to be asked for; what they give does not count
            end, data = len(data), data + bytes(GROUP_BYTES)
        here = 0
        while here + GROUP_BYTES <= len(data) and history.left > 0:
            flags = data[here]
            here += 1
            for bit in range(8):
                if not chunk and history.left <= 0:
                    break
                if flags >> bit & 1:
                    history.bytes.append(data[here])
                    here, at = here + 1, at + 1
                else:
                    low, high = data[here], data[here + 1]
                    length = (high & 15) + LZ5_SHORTEST
                    history.copy((at - (low | (high & 0xF0) << 4) - 1) % LZ5_RING + 1, length)
                    here, at = here + 2, at + length
        if not chunk and (here > end or history.left > 0):
            raise MemberError(ENDED)
        yield from history.pieces()
        data = data[here:]


def _lz5_ring() -> bytes:
    """Thirteen of each byte, all bytes upwards and downwards, zeros, spaces, zeros."""
    runs = b"".join(bytes([value]) * 13 for value in range(256))
    return runs + bytes(range(256)) + bytes(range(255, -1, -1)) + bytes(128) + b" " * 110 + bytes(18)

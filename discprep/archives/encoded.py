"""Single files that are encoded for transport, by their first bytes: what they are is said, they are not decoded here.

Sources: RFC 1741 section 4 (the line in front of a file that is encoded as text); the form with a 128-byte header that
carries both forks of a file: byte 0, 74 and 82 are zero, byte 1 is the length of the name (1 to 63), bytes 83 and 87
are the lengths of the two forks, each of which is padded to 128 bytes (common practice, from memory).
"""

from __future__ import annotations

import struct

MARK_RFC_1741 = b"(This file must be converted with BinHex"
HEADER_BYTES = 128


def encoding(head: bytes, size_bytes: int) -> str:
    """What a file is encoded as, in words; "" where it is not, as far as its first bytes tell."""
    if MARK_RFC_1741 in head[:4096]:
        return "a file encoded as text for mail (RFC 1741): the machine must decode it before it can be used"
    if _is_two_forks(head, size_bytes):
        return "a file with a 128-byte header that carries both its forks: the machine must take it apart"
    return ""


def _is_two_forks(head: bytes, size_bytes: int) -> bool:
    if len(head) < HEADER_BYTES or head[0] or head[74] or head[82] or not 1 <= head[1] <= 63:
        return False
    forks = struct.unpack(">II", head[83:91])
    name = head[2 : 2 + head[1]]
    whole = HEADER_BYTES + sum(-(-fork // 128) * 128 for fork in forks)
    last_unpadded = whole - (-forks[1] % 128 if forks[1] else -forks[0] % 128)
    return sum(forks) > 0 and min(name) >= 0x20 and last_unpadded <= size_bytes <= whole + 65_536

"""Block protocols on the bare line, for a machine that has only a terminal program.

    stop and wait:  T = blocks * ((block + reply) / c + R) + exchanges at the ends
    streaming:      T = wire bytes / c

Block sizes and escapes: XMODEM and YMODEM protocol reference (parts 4, 5, 7), ZMODEM specification of 14 October 1988
(part 7; CRC-32, 1024-byte subpackets), Kermit protocol manual, 6th edition.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

from discprep.link.line import characters_per_second
from discprep.link.tcp import WORST_LOSS
from discprep.model import Seconds

_CONTROLS, _PAIR = 66, 2  # Kermit prefixes 0-31, 127-159 and 255; '#' and '~' in both halves make four more
KERMIT_GROWTH = 1 + (_CONTROLS + 2 * _PAIR) / 256  # on an 8-bit line, with repeat counts
ZMODEM_GROWTH = 1 + 7 / 256 + (2 / 256) ** 2  # 10 90 11 91 13 93 18, and 0D 8D after an at sign
_ZMODEM_FRAMES_BYTES = 160  # headers before and after the data, with CRC-32
_KERMIT_UNUSED_BYTES = 1.5  # left free in a packet, as a prefixed pair is not split


@dataclass(frozen=True, slots=True)
class BlockProtocol:
    """One block protocol.

    Attributes:
        data_bytes: of the file in a full block, before escaping
        extra_bytes: wire bytes of a block that are not the file's
        reply_bytes: of the acknowledgement of a block; 0 when it streams
        growth: wire bytes for a byte of the file, random content
        pads: the last block is filled up
        tail_bytes: data bytes of the small blocks that a short rest goes in; 0: no such blocks
        header_bytes: wire bytes before each file (names, sizes), acknowledged where blocks are
        trailer_bytes: wire bytes after each file
        closing_bytes: wire bytes after the last file
        pause_s: what a receiver waits at each file's end, to be sure that it is the end and no noise, and before it
            asks for the next one (measured on programs in use; no standard says so)
        room_bytes: of a block for the file's bytes after prefixing, where these take more the fewer bytes it holds
    """

    name: str
    data_bytes: int
    extra_bytes: float
    reply_bytes: float
    growth: float = 1.0
    pads: bool = False
    tail_bytes: int = 0
    header_bytes: float = 0.0
    trailer_bytes: float = 1.0
    closing_bytes: float = 0.0
    pause_s: float = 0.0
    room_bytes: float = 0.0

    def at_growth(self, growth: float) -> BlockProtocol:
        """The same for content that grows by so much."""
        data_bytes = max(1, int(self.room_bytes / growth)) if self.room_bytes else self.data_bytes
        return replace(self, growth=growth, data_bytes=data_bytes)

    @property
    def streams(self) -> bool:
        return self.reply_bytes == 0


def _kermit(name: str, packet_bytes: int, check_bytes: int, reply_bytes: float) -> BlockProtocol:
    """Kermit with packets whose data part takes `packet_bytes` after prefixing."""
    long = packet_bytes > 94
    data = (packet_bytes if long else packet_bytes - 2 - check_bytes) - _KERMIT_UNUSED_BYTES
    extra = check_bytes + (8 if long else 5)
    return BlockProtocol(
        name, data_bytes=int(data / KERMIT_GROWTH), extra_bytes=extra, reply_bytes=reply_bytes, growth=KERMIT_GROWTH,
        header_bytes=60, trailer_bytes=12, closing_bytes=12, room_bytes=data,
    )  # fmt: skip


# Between a block and its reply: two programs on one cable took 3 ms (measured); a serial adapter on USB hands bytes on
# every 16 ms unless told otherwise (common practice, no source).
TURNAROUND_S = 0.016
_TURNAROUND_RANGE_S = (0.003, 0.032)
_OWN_TIME_S = 0.01  # what two programs may take between a block and its reply: common practice, no source
_BATCH = 133.0  # YMODEM's block 0: name and size before each file, an empty one at the end
_KERMIT_REPLY = 5.0 + 3
_YMODEM = BlockProtocol(
    "ymodem", 1024, 5, 1, pads=True, tail_bytes=128, header_bytes=_BATCH, closing_bytes=_BATCH, pause_s=2
)

_ALL = (
    BlockProtocol("xmodem", 128, 4, 1, pads=True, pause_s=1),
    BlockProtocol("xmodem-crc", 128, 5, 1, pads=True, pause_s=1),
    BlockProtocol("xmodem-1k", 1024, 5, 1, pads=True, tail_bytes=128, pause_s=1),
    _YMODEM,
    replace(_YMODEM, name="ymodem-g", reply_bytes=0),
    BlockProtocol(
        "zmodem", 1024, 2 + 4 * ZMODEM_GROWTH, 0, growth=ZMODEM_GROWTH,
        header_bytes=_ZMODEM_FRAMES_BYTES / 2, trailer_bytes=_ZMODEM_FRAMES_BYTES / 4,
        closing_bytes=_ZMODEM_FRAMES_BYTES / 4,
    ),
    _kermit("kermit", 94, 3, _KERMIT_REPLY),
    _kermit("kermit-long", 9000, 3, _KERMIT_REPLY),
    _kermit("kermit-streaming", 9000, 3, 0.0),
)  # fmt: skip
BLOCK_PROTOCOLS: Mapping[str, BlockProtocol] = MappingProxyType({protocol.name: protocol for protocol in _ALL})


def block_assumptions(turnaround_s: float | None) -> tuple[str, ...]:
    """What the range of a block protocol is made of; `turnaround_s`: between a block and its reply, where told."""
    low_ms, high_ms = (f"{value * 1000:g}" for value in _turnaround_range(turnaround_s))
    usual = "" if turnaround_s is not None else ", as an adapter on USB takes"
    told_ms = f"{1000 * (TURNAROUND_S if turnaround_s is None else turnaround_s):g}"
    return (
        "the line's rate: 1 % faster to 2 % slower",
        f"from a block to its reply {told_ms} ms{usual}: {low_ms} to {high_ms}; the errors: half to twice as many",
        "the receiver's pauses at the end of a file: none, to twice as long",
    )


def _turnaround_range(turnaround_s: float | None) -> tuple[float, float]:
    """Where it is told, half and twice as long; with what the two programs take on top."""
    low_s, high_s = _TURNAROUND_RANGE_S if turnaround_s is None else (turnaround_s / 2, turnaround_s * 2)
    return low_s, round(high_s + _OWN_TIME_S, 6)


def block_count(protocol: BlockProtocol, size_bytes: int) -> tuple[int, int]:
    """(full blocks, small blocks) for one file."""
    full, rest = divmod(size_bytes, protocol.data_bytes)
    if not protocol.tail_bytes:
        return full + (rest > 0), 0
    small = math.ceil(rest / protocol.tail_bytes)
    # Eight small blocks or more carry no less than one large one would.
    most = protocol.data_bytes // protocol.tail_bytes
    return (full + 1, 0) if small >= most else (full, small)


def wire_parts(protocol: BlockProtocol, size_bytes: int, files: int = 1) -> dict[str, float]:
    """Bytes on the wire [B] by what they are for, headers, ends and the batch's end included."""
    full, small = block_count(protocol, math.ceil(size_bytes / files))
    carried = full * protocol.data_bytes + small * protocol.tail_bytes
    filled = max(0, carried - size_bytes / files) if protocol.pads else 0
    return {
        "payload": float(size_bytes),
        "escapes": (protocol.growth - 1) * size_bytes,
        "blocks": files * (full + small) * protocol.extra_bytes,
        "filling of the last block": files * float(filled),
        "names and ends": files * (protocol.header_bytes + protocol.trailer_bytes) + protocol.closing_bytes,
    }


def send_blocks(
    size_bytes: int, protocol: BlockProtocol, rate_bit_s: float, framing: str = "8N1", *,
    turnaround_s: float | None = None, files: int = 1, growth: float | None = None, error_rate: float = 0.0,
) -> Seconds:  # fmt: skip
    """Seconds for `files` files of together `size_bytes`, with parts that sum to the expected time.

    `turnaround_s` is what passes between a block's last byte and the first of its reply's effect at the sender: both
    programs and whatever stands between them; None takes the usual one. `growth` overrides the escapes of random bytes.
    `block_assumptions` says what best and worst are made of.
    """
    if growth is not None:
        protocol = protocol.at_growth(growth)
    low_s, high_s = _turnaround_range(turnaround_s)
    usual_s = TURNAROUND_S if turnaround_s is None else turnaround_s
    char_s = characters_per_second(rate_bit_s, framing)
    hasty, slow = replace(protocol, pause_s=0.0), replace(protocol, pause_s=2 * protocol.pause_s)
    expected = _block_parts(size_bytes, protocol, char_s, usual_s, files, error_rate)
    best = _block_parts(size_bytes, hasty, char_s * 1.01, low_s, files, error_rate / 2)
    worst = _block_parts(size_bytes, slow, char_s * 0.98, high_s, files, error_rate * 2)
    total = sum(expected.values())
    return Seconds(sum(best.values()), total, sum(worst.values()), tuple(expected.items()))


def _block_parts(
    size_bytes: int, protocol: BlockProtocol, char_s: float, turnaround_s: float, files: int, error_rate: float
) -> dict[str, float]:
    parts = {name: size / char_s for name, size in wire_parts(protocol, size_bytes, files).items()}
    full, small = block_count(protocol, math.ceil(size_bytes / files))
    ends = 3 if protocol.header_bytes else 1  # of each file: its header, its end, the start of the next
    replies = files * (ends + (0 if protocol.streams else full + small)) + (1 if protocol.closing_bytes else 0)
    parts["replies"] = replies * max(1.0, protocol.reply_bytes) / char_s
    parts["turnaround"] = replies * turnaround_s
    block_bytes = protocol.data_bytes * protocol.growth + protocol.extra_bytes
    loss = min(WORST_LOSS, -math.expm1(block_bytes * math.log1p(-error_rate)))
    parts["line errors"] = sum(parts.values()) * loss / (1 - loss)
    parts["pauses of the receiver"] = files * protocol.pause_s
    return parts

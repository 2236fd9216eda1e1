"""What a serial receiver makes of bytes that were sent at another rate: bit times, sampled in their middles."""

from functools import cache


@cache
def misheard(data: bytes, sent_bit_s: float, read_bit_s: float, gap_bits: float = 0.5) -> bytes:
    """Start bit, eight data bits, stop bit, then idle for `gap_bits`; the receiver looks for a falling edge, samples
    eight times and goes on after the stop bit's middle; a stop bit that is low still gives a byte."""
    levels: list[tuple[float, int]] = []  # until when [s], level
    now = 10 / sent_bit_s
    levels.append((now, 1))
    for byte in data:
        for bit in [0, *(byte >> n & 1 for n in range(8)), 1]:
            now += 1 / sent_bit_s
            levels.append((now, bit))
        now += gap_bits / sent_bit_s
        levels.append((now, 1))
    end = now + 20 / read_bit_s
    levels.append((end, 1))
    found, at, index = bytearray(), 0.0, 0

    def level(time: float) -> int:
        nonlocal index
        while index < len(levels) - 1 and levels[index][0] <= time:
            index += 1
        return levels[index][1]

    step = 1 / read_bit_s / 16
    before = 1
    while at < end:
        now_level = level(at)
        if before == 1 and now_level == 0:
            bits = [level(at + (n + 1.5) / read_bit_s) for n in range(8)]
            found.append(sum(bit << n for n, bit in enumerate(bits)))
            at += 9.5 / read_bit_s
            before = level(at)
            continue
        before = now_level
        at += step
    return bytes(found)

"""The asynchronous line: framings to bit times and characters a second, and the tolerance that they leave."""

from __future__ import annotations

import re
from dataclasses import dataclass

STANDARD_RATES_BIT_S = (
    300, 600, 1200, 2400, 4800, 9600, 14400, 19200, 28800, 38400, 57600, 76800, 115200, 230400, 460800, 921600,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Framing:
    """One character on the line: a start bit, 5 to 8 data bits, perhaps a parity bit, stop bits."""

    data_bits: int
    parity: str  # N, E, O, M or S
    stop_bits: float

    @property
    def bits(self) -> float:
        """Bit times of one character, the start bit included."""
        return 1 + self.data_bits + (self.parity != "N") + self.stop_bits

    @property
    def tolerance(self) -> float:
        """The total mismatch of the two ends [fraction] at which even perfect sampling fails.

        The receiver finds the start edge anew in each character and samples the last bit, the stop bit, in its
        middle, `bits - 0.5` bit times later; there it may be half a bit off: 0.5 / (bits - 0.5).
        """
        return 0.5 / (self.bits - 0.5)


def parse_framing(text: str) -> Framing:
    """A framing such as "8N1", "7E1" or "8N2".

    >>> parse_framing("8E1").bits
    11.0

    Raises:
        ValueError: not data bits, parity letter, stop bits
    """
    match = re.fullmatch(r"([5-8])([NEOMS])(1\.5|1|2)", text.strip().upper())
    if not match:
        raise ValueError(f"{text!r} is not a framing such as 8N1: data bits 5-8, parity N E O M S, stop bits 1 or 2")
    return Framing(int(match[1]), match[2], float(match[3]))


def characters_per_second(rate_bit_s: float, framing: str) -> float:
    """Characters a second [1/s] at a line rate [bit/s]: `rate / bits`; 115,200 at 8N1 is 11,520."""
    return rate_bit_s / parse_framing(framing).bits

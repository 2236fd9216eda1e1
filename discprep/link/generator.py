"""Line-rate generation: what rate a clock and a divider really make.

    n        clock / n
    n+1      clock / (n + 1)              no factor 16
    16n      clock / (16 n)               16-fold sampling
    16n/16   clock / (16 DIV)             DIV in steps of 1/16, at least 1

Errors keep their sign; printed tables often drop it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from discprep.model import Divider

_FACTOR = {"n": 1, "n+1": 1, "16n": 16, "16n/16": 1}  # clock pulses that one step of the divisor adds to a bit
_LEAST = {"n": 1, "n+1": 1, "16n": 1, "16n/16": 16}  # the smallest number of such steps


@dataclass(frozen=True, slots=True)
class Generated:
    """A nominal rate as a generator makes it. `divisor` is what is written to the register."""

    nominal_bit_s: float
    actual_bit_s: float
    divisor: float

    @property
    def error(self) -> float:
        """actual / nominal - 1 [fraction], signed."""
        return self.actual_bit_s / self.nominal_bit_s - 1


def generate(clock_hz: float | None, divider: Divider | None, rate_bit_s: float) -> Generated:
    """The closest rate that the generator makes, one of which nothing is known taken as exact. Both neighbours are
    tried: rounding is not always best.

    >>> generate(1_843_200, "16n", 110).divisor
    1047
    """
    if clock_hz is None or divider is None:
        return Generated(rate_bit_s, rate_bit_s, 0)
    steps = clock_hz / (_FACTOR[divider] * rate_bit_s)
    around = {max(_LEAST[divider], int(round_(steps))) for round_ in (math.floor, math.ceil)}
    best = min(sorted(around), key=lambda n: abs(clock_hz / (_FACTOR[divider] * n) / rate_bit_s - 1))
    return Generated(rate_bit_s, clock_hz / (_FACTOR[divider] * best), _register(divider, best))


def _register(divider: Divider, steps: int) -> float:
    if divider == "n+1":
        return steps - 1
    return steps / 16 if divider == "16n/16" else steps

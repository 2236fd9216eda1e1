"""Seconds for bytes over a serial line: framing, rate generation, encapsulation, TCP, block protocols. Pure."""

from discprep.link.ends import compare_ends, fastest_rate, overruns, rates_both_hold
from discprep.link.escapes import EscapeCounter, count_escapes
from discprep.link.notices import drops, resends
from discprep.link.trouble import Trouble

__all__ = [
    "EscapeCounter",
    "Trouble",
    "compare_ends",
    "count_escapes",
    "drops",
    "fastest_rate",
    "overruns",
    "rates_both_hold",
    "resends",
]

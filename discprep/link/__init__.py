"""Seconds for bytes over a serial line: framing, rate generation, encapsulation, TCP, block protocols. Pure."""

from discprep.link.ends import compare_ends, fastest_rate, overrun_notices, rates_both_hold
from discprep.link.escapes import EscapeCounter, count_escapes
from discprep.link.notices import overflow_notices, quiet_mtu, retransmission_notices

__all__ = [
    "EscapeCounter",
    "compare_ends",
    "count_escapes",
    "fastest_rate",
    "overflow_notices",
    "overrun_notices",
    "quiet_mtu",
    "rates_both_hold",
    "retransmission_notices",
]

"""Seconds for bytes over a serial line: framing, rate generation, encapsulation, TCP, block protocols. Pure."""

from discprep.link.ends import compare_ends, fastest_rate, overrun_notices, rates_both_hold
from discprep.link.escapes import EscapeCounter, count_escapes
from discprep.link.notices import quiet_mtu, retransmission_notices
from discprep.link.transfer import download

__all__ = [
    "EscapeCounter",
    "compare_ends",
    "count_escapes",
    "download",
    "fastest_rate",
    "overrun_notices",
    "quiet_mtu",
    "rates_both_hold",
    "retransmission_notices",
]

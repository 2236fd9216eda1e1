"""What burning an item gains, in seconds of waiting: the objective of the whole plan, one short function each."""

from __future__ import annotations

import math


def p_stale(days_to_use: float, renewed_every_days: float | None) -> float:
    """The chance that an item has changed at its source by the time it is used (0..1).

    p = 1 - exp(-days_to_use / renewed_every_days): changes come singly, at a steady rate, independent of each
    other (a Poisson process). 0 for an item that never changes (None).

    >>> round(p_stale(30, 120), 4)
    0.2212
    >>> p_stale(30, None)
    0.0
    """
    if renewed_every_days is None:
        return 0.0
    return 1.0 - math.exp(-days_to_use / renewed_every_days)


def gain_s(worth: int, stale: float, later_s: float, read_s: float, times: float = 1.0) -> float:
    """Seconds of waiting [s] that burning saves, weighted by worth (1..5, 3 is par); whole milliseconds.

    gain = worth / 3 * ((1 - p) * L - D) * times. An item that has gone stale is pulled over the line all the
    same, so only 1 - p of its time L counts: at the link, and to unpack by hand what crosses packed. D is the time to
    read it off the disc, and to unpack it where it stands packed. `times` is how often it is brought in: once, or at
    each power-on where the volume forgets.

    >>> gain_s(3, 0.0, 80.0, 2.0)
    78.0
    >>> gain_s(5, 0.25, 80.0, 3.0)
    95.0
    >>> gain_s(3, 0.99, 80.0, 2.0)  # nearly always stale: burning costs more than it saves
    -1.2
    """
    return round(worth / 3 * ((1.0 - stale) * later_s - read_s) * times, 3)

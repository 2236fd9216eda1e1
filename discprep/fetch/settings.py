"""Every limit of fetching in one record, each with its unit."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class FetchSettings:
    """Bounds of one run. Every wait ends: the worst transfer ends after `transfer_max_s`, and long before where
    it delivers less than `rate_min_bytes_s` over `rate_window_s`.
    """

    workers: int = 8  # transfers at once, over all hosts
    connections_per_host: int = 2
    connect_timeout_s: float = 20.0
    stall_timeout_s: float = 45.0  # a server that says nothing for so long has failed
    rate_min_bytes_s: float = 50.0
    rate_window_s: float = 60.0
    transfer_max_s: float = 6 * 3600.0  # one attempt at one source
    max_bytes: int = 4 * 2**30  # where no size is known
    redirects_max: int = 8
    attempts: int = 3  # at one source, without a byte more than the attempt before
    pause_s: float = 1.0  # before the second attempt; doubles
    retry_after_max_s: float = 60.0  # a server that asks for more is passed over
    chunk_bytes: int = 256 * 2**10
    sync_every_bytes: int = 32 * 2**20  # a power cut costs no more than this of a part file
    part_age_max_days: float = 30.0  # part files nobody came back for

"""Seconds at the link for what is pulled from the shelf, a file after the other, each over a connection of its own.

Plan, sheet and shelf reckon with it, so that they tell the same.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache

from discprep.link.transfer import Server, Transfer, expected_case, parts_of
from discprep.model import BridgeSettings, LinkSettings, Profile, Pulled

FileSeconds = Callable[[int, tuple[int, int] | None], float]
"""Bytes of one file and their counted escapes (slip, ppp), or None, to expected seconds."""


def asked_by_number(link: LinkSettings) -> LinkSettings:
    """The link as the shelf is asked over it: by its address, so that no name is looked up."""
    return replace(link, name_lookup=False)


def file_seconds(
    link: LinkSettings, bridge: BridgeSettings | None, profile: Profile | None, pace: float = 1.0,
    server: Server = "own",
) -> FileSeconds:  # fmt: skip
    """Expected seconds for one file, in whole milliseconds; `pace` is measured seconds over the model's."""
    link = asked_by_number(link)
    case = expected_case(link, bridge, profile, server)

    @cache
    def seconds(size_bytes: int, escapes: tuple[int, int] | None) -> float:
        return round(pace * sum(parts_of(Transfer(size_bytes, escapes), case, link).values()), 3)

    return seconds


def pulled_seconds(pulled: Pulled, seconds: FileSeconds) -> float:
    """Expected seconds for all files of an item, in whole milliseconds."""
    return round(sum(seconds(size, pulled.escapes) for size in pulled.sizes_bytes), 3)

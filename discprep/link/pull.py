"""Seconds at the link for what is pulled from the shelf, a file after the other, each over a connection of its own.

Plan, sheet and shelf reckon with it, so that they tell the same.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from functools import cache

from discprep.link.transfer import Server, Transfer, expected_case, parts_of
from discprep.model import BridgeSettings, Escapes, LinkSettings, Profile, Pulled

FileSeconds = Callable[[int, Escapes | None], float]
"""Bytes of one file and their counted escapes, or None, to expected seconds."""


MOST_SLICES = 999  # three digits number them
LEAST_SLICE_BYTES = 1000


def asked_by_number(link: LinkSettings) -> LinkSettings:
    """The link as the shelf is asked over it: by its address, so that no name is looked up."""
    return replace(link, name_lookup=False)


@dataclass(frozen=True, slots=True)
class Slice:
    """A stretch of a file that is pulled by itself, and its expected seconds."""

    first_byte: int
    size_bytes: int
    expected_s: float


class FileTimes:
    """Expected seconds of files, in whole milliseconds; what takes longer than the link's slice counts in slices.

    Where a slice ends follows from the line alone, never from what was measured, so that it is the same every evening.
    """

    def __init__(self, plain: FileSeconds, pace: float, slice_s: float | None) -> None:
        self._plain, self._pace = plain, pace
        self._slice_bytes = _slice_bytes(plain, slice_s) if slice_s else None

    def __call__(self, size_bytes: int, escapes: Escapes | None) -> float:
        return round(sum(one.expected_s for one in self.slices(size_bytes, escapes)), 3)

    def slices(self, size_bytes: int, escapes: Escapes | None) -> tuple[Slice, ...]:
        """The slices of a file; one where it is pulled whole. Escapes are taken as spread evenly."""
        if self._slice_bytes is None or size_bytes <= self._slice_bytes:
            return (Slice(0, size_bytes, self._seconds(size_bytes, escapes)),)
        step = max(self._slice_bytes, -(-size_bytes // MOST_SLICES))
        return tuple(
            Slice(at, length, self._seconds(length, _share(escapes, length / size_bytes)))
            for at in range(0, size_bytes, step)
            if (length := min(step, size_bytes - at))
        )

    def in_slices(self, sizes_bytes: Iterable[int]) -> bool:
        """Whether any file of such a size is pulled in more than one."""
        return self._slice_bytes is not None and any(size > self._slice_bytes for size in sizes_bytes)

    def _seconds(self, size_bytes: int, escapes: Escapes | None) -> float:
        return round(self._pace * self._plain(size_bytes, escapes), 3)


def _share(escapes: Escapes | None, part: float) -> Escapes | None:
    return None if escapes is None else Escapes(*(round(count * part) for count in escapes))


def _slice_bytes(seconds: FileSeconds, slice_s: float) -> int:
    """The most bytes that take no longer, rounded down to two digits; at least 1,000."""
    size_bytes = max(LEAST_SLICE_BYTES, bisect_right(range(2**40), slice_s, key=lambda size: seconds(size, None)) - 1)
    unit: int = 10 ** (len(str(size_bytes)) - 2)
    return size_bytes // unit * unit


def file_seconds(
    link: LinkSettings, bridge: BridgeSettings | None, profile: Profile | None, pace: float = 1.0,
    server: Server = "own",
) -> FileTimes:  # fmt: skip
    """Expected seconds for one file; `pace` is measured seconds over the model's."""
    link = asked_by_number(link)
    case = expected_case(link, bridge, profile, server)

    @cache
    def seconds(size_bytes: int, escapes: Escapes | None) -> float:
        return sum(parts_of(Transfer(size_bytes, escapes), case, link).values())

    return FileTimes(seconds, pace, link.slice_s)


def pulled_seconds(pulled: Pulled, seconds: FileSeconds) -> float:
    """Expected seconds for all files of an item, in whole milliseconds."""
    return round(sum(seconds(size, pulled.escapes) for size in pulled.sizes_bytes), 3)

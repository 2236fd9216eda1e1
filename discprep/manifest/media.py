"""The table of blank discs: nominal sectors of 2,048 bytes by the name that `[medium] kind` takes.

Sources: CD-Recordable FAQ §7-6 (minutes * 60 * 75 sectors a disc); the encyclopedia table "Recordable DVD
capacity comparison" (DVD). The 90-minute disc is outside its specification.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

SECTORS_A_SECOND = 75  # at single speed

MEDIA: Mapping[str, int] = MappingProxyType(
    {
        "cd-21": 21 * 60 * SECTORS_A_SECOND,  # 8 cm
        "cd-63": 63 * 60 * SECTORS_A_SECOND,
        "cd-74": 74 * 60 * SECTORS_A_SECOND,
        "cd-80": 80 * 60 * SECTORS_A_SECOND,
        "cd-90": 90 * 60 * SECTORS_A_SECOND,
        "dvd-r": 2_298_496,
        "dvd+r": 2_295_104,
        "dvd-r-dl": 4_171_712,
        "dvd+r-dl": 4_173_824,
    }
)
"""Kind of medium to its nominal sectors. A medium that is not here is given by `sectors` instead."""


def medium_sectors(kind: str) -> int:
    """Nominal sectors of a kind of medium.

    >>> medium_sectors("cd-74") * SECTOR_BYTES
    681984000

    Raises:
        KeyError: a kind that the table lacks
    """
    return MEDIA[kind]

"""The table of blank discs, nominal sectors of 2,048 bytes by the name that `[medium] kind` takes; and what an image
to boot from, or the first sectors, may hold.

Sources: CD-Recordable FAQ §7-6 (minutes * 60 * 75 sectors a disc); the encyclopedia table "Recordable DVD
capacity comparison" (DVD). The 90-minute disc is outside its specification.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from discprep.units import SECTOR_BYTES

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


FLOPPY_BYTES: Mapping[str, int] = MappingProxyType({"1.2M": 1_228_800, "1.44M": 1_474_560, "2.88M": 2_949_120})
"""What a drive that pretends to be a floppy reads: tracks * heads * sectors of 512 bytes (80 * 2 * 15, 18 and 36; El
Torito 1.0 §2.2 names the three)."""

SYSTEM_AREA_BYTES = 16 * SECTOR_BYTES  # ECMA-119 §6.2.1


BOOT_SECTOR_BYTES = 512
MOST_BOOT_SECTORS = 0xFFFF  # the catalogue's number has 16 bits (El Torito 1.0 §2.2)


def boot_sectors(size_bytes: int) -> int:
    """Sectors of 512 bytes that an image has on the disc, to the end of its last sector of 2,048 bytes.

    >>> boot_sectors(1), boot_sectors(2_048), boot_sectors(2_049)
    (4, 4, 8)
    """
    return -(-size_bytes // SECTOR_BYTES) * (SECTOR_BYTES // BOOT_SECTOR_BYTES)


def loaded_sectors(size_bytes: int, asked: int | None) -> int:
    """Sectors of 512 bytes that the firmware is told to load of an image that starts without emulation."""
    return min(asked or MOST_BOOT_SECTORS, boot_sectors(size_bytes))


def boot_image_problem(boot_media: str, load_sectors: int | None, size_bytes: int) -> tuple[str, str]:
    """Why an image of so many bytes cannot be started as this medium, and what to do; both empty where it can.

    >>> boot_image_problem("1.44M", None, 1_228_800)[0]
    'has 1,228,800 bytes, and a floppy of 1.44M has 1,474,560'
    """
    if not size_bytes:
        return "is empty", "Name the image that the machine starts from."
    if load_sectors and boot_media != "none":
        hint = "Leave boot_load_sectors out: of a floppy the first sector is loaded, and the rest is read as a drive's."
        return f"pretends to be a floppy of {boot_media}, and boot_load_sectors is for none", hint
    if load_sectors and load_sectors > boot_sectors(size_bytes):
        hint = f"Give boot_load_sectors at most {boot_sectors(size_bytes)}, or leave it out."
        return f"has {boot_sectors(size_bytes)} sectors of 512 bytes; boot_load_sectors asks for {load_sectors}", hint
    wanted = FLOPPY_BYTES.get(boot_media, size_bytes)
    if size_bytes == wanted:
        return "", ""
    fitting = next((name for name, size in FLOPPY_BYTES.items() if size == size_bytes), "none")
    hint = f'It is as long as a floppy of {fitting}: set boot_media = "{fitting}".'
    if fitting == "none":
        hint = 'Take the whole floppy as an image; or set boot_media = "none" for a program that starts by itself.'
    return f"has {size_bytes:,} bytes, and a floppy of {boot_media} has {wanted:,}", hint


def system_area_problem(size_bytes: int) -> tuple[str, str]:
    """Why so many bytes do not go into the sectors before the descriptors, and what to do; both empty where they do."""
    if size_bytes <= SYSTEM_AREA_BYTES:
        return "", ""
    return f"has {size_bytes:,} bytes, and a disc has room for {SYSTEM_AREA_BYTES:,}", "Name another file."

"""El Torito: the boot record in sector 17 and the catalogue it points to. Pure.

Source: the El Torito bootable CD-ROM format specification 1.0 (1995).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from discprep.disc.layout.fields import IDENTIFIER, little

SYSTEM = b"EL TORITO SPECIFICATION"
BOOT_SECTOR = 17
MEDIA = ("none", "1.2M", "1.44M", "2.88M", "hard-disk")


@dataclass(frozen=True, slots=True)
class BootEntry:
    """One image that the firmware can start. `load_sectors` counts 512-byte sectors."""

    bootable: bool
    media: str
    load_segment: int
    load_sectors: int
    extent: int


def boot_record(catalogue_sector: int) -> bytes:
    """The descriptor in sector 17 that names the catalogue's sector (§2.0), its zeros at the end left off."""
    return b"\0" + IDENTIFIER + b"\1" + SYSTEM.ljust(32, b"\0") + bytes(32) + catalogue_sector.to_bytes(4, "little")


def validation_entry(platform: int = 0, identifier: bytes = b"") -> bytes:
    """The catalogue's first 32 bytes; their sixteen words sum to zero.

    >>> validation_entry()[28:].hex(), validation_entry(0, b"DISCPREP")[28:30].hex()
    ('aa5555aa', '7e26')
    """
    entry = bytearray(b"\x01" + bytes([platform]) + bytes(2) + identifier.ljust(24, b"\0") + bytes(2) + b"\x55\xaa")
    entry[28:30] = (-_words(entry) & 0xFFFF).to_bytes(2, "little")
    return bytes(entry)


def _words(entry: Sequence[int]) -> int:
    return sum(entry[i] | entry[i + 1] << 8 for i in range(0, 32, 2))


def initial_entry(entry: BootEntry) -> bytes:
    """The catalogue's second 32 bytes."""
    return (
        bytes([0x88 if entry.bootable else 0, MEDIA.index(entry.media)])
        + entry.load_segment.to_bytes(2, "little")
        + bytes(2)
        + entry.load_sectors.to_bytes(2, "little")
        + entry.extent.to_bytes(4, "little")
        + bytes(20)
    )


def read_catalogue(sector: bytes) -> tuple[list[BootEntry], list[str]]:
    """The entries of a catalogue's first sector, and what is wrong with it."""
    faults = []
    if sector[0] != 1 or sector[30:32] != b"\x55\xaa":
        return [], ["the boot catalogue does not begin with a validation entry"]
    if _words(sector) & 0xFFFF:
        faults.append("the boot catalogue's validation entry does not sum to zero")
    found = []
    for offset in range(32, len(sector), 32):
        head = sector[offset]
        if head == 0x88 or (head == 0 and offset == 32):
            found.append(_entry(sector[offset : offset + 32]))
        elif head not in (0x90, 0x91, 0x44):
            break
    return found, faults


def _entry(data: bytes) -> BootEntry:
    media = data[1] & 0x0F
    name = MEDIA[media] if media < len(MEDIA) else f"unknown ({media})"
    return BootEntry(data[0] == 0x88, name, little(data, 2, 2), little(data, 6, 2), little(data, 8, 4))

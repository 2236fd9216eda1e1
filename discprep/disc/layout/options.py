"""What a disc is to be, besides its files."""

from __future__ import annotations

from dataclasses import dataclass

from discprep.disc.name_rules import iso_level
from discprep.model import BootMedia, NameRule

PAD_SECTORS = 150  # drives that read ahead fail near the end of a track (manuals of two image writers)
MIN_TRACK_SECTORS = 300  # a track has four seconds at least


@dataclass(frozen=True, slots=True)
class BootImage:
    """The file of the tree that the firmware starts (El Torito)."""

    path: tuple[str, ...]  # as `Named.iso`
    media: BootMedia = "none"
    load_sectors: int = 4  # of 512 bytes, loaded and started without emulation; a floppy's is always 1
    load_segment: int = 0  # 0: the firmware's own, 07C0h

    @property
    def loaded_sectors(self) -> int:
        """A floppy is started from its first sector; the firmware reads the rest as a drive (El Torito §2.2)."""
        return self.load_sectors if self.media == "none" else 1


@dataclass(frozen=True, slots=True)
class ImageOptions:
    """Settings of one image. Identifiers are upper-case letters, digits and "_"; `volume` has at most 32, with
    Joliet 16 characters. `epoch_s` (seconds since 1970 UTC) dates the volume and its folders; no file is later.
    """

    volume: str
    epoch_s: int
    rules: tuple[NameRule, ...] = ("iso-level-1",)
    charset: str = "utf-8"  # of Rock Ridge names: the machine's
    publisher: str = ""
    preparer: str = ""
    application: str = "DISCPREP"
    pad_sectors: int = PAD_SECTORS
    boot: BootImage | None = None
    system_area: bytes = b""  # up to 32,768 bytes for sectors 0 to 15
    tar: bool = False  # one tar archive instead of a file system
    second_from_sector: int = 0  # second copies begin here or later

    @property
    def level(self) -> int:
        return iso_level(self.rules)

    @property
    def joliet(self) -> bool:
        return "joliet" in self.rules

    @property
    def trees(self) -> tuple[bool, ...]:
        """The trees in their order on the disc: the primary one, and Joliet's (True) where it is asked for."""
        return (False, True) if self.joliet else (False,)

    @property
    def rock_ridge(self) -> bool:
        return "rock-ridge" in self.rules

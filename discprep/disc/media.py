"""What a blank disc holds in practice, and how long an old drive takes to read. Pure arithmetic."""

from __future__ import annotations

from discprep.manifest.media import MEDIA, SECTORS_A_SECOND
from discprep.model import Medium, Notice
from discprep.units import SECTOR_BYTES

__all__ = ["MARGIN_SECTORS", "MEDIA", "hard_to_read", "read_seconds", "usable_sectors"]

LEAD_SECTORS = 150  # the two seconds before sector 0 that the nominal minutes count in (ECMA-130)
MARGIN_SECTORS = 150  # kept free besides, so that no drive has to write at the rim (common practice, no source)
SINGLE_SPEED_BYTES_S = SECTORS_A_SECOND * SECTOR_BYTES


def usable_sectors(medium: Medium) -> int:
    """Sectors an image, its padding included, may take on a medium.

    A kind of the table: its nominal sectors less the 150 that the lead of the track takes and a margin of 150; a
    DVD's are cut to whole blocks of 16 besides. A medium given by `sectors` is taken at the user's word.
    """
    if MEDIA.get(medium.kind) != medium.sectors:
        return medium.sectors
    usable = medium.sectors - LEAD_SECTORS - MARGIN_SECTORS
    return usable - usable % 16 if medium.kind.startswith("dvd") else usable


def read_seconds(size_bytes: int, seeks: int, drive_speed: float, access_s: float) -> float:
    """Seconds a drive takes: seeks * access_s + size_bytes / (drive_speed * 153,600).

    Count one seek for each file that does not follow the one read before it, and one for each folder entered.

    >>> round(read_seconds(10_000_000, 1000, 2, 0.4), 2)
    432.55
    """
    return seeks * access_s + size_bytes / (drive_speed * SINGLE_SPEED_BYTES_S)


def hard_to_read(medium: Medium) -> tuple[Notice, ...]:
    """What deserves a word about a blank that an old drive hardly reads: beyond 80 minutes a track is tighter than the
    specification allows (CD-Recordable FAQ 7-6); a DVD needs another laser than a drive for CDs has.

    >>> hard_to_read(Medium("cd-74", MEDIA["cd-74"]))
    ()
    """
    hint = 'Take kind = "cd-74" where all of it fits, or discs = 2.'
    if medium.kind.startswith("dvd"):
        return (Notice("a drive for CDs does not read a DVD at all, and an old one for DVDs rarely one that was burned",
                       hint=hint),)  # fmt: skip
    if medium.sectors > MEDIA["cd-80"]:
        minutes = medium.sectors // (60 * SECTORS_A_SECOND)
        return (Notice(f"a disc of {minutes} minutes is outside its specification, and old drives hardly read it",
                       hint=hint),)  # fmt: skip
    return ()

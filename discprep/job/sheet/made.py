"""The records of a build that one disc's sheet is worked out from."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from discprep.disc.parts import Part, packed_only, parts
from discprep.model import Manifest, Notice, Pin, Placed, Plan, Pulled


@dataclass(frozen=True, slots=True)
class DiscMade:
    """One disc of a build.

    Attributes:
        pins: of every item that was fetched, by id
        pulled: what crosses the link for an item that waits, by id
        checksums: of the one file that crosses, where it is one and at hand, by id, in the machine's form
        placed: the files of this disc as laid out
        image: the image's file name, without a path
        copy_s: seconds that the old drive takes to read the disc
        date_s: the build's date (SOURCE_DATE_EPOCH, else the newest pin)
        curve: (capacity in bytes, expected seconds at the link) for the picture
        notices: what the build remarked, already without paths
    """

    manifest: Manifest
    plan: Plan
    pins: Mapping[str, Pin]
    pulled: Mapping[str, Pulled]
    placed: Sequence[Placed] = ()
    build_id: str = ""
    number: int = 1
    discs: int = 1
    image: str = ""
    image_sectors: int = 0
    copy_s: float | None = None
    date_s: int | None = None
    curve: Iterable[tuple[int, float]] = ()
    notices: Iterable[Notice] = ()
    checksums: Mapping[str, str] = field(default_factory=dict)

    @property
    def burned(self) -> tuple[str, ...]:
        """Ids of the items on this disc."""
        return tuple(d.id for d in self.plan.decisions if d.place == "burn" and (d.disc or 1) == self.number)

    @property
    def earlier(self) -> set[str]:
        """Ids of the items that the machine has before this disc."""
        decisions = self.plan.decisions
        return {d.id for d in decisions if d.place == "present" or (d.disc is not None and d.disc < self.number)}

    @property
    def parts(self) -> tuple[Part, ...]:
        """The parts in which the machine gets this disc."""
        packed = packed_only(entry.named.staged for entry in self.placed)
        return parts(self.manifest, self.burned, self.earlier, packed)

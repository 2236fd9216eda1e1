"""What the bench sheet says, as one frozen record: no path of this computer, no secret, no clock in it."""

from __future__ import annotations

from dataclasses import dataclass

from discprep.model import End, Form, Plug
from discprep.report.verify import Renaming


@dataclass(frozen=True, slots=True)
class Room:
    """What must be free on one of the machine's volumes, and what the profile says is free."""

    volume: str
    needed_bytes: int
    free_bytes: int | None
    keep_free_bytes: int = 0
    volatile: bool = False
    saved: str = ""  # what is saved there first, whose size only the machine knows


@dataclass(frozen=True, slots=True)
class Task:
    """One thing to do and tick off. `details` are lines below it, `minutes` how long it takes."""

    text: str
    details: tuple[str, ...] = ()
    minutes: float | None = None
    caution: str = ""


@dataclass(frozen=True, slots=True)
class Wiring:
    """The plugs of both ends of the line, and which kind of end each is wired as."""

    machine_plug: Plug = "unknown"
    machine_end: End = "unknown"
    bridge_plug: Plug = "unknown"
    bridge_end: End = "unknown"


@dataclass(frozen=True, slots=True)
class Setting:
    """One setting as it must stand on both ends; `bridge` empty where only the machine has it."""

    name: str
    machine: str
    bridge: str = ""
    remark: str = ""


@dataclass(frozen=True, slots=True)
class Failure:
    """What a failed test looks like, why, and what to try next."""

    see: str
    cause: str
    move: str


@dataclass(frozen=True, slots=True)
class Rung:
    """One small test of the ladder."""

    name: str
    do: str
    expect: str
    failures: tuple[Failure, ...]


@dataclass(frozen=True, slots=True)
class Segment:
    """Sectors of the disc that one item takes, for the picture."""

    label: str
    sectors: int


@dataclass(frozen=True, slots=True)
class Capacity:
    """One point of the curve: with so much room on the disc, so much waiting at the link."""

    capacity_bytes: int
    waiting_s: float


@dataclass(frozen=True, slots=True)
class Placement:
    """One item of the plan and why it stands there. `form` is None for what is not on the disc."""

    title: str
    place: str
    form: Form | None
    size_bytes: int | None
    reason: str
    disc: int | None = None


@dataclass(frozen=True, slots=True)
class Pull:
    """One later item on the link's timeline, seconds from its start."""

    title: str
    size_bytes: int
    files: int
    from_s: float
    ready_s: float
    checksum: str = ""  # of the one file that crosses, after its kind's name; "" when several do


@dataclass(frozen=True, slots=True)
class Waited:
    """The expected time for all that waits for the link, at one line rate [bit/s] or receive window [B] (`value`).
    `chosen` is the one that is set."""

    value: int
    expected_s: float
    chosen: bool = False


@dataclass(frozen=True, slots=True)
class Origin:
    """Where an item came from. `date` is the day of its bytes as first fetched, "" when not fetched yet."""

    title: str
    version: str
    source: str
    page: str
    sha256: str
    date: str
    size_bytes: int | None
    licence: str
    share: bool
    files: int = 0  # on this disc
    hint: str = ""


@dataclass(frozen=True, slots=True)
class SheetFacts:
    """All that one bench sheet says: one disc of one build."""

    title: str
    machine: str
    build_id: str
    volume: str
    disc: int = 1
    discs: int = 1
    image: str = ""
    date: str = ""  # of the build's newest input, "2026-03-04"
    medium: str = ""
    medium_sectors: int = 0
    image_sectors: int = 0
    copy_s: float | None = None  # reading the disc on the old drive
    bench: tuple[str, ...] = ()
    rooms: tuple[Room, ...] = ()
    memory_bytes: int | None = None
    desk: tuple[Task, ...] = ()
    burn_rules: tuple[str, ...] = ()  # what makes a disc that an old drive reads
    bridge: tuple[Task, ...] = ()
    on_machine: tuple[Task, ...] = ()
    spare_scripts: tuple[str, ...] = ()  # what else lies on the disc for when it is needed
    after_link: tuple[Task, ...] = ()
    window_told: bool = False  # whether the machine's receive window is known
    settings: tuple[Setting, ...] = ()
    wiring: Wiring | None = None
    disc_ladder: tuple[Rung, ...] = ()
    ladder: tuple[Rung, ...] = ()
    segments: tuple[Segment, ...] = ()
    curve: tuple[Capacity, ...] = ()
    placements: tuple[Placement, ...] = ()
    pulls: tuple[Pull, ...] = ()
    over_rates: tuple[Waited, ...] = ()
    over_windows: tuple[Waited, ...] = ()
    renamed: tuple[Renaming, ...] = ()
    origins: tuple[Origin, ...] = ()
    cautions: tuple[str, ...] = ()
    notices: tuple[str, ...] = ()
    faults: tuple[str, ...] = ()  # what makes the link impossible as it is set
    assumed: tuple[str, ...] = ()  # keys of the profile that nobody has tried yet

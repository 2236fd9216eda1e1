"""The frozen records that pass between parts. Units stand in the names; paths inside archives and on discs
are tuples or text with `/` between parts; times are whole seconds since 1970-01-01 of the *wall clock that the
archive stored*, read as if it were UTC (old formats know no zone), so that nothing depends on the host's zone.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Literal, NamedTuple, Protocol

from discprep.members import AttributeSystem as AttributeSystem
from discprep.members import Content as Content
from discprep.members import Limits as Limits
from discprep.members import Member as Member
from discprep.members import MemberKind as MemberKind
from discprep.members import Opened as Opened
from discprep.members import Unpacked as Unpacked

Role = Literal[
    "storage-setup", "editor", "terminal", "serial-driver", "ip-stack", "fetcher", "browser", "checksum",
    "unpack-lha", "unpack-zip", "unpack-tar", "unpack-gz",
]  # fmt: skip
ROLES: tuple[Role, ...] = Role.__args__  # type: ignore[attr-defined]
UNPACK_ROLES: Mapping[str, tuple[Role, ...]] = {
    "lha": ("unpack-lha",),
    "zip": ("unpack-zip",),
    "tar": ("unpack-tar",),
    "tar.gz": ("unpack-tar", "unpack-gz"),
    "gz": ("unpack-gz",),
}
"""What a machine needs to open an archive itself, by the archive's `format`; other formats it cannot open."""

Place = Literal["burn", "later", "either"]
Inside = Literal["whole", "damaged", "unread"]
"""What is known of an archive's inside without decoding anything."""
Use = Literal["copy", "disc"]
Importance = Literal["needed", "wanted"]
"""Of an item that does not come: `needed` ends the part as not done, `wanted` is left out and listed."""
Form = Literal["unpacked", "packed", "both"]
Shape = Literal["archive", "unpacked", "zip", "zip-stored", "tar", "lha"]
"""How an item is offered at the link: as it was fetched, taken apart, or packed anew."""

Where = Literal["desk", "bridge", "machine"]
NameRule = Literal["iso-level-1", "iso-level-2", "iso-level-3", "joliet", "rock-ridge"]
NameShown = Literal["lower-case", "version", "dot"]
Divider = Literal["n", "n+1", "16n", "16n/16"]
LinkProtocol = Literal["slip", "cslip", "ppp"]
Flow = Literal["none", "rts-cts", "xon-xoff"]
BootMedia = Literal["none", "1.2M", "1.44M", "2.88M"]
Plug = Literal["unknown", "9-way", "25-way"]
End = Literal["unknown", "terminal", "modem"]
"""What a serial plug is wired as: data terminal equipment or data circuit-terminating equipment (ITU-T V.24)."""
HERE: Mapping[str, str] = {"digest": "left out"}
"""Marks a field that concerns this computer, or only messages: no build depends on it. Every other one changes the
digest of a build (`job/inputs.py`)."""
BY_NAME: Mapping[str, str] = {"digest": "by name"}
"""Marks a field of sources, of which those that are paths of this computer count by their file name alone."""

DEFAULT_BRING_UP = ("serial-driver", "ip-stack", "fetcher")


# ---------------------------------------------------------------------------------------------- manifest


@dataclass(frozen=True, slots=True)
class Hashes:
    """Lower-case hexadecimal digests as published; sha256 is strong, the others are called weak."""

    sha256: str | None = None
    sha1: str | None = None
    md5: str | None = None
    crc32: str | None = None

    @property
    def any(self) -> bool:
        return any((self.sha256, self.sha1, self.md5, self.crc32))


@dataclass(frozen=True, slots=True)
class Edit:
    """`find` must occur exactly `times` times in the member `file` (stored path, `/` between parts)."""

    file: str
    find: str
    replace: str  # substitution done
    times: int = 1
    where: str = field(default="", metadata=HERE)  # "first.toml:42", for messages
    secret: bool = False  # `replace` holds a secret's value: never show it
    template: str = ""  # `replace` with RATE_MARKER (manifest/substitute.py) where a line rate was filled in


@dataclass(frozen=True, slots=True)
class Item:
    """One archive or single file to fetch. Lists keep the manifest's order; `where` is "file:line"."""

    id: str
    title: str = ""
    version: str = ""
    sources: tuple[str, ...] = field(default=(), metadata=BY_NAME)  # URLs, or local paths made absolute
    page: str = ""
    hint: str = ""
    hashes: Hashes = Hashes()
    size_bytes: int | None = None
    gives: tuple[Role, ...] = ()
    needs: tuple[str, ...] = ()  # item ids or roles
    place: Place = "either"
    use: Use = "copy"
    importance: Importance | None = None  # None: what `machine.needed_items` makes of bring-up and needs
    form: Form | Literal["either"] = "either"
    nested: int = 0
    charset: str | None = None  # overrides the charset of member names
    to: str = ""  # folder on the disc and under the install root, `/` between parts
    strip: int = 0  # leading folders that its members' paths lose
    volume: str | None = None  # the profile's volume it is installed on; None: the first
    only: tuple[str, ...] = ("*",)
    leave: tuple[str, ...] = ()
    take_damaged: bool = False  # what reads of a damaged archive is taken, and the archive itself handed out
    rename: tuple[tuple[str, str], ...] = ()
    text: tuple[str, ...] = ()
    share: bool = True
    licence: str = ""
    renewed_every_days: float | None = None
    worth: int = 3
    unpack: str = ""  # how this tool is told to unpack an archive; `{path}` stands for it
    unpack_bytes_s: int | None = None  # bytes of an archive that it takes in a second on the machine
    for_profiles: tuple[str, ...] = ()
    edits: tuple[Edit, ...] = ()
    where: str = field(default="", metadata=HERE)
    # the pins of the file the item stands in (includes bring theirs)
    pins_file: Path | None = field(default=None, metadata=HERE)


@dataclass(frozen=True, slots=True)
class Expect:
    """`pattern` (a regular expression, one group) read from the finished stage must equal `equals`."""

    item: str
    file: str
    pattern: str
    equals: str  # substitution done
    where: str = field(default="", metadata=HERE)


@dataclass(frozen=True, slots=True)
class Step:
    """A thing done by hand; splits the setup script after the items of `after`."""

    at: Where
    text: str
    after: tuple[str, ...] = ()
    wipes: tuple[str, ...] = ()  # paths on the machine, saved first
    caution: str = ""
    minutes: float | None = None
    where: str = field(default="", metadata=HERE)


@dataclass(frozen=True, slots=True)
class Medium:
    """`sectors` of 2,048 bytes; `discs` may be "fewest"."""

    kind: str
    sectors: int
    volume: str = "FIRSTDISC"
    discs: int | Literal["fewest"] = 1
    second_copy: bool = False  # the bring-up set again at distant extents, room given
    boot_image: Path | None = None
    boot_media: BootMedia = "none"
    boot_load_sectors: int | None = None  # of 512 bytes; None: all of the image
    system_area: Path | None = None
    drive_speed: float | None = None  # overrides the profile's
    layout: Literal["iso", "tar"] = "iso"  # "tar": one archive from the first sector on, no file system


@dataclass(frozen=True, slots=True)
class LinkSettings:
    """What runs over the line, as the machine is set. None: unknown, the estimate takes a stated range."""

    rate_bit_s: int
    framing: str = "8N1"
    protocol: LinkProtocol = "slip"
    mtu_bytes: int = 1006
    window_bytes: int | None = None
    round_trip_s: float = 0.06
    ack_every: int | None = None  # segments an acknowledgement: 1 or 2
    accm: int | None = None  # PPP: map of escaped controls
    field_compression: bool | None = None  # PPP: protocol, address and control fields
    header_compression: bool | None = None  # PPP: RFC 1144
    turnaround_s: float | None = None  # a block protocol's time between a block and its reply
    error_rate: float = 0.0  # byte errors per byte
    cap_bytes_s: float | None = None  # a server's or the machine's limit
    segment_s: float = 0.0  # the machine's time for one segment
    keep_alive: bool = False
    name_lookup: bool = True
    slice_s: float | None = None  # what takes longer is offered in numbered slices; None: in one


@dataclass(frozen=True, slots=True)
class BridgeSettings:
    """The other end of the line, as it is set."""

    rate_bit_s: int
    framing: str = "8N1"
    clock_hz: int | None = None
    divider: Divider | None = None
    address: str = ""
    machine_address: str = ""
    flow: Flow | None = None
    buffer_packets: int | None = None
    plug: Plug = "unknown"
    end: End = "unknown"


@dataclass(frozen=True, slots=True)
class PlanSettings:
    days_to_use: float = 0.0
    link_budget_s: float | None = None
    power_ons: float = 1.0  # how often the machine is switched on: prices a volume that forgets


@dataclass(frozen=True, slots=True)
class Volume:
    """One volume of the machine's storage. None: not known, not limited."""

    path: str
    free_bytes: int | None = None
    keep_free_bytes: int = 0
    block_bytes: int = 512
    name_max: int | None = None  # characters of a name, extension and dot included
    stem_max: int | None = None  # 8 on an 8.3 volume
    extension_max: int | None = None  # 3 on an 8.3 volume
    path_max: int | None = None
    forbidden: str = ""
    reserved: tuple[str, ...] = ()
    case_sensitive: bool = False
    volatile: bool = False


@dataclass(frozen=True, slots=True)
class AttributeBit:
    """How the machine's command says one attribute bit: a text when it is set, one when it is clear."""

    bit: int
    set: str = ""
    clear: str = ""


@dataclass(frozen=True, slots=True)
class Shell:
    """The machine's command language: templates, nothing else is known of its words (`manifest/shell.py` has
    the schema and what each `{name}` in a template stands for). A template is the lines to write; () where the
    language cannot say it. A conditional holds `{then}`: alone on a line, it is a block of any length; inside
    a line, it takes one command, and `goto` and `label` serve for longer ones.
    """

    script_name: str
    make_folder: tuple[str, ...]
    copy: tuple[str, ...]
    message: tuple[str, ...]
    stop: tuple[str, ...]
    if_exists: tuple[str, ...] = ()
    if_missing: tuple[str, ...] = ()
    folder: str = "SETUP"  # where the scripts stand on the disc
    undo_name: str = "UNDO"
    rate_name: str = "R{rate}"
    save_folder: str = "SAVED"
    separator: str = "/"
    after_volume: str = "/"
    quote: str = ""
    quote_when: str = " "
    path_escapes: tuple[tuple[str, str], ...] = ()
    text_escapes: tuple[tuple[str, str], ...] = ()
    line_max: int | None = None  # bytes of one line, the newline not counted
    opening: tuple[str, ...] = ()
    closing: tuple[str, ...] = ()
    comment: tuple[str, ...] = ()
    empty_message: tuple[str, ...] = ()
    wait: tuple[str, ...] = ()
    run: str = "{path}"
    read_error: str = ""
    rename: tuple[str, ...] = ()
    delete: tuple[str, ...] = ()
    unprotect: tuple[str, ...] = ()
    compare: tuple[str, ...] = ()
    join: tuple[str, ...] = ()
    copy_folder: tuple[str, ...] = ()
    copy_with_attributes: tuple[str, ...] = ()
    link: tuple[str, ...] = ()
    compare_link: tuple[str, ...] = ()
    create_empty: tuple[str, ...] = ()
    append: tuple[str, ...] = ()
    change_folder: tuple[str, ...] = ()
    if_folder: tuple[str, ...] = ()
    if_no_folder: tuple[str, ...] = ()
    if_failed: tuple[str, ...] = ()
    if_full: tuple[str, ...] = ()
    room_file: tuple[str, ...] = ()
    stops_at_failure: bool = False  # a command that fails ends the script
    tells: tuple[str, ...] = ()  # the commands after which if_failed can be asked
    goto: tuple[str, ...] = ()
    label: tuple[str, ...] = ()
    call: tuple[str, ...] = ()
    first: str = ""  # how a called script names its arguments
    second: str = ""
    check_size: tuple[str, ...] = ()
    checksum: tuple[str, ...] = ()
    checksum_kind: str = ""
    attribute_system: AttributeSystem = ""
    set_attributes: tuple[str, ...] = ()
    attribute_bits: tuple[AttributeBit, ...] = ()
    attribute_join: str = ""
    plain_attributes: int = 0  # what a fresh copy has: no command is written for it
    set_comment: tuple[str, ...] = ()
    comment_max: int | None = None
    line_settings: tuple[str, ...] = ()
    fetch: tuple[str, ...] = ()

    @property
    def conditions(self) -> bool:
        """Whether the language can ask whether a file is there."""
        return bool(self.if_exists and self.if_missing)

    @property
    def blocks(self) -> bool:
        """Whether conditionals are blocks with lines of their own."""
        return "{then}" in (line.strip() for line in self.if_exists)


@dataclass(frozen=True, slots=True)
class Profile:
    """A machine profile: what the vintage computer can take."""

    name: str
    provides: tuple[Role, ...] = ()
    memory_bytes: int | None = None
    unpack_bytes_s: int = 20_000  # of an archive, where its unpacker says nothing; a guess, no source
    assumed: tuple[str, ...] = ()  # dotted keys nobody has tried yet
    name_rules: tuple[NameRule, ...] = ("iso-level-1",)
    drive_speed: float = 4.0
    access_s: float = 0.25
    disc_path: str = ""  # how the machine names the disc: "D:"
    names_shown: tuple[NameShown, ...] = ()  # how it shows names of the primary tree; (): as written, without ";1"
    boot_files: tuple[tuple[str, Path], ...] = ()  # path on the disc, host path
    volumes: tuple[Volume, ...] = ()
    charset: str = "ascii"
    newline: str = "\r\n"
    end_mark: str = ""
    serial_clock_hz: int | None = None
    serial_divider: Divider | None = None
    serial_fifo: int = 1
    serial_trigger: int | None = None
    serial_service_s: float | None = None
    serial_flow: Flow = "none"
    serial_auto_rts: bool = False  # the port drops RTS by itself before its receiver is full
    serial_plug: Plug = "unknown"
    serial_end: End = "unknown"
    shell: Shell | None = None
    companion_file: str = ""  # "{name}.inf": how a file's companion is named; empty: none
    companion_folder: str = ""
    companion_folder_content: Path | None = None  # given to folders the tool makes
    where: str = field(default="", metadata=HERE)


@dataclass(frozen=True, slots=True)
class Secret:
    """Where a secret's value comes from; the value itself is no part of any record."""

    name: str
    env: str


@dataclass(frozen=True)
class Manifest:
    """A whole manifest with its includes, its profile and its substitutions done."""

    path: Path = field(metadata=HERE)
    title: str
    items: tuple[Item, ...]
    profile: Profile
    medium: Medium
    link: LinkSettings | None = None
    bridge: BridgeSettings | None = None
    plan: PlanSettings = PlanSettings()
    bring_up: tuple[str, ...] = DEFAULT_BRING_UP
    has: tuple[str, ...] = ()
    expects: tuple[Expect, ...] = ()
    steps: tuple[Step, ...] = ()
    values: tuple[tuple[str, str], ...] = ()
    secrets: tuple[Secret, ...] = ()
    limits: Limits = Limits()  # noqa: RUF009 (frozen)

    def item(self, item_id: str) -> Item:
        """The item with this id. Raises KeyError."""
        return self._by_id[item_id]

    @cached_property
    def _by_id(self) -> Mapping[str, Item]:
        return {item.id: item for item in self.items}

    def givers(self, need: str) -> tuple[str, ...]:
        """Sorted ids of what meets a need: the item of that id, else those that give the role; () where none does."""
        return (need,) if need in self._by_id else self._by_role.get(need, ())

    @cached_property
    def _by_role(self) -> Mapping[str, tuple[str, ...]]:
        given = {role: {item.id for item in self.items if role in item.gives} for role in ROLES}
        return {role: tuple(sorted(ids)) for role, ids in given.items() if ids}

    @cached_property
    def roles_present(self) -> frozenset[Role]:
        """Roles that the machine has before anything is burned."""
        has = set(self.has)
        given = {role for item in self.items if item.id in has for role in item.gives}
        return frozenset({*self.profile.provides, *given, *(role for role in ROLES if role in has)})

    @property
    def pins_path(self) -> Path:
        """`first.toml` has its pins in `first.pins.toml` beside it."""
        return self.path.with_suffix(".pins.toml")


@dataclass(frozen=True, slots=True)
class Notice:
    """A warning: the work goes on, the user should know."""

    message: str
    where: str = ""
    item: str = ""
    hint: str = ""

    def __str__(self) -> str:
        place = f"{self.where}: " if self.where else ""
        item = f"[{self.item}] " if self.item else ""
        return f"{place}{item}{self.message}"


# ------------------------------------------------------------------------------------------------- fetch


class Escapes(NamedTuple):
    """Bytes of a file that a link must escape, by kind: C0 and DB under SLIP (RFC 1055); under PPP 7D and 7E always,
    the controls 00 to 1F as its map has them (RFC 1662 7.1)."""

    slip: int
    fixed: int
    controls: int


@dataclass(frozen=True, slots=True)
class Pin:
    """Size, SHA-256 and date of an item as first fetched; `escapes` counts bytes that a link must escape."""

    item: str
    size_bytes: int
    sha256: str
    fetched_s: int  # seconds since 1970 UTC of the server's date, else of the fetch
    source: str = field(default="", metadata=BY_NAME)
    slip_escapes: int | None = None  # bytes C0 and DB
    ppp_escapes: int | None = None  # bytes 00..1F, 7D and 7E
    ppp_fixed_escapes: int | None = None  # of these 7D and 7E, which every map escapes

    @property
    def escapes(self) -> Escapes | None:
        """By kind. Pins of older versions do not tell 7D and 7E apart: their usual share of random bytes is taken."""
        if self.slip_escapes is None or self.ppp_escapes is None:
            return None
        fixed = self.ppp_fixed_escapes
        if fixed is None:
            fixed = round(self.ppp_escapes * 2 / 34)
        return Escapes(self.slip_escapes, fixed, self.ppp_escapes - fixed)


FetchState = Literal["cached", "fetched", "adopted", "missing", "failed", "changed"]


@dataclass(frozen=True, slots=True)
class Fetched:
    """One item after a fetch. `path` is in the cache, None unless the bytes are verified."""

    item: str
    state: FetchState
    path: Path | None = None
    pin: Pin | None = None
    moved_bytes: int = 0  # bytes that crossed the network in this run
    tried: tuple[str, ...] = ()  # what became of each source, in words


# ------------------------------------------------------------------------------------------------- stage


@dataclass(frozen=True, slots=True)
class AppliedEdit:
    """One edit as done, for `--dry-run`, the record and the sheet; a secret's lines are masked."""

    item: str
    file: str
    find: str
    replace: str
    times: int
    before: tuple[str, ...] = ()  # the lines touched
    after: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Staged:
    """One file or folder as it is to stand on the disc, before names are mapped.

    `name` is the wanted path from the disc's root, under the target's original names. `content` is None for a
    folder. `important` files stop a setup part when hurt (`machine.needed_items`).
    """

    name: tuple[str, ...]
    item: str  # "" for files the tool makes
    content: Content | None
    time_s: int | None = None
    member: str = ""  # stored path in the archive; "" for the archive itself and the tool's files
    form: Form = "unpacked"
    attributes: int | None = None
    attribute_system: AttributeSystem = ""
    comment: str = ""
    important: bool = False
    copied: bool = True  # False: used from the disc (use = "disc") or the tool's own
    edits: tuple[AppliedEdit, ...] = ()
    text: bool = False  # converted to the machine's text form
    fixed_name: bool = False  # a user's rename, or a companion: mapped first
    rate_bit_s: int | None = None  # a variant of `stands_for` with the settings for this line rate
    stands_for: tuple[str, ...] = ()
    link: tuple[str, ...] = ()  # a symbolic link, without bytes: the wanted path of the file or folder it points to


@dataclass(frozen=True, slots=True)
class Named:
    """A staged file with its names on the disc. `iso` has no version suffix; "" where a tree is absent."""

    staged: Staged
    iso: tuple[str, ...]
    joliet: tuple[str, ...] = ()
    rock_ridge: tuple[str, ...] = ()
    target: tuple[str, ...] = ()  # under the install root on the machine's volume
    why: str = ""  # why the name that is read on the disc, or `target`, is not the wanted one, in words
    second: tuple[str, ...] = ()  # where a second copy stands, the same path in every tree; () without one
    link: str = ""  # a symbolic link's text on the disc, in its richest tree: a path from its own folder
    target_link: str = ""  # and on the machine's volume


@dataclass(frozen=True, slots=True)
class Placed:
    """A named file after the image was laid out."""

    named: Named
    extent: int  # first sector; 0 for empty files and folders
    sectors: int
    second_extent: int | None = None  # a second copy, when asked for


# -------------------------------------------------------------------------------------------------- plan


@dataclass(frozen=True, slots=True)
class FormFigures:
    """What burning an item in one form costs and gains: additive, so that anyone can solve it again."""

    form: Form
    sectors: int
    storage_bytes: int
    peak_bytes: int  # storage while it is being unpacked on the machine (>= storage_bytes)
    gain_s: float  # whole milliseconds
    needs: tuple[tuple[str, ...], ...] = ()  # each a set of ids of which this form needs one (what unpacks it)
    disc_s: float = 0.0  # seconds to read it off the disc in this form, and to unpack it by hand on the machine


@dataclass(frozen=True, slots=True)
class Pulled:
    """What crosses the link when an item waits: its shape and the size of each file. `escapes` (slip, ppp) of an
    archive as fetched are counted, or None."""

    shape: Shape
    sizes_bytes: tuple[int, ...]
    escapes: Escapes | None = None

    @property
    def size_bytes(self) -> int:
        return sum(self.sizes_bytes)

    @property
    def files(self) -> int:
        return len(self.sizes_bytes)


@dataclass(frozen=True, slots=True)
class PlanItem:
    """One item as the solver sees it. `must` is "burn", "later" or "" (free)."""

    id: str
    needs: tuple[tuple[str, ...], ...]  # each a set of ids of which one must be burned or present
    must: Literal["burn", "later", ""]
    why: str  # the reason for `must`, in words
    forms: tuple[FormFigures, ...]
    later_s: float  # seconds at the link if it waits
    unpack_s: float = 0.0  # and by hand on the machine, to unpack what crosses packed
    worth: int = 3
    p_stale: float = 0.0
    disc_s: float = 0.0
    volume: str = ""
    pulled: Pulled = Pulled("archive", (0,))
    opened_by: tuple[tuple[str, ...], ...] = ()  # as `needs`: what must come before it at the link, to open it there
    times: float = 1.0  # how often it is brought in: the power-ons, on a volume that forgets


@dataclass(frozen=True, slots=True)
class PlanProblem:
    """The whole question. `capacity_sectors` is what items may take, the constant already taken off."""

    items: tuple[PlanItem, ...]
    capacity_sectors: int
    medium_sectors: int
    constant_sectors: int
    storage_limit_bytes: Mapping[str, int]  # by volume; a volume that is not named is not limited
    discs: int | Literal["fewest"] = 1
    link_budget_s: float | None = None
    present: tuple[str, ...] = ()  # ids already on the machine
    days_to_use: float = 0.0
    wants: tuple[tuple[str, tuple[str, ...]], ...] = ()  # (why, ids): one burns on the first disc, or is present


@dataclass(frozen=True, slots=True)
class Decision:
    """Where one item goes, and why."""

    id: str
    place: Literal["burn", "later", "present"]
    disc: int | None  # from 1
    form: Form | None
    forced: bool
    sectors: int
    storage_bytes: int
    saves_s: float  # gain of the chosen, else of the best form
    reason: str
    ready_s: float | None = None  # when a later item is there, seconds at the link from its start
    pulled: Pulled | None = None  # what crosses the link for a later item
    unpack_s: float = 0.0  # by hand on the machine, once that has crossed packed


@dataclass(frozen=True, slots=True)
class Plan:
    """The answer. `image_sectors` is filled by job/ from the exact layout of the chosen tree."""

    decisions: tuple[Decision, ...]  # sorted by id
    order: tuple[str, ...]  # later items in the order to pull them
    objective_s: float
    seconds_at_link: float
    optimal: bool
    gap: float
    solver: str  # "none needed" or "HiGHS 1.x"
    image_sectors: tuple[int, ...] = ()  # one a disc
    notices: tuple[Notice, ...] = ()


# -------------------------------------------------------------------------------------------------- link


@dataclass(frozen=True, slots=True)
class Seconds:
    """A range of seconds [s] with the parts of the expected value, which sum to it."""

    best: float
    expected: float
    worst: float
    parts: tuple[tuple[str, float], ...] = ()


# ---------------------------------------------------------------------------------------------- progress


WHOLE = "all"
"""The key under which a `Progress` is told of the whole: its pieces move it, nobody advances it itself."""


class Progress(Protocol):
    """Told of long work; the terminal's bars implement it, tests count with it. Thread-safe."""

    def begin(self, key: str, label: str, total: int | None, unit: str = "B") -> None:
        """A piece of work named `key` starts; `total` in `unit`, None if unknown."""

    def advance(self, key: str, amount: int) -> None:
        """`amount` more of `key` is done."""

    def end(self, key: str) -> None:
        """The work named `key` is over."""

    def say(self, message: str) -> None:
        """A line for the person, now."""


class Silent:
    """A `Progress` that says nothing."""

    def begin(self, key: str, label: str, total: int | None, unit: str = "B") -> None: ...
    def advance(self, key: str, amount: int) -> None: ...
    def end(self, key: str) -> None: ...
    def say(self, message: str) -> None: ...

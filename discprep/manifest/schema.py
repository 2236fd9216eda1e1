"""The manifest's and the profile's TOML as strict pydantic models. Used at this edge only: `convert.py` turns
them into the frozen records of `model.py`. A key that is not here is an error that names the nearest one.

Annotations are evaluated where they stand (no `from __future__ import annotations`): pydantic would parse each of
them again from its text, at every start. What a `BeforeValidator` takes besides is told to `discprep schema` by a
`WithJsonSchema` beside it, which costs nothing until then.
"""

import re
from typing import Annotated, Any, Literal, get_args

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, StringConstraints, WithJsonSchema, model_validator

from discprep.manifest.media import MEDIA
from discprep.manifest.shell import ShellSchema
from discprep.model import (
    BootMedia,
    Divider,
    End,
    Flow,
    Form,
    Importance,
    LinkProtocol,
    NameRule,
    Place,
    Plug,
    Role,
    Use,
    Where,
)
from discprep.units import parse_duration, parse_size

MOST_ITEMS = 100_000
MOST_DAYS = 36_500
MOST_TEXT = 65_536


def _size(value: Any) -> Any:
    if isinstance(value, bool) or not isinstance(value, str | int):
        raise ValueError('expected bytes as an integer or a text such as "650 MB"')
    return parse_size(value)


def _duration(value: Any) -> Any:
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        raise ValueError('expected seconds as a number or a text such as "2 h"')
    return parse_duration(value)


def _one_or_many(value: Any) -> Any:
    return [value] if isinstance(value, str) else value


def _plain(value: Any) -> Any:
    """Nothing that a terminal would obey (ISO 6429), or that shows a name in another order (Unicode 15, 23.2)."""
    if not isinstance(value, str):
        return value
    if re.search("[\0-\x08\x0b-\x1f\x7f-\x9f]", value):
        raise ValueError("has control characters")
    if re.search("[\u2028\u2029\u202a-\u202e\u2066-\u2069]", value):
        raise ValueError("has characters that turn the direction of writing, or end a line unseen")
    return value


def _value(value: Any) -> Any:
    if isinstance(value, str) and len(value) > MOST_TEXT:
        raise ValueError(f"a text of more than {MOST_TEXT:,} characters")
    if isinstance(value, int) and not -(2**63) <= value < 2**63:
        raise ValueError("a whole number of more than 64 bits")  # TOML 1.0, "Integer"
    return _plain(value)


_NUMBER = r"([0-9]{1,3}(,[0-9]{3})+|[0-9][0-9_]*)(\.[0-9]+)?"
_BYTES = "([Bb]([Yy][Tt][Ee][Ss]?)?|[KkMmGg][Ii]?[Bb])"
_SECONDS = (
    "([Mm]?[Ss]|[Ss][Ee][Cc]([Oo][Nn][Dd][Ss]?)?|[Mm][Ii][Nn]([Uu][Tt][Ee][Ss]?)?|[Hh]([Oo][Uu][Rr][Ss]?)?"
    "|[Dd]([Aa][Yy][Ss]?)?)"
)
"""The units of `units.py` as patterns of JSON Schema, which knows no case that is ignored (ECMA 262)."""


def _bytes(least: int, most: int) -> tuple[Any, ...]:
    """What makes an `int` a size [B]: a whole number or a text with a unit, within bounds."""
    text = {"type": "string", "pattern": rf"^\s*{_NUMBER}(\s*{_BYTES})?\s*$", "examples": ["650 MB", "640 KiB"]}
    form = {"anyOf": [{"type": "integer", "minimum": least, "maximum": most}, text]}
    return BeforeValidator(_size), Field(ge=least, le=most), WithJsonSchema(form)


def _seconds(most: int) -> tuple[Any, ...]:
    """What makes a `float` a duration [s]: a number or a text with units, within bounds."""
    pattern = rf"^\s*({_NUMBER}|({_NUMBER}\s*{_SECONDS}[\s,]*)+)\s*$"
    text = {"type": "string", "minLength": 1, "pattern": pattern, "examples": ["2 h", "1 h 30 min"]}
    form = {"anyOf": [{"type": "number", "minimum": 0, "maximum": most}, text]}
    return BeforeValidator(_duration), Field(ge=0, le=most), WithJsonSchema(form)


def _digest(digits: int) -> tuple[Any, ...]:
    def check(value: Any) -> Any:
        if isinstance(value, str) and not re.fullmatch(rf"[0-9a-fA-F]{{{digits}}}", value):
            raise ValueError(f"expected {digits} hexadecimal digits, got {value[:80]!r} ({len(value)} characters)")
        return value

    return BeforeValidator(check), WithJsonSchema({"type": "string", "pattern": f"^[0-9a-fA-F]{{{digits}}}$"})


Sha256 = Annotated[str, *_digest(64)]
Sha1 = Annotated[str, *_digest(40)]
Md5 = Annotated[str, *_digest(32)]
Crc32 = Annotated[str, *_digest(8)]
Size = Annotated[int, *_bytes(0, 2**50)]
Duration = Annotated[float, *_seconds(86_400 * MOST_DAYS)]
Id = Annotated[str, StringConstraints(pattern=r"^[a-z0-9]([a-z0-9._-]{0,62}[a-z0-9])?$")]
Text = Annotated[str, StringConstraints(max_length=4096), BeforeValidator(_plain)]
LongText = Annotated[str, StringConstraints(max_length=MOST_TEXT), BeforeValidator(_plain)]
Value = Annotated[str | int | float | bool, BeforeValidator(_value)]
SecretName = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9_-]{1,64}$")]
Pattern = Annotated[str, StringConstraints(min_length=1, max_length=1024)]
DiscPath = Annotated[str, StringConstraints(max_length=1024)]
Rate = Annotated[int, Field(ge=50, le=4_000_000)]
Framing = Annotated[str, StringConstraints(pattern=r"^[5-8][NEOMS](1|1\.5|2)$")]
Worth = Annotated[int, Field(ge=1, le=5)]


class Table(BaseModel):
    """A TOML table: strict types, no unknown keys. Keys that Python reserves carry an alias."""

    model_config = ConfigDict(extra="forbid", strict=True, defer_build=True)


class EditTable(Table):
    file: Pattern
    find: Annotated[str, StringConstraints(min_length=1, max_length=MOST_TEXT)]
    replace: Annotated[str, StringConstraints(max_length=MOST_TEXT)]
    times: Annotated[int, Field(ge=1, le=10_000)] = 1
    for_: list[str] = Field([], alias="for")


class ItemTable(Table):
    id: Id
    title: Text = ""
    version: Text = ""
    sources: list[Pattern] = []
    page: Text = ""
    hint: Text = ""
    sha256: Sha256 | None = None
    sha1: Sha1 | None = None
    md5: Md5 | None = None
    crc32: Crc32 | None = None
    size: Size | None = None
    gives: list[Role] = []
    needs: list[str] = []
    place: Place = "either"
    use: Use = "copy"
    importance: Importance | None = None
    form: Form | Literal["either"] | None = None
    nested: Annotated[int, Field(ge=0, le=2)] = 0
    charset: str | None = None
    to: DiscPath = ""
    strip: Annotated[int, Field(ge=0, le=20)] = 0
    volume: str | None = None
    only: list[Pattern] = ["*"]
    take_damaged: bool = False
    leave: list[Pattern] = []
    rename: dict[str, str] = {}
    text: list[Pattern] = []
    share: bool = True
    licence: Text = ""
    renewed_every_days: Annotated[float, Field(gt=0, le=MOST_DAYS)] | None = None
    worth: Worth = 3
    unpack: Annotated[str, StringConstraints(max_length=200, pattern=r"^[^\r\n\x00]*$")] = ""
    unpack_bytes_s: Annotated[int, Field(ge=1, le=10**9)] | None = None
    for_: list[str] = Field([], alias="for")
    edit: list[EditTable] = []


class ExpectTable(Table):
    item: Id
    file: Pattern
    pattern: Pattern
    equals: str

    @model_validator(mode="after")
    def _pattern_has_a_group(self) -> "ExpectTable":
        try:
            groups = re.compile(self.pattern).groups
        except (re.error, OverflowError, RecursionError) as error:
            raise ValueError(f"pattern is no regular expression: {error}") from None
        if groups != 1:
            raise ValueError(f"pattern needs exactly one group in parentheses, got {groups}")
        return self


class StepTable(Table):
    where: Where
    text: Annotated[LongText, StringConstraints(min_length=1)]
    after: list[Id] = []
    wipes: list[Pattern] = []
    caution: LongText = ""
    minutes: Annotated[float, Field(ge=0, le=100_000)] | None = None
    for_: list[str] = Field([], alias="for")


class MachineTable(Table):
    profile: Pattern
    has: list[Id] = []


def _known_medium(value: Any) -> Any:
    if isinstance(value, str) and value not in MEDIA:
        raise ValueError(f"no medium is called {value!r}; known: {', '.join(MEDIA)}; or give sectors")
    return value


class MediumTable(Table):
    model_config = ConfigDict(json_schema_extra={"oneOf": [{"required": ["kind"]}, {"required": ["sectors"]}]})

    kind: Annotated[str, BeforeValidator(_known_medium), WithJsonSchema({"enum": list(MEDIA)})] | None = None
    sectors: Annotated[int, Field(ge=24, le=2**31)] | None = None
    volume: Annotated[str, StringConstraints(pattern=r"^[A-Z0-9_]{1,16}$")] = "FIRSTDISC"
    discs: Annotated[int, Field(ge=1, le=99)] | Literal["fewest"] = 1
    second_copy: bool = False
    boot_image: Pattern | None = None
    boot_media: BootMedia = "none"
    boot_load_sectors: Annotated[int, Field(ge=1, le=65_535)] | None = None
    system_area: Pattern | None = None
    drive_speed: Annotated[float, Field(gt=0, le=100)] | None = None
    layout: Literal["iso", "tar"] = "iso"

    @model_validator(mode="after")
    def _kind_or_sectors(self) -> "MediumTable":
        if self.layout == "tar" and (self.boot_image or self.system_area):
            raise ValueError('layout = "tar" has no room for a boot_image or a system_area')
        if (self.kind is None) == (self.sectors is None):
            raise ValueError("give either kind or sectors")
        return self


class LinkTable(Table):
    rate: Rate
    framing: Framing = "8N1"
    protocol: LinkProtocol = "slip"
    mtu: Annotated[int, Field(ge=68, le=65_535)] = 1006
    window: Annotated[int, Field(ge=1, le=2**20)] | None = None
    round_trip_ms: Annotated[float, Field(ge=0, le=60_000)] = 60.0
    ack_every: Literal[1, 2] | None = None
    accm: Annotated[int, Field(ge=0, le=0xFFFFFFFF)] | None = None
    field_compression: bool | None = None
    header_compression: bool | None = None
    turnaround_ms: Annotated[float, Field(ge=0, le=60_000)] | None = None
    error_rate: Annotated[float, Field(ge=0, le=0.1)] = 0.0
    cap_bytes_s: Annotated[float, Field(gt=0)] | None = None
    segment_ms: Annotated[float, Field(ge=0, le=10_000)] = 0.0
    keep_alive: bool = False
    name_lookup: bool = True
    slice: Duration | None = None


class BridgeTable(Table):
    rate: Rate
    framing: Framing = "8N1"
    clock_hz: Annotated[int, Field(ge=1_000, le=10**9)] | None = None
    divider: Divider | None = None
    address: str = ""
    machine_address: str = ""
    flow: Flow | None = None
    buffer_packets: Annotated[int, Field(ge=1, le=10_000)] | None = None
    plug: Plug = "unknown"
    end: End = "unknown"


class PlanTable(Table):
    days_to_use: Annotated[float, Field(ge=0, le=MOST_DAYS)] = 0.0
    link_budget: Duration | None = None
    power_ons: Annotated[float, Field(ge=1, le=10_000)] = 1.0


class LimitsTable(Table):
    """Bounds for unpacking; a manifest may raise them for an archive that is known to be large."""

    member: Size | None = None
    total: Size | None = None
    members: Annotated[int, Field(ge=1, le=1_000_000)] | None = None
    ratio: Annotated[int, Field(ge=2)] | None = None


class SecretTable(Table):
    env: Annotated[str, StringConstraints(pattern=r"^[A-Za-z_][A-Za-z0-9_]*$")]


class HeadTable(Table):
    """The manifest without its items, which `load.py` checks one by one so that all faults come at once."""

    format: Literal[1]
    title: Text = ""
    include: list[Pattern] = []
    bring_up: list[str] | None = None
    form: Form | Literal["either"] = "either"
    machine: MachineTable
    medium: MediumTable = Field(default_factory=lambda: MediumTable(kind="cd-74"))
    link: LinkTable | None = None
    bridge: BridgeTable | None = None
    plan: PlanTable = Field(default_factory=PlanTable)
    limits: LimitsTable = Field(default_factory=LimitsTable)
    values: dict[str, Value] = {}
    secrets: dict[SecretName, SecretTable] = {}
    expect: list[ExpectTable] = []
    step: list[StepTable] = []


class IncludeTable(Table):
    """An included file shares items, with what belongs to them."""

    format: Literal[1]
    title: Text = ""
    include: list[Pattern] = []
    values: dict[str, Value] = {}
    expect: list[ExpectTable] = []
    step: list[StepTable] = []


class ManifestTable(HeadTable):
    """A manifest of discprep."""  # whole: for `json_schema.py`, as the next one

    item: list[ItemTable] = []


class IncludedTable(IncludeTable):
    """A file of items that manifests of discprep share."""

    item: list[ItemTable] = []


# ---------------------------------------------------------------------------------------- machine profile


_RULE = {"enum": list(get_args(NameRule))}
_RULES = WithJsonSchema({"anyOf": [{"type": "array", "items": _RULE, "minItems": 1}, _RULE]})


class DiscTable(Table):
    name_rules: Annotated[list[NameRule], BeforeValidator(_one_or_many), Field(min_length=1), _RULES] = ["iso-level-1"]
    drive_speed: Annotated[float, Field(gt=0, le=100)] = 4.0
    access_ms: Annotated[float, Field(ge=0, le=10_000)] = 250.0
    path: str = ""
    names_shown: list[Literal["lower-case", "version", "dot"]] = []
    boot_files: dict[str, str] = {}


class VolumeTable(Table):
    path: Annotated[str, StringConstraints(min_length=1, max_length=255)]
    free: Size | None = None
    keep_free: Size = 0
    block: Annotated[int, *_bytes(1, 2**20)] = 512
    name_max: Annotated[int, Field(ge=1, le=255)] | None = None
    stem_max: Annotated[int, Field(ge=1, le=255)] | None = None
    extension_max: Annotated[int, Field(ge=0, le=255)] | None = None
    path_max: Annotated[int, Field(ge=1, le=65_535)] | None = None
    forbidden: str = ""
    reserved: list[str] = []
    case_sensitive: bool = False
    volatile: bool = False


class TextTable(Table):
    charset: str = "ascii"
    newline: Literal["lf", "crlf", "cr"] = "crlf"
    end_mark: str = ""


class SerialTable(Table):
    clock_hz: Annotated[int, Field(ge=1_000, le=10**9)] | None = None
    divider: Divider | None = None
    fifo: Annotated[int, Field(ge=1, le=65_536)] = 1
    trigger: Annotated[int, Field(ge=1, le=65_536)] | None = None
    service_us: Annotated[float, Field(ge=0, le=10**6)] | None = None
    flow: Flow = "none"
    auto_rts: bool = False
    plug: Plug = "unknown"
    end: End = "unknown"


class CompanionTable(Table):
    file: str = ""
    folder: str = ""
    folder_content: Pattern | None = None


class ProfileTable(Table):
    """A machine profile of discprep: what the vintage computer can take."""

    format: Literal[1] = 1
    name: Annotated[Text, StringConstraints(min_length=1)]
    provides: list[Role] = []
    memory: Size | None = None
    unpack_bytes_s: Annotated[int, Field(ge=1, le=10**9)] = 20_000
    assumed: list[str] = []
    disc: DiscTable = Field(default_factory=DiscTable)
    volume: Annotated[list[VolumeTable], Field(max_length=26)] = []
    text: TextTable = Field(default_factory=TextTable)
    serial: SerialTable = Field(default_factory=SerialTable)
    shell: ShellSchema | None = None
    companion: CompanionTable = Field(default_factory=CompanionTable)

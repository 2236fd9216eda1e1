"""The profile's `[shell]` section: the machine's own command language as templates, checked here, kept in
`model.Shell`. The code knows no command; what a machine is told stands in its profile.

A template is a text or a list of texts (one a line). `{name}` stands for a value from the closed list of its key, which
stands behind the key's type in `ShellSchema`; `{{` and `}}` for braces. Paths come quoted and escaped, as the section
says. A conditional holds `{then}` once: alone on its line, whole commands stand there (a block); inside a line, one
command does, and `goto` and `label` are needed for longer bodies.
"""

import re
from collections.abc import Mapping
from typing import Annotated, Any, Literal, cast

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, StringConstraints, WithJsonSchema, model_validator
from typing_extensions import TypeAliasType

from discprep.errors import ManifestError
from discprep.manifest.mapper import frozen, record, values
from discprep.manifest.substitute import substitute
from discprep.model import AttributeBit, Shell

CONDITIONALS = ("if_exists", "if_missing", "if_folder", "if_no_folder", "if_failed", "if_full")
PAIRS = (("if_exists", "if_missing"), ("if_folder", "if_no_folder"))


def _lines(value: Any) -> Any:
    return [value] if isinstance(value, str) else value


MOST_LINES, MOST_IN_LINE, IN_LINE = 64, 1024, r"^[^\r\n\x00]*$"
Line = Annotated[str, StringConstraints(max_length=MOST_IN_LINE, pattern=IN_LINE)]
_LINE = {"type": "string", "maxLength": MOST_IN_LINE, "pattern": IN_LINE}
_TEMPLATE = WithJsonSchema({"anyOf": [_LINE, {"type": "array", "items": _LINE, "maxItems": MOST_LINES}]})
# A named alias: pydantic builds its check once and not for each of thirty keys.
Template = TypeAliasType(
    "Template", Annotated[list[Line], BeforeValidator(_lines), Field(max_length=MOST_LINES), _TEMPLATE]
)
Name = Annotated[str, StringConstraints(min_length=1, max_length=64, pattern=r"^[^/\\:\r\n\x00]+$")]


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, defer_build=True)


class BitTable(_Strict):
    """One attribute bit in the machine's words."""

    bit: Annotated[int, Field(ge=0, le=31)]
    set: str = ""
    clear: str = ""


class AttributesTable(_Strict):
    """How attribute bits are given back: `command` has {path} and {attributes}, the bits' texts joined."""

    system: Literal["dos", "68k", "unix"]
    command: Template
    bits: Annotated[list[BitTable], Field(min_length=1)]
    join: str = ""
    plain: Annotated[int, Field(ge=0, le=0xFFFFFFFF)] = 0


class ShellSchema(_Strict):
    """The machine's command language. Without this section no setup script is written."""

    # Behind a template's type stand the names that it may use. `path`, `source` and `target` are whole paths on the
    # machine; `rename` also has the new bare `name`; `call` runs another script with two arguments; `change_folder` has
    # the `volume` apart; `room` is the room file at rest on the machine, `trial` the path to write it to, `answer` the
    # file that it leaves when it runs to its end; `unprotect` clears what keeps a file from being seen, replaced or
    # deleted; `link` makes a symbolic link with the text `to`, `compare_link` fails where there is none with that text.

    script_name: Annotated[str, StringConstraints(min_length=1, max_length=64), "part"]
    make_folder: Annotated[Template, "path"]
    copy_: Annotated[Template, "source", "target"] = Field(alias="copy")
    message: Annotated[Template, "text"]
    stop: Template
    if_exists: Annotated[Template, "path", "then"] = []
    if_missing: Annotated[Template, "path", "then"] = []
    folder: Name = "SETUP"
    undo_name: Name = "UNDO"
    rate_name: Annotated[str, StringConstraints(min_length=1, max_length=64), "rate"] = "R{rate}"
    save_folder: Name = "SAVED"
    separator: Annotated[str, StringConstraints(min_length=1, max_length=1)] = "/"
    after_volume: Annotated[str, StringConstraints(max_length=1)] | None = None
    quote: Annotated[str, StringConstraints(max_length=1)] = ""
    quote_when: str = " "
    path_escapes: dict[str, str] = {}
    text_escapes: dict[str, str] = {}
    line_max: Annotated[int, Field(ge=40, le=65_535)] | None = None
    opening: Annotated[Template, "title", "build"] = []
    closing: Annotated[Template, "title", "build"] = []
    comment: Annotated[Template, "text"] = []
    empty_message: Template = []
    wait: Template = []
    run: Annotated[Line, "path"] = "{path}"
    read_error: Line = ""
    rename: Annotated[Template, "path", "target", "name"] = []
    delete: Annotated[Template, "path"] = []
    unprotect: Annotated[Template, "path"] = []
    compare: Annotated[Template, "source", "target"] = []
    join: Annotated[Template, "first", "second", "target"] = []
    copy_folder: Annotated[Template, "source", "target"] = []
    copy_with_attributes: Annotated[Template, "source", "target"] = []
    link: Annotated[Template, "path", "to"] = []
    compare_link: Annotated[Template, "path", "to"] = []
    create_empty: Annotated[Template, "path"] = []
    append: Annotated[Template, "text", "path"] = []
    change_folder: Annotated[Template, "path", "volume"] = []
    if_folder: Annotated[Template, "path", "then"] = []
    if_no_folder: Annotated[Template, "path", "then"] = []
    if_failed: Annotated[Template, "then"] = []
    if_full: Annotated[Template, "room", "trial", "answer", "then"] = []
    room_file: Annotated[Template, "answer"] = []
    stops_at_failure: bool = False
    tells: list[
        Literal["copy", "make_folder", "rename", "join", "compare", "compare_link", "check_size", "checksum", "fetch"]
    ] = []
    goto: Annotated[Template, "label"] = []
    label: Annotated[Template, "label"] = []
    call: Annotated[Template, "path", "first", "second"] = []
    first: Line = ""
    second: Line = ""
    check_size: Annotated[Template, "path", "size"] = []
    checksum: Annotated[Template, "path", "sum"] = []
    checksum_kind: Literal["", "crc16", "crc32", "md5", "sha1", "sha256"] = ""
    attributes: AttributesTable | None = None
    set_comment: Annotated[Template, "path", "text"] = []
    comment_max: Annotated[int, Field(ge=1, le=4096)] | None = None
    line_settings: Annotated[Template, "rate"] = []
    fetch: Annotated[Template, "url", "path"] = []

    @model_validator(mode="after")
    def _holds_together(self) -> "ShellSchema":
        faults = [*self._template_faults(), *self._conditional_faults(), *self._missing_faults()]
        if faults:
            raise ValueError("; ".join(faults))
        return self

    def _template(self, key: str) -> list[str]:
        value = getattr(self, "copy_" if key == "copy" else key)
        return [value] if isinstance(value, str) else value

    def _template_faults(self) -> list[str]:
        given = [(key, names, self._template(key)) for key, names in TEMPLATES.items()]
        if self.attributes:
            given.append(("attributes.command", ("path", "attributes"), self.attributes.command))
        return [f for key, names, lines in given for line in lines for f in template_faults(key, line, names)]

    def _conditional_faults(self) -> list[str]:
        faults = []
        for key in CONDITIONALS:
            lines = self._template(key)
            if lines and sum(line.count("{then}") for line in lines) != 1:
                faults.append(f"{key} needs {{then}} exactly once")
            elif lines and not self.if_exists:
                faults.append(f"{key} needs if_exists")
            elif lines and is_block(lines) != is_block(self.if_exists):
                faults.append(f"{key} and if_exists must both have {{then}} alone on a line, or neither")
        if any(len(old) != 1 for old in (*self.path_escapes, *self.text_escapes)):
            faults.append("path_escapes and text_escapes replace single characters")
        if self.if_exists and not is_block(self.if_exists) and not (len(self.goto) == 1 and self.label):
            faults.append("conditionals with {then} inside a line need goto (one line) and label")
        return faults

    def _missing_faults(self) -> list[str]:
        lone = [pair for pair in PAIRS if bool(self._template(pair[0])) != bool(self._template(pair[1]))]
        faults = [f"{one} and {other} go together" for one, other in lone]
        told = (*self.tells, *(["check_size", "checksum", "compare", "compare_link"] if self.stops_at_failure else []))
        checked = self.check_size or self.checksum or self.compare or self.join or "copy" in self.tells
        wrong = {
            "check_size says nothing unless tells has it": self.check_size and "check_size" not in told,
            "compare says nothing unless tells has it": self.compare and "compare" not in told,
            "link and compare_link go together, and tells must have compare_link":
                bool(self.link) != bool(self.compare_link) or (self.link and "compare_link" not in told),
            "link needs delete, which takes a link away too": self.link and self.if_exists and not self.delete,
            "checksum needs checksum_kind, and tells must have it":
                self.checksum and not (self.checksum_kind and "checksum" in told),
            "tells needs if_failed": self.tells and not self.if_failed,
            "a copy that is checked needs delete, to take a bad one away": checked and not self.delete,
            "if_full and room_file go together": bool(self.if_full) != bool(self.room_file),
            "if_full needs delete": self.if_full and not self.delete,
            "call needs first and second: how a called script names its arguments":
                self.call and not (self.first and self.second),
            "script_name needs {part}, the part's number": "{part}" not in self.script_name,
            "rate_name needs {rate}": "{rate}" not in self.rate_name,
        }  # fmt: skip
        return faults + [words for words, given in wrong.items() if given]

    def record(self) -> Shell:
        """The same as the frozen record that the other parts use."""
        attributes = self.attributes
        bits = tuple(record(AttributeBit, values(bit)) for bit in attributes.bits) if attributes else ()
        return record(
            Shell,
            values(self, {"attributes", "after_volume", "join"}),
            values(attributes, {"bits"}) if attributes else {},
            attribute_bits=bits,
            join=frozen(self.join),  # the attributes have a word of that name
            after_volume=self.separator if self.after_volume is None else self.after_volume,
        )


TEMPLATES: Mapping[str, tuple[str, ...]] = {
    field.alias or key: tuple(name for name in field.metadata if isinstance(name, str))
    for key, field in ShellSchema.model_fields.items()
    if cast(object, field.annotation) is Template or any(isinstance(name, str) for name in field.metadata)
}
"""The names that a template may use, by its key."""


def is_block(lines: list[str]) -> bool:
    """Whether `{then}` stands alone on its line."""
    return any(line.strip() == "{then}" for line in lines)


def template_faults(key: str, line: str, names: tuple[str, ...]) -> list[str]:
    """What is wrong with one line of a template, in words."""
    try:
        substitute(line, dict.fromkeys(names, ""))
    except ManifestError as error:
        return [f"{key}: {re.sub(' here$', '', error.message)}; it may use {_listed(names)}"]
    return []


def _listed(names: tuple[str, ...]) -> str:
    return ", ".join(f"{{{name}}}" for name in names) or "no names"

"""The record: the JSON account of one build. It names every file of the disc, where it lies and where it came from.

It holds no path of this computer and no secret, and the same build gives the same bytes. Its `seal`, the last line, is
the SHA-256 of every byte before it, so that a damaged record is never believed.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from functools import cache
from itertools import chain, islice
from operator import attrgetter
from pathlib import Path
from types import UnionType
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

from discprep import __version__
from discprep.disc.image import ImageOptions, ImageWritten
from discprep.disc.layout.check import Expected
from discprep.errors import DiscError
from discprep.fetch.files import write_atomically
from discprep.model import AppliedEdit, Named, Pin, Placed, Shape, Staged

FORMAT = 1
MAX_BYTES = 512 << 20
BUILD_ID_DIGITS = 10
CHARSET = "text.charset"  # the setting that says in which charset Rock Ridge names are
FILES_AT_ONCE = 500  # in the text that the build id is made from, which is longer than all names together
MOST_PULLED = 10**6  # files of one item: more than any archive may have
_HEX = re.compile(r"[0-9a-f]{64}")


@dataclass(frozen=True, slots=True)
class RecordItem:
    """One item of the manifest: where it went and which bytes it was. `form` is "" for what waits; `shape`, "" for all
    else, says how that crosses the link, in how many bytes and files, `turn` when: from 1, in the order of the plan."""

    id: str
    title: str = ""
    version: str = ""
    place: Literal["burn", "later", "present"] = "burn"
    form: str = ""
    archive_sha256: str = ""
    size_bytes: int = 0
    shape: Literal["", Shape] = ""
    pulled_bytes: int = 0
    pulled_files: int = 0
    turn: int = 0


@dataclass(frozen=True, slots=True)
class RecordPin:
    """An item's pin at the time of the build; the source is left out, since it may be a path of this computer."""

    item: str
    size_bytes: int
    sha256: str
    fetched_s: int


@dataclass(frozen=True, slots=True)
class RecordEdit:
    """One edit as done; a secret's text is masked."""

    file: str
    find: str
    replace: str
    times: int


@dataclass(frozen=True, slots=True)
class RecordFile:
    """One file (or folder: `sha256` is "") of the disc. Paths are lists of names; an absent tree's is empty.

    `extent` is the first sector, 0 without bytes; `second_extent` that of the second copy, which `second` names.
    """

    name: tuple[str, ...]
    iso: tuple[str, ...]
    joliet: tuple[str, ...]
    rock_ridge: tuple[str, ...]
    target: tuple[str, ...]
    item: str
    member: str
    form: str
    size_bytes: int
    sha256: str
    extent: int
    sectors: int
    second: tuple[str, ...] = ()
    second_extent: int | None = None
    edits: tuple[RecordEdit, ...] = ()
    text: bool = False
    important: bool = False
    copied: bool = True
    time_s: int | None = None
    attributes: int | None = None
    attribute_system: str = ""
    comment: str = ""
    why: str = ""
    link: str = ""  # a symbolic link's text on the disc, and on the machine
    target_link: str = ""


@dataclass(frozen=True, slots=True)
class Record:
    """The whole account. `head_*` are the structures before the first file's bytes; `readers` agreed on the image
    before it got its name.
    """

    build_id: str
    tool_version: str
    title: str
    volume: str
    name_rules: tuple[str, ...]
    epoch_s: int
    inputs_sha256: str
    image_sha256: str
    image_sectors: int
    head_sha256: str
    head_sectors: int
    pad_sectors: int
    settings: tuple[tuple[str, str], ...]
    items: tuple[RecordItem, ...]
    pins: tuple[RecordPin, ...]
    files: tuple[RecordFile, ...]
    readers: tuple[str, ...] = ()
    layout: Literal["iso", "tar"] = "iso"

    def mounted(self, file: RecordFile) -> tuple[str, ...]:
        """A file's path in Rock Ridge as a system shows it that takes file names for UTF-8: they are bytes of the
        machine's charset, and what is no UTF-8 in them stands as Python's `surrogateescape` has it."""
        charset = dict(self.settings).get(CHARSET, "utf-8")
        return tuple(part.encode(charset, "replace").decode("utf-8", "surrogateescape") for part in file.rock_ridge)

    @property
    def expected(self) -> tuple[Expected, ...]:
        """What `layout.check.check_image` must find, second copies included."""
        found = []
        for file in self.files:
            if file.sha256:
                found.append(Expected(file.iso, file.extent, file.size_bytes, file.sha256))
                if file.second_extent is not None:
                    found.append(Expected(file.second, file.second_extent, file.size_bytes, file.sha256))
        return tuple(found)


# ------------------------------------------------------------------------------------------------- making


def build_id(
    named: Iterable[Named],
    options: ImageOptions,
    archives: Mapping[str, str] | None = None,
    started: Iterable[Staged] = (),
) -> str:
    """The short hash of what goes on the disc: items, members, names, contents, edits, volume settings.

    The tool's own files (of no item) are left out, since they carry the id themselves, all but those that the machine
    or its firmware starts; so is the layout.

    Args:
        named: all files of the disc
        options: the volume's settings
        archives: item id to the SHA-256 of its archive
        started: the files of no item that the machine or its firmware starts
    """
    volume = [options.volume, list(options.rules), options.epoch_s, asdict(options.boot) if options.boot else None,
              hashlib.sha256(options.system_area).hexdigest()]  # fmt: skip
    volume += ["tar"] if options.tar else []
    volume += [[list(file.name), file.content.sha256] for file in started if file.content]
    items = sorted((archives or {}).items())
    digest = hashlib.sha256(b'{"files":[')
    files, separator = (_identity(entry) for entry in named if entry.staged.item), b""
    while some := list(islice(files, FILES_AT_ONCE)):
        digest.update(separator + _canonical(some)[1:-1])
        separator = b","
    digest.update(b'],"items":%b,"volume":%b}' % (_canonical(items), _canonical(volume)))
    return digest.hexdigest()[:BUILD_ID_DIGITS]


def _identity(entry: Named) -> list[Any]:
    staged = entry.staged
    content = [staged.content.sha256, staged.content.size_bytes] if staged.content else None
    edits = [_edit_values(edit) for edit in staged.edits]
    return [staged.item, staged.member, staged.form, content, edits, staged.time_s, staged.attributes, staged.comment,
            entry.iso, entry.joliet, entry.rock_ridge, entry.target, entry.second,
            *([entry.link, entry.target_link] if entry.link else [])]  # fmt: skip


def _edit_values(edit: AppliedEdit) -> tuple[str, str, str, int]:
    return edit.file, edit.find, edit.replace, edit.times


def make_record(
    written: ImageWritten,
    options: ImageOptions,
    build: str,
    *,
    title: str = "",
    items: Sequence[RecordItem] = (),
    pins: Sequence[Pin] = (),
    settings: Mapping[str, str] | None = None,
    inputs_sha256: str = "",
) -> Record:
    """The record of a written image. `build` is from `build_id`; `settings` are the manifest's values by dotted key,
    without secrets; `inputs_sha256` the digest of manifest, profile and pins.
    """
    return Record(
        build_id=build,
        tool_version=__version__,
        title=title,
        volume=options.volume,
        name_rules=tuple(options.rules),
        epoch_s=options.epoch_s,
        inputs_sha256=inputs_sha256,
        image_sha256=written.sha256,
        image_sectors=written.sectors,
        head_sha256=written.head_sha256,
        head_sectors=written.head_sectors,
        pad_sectors=options.pad_sectors,
        settings=tuple(sorted((settings or {}).items())),
        items=tuple(sorted(items, key=lambda item: item.id)),
        pins=tuple(
            RecordPin(pin.item, pin.size_bytes, pin.sha256, pin.fetched_s) for pin in sorted(pins, key=lambda p: p.item)
        ),
        files=tuple(_file(placed) for placed in written.placed),
        readers=written.readers,
        layout="tar" if options.tar else "iso",
    )


AS_STAGED = ("name", "item", "member", "form", "text", "important", "copied", "time_s", "attributes",
             "attribute_system", "comment")  # fmt: skip
AS_NAMED = ("iso", "joliet", "rock_ridge", "target", "why", "link", "target_link")


def _file(placed: Placed) -> RecordFile:
    named, staged = placed.named, placed.named.staged
    values = {name: getattr(staged, name) for name in AS_STAGED} | {name: getattr(named, name) for name in AS_NAMED}
    return RecordFile(
        **values,
        size_bytes=staged.content.size_bytes if staged.content else 0,
        sha256=staged.content.sha256 if staged.content else "",
        extent=placed.extent,
        sectors=placed.sectors,
        second=named.second if placed.second_extent is not None else (),
        second_extent=placed.second_extent,
        edits=tuple(RecordEdit(*_edit_values(edit)) for edit in staged.edits),
    )


# ------------------------------------------------------------------------------------------ JSON, both ways


def record_bytes(record: Record) -> bytes:
    """The record as it stands in `record.json`: the same bytes for the same record."""
    return b"".join(_pieces(record))


def _pieces(record: Record) -> Iterator[bytes]:
    """The same piece by piece: as a whole a large record takes more memory than the files it tells of."""
    digest = hashlib.sha256()
    for piece in _written({"discprep_record": FORMAT, **_document(record)}):
        digest.update(piece)
        yield piece
    yield _seal(digest.hexdigest())


def _seal(sha256: str) -> bytes:
    """The last line: the SHA-256 of every byte before it."""
    return f'"seal": "{sha256}"\n}}\n'.encode("ascii")


def _document(record: Any) -> dict[str, Any]:
    """A record's fields by name; what stands inside it, the encoder asks for itself."""
    names, values = _fields(record.__class__)
    return dict(zip(names, values(record), strict=True))


@cache
def _fields(kind: type) -> tuple[tuple[str, ...], Callable[[Any], tuple[Any, ...]]]:
    names = tuple(field.name for field in fields(kind))
    return names, attrgetter(*names)


_ENCODER = json.JSONEncoder(default=_document)


def _written(document: Mapping[str, Any]) -> Iterator[bytes]:
    """A line for each key, and one for each entry of a long list: readable, and fast where `indent` is not."""
    yield b"{\n"
    for key, value in document.items():
        for text in chain([json.dumps(key), ": "], _rows(value), [",\n"]):
            yield text.encode("ascii")


def _rows(value: Any) -> Iterator[str]:
    if isinstance(value, list | tuple) and len(value) > 1 and not isinstance(value[0], str | list | tuple):
        yield "["
        for number, entry in enumerate(value):
            yield (",\n" if number else "\n") + _ENCODER.encode(entry)
        yield "\n]"
    else:
        yield _ENCODER.encode(value)


def _canonical(document: Any) -> bytes:
    return json.dumps(document, sort_keys=True, separators=(",", ":")).encode("ascii")


def save_record(record: Record, path: Path) -> None:
    """Writes `record.json` whole or not at all.

    Raises:
        StorageError: the folder cannot be written
    """
    write_atomically(path, _pieces(record))


def load_record(path: Path) -> Record:
    """Reads a record and believes it only if every byte is as it was written.

    Raises:
        DiscError: no record, or a damaged one
        OSError: it cannot be read
    """
    if path.stat().st_size > MAX_BYTES:
        raise _unbelieved(path, f"it has more than {MAX_BYTES} bytes")
    data = path.read_bytes()
    try:
        document = json.loads(data)
    except (ValueError, RecursionError):
        raise _unbelieved(path, "it is not JSON") from None
    if not isinstance(document, dict) or "discprep_record" not in document:
        raise _unbelieved(path, "it is no record of a build")
    if document["discprep_record"] != FORMAT:
        raise _unbelieved(path, f"its format is {document['discprep_record']!r}, this version reads {FORMAT}")
    _check_seal(path, data)
    try:
        record: Record = _value(Record, {k: v for k, v in document.items() if k not in ("discprep_record", "seal")})
        _check_paths(record)
    except (TypeError, ValueError, KeyError) as error:
        raise _unbelieved(path, f"it does not say what a record says: {error}") from None
    return record


def _check_seal(path: Path, data: bytes) -> None:
    body, mark, _ = data.rpartition(b'"seal": ')
    if not mark or body + _seal(hashlib.sha256(body).hexdigest()) != data:
        raise _unbelieved(path, "it was changed after it was written (its seal does not match)")


def _unbelieved(path: Path, why: str) -> DiscError:
    return DiscError(
        f"this record cannot be used: {why}",
        where=str(path),
        hint="Take an undamaged copy of record.json from the build's folder, or build again.",
    )


@cache
def _hints(kind: Any) -> dict[str, Any]:
    """The fields of a record class with their types."""
    return get_type_hints(kind)


def _value(kind: Any, value: Any) -> Any:
    """A JSON value as the annotated type says. Raises TypeError, ValueError or KeyError."""
    origin = get_origin(kind)
    if origin is tuple:
        inner = get_args(kind)
        if not isinstance(value, list):
            raise TypeError(f"a list is missing where {value!r} stands")
        if inner[-1] is Ellipsis:
            return tuple(_value(inner[0], item) for item in value)
        return tuple(_value(k, item) for k, item in zip(inner, value, strict=True))
    if origin in (UnionType, Union):
        return None if value is None else _value(get_args(kind)[0], value)
    if origin is Literal:
        if value not in get_args(kind):
            raise ValueError(f"{value!r} is none of {', '.join(get_args(kind))}")
        return value
    if kind in (str, int, bool):
        if type(value) is not kind or (kind is int and not -(2**63) < value < 2**63):
            raise TypeError(f"{value!r} is not of the type {kind.__name__}")
        return value
    hints = _hints(kind)
    if not isinstance(value, dict) or value.keys() - hints.keys():
        raise TypeError(f"{kind.__name__} has unknown keys")
    return kind(**{key: _value(hints[key], item) for key, item in value.items()})


def _check_paths(record: Record) -> None:
    """No path leads out of a folder that the disc is mounted on, and no number is out of all bounds."""
    for file in record.files:
        for path in (file.iso, file.joliet, file.rock_ridge, file.second):
            if any(part in ("", ".", "..") or "/" in part or "\0" in part for part in path):
                raise ValueError(f"the path {'/'.join(path)!r}")
        if not file.iso or min(file.size_bytes, file.extent, file.sectors, file.second_extent or 0) < 0:
            raise ValueError(f"the place of {'/'.join(file.name)!r}")
        if file.sha256 and not _HEX.fullmatch(file.sha256):
            raise ValueError(f"the SHA-256 of {'/'.join(file.name)!r}")
    if min(record.image_sectors, record.head_sectors, record.pad_sectors) < 0:
        raise ValueError("the sizes of the image")
    for item in record.items:
        if not bool(item.shape) <= item.pulled_files <= MOST_PULLED or item.pulled_bytes < 0:
            raise ValueError(f"what crosses the link of {item.id!r}")

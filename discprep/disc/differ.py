"""What changed between two builds, and why. Pure: two records in, sentences out."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from discprep.disc.record import Record, RecordEdit, RecordFile, RecordItem

Kind = Literal["tool", "setting", "pin", "item", "file", "layout"]


@dataclass(frozen=True, slots=True)
class Change:
    """One difference. `what` names it; `before` and `after` are "" where one side lacks it; `why` may be ""."""

    kind: Kind
    what: str
    before: str
    after: str
    why: str = ""


@dataclass(frozen=True, slots=True)
class Differences:
    """All differences of two records, causes (tool, settings, pins, items) before their effects (files, layout)."""

    before_id: str
    after_id: str
    same_image: bool
    changes: tuple[Change, ...]


def differ(before: Record, after: Record) -> Differences:
    """What changed from one build to the next."""
    causes = [*_tool(before, after), *_settings(before, after), *_pins(before, after), *_items(before, after)]
    files = list(_files(before, after, causes))
    changes = [*causes, *files, *_layout(before, after, files)]
    same = before.image_sha256 == after.image_sha256
    return Differences(before.build_id, after.build_id, same, tuple(changes))


def _tool(before: Record, after: Record) -> Iterator[Change]:
    if before.tool_version != after.tool_version:
        yield Change("tool", "version of discprep", before.tool_version, after.tool_version)


def _settings(before: Record, after: Record) -> Iterator[Change]:
    old, new = _all_settings(before), _all_settings(after)
    for key in sorted(old.keys() | new.keys()):
        if old.get(key, "") != new.get(key, ""):
            yield Change("setting", key, old.get(key, ""), new.get(key, ""))


def _all_settings(record: Record) -> dict[str, str]:
    own = {
        "title": record.title,
        "medium.volume": record.volume,
        "disc.name_rules": ", ".join(record.name_rules),
        "date of the disc, seconds since 1970": str(record.epoch_s),
        "padding, sectors": str(record.pad_sectors),
    }
    return own | dict(record.settings)


def _pins(before: Record, after: Record) -> Iterator[Change]:
    old, new = {p.item: p for p in before.pins}, {p.item: p for p in after.pins}
    for item in sorted(old.keys() & new.keys()):
        if old[item].sha256 != new[item].sha256:
            yield Change("pin", item, old[item].sha256, new[item].sha256, "another file was fetched and pinned")


def _items(before: Record, after: Record) -> Iterator[Change]:
    old, new = {i.id: i for i in before.items}, {i.id: i for i in after.items}
    for name in sorted(old.keys() | new.keys()):
        one, other = _place(old.get(name)), _place(new.get(name))
        if one != other:
            yield Change("item", name, one, other)


def _place(item: RecordItem | None) -> str:
    if item is None:
        return ""
    form = f", {item.form}" if item.form and item.place == "burn" else ""
    version = f", version {item.version}" if item.version else ""
    return f"{item.place}{form}{version}"


# -------------------------------------------------------------------------------------------------- files


def _files(before: Record, after: Record, causes: Iterable[Change]) -> Iterator[Change]:
    old, new = _by_origin(before), _by_origin(after)
    reasons = list(causes)
    for key in sorted(old.keys() | new.keys()):
        one, other = old.get(key), new.get(key)
        if one is None or other is None:
            there = one or other
            assert there
            sides = ("on the disc", "") if one else ("", "on the disc")
            yield Change("file", _shown(there), *sides, _why_moved(there, reasons))
        else:
            yield from _file(one, other, reasons)


def _by_origin(record: Record) -> dict[tuple[str, ...], RecordFile]:
    """Files by where they came from: a member of an item, else their wanted place; that too where a member is there
    more than once, for several line rates."""
    members = Counter((file.item, file.form, file.member) for file in record.files if file.member)
    alone = {key for key, count in members.items() if count == 1}
    keyed = ((file, (file.item, file.form, file.member)) for file in record.files)
    return {key if key in alone else (*key, *file.name): file for file, key in keyed}


def _shown(file: RecordFile) -> str:
    return f"[{file.item}] {'/'.join(file.name)}" if file.item else "/".join(file.name)


def _file(one: RecordFile, other: RecordFile, reasons: list[Change]) -> Iterator[Change]:
    what = _shown(one)
    if one.sha256 != other.sha256:
        yield Change("file", f"{what}: bytes", one.sha256, other.sha256, _why_bytes(one, other, reasons))
    for label, before, after in _facts(one, other):
        if before != after:
            why = _why_name(reasons) if label.startswith("name") else ""
            yield Change("file", f"{what}: {label}", _text(before), _text(after), why)


def _facts(one: RecordFile, other: RecordFile) -> Iterator[tuple[str, Any, Any]]:
    for key, label in (
        ("name", "wanted name"), ("iso", "name on the disc"), ("joliet", "name in Joliet"),
        ("rock_ridge", "name in Rock Ridge"), ("target", "name on the machine"), ("text", "text form"),
        ("attributes", "attributes"), ("comment", "comment"), ("time_s", "time"), ("second", "second copy"),
        ("important", "importance"), ("link", "link"), ("target_link", "link on the machine"),
    ):  # fmt: skip
        yield label, getattr(one, key), getattr(other, key)


def _text(value: Any) -> str:
    if isinstance(value, tuple):
        return "/".join(value)
    return "" if value is None else str(value)


def _why_bytes(one: RecordFile, other: RecordFile, reasons: list[Change]) -> str:
    """The nearest cause: an edit, its archive, the text form; else the tool itself writes the file."""
    if one.edits != other.edits:
        return _edit_words(one.edits, other.edits, reasons)
    if not one.item:
        return "written by discprep from the rest of the build"
    if any(c.kind == "pin" and c.what == one.item for c in reasons):
        return f"the archive of {one.item} changed"
    if one.text != other.text:
        return "the text form changed"
    return "the version of discprep changed" if any(c.kind == "tool" for c in reasons) else ""


def _edit_words(one: tuple[RecordEdit, ...], other: tuple[RecordEdit, ...], reasons: list[Change]) -> str:
    gone = [edit for edit in one if edit not in other]
    new = [edit for edit in other if edit not in one]
    texts = [edit.replace for edit in new]
    settings = [c.what for c in reasons if c.kind == "setting" and c.after and any(c.after in text for text in texts)]
    cause = f", since {', '.join(settings)} changed" if settings else ""
    return f"{len(gone)} edits went, {len(new)} came{cause}"


def _why_moved(file: RecordFile, reasons: list[Change]) -> str:
    for cause in reasons:
        if cause.kind == "item" and cause.what == file.item:
            before, after = cause.before or "not in the manifest", cause.after or "not in the manifest"
            return f"{file.item}: {before} before, {after} now"
    if any(c.kind == "pin" and c.what == file.item for c in reasons):
        return f"the archive of {file.item} changed"
    return ""


def _why_name(reasons: list[Change]) -> str:
    return next((f"{c.what} changed" for c in reasons if c.kind == "setting" and c.what == "disc.name_rules"), "")


def _layout(before: Record, after: Record, files: list[Change]) -> Iterator[Change]:
    """The image's size, and files that only lie elsewhere, counted."""
    if before.image_sectors != after.image_sectors:
        yield Change("layout", "sectors of the image", str(before.image_sectors), str(after.image_sectors))
    old, new = _extents(before), _extents(after)
    moved = sum(1 for key in old.keys() & new.keys() if old[key] != new[key])
    if moved:
        yield Change("layout", "files that lie at another sector", "", str(moved))
    if before.image_sha256 != after.image_sha256 and not files and not moved:
        yield Change("layout", "bytes outside the files", before.image_sha256, after.image_sha256)


def _extents(record: Record) -> Mapping[tuple[str, ...], tuple[int, int | None]]:
    return {key: (file.extent, file.second_extent) for key, file in _by_origin(record).items()}

"""What a disc image holds and what is wrong with it: our own images and strangers'.

A UDF tree, which our own reader does not know, is read by the second one, and shown where it holds more files than the
others, or as many under richer names; and where it is the only one.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from discprep.disc.contents import content_sha256
from discprep.disc.layout.boot import BootEntry
from discprep.disc.layout.check import Checked, check_image, file_spans, identifier_faults
from discprep.disc.layout.faults import Fault
from discprep.disc.layout.fields import FIRST_DESCRIPTOR, IDENTIFIER, SECTOR, read_long_date
from discprep.disc.layout.records import iso_parts
from discprep.disc.layout.volume import MAX_DESCRIPTORS, Found, ImageFile, Tree
from discprep.disc.second_reader.reader import Entry, udf_entries
from discprep.errors import DiscError
from discprep.model import Content, MemberKind, Progress

Extents = tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True)
class ImageMember:
    """One file or folder of the tree shown. `sha256` is "" for folders and for what cannot be read."""

    name: str
    iso: str
    kind: MemberKind
    size_bytes: int
    extent: int
    sha256: str
    time_s: int | None
    attributes: int | None
    comment: str
    problem: str
    target: str = ""  # of a link


@dataclass(frozen=True, slots=True)
class ImageFacts:
    """A whole image. `tree` says whose names the members have; `level` is 0 where the names keep to no level."""

    path: Path
    sha256: str
    size_bytes: int
    volume: str
    system: str
    publisher: str
    preparer: str
    application: str
    created_s: int | None
    volume_sectors: int
    level: int
    extensions: tuple[str, ...]  # "joliet-1" to "joliet-3", "rock-ridge", "enhanced", "el-torito", "udf"
    tree: str  # "rock-ridge", "joliet", "primary", "udf"
    boot: tuple[BootEntry, ...]
    members: tuple[ImageMember, ...]
    faults: tuple[Fault, ...]
    iso9660: bool = True  # it has a volume descriptor of that standard


def inspect_image(path: Path, progress: Progress | None = None, charset: str | None = None) -> ImageFacts:
    """Reads an image whole: facts, tree, a hash of every file, and every fault that can be known without a record.

    Args:
        charset: of Rock Ridge names, which are bytes of the system that wrote them; None: UTF-8 where all of them
            are, else Latin-1

    Raises:
        DiscError: no primary volume descriptor
        ToolError: the second reader, which a UDF disc needs, does not run
        OSError: it cannot be read
    """
    checked = check_image(path, None, progress)
    primary = checked.structure.primary
    if primary is None and _has_udf(path):
        return _udf_alone(path, checked)
    if primary is None:
        raise DiscError(
            "this is no image of an ISO 9660 disc: sector 16 has no primary volume descriptor",
            where=str(path),
            hint="Only images with sectors of 2048 bytes are read; a raw copy with 2352 must be converted first.",
        )
    shown, kind = _shown_tree(checked)
    descriptor = primary.descriptor
    members, faults, extensions = _members(checked, shown, kind, charset), checked.faults, _extensions(checked)
    if _has_udf(path):
        entries, _, problem = udf_entries(path)
        extensions = (*extensions, "udf")
        if problem:
            faults += (Fault("udf", f"its UDF tree cannot be read: {problem}"),)
        more = sum(entry[3] == "file" for entry in entries) - sum(member.kind != "folder" for member in members)
        if more > 0 or (more == 0 and kind == "primary" and entries):
            members, kind = tuple(_udf_members(path, entries, members)), "udf"
    return ImageFacts(
        path=path,
        sha256=checked.sha256,
        size_bytes=checked.size_bytes,
        volume=shown.descriptor.volume_id,
        system=descriptor.text(8, 32),
        publisher=descriptor.text(318, 128),
        preparer=descriptor.text(446, 128),
        application=descriptor.text(574, 128),
        created_s=read_long_date(descriptor.raw[813:830]),
        volume_sectors=descriptor.space_sectors,
        level=_level(primary),
        extensions=extensions,
        tree=kind,
        boot=tuple(checked.structure.boot_entries),
        members=members,
        faults=faults,
    )


def _shown_tree(checked: Checked) -> tuple[Tree, str]:
    """The tree a reader with all extensions shows: Rock Ridge, else Joliet, else the primary one."""
    primary = checked.structure.primary
    assert primary
    joliet = next((tree for tree in checked.structure.trees if tree.kind == "joliet"), None)
    if primary.rock_ridge:
        return primary, "rock-ridge"
    return (joliet, "joliet") if joliet else (primary, "primary")


def _extensions(checked: Checked) -> tuple[str, ...]:
    found = []
    for tree in checked.structure.trees:
        if tree.kind == "joliet":
            found.append(f"joliet-{tree.descriptor.joliet_level}")
        elif tree.kind == "enhanced":
            found.append("enhanced")
        elif tree.rock_ridge:
            found.append("rock-ridge")
    if checked.structure.catalogue_sector is not None:
        found.append("el-torito")
    return tuple(sorted(found))


def _level(tree: Tree) -> int:
    """The lowest level that all names and files keep to (ECMA-119 §10); 0: none."""
    level = 1
    for found in tree.found:
        identifier = found.identifier
        if any(identifier_faults(identifier, found.folder)):
            return 0
        stem, extension, _ = (identifier, b"", 0) if found.folder else iso_parts(identifier)
        if len(found.extents) > 1:
            level = 3
        elif len(stem) > 8 or len(extension) > 3:
            level = max(level, 2)
    return level


def _members(checked: Checked, tree: Tree, kind: str, charset: str | None) -> tuple[ImageMember, ...]:
    names: dict[tuple[str, ...], str] = {(): ""}
    charset = charset or _charset(found.rock_ridge.name for found in tree.found)
    problems = _problems(checked)
    primary_names = _primary_names(checked)
    members = []
    for found in tree.found:
        own = found.path[-1]
        if kind == "rock-ridge" and found.rock_ridge.name is not None:
            own = found.rock_ridge.name.decode(charset, "replace")
        parent = names.get(found.path[:-1], "")
        names[found.path] = f"{parent}/{own}" if parent else own
        members.append(_member(checked, found, names[found.path], problems, primary_names))
    return tuple(sorted(members, key=lambda member: member.name))


def _charset(names: Iterable[bytes | None]) -> str:
    try:
        b"/".join(name or b"" for name in names).decode("utf-8")
    except UnicodeDecodeError:
        return "latin-1"
    return "utf-8"


def _primary_names(checked: Checked) -> dict[Extents, str]:
    """Names of the primary tree by the place of the bytes, to go with Joliet's."""
    primary = checked.structure.primary
    assert primary
    return {found.extents: "/".join(found.path) for found in primary.found if not found.folder and found.size_bytes}


def _problems(checked: Checked) -> dict[str, str]:
    found: dict[str, str] = {}
    for fault in checked.faults:
        if fault.path:
            found[fault.path] = f"{found[fault.path]}; {fault.message}" if fault.path in found else fault.message
    return found


def _member(
    checked: Checked, found: Found, name: str, problems: dict[str, str], primary_names: dict[Extents, str]
) -> ImageMember:
    path = "/".join(found.path)
    kind: MemberKind = "folder" if found.folder else "link" if found.rock_ridge.link is not None else "file"
    spans = file_spans(found)
    sha256 = _sha256(checked, found) if kind == "file" else ""
    comment = (found.rock_ridge.comment or b"").decode("latin-1")
    problem = problems.get(path, "")
    if kind == "file" and found.size_bytes and not sha256 and not problem:
        problem = "its bytes lie in several places or outside the image; they were not read"
    return ImageMember(
        name=name,
        iso=primary_names.get(found.extents, path),
        kind=kind,
        size_bytes=found.size_bytes if kind == "file" else 0,
        extent=spans[0][0] // SECTOR if spans and found.size_bytes else 0,
        sha256=sha256,
        time_s=found.time_s,
        attributes=found.rock_ridge.attributes,
        comment=comment,
        problem=problem,
        target=(found.rock_ridge.link or b"").decode("utf-8", "replace"),
    )


# ECMA-167 2/9.1 and 3/9.1: the identifiers of a volume's recognition structures, one a sector from 16 on.
_RECOGNITION = (IDENTIFIER, b"BEA01", b"BOOT2", b"CDW02", b"NSR02", b"NSR03", b"TEA01")


def _has_udf(path: Path) -> bool:
    with ImageFile(path) as image:
        for sector in range(FIRST_DESCRIPTOR, FIRST_DESCRIPTOR + MAX_DESCRIPTORS):
            identifier = image.read(sector)[1:6]
            if identifier not in _RECOGNITION:
                return False
            if identifier.startswith(b"NSR"):
                return True
    return False


def _udf_alone(path: Path, checked: Checked) -> ImageFacts:
    """A disc without any volume descriptor of ISO 9660; nothing but its tree is known."""
    entries, volume, problem = udf_entries(path)
    faults = (Fault("udf", f"its UDF tree cannot be read: {problem}"),) if problem else ()
    members, sectors = tuple(_udf_members(path, entries)), checked.size_bytes // SECTOR
    return ImageFacts(path, checked.sha256, checked.size_bytes, volume, "", "", "", "", None, sectors, 0, ("udf",),
                      "udf", (), members, faults, iso9660=False)  # fmt: skip


def _udf_members(path: Path, entries: Iterable[Entry], others: Iterable[ImageMember] = ()) -> Iterator[ImageMember]:
    """Files are hashed as long as they claim no more than twice the image's bytes together. What another tree says of
    the same bytes is true of them here.
    """
    known = {(other.extent, other.size_bytes): other for other in others if other.size_bytes}
    image_bytes = path.stat().st_size
    left = 2 * image_bytes
    for name, at, size_bytes, told in entries:
        kind: MemberKind = "folder" if told == "folder" else "file"
        sha256, problem = "", ""
        if kind == "file" and (at < 0 or at % SECTOR or size_bytes > left):
            problem = "its bytes lie in several places or inside a structure; they were not read"
        elif kind == "file" and size_bytes and at + size_bytes > image_bytes:
            problem = "its bytes lie outside the image"
        elif kind == "file":
            left -= size_bytes
            sha256 = content_sha256(Content(path, at, size_bytes, ""))
        extent = max(at, 0) // SECTOR
        same = known.get((extent, size_bytes))
        iso, time_s = (same.iso, same.time_s) if same else (name, None)
        yield ImageMember(name, iso, kind, size_bytes, extent, sha256, time_s, None, "", problem)


EMPTY_SHA256 = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"


def _sha256(checked: Checked, found: Found) -> str:
    if not found.size_bytes:
        return EMPTY_SHA256
    spans = [span for span in file_spans(found) if span[1]]
    return checked.hashes.get(spans[0], "") if len(spans) == 1 else ""

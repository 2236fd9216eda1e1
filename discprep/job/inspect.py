"""What is inside an archive, a floppy image or a disc image, and whether every member reads whole."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from discprep.archives import OpenTask, lacking
from discprep.archives.names import Guard
from discprep.archives.store import Store, open_tasks
from discprep.errors import ArchiveError, DiscprepError, UsageError
from discprep.machine import known_charset
from discprep.members import LACKED
from discprep.model import (
    AttributeSystem,
    Content,
    Limits,
    Member,
    Notice,
    Opened,
    Progress,
    Silent,
    Unpacked,
)
from discprep.report.inspect import Inspection
from discprep.units import SECTOR_BYTES

if TYPE_CHECKING:
    from discprep.disc.inspect import ImageFacts

DISC_MARK_AT = 32_769  # ECMA-119 8.1.2: the standard identifier of the first volume descriptor
DISC_MARKS = (b"CD001", b"BEA01")  # the second on a disc of UDF alone (ECMA-167 2/9.2)
REMARKED_MAX = 20  # unsafe members named one by one; the listing shows all of them
NO_INSIDE = "A plain file has no inside to look into; where it should be an archive, get another copy."
# Looking writes nothing, so only time is at stake, and that is bounded by size: no ratio is refused. Archives inside
# are written, so that they can be opened: they have the usual limits.
LOOK_LIMITS = Limits(member_bytes=8 * 2**30, total_bytes=64 * 2**30, ratio=0)


def inspect(
    path: Path,
    *,
    charset: str | None = None,
    nested: int = 0,
    limits: Limits | None = None,
    progress: Progress | None = None,
) -> Inspection:
    """Looks at one file and reads every member.

    Raises:
        UsageError: there is no such file, or the charset is unknown
        StorageError: the host's disk failed
    """
    _known_file(path)
    limits = limits or (Limits() if nested else LOOK_LIMITS)
    image = None
    if is_disc_image(path):
        check_charset(charset)
        image = _image_facts(path, progress or Silent(), charset)
        opened = _disc_image(image, limits)
    else:
        opened = open_file(path, charset=charset, nested=nested, limits=limits, progress=progress)
    return Inspection(opened, path.stat().st_size, tuple(faults(opened, path)), tuple(remarks(opened, path)), image)


def _known_file(path: Path) -> None:
    if not path.is_file():
        raise UsageError("there is no such file" if not path.exists() else "it is not a file", where=str(path))


def open_file(
    path: Path,
    *,
    charset: str | None,
    nested: int,
    limits: Limits,
    store: Path | None = None,
    progress: Progress | None = None,
) -> Opened:
    """The file's members; without a store they are only hashed. Raises as `inspect`."""
    _known_file(path)
    check_charset(charset)
    if is_disc_image(path):
        return _disc_image(_image_facts(path, progress or Silent(), charset), limits)
    task = OpenTask(path, charset=charset, nested=nested, name=path.name)
    kept = Store(store) if store else None
    (opened,) = open_tasks([task], kept, replace(limits, depth=max(limits.depth, nested)), 1, progress or Silent())
    if opened.format == "file":
        none = f"no archive, floppy image or disc image that discprep knows; it begins {_beginning(path)}"
        return replace(opened, members=(), problems=opened.problems or (none,))
    return opened


def check_charset(charset: str | None) -> None:
    """Raises UsageError when no charset has that name."""
    if charset and not known_charset(charset):
        hint = "Examples: latin-1, cp437, cp850, cp1252, cp932, utf-8."
        raise UsageError(f"no charset is called {charset!r}", hint=hint)


def is_disc_image(path: Path) -> bool:
    """Whether the first volume descriptor of ISO 9660, or what UDF alone has, stands where it should."""
    with path.open("rb") as file:
        file.seek(DISC_MARK_AT)
        return file.read(len(DISC_MARKS[0])) in DISC_MARKS


def _image_facts(path: Path, progress: Progress, charset: str | None) -> ImageFacts:
    from discprep.disc.inspect import inspect_image

    return inspect_image(path, progress, charset)


def _disc_image(image: ImageFacts, limits: Limits) -> Opened:
    """A disc image as the same record an archive gives; the contents of its files are parts of the image itself."""
    path = image.path
    guard = Guard(limits)
    members = []
    for index, one in enumerate(image.members):
        system: AttributeSystem = "" if one.attributes is None else "68k"
        member, _ = guard.check(
            Member(
                index, one.name, one.iso.encode("utf-8", "replace"), one.kind, one.size_bytes,
                packed_bytes=one.size_bytes, method="stored", time_s=one.time_s, attributes=one.attributes,
                attribute_system=system, comment=one.comment, target=one.target,
            )
        )  # fmt: skip
        content = Content(path, one.extent * SECTOR_BYTES, one.size_bytes, one.sha256) if one.sha256 else None
        members.append(Unpacked(member, content, problem="" if content else one.problem))
    return Opened(
        path, image.sha256, "iso9660" if image.iso9660 else "udf", tuple(members), tuple(map(str, image.faults))
    )


def faults(opened: Opened, path: Path) -> list[DiscprepError]:
    """One error for each member that does not read whole and for each problem of the archive."""
    hint = NO_INSIDE if opened.format == "file" else "Get another copy."
    hint += " What is listed as whole is right." * bool(opened.members)
    found: list[DiscprepError] = [ArchiveError(problem, where=str(path), hint=hint) for problem in opened.problems]
    found += lacking(opened, where=str(path))
    for entry in opened.members:
        if not entry.reads and entry.problem != LACKED:
            found.append(ArchiveError(entry.problem, where=f"{path}: {entry.member.name}", hint=hint))
    return found


def remarks(opened: Opened, path: Path) -> list[Notice]:
    """What the user should know and no byte is wrong with."""
    found = [Notice(notice, where=str(path)) for notice in opened.notices]
    unsafe = [entry.member for entry in opened.members if entry.member.problem and entry.reads]
    for member in unsafe[:REMARKED_MAX]:
        found.append(Notice(f"not safe to unpack: {member.problem}", where=f"{path}: {member.name}"))
    if len(unsafe) > REMARKED_MAX:
        found.append(Notice(f"{len(unsafe) - REMARKED_MAX} more members are not safe to unpack", where=str(path)))
    return found


def _beginning(path: Path) -> str:
    with path.open("rb") as file:
        head = file.read(32)
    return repr(head.decode("ascii", "backslashreplace")) if head else "with nothing: it is empty"

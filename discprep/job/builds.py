"""The builds of one manifest: their records, in folders that its log knows and that are named."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from discprep.disc.record import Record, load_record
from discprep.errors import DiscError
from discprep.job.history import MADE_FROM, Event, folders, look
from discprep.job.inputs import digest_of, settings_of
from discprep.job.standing import RECORD
from discprep.model import Manifest, Notice, Pin

MACHINE = "machine.name"
_MOST_TOLD = 6


@dataclass(frozen=True)
class Build:
    """One disc that was built: its folder, its record, and what was done with it, oldest first."""

    folder: Path
    record: Record
    events: tuple[Event, ...] = ()

    @cached_property
    def items(self) -> frozenset[str]:
        """Ids of the items that have files on it."""
        return frozenset(file.item for file in self.record.files if file.item)

    @property
    def built_s(self) -> int | None:
        """When it was built last, as far as that was noted [s since 1970 UTC]."""
        return next((one.at_s for one in reversed(self.events) if one.what == "build"), None)

    @property
    def last(self) -> Event | None:
        """What was done last with a burned disc of it."""
        return next((one for one in reversed(self.events) if one.of_a_disc), None)

    def version(self, item: str) -> str:
        """The SHA-256 of an item's archive as it was then; "" where it is not known."""
        return next((one.archive_sha256 for one in self.record.items if one.id == item), "")

    @property
    def settings(self) -> dict[str, str]:
        return dict(self.record.settings)

    @property
    def number(self) -> int:
        """Which disc of its build it is, from 1."""
        told = self.settings.get("build.disc", "")
        return int(told) if told.isdecimal() and len(told) < 10 else 1

    @property
    def of_several(self) -> bool:
        """Whether it is one of several discs, each in a folder of its own."""
        return self.settings.get("build.discs", "1") != "1"


def builds_of(
    manifest: Manifest, named: Sequence[Path] = (), remark: Callable[[Notice], None] = lambda notice: None
) -> Iterator[Build]:
    """The discs that were built from a manifest, the newest first.

    Arguments:
        named: folders to look into besides those that the manifest's log knows
        remark: told of each record that is passed over; of those of other manifests only where they are in `named`
    """
    asked_for = _in(named)
    events, odd = look(manifest.path)
    for notice in odd:
        remark(notice)
    for path in sorted({*_in(folders(events)), *asked_for}, key=_age, reverse=True):
        try:
            record = load_record(path)
        except (DiscError, OSError) as error:
            words = getattr(error, "message", str(error))
            remark(Notice(words, where=str(path), hint="Its disc is passed over here."))
            continue
        if _made_from(record, manifest):
            yield Build(path.parent, record, tuple(one for one in events if one.build_id == record.build_id))
        elif path in asked_for:
            remark(Notice(f"this disc was built from another manifest than {manifest.path.name}", where=str(path)))


def built_for(manifest: Manifest) -> Iterator[Build]:
    """Those for the manifest's machine, the newest first."""
    own = for_machine(manifest)
    return (one for one in builds_of(manifest) if own(one))


def for_machine(manifest: Manifest) -> Callable[[Build], bool]:
    """Tells a disc for the manifest's machine, as `--machine` may have named others: the discs of several machines lie
    in several folders."""
    machine = settings_of(manifest)[MACHINE]
    return lambda build: build.settings.get(MACHINE, machine) == machine


def newest_discs(builds: Iterable[Build]) -> tuple[Build, ...]:
    """The discs of the newest build in their order; () without one.

    Arguments:
        builds: the newest first
    """
    rest = iter(builds)
    newest = next(rest, None)
    if newest is None or not newest.of_several:
        return (newest,) if newest else ()
    beside = [one for one in rest if one.of_several and one.folder.parent == newest.folder.parent]
    return tuple(sorted((newest, *beside), key=lambda one: one.number))


def other_inputs(manifest: Manifest, pins: Mapping[str, Pin], here: Iterable[str], newest: Build) -> Notice | None:
    """A word where the newest disc was built from other inputs than manifest and pins have now, with what differs as
    far as its record tells; None where a build made now would be the same, and where its record keeps no digest.

    Arguments:
        here: ids of the items at hand; the disc may have been built before the last of them came
    """
    record = newest.record
    was_here = {item.id for item in record.items if item.archive_sha256}
    had = {pin.item for pin in record.pins}
    known = {key: pin for key, pin in pins.items() if key in had}
    made = digest_of(manifest, pins, here), digest_of(manifest, known, was_here)
    if record.inputs_sha256 in ("", *made):
        return None
    now, then = settings_of(manifest), newest.settings
    keys = [key for key in sorted({*now} & {*then}) if now[key] != then[key]]
    told = [f"{key} {then[key]} then, {now[key]} now" for key in keys]
    old = {pin.item: pin.sha256 for pin in record.pins}
    told += [f"{key} renewed" for key, pin in sorted(pins.items()) if old.get(key, pin.sha256) != pin.sha256]
    said = f": {'; '.join(told[:_MOST_TOLD])}" if told else " (the manifest, its profile or a file that they name)"
    return Notice(
        f"the newest disc, {record.build_id}, was built from other inputs than manifest and pins have now{said}",
        where=str(newest.folder),
        hint="What is told here follows the manifest as it is now. Build again, or read the sheet of that disc.",
    )


def discs_with(item: str, builds: Iterable[Build], sha256: str = "") -> tuple[str, ...]:
    """The build ids of the discs that carry an item, in the reverse order of `builds`: the newest last. With `sha256`
    only those that carry it as it was fetched with that hash."""
    carry = [one for one in builds if item in one.items and sha256 in ("", one.version(item))]
    return tuple(reversed([one.record.build_id for one in carry]))


def _age(path: Path) -> tuple[int, Path]:
    try:
        return path.stat().st_mtime_ns, path
    except OSError:
        return 0, path


def _made_from(record: Record, manifest: Manifest) -> bool:
    """By the manifest's file name, as pins and log go by it; by the title where an older record holds no name."""
    name = dict(record.settings).get(MADE_FROM)
    return name == manifest.path.name if name else record.title == manifest.title


def _in(places: Iterable[Path]) -> set[Path]:
    """The records in some folders, and in their folders for single discs; none where one cannot be looked into."""
    found: set[Path] = set()
    for folder in places:
        with suppress(OSError):
            records = (folder / RECORD, *folder.glob(f"disc-*/{RECORD}"))
            found |= {path.resolve() for path in records if path.is_file()}
    return found

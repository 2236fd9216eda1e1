"""The builds of one manifest: their records, in folders that are named and beside the manifest."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from discprep.disc.record import Record, load_record
from discprep.errors import DiscError
from discprep.job.standing import RECORD
from discprep.model import Manifest, Notice

MADE_FROM = "build.manifest"
"""The record's setting that holds the file name of the manifest it was made from."""


@dataclass(frozen=True)
class Build:
    """One disc that was built: its folder and its record."""

    folder: Path
    record: Record

    @cached_property
    def items(self) -> frozenset[str]:
        """Ids of the items that have files on it."""
        return frozenset(file.item for file in self.record.files if file.item)

    @property
    def settings(self) -> dict[str, str]:
        return dict(self.record.settings)


def builds_of(
    manifest: Manifest, named: Sequence[Path] = (), remark: Callable[[Notice], None] = lambda notice: None
) -> Iterator[Build]:
    """The discs that were built from a manifest, the newest first.

    Arguments:
        named: folders to look into besides those beside the manifest
        remark: told of each record that is passed over; of those of other manifests only where they are in `named`
    """
    asked_for = _in(named)
    for path in sorted({*_beside(manifest.path.resolve()), *asked_for}, key=_age, reverse=True):
        try:
            record = load_record(path)
        except (DiscError, OSError) as error:
            words = getattr(error, "message", str(error))
            remark(Notice(words, where=str(path), hint="Its disc is passed over here."))
            continue
        if _made_from(record, manifest):
            yield Build(path.parent, record)
        elif path in asked_for:
            remark(Notice(f"this disc was built from another manifest than {manifest.path.name}", where=str(path)))


def discs_with(item: str, builds: Iterable[Build]) -> tuple[str, ...]:
    """The build ids of the discs that carry an item, in the reverse order of `builds`: the newest last."""
    return tuple(reversed([one.record.build_id for one in builds if item in one.items]))


def _age(path: Path) -> tuple[int, Path]:
    try:
        return path.stat().st_mtime_ns, path
    except OSError:
        return 0, path


def _made_from(record: Record, manifest: Manifest) -> bool:
    """By the manifest's file name, as pins and log go by it; by the title where an older record holds no name."""
    name = dict(record.settings).get(MADE_FROM)
    return name == manifest.path.name if name else record.title == manifest.title


def _beside(manifest: Path) -> Iterator[Path]:
    """Records below the manifest's folder, without those that belong to a copy of the manifest further down."""
    top = manifest.parent
    try:
        for path in top.glob(f"*/**/{RECORD}"):
            between = path.parents[: len(path.parents) - len(top.parents) - 1]
            if path.is_file() and not any((folder / manifest.name).is_file() for folder in between):
                yield path
    except OSError:
        return


def _in(folders: Sequence[Path]) -> set[Path]:
    """The records in some folders, and in their folders for single discs."""
    return {
        path.resolve()
        for folder in folders
        for path in (folder / RECORD, *folder.glob(f"disc-*/{RECORD}"))
        if path.is_file()
    }

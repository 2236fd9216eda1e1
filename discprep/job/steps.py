"""What comes next in the work, as lines to copy into a shell: fetch, verify, prepare, burn, read back, serve."""

from __future__ import annotations

import os
import shlex
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from discprep.disc.burn import ENVIRONMENT
from discprep.fetch.source import local_path, scheme
from discprep.job.builds import Build, newest_discs
from discprep.job.standing import RECORD, image_name
from discprep.model import Item
from discprep.report.status import ItemState, ItemStatus
from discprep.report.tables import typed
from discprep.serve.reach import likely_bind

USUAL_DRIVE = "/dev/sr0"  # the first optical drive of a Linux system


@dataclass(frozen=True, slots=True)
class Steps:
    """The next steps of one manifest, called as this run was.

    Attributes:
        machine, cache: as the caller named them; None: left out
        builds: the discs built so far, the newest first
    """

    manifest: Path
    machine: Path | None
    cache: Path | None
    builds: Sequence[Build]

    def one(self, item: Item, state: ItemState, *, there: bool, changed: bool) -> str:
        """What to do next about one item; empty when nothing is left to do.

        Arguments:
            there: it is on a disc, or the machine pulled it whole
            changed: its source has another file than was pinned
        """
        renew = self._line("fetch", "--renew", item.id)
        if state == "wanted":
            return self._fetch(item)
        if state == "damaged":
            return f"{self._line('verify')} shows what is damaged, and the ways out"
        if changed:
            return f"if the new one is wanted: {renew}"
        if state == "present" or there:
            return ""
        if state == "fetched":
            return self._line("verify")
        newest = next(iter(self.builds), None)
        waits = newest and any(entry.id == item.id and entry.place == "later" for entry in newest.record.items)
        return self._serve() if waits else self._prepare()

    def all(self, items: Iterable[ItemStatus], pulled: bool, outdated: bool) -> tuple[str, ...]:
        """What to do next about the whole, in the order of the work; what goes before a disc stands alone.

        Arguments:
            pulled: the machine pulled something already, so it has its disc
            outdated: the newest disc was built from other inputs than there are now
        """
        steps = {state: [item.next for item in items if item.state == state and item.next] for state in _ORDER}
        for state in ("wanted", "fetched"):
            if steps[state]:
                ready = self._line("fetch")
                return (ready if ready in steps[state] else steps[state][0],)
        hurt = tuple(dict.fromkeys(steps["damaged"]))  # the others go on without what is damaged
        unburned = not pulled and all(one.last is None for one in newest_discs(self.builds))
        if self._prepare() in steps["verified"] or (outdated and unburned):
            return (*hurt, self._prepare())
        discs = () if pulled else tuple(self._discs())
        return (*hurt, *discs, *dict.fromkeys(steps["verified"]))

    def _fetch(self, item: Item) -> str:
        """A source that is a file which is not there is none."""
        if any(scheme(source) != "file" or local_path(source).is_file() for source in item.sources):
            return self._line("fetch")
        if not (item.page or item.hint or item.sources or item.hashes.any):
            return "name a source for it"
        place = f"get it from {item.page}" if item.page else "get it by hand"
        return f"{place}, then: {self._line('fetch', '--look-in', 'FOLDER')}"

    def _prepare(self) -> str:
        """Into the folder of the newest build, else a new one beside the manifest; by the manifest's name, since a
        build would take the place of another manifest's."""
        newest = next(iter(self.builds), None)
        if newest is None:
            return self._line("prepare", "--out", str(self.manifest.parent / f"{self.manifest.stem}-disc"))
        return self._line("prepare", "--out", str(_near(newest.folder.parent if newest.of_several else newest.folder)))

    def _discs(self) -> Iterator[str]:
        """Each disc of the newest build: burned, then read back, as far as that is not done (the log tells)."""
        for one in newest_discs(self.builds):
            result = one.last.result if one.last else ""
            if result == "whole":
                continue
            if result != "unread":
                yield _burn(one)
            yield f"discprep readback {typed(_near(one.folder / RECORD))} {USUAL_DRIVE}"

    def _serve(self) -> str:
        return self._line("serve", "--bind", likely_bind())

    def _line(self, name: str, *words: str) -> str:
        options = [("--machine", self.machine), ("--cache", self.cache)]
        told = [word for option, path in options if path for word in (option, str(path))]
        return shlex.join(["discprep", name, str(self.manifest), *words, *told])


_ORDER: tuple[ItemState, ...] = ("wanted", "damaged", "fetched", "verified")


def _near(path: Path) -> Path:
    """A path as seen from the working folder, where it lies below it."""
    here = Path.cwd()
    return path.relative_to(here) if path.is_relative_to(here) else path


def _burn(build: Build) -> str:
    """With the burner that the environment names, else with what the user likes."""
    if os.environ.get(ENVIRONMENT):
        return f"discprep burn {typed(_near(build.folder / RECORD))} --device {USUAL_DRIVE}"
    image = build.folder / image_name(build.record.volume, build.record.build_id, build.record.layout)
    return f"burn {typed(_near(image))} with your burner (discprep burn --help shows how)"

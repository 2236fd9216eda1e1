"""`prepare`: fetch, verify, plan and build in one go; every step goes on where an earlier run stopped."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from discprep.errors import raise_all
from discprep.fetch.cache import Cache
from discprep.fetch.look import Ask as AskFile
from discprep.job.at_hand import at_hand
from discprep.job.build import Ask, build_from
from discprep.job.fetch import fetch_manifest
from discprep.job.kept import saying_what_stays
from discprep.job.line import stop_at_faults
from discprep.machine import may_be_missing
from discprep.manifest import load_manifest
from discprep.model import Progress, Silent
from discprep.report.build import Built, FetchTotals


def prepare(
    path: Path,
    out: Path,
    *,
    machine: Path | None = None,
    cache_root: Path | None = None,
    settings: Mapping[str, str] | None = None,
    look_in: Path | None = None,
    allow_secrets: bool = False,
    even_so: bool = False,
    ask: Ask | None = None,
    ask_file: AskFile | None = None,
    progress: Progress | None = None,
) -> Built:
    """The main job. An item that waits for the link may be missing, when its size is known; all else must come.

    `even_so` goes on where the link cannot work as it is set.

    Raises: what `fetch` and `build` raise; what is missing is listed together; before anything is fetched, what makes
    the link impossible
    """
    progress = progress or Silent()
    manifest = load_manifest(path, machine=machine, settings=settings)
    link = stop_at_faults(manifest, even_so=even_so)
    cache = Cache(cache_root)
    with saying_what_stays(manifest, cache):
        report = fetch_manifest(manifest, cache, look_in=look_in, ask=ask_file, progress=progress)
        waiting = {entry.item for entry in report.items if may_be_missing(manifest.item(entry.item), entry.pin)}
        raise_all([error for error in report.errors if error.item not in waiting])
        built = build_from(at_hand(manifest, cache.root), out, False, allow_secrets, ask, progress)
    missing = sum(entry.path is None for entry in report.items)
    totals = FetchTotals(len(report.items) - missing, missing, report.moved_bytes, report.elapsed_s)
    steps = (("fetch", report.elapsed_s), *built.steps_s)
    notices = (*link, *report.notices, *built.notices)
    return replace(built, fetched=totals, steps_s=steps, notices=notices, errors=report.errors)

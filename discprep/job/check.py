"""`check`: everything that can be known without the network and without the archives."""

from __future__ import annotations

import os
from pathlib import Path

from discprep.disc.media import hard_to_read
from discprep.disc.setup import unsaved
from discprep.errors import NameRuleError, flatten, raise_all
from discprep.fetch.files import scratch
from discprep.job.line import line_faults, line_notices
from discprep.job.tree import Trees
from discprep.machine import kind_of
from discprep.manifest import load_manifest
from discprep.manifest.rules import remarks
from discprep.model import Manifest, Notice
from discprep.report.check import Checked


def check(path: Path, *, machine: Path | None = None) -> Checked:
    """Loads and compares, and makes the disc's own files as a build would.

    Raises: what `load_manifest` raises, and the faults that a build of any items would have
    """
    manifest = load_manifest(path, machine=machine)
    raise_all(line_faults(manifest))
    own = _own_files(manifest)
    line = (*line_notices(manifest), *hard_to_read(manifest.medium), *_slow_to_decode(manifest))
    told = (*remarks(manifest, _pinned(manifest)), *_secrets_at_hand(manifest), *line, *own)
    return Checked(manifest, told)


def _own_files(manifest: Manifest) -> list[Notice]:
    """What deserves a word about the scripts and lists of a disc that has no items yet. Raises their faults."""
    with scratch() as work:
        tree = Trees(work).of(manifest, {}, {}, preview=True)
    steps = list(unsaved(manifest))
    # The scripts of part and undo stop at the same commands: they are told once, at the step.
    own = [error for error in flatten(tree.errors) if not (steps and isinstance(error, NameRuleError))]
    raise_all([*own, *steps])
    return [notice for notice in tree.notices if not notice.item]


def _pinned(manifest: Manifest) -> set[str]:
    """Ids of items that were fetched once already. Raises ManifestError for damaged pins."""
    files = {item.pins_file or manifest.pins_path for item in manifest.items}
    if not any(path.exists() for path in files):
        return set()
    from discprep.fetch.pins import pins_of

    return set(pins_of(manifest.items, manifest.pins_path))


def _slow_to_decode(manifest: Manifest) -> list[Notice]:
    """That no compiled decoder is there for the LHA archives that are named as such."""
    named = [item.id for item in manifest.items if kind_of(item) == "lha"]
    if not named:
        return []
    from discprep.archives.lha_decode import compiled

    if compiled():
        return []
    return [
        Notice(
            f"LHA archives ({', '.join(named[:3])}{' …' * (len(named) > 3)}) are read slowly here, some megabytes a "
            "second: no compiled decoder is installed",
            hint="Nothing need be done. Where there is a C compiler: pip install 'discprep[lha]'.",
        )
    ]


def _secrets_at_hand(manifest: Manifest) -> list[Notice]:
    return [
        Notice(
            f"the secret {secret.name!r} is not set: a build that uses it will ask for it",
            hint=f"Set {secret.env} in the environment.",
        )
        for secret in manifest.secrets
        if secret.env not in os.environ
    ]

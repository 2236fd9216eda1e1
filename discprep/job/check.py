"""`check`: everything that can be known without the network and without the archives."""

from __future__ import annotations

import os
from pathlib import Path

from discprep.manifest import load_manifest
from discprep.manifest.rules import remarks
from discprep.model import Manifest, Notice
from discprep.report.check import Checked


def check(path: Path, *, machine: Path | None = None) -> Checked:
    """Loads and compares. Raises what `load_manifest` raises."""
    manifest = load_manifest(path, machine=machine)
    return Checked(manifest, (*remarks(manifest, _pinned(manifest)), *_secrets_at_hand(manifest), *_line(manifest)))


def _pinned(manifest: Manifest) -> set[str]:
    """Ids of items that were fetched once already. Raises ManifestError for damaged pins."""
    files = {item.pins_file or manifest.pins_path for item in manifest.items}
    if not any(path.exists() for path in files):
        return set()
    from discprep.fetch.pins import pins_of

    return set(pins_of(manifest.items, manifest.pins_path))


def _secrets_at_hand(manifest: Manifest) -> list[Notice]:
    return [
        Notice(
            f"the secret {secret.name!r} is not set: a build that uses it will ask for it",
            hint=f"Set {secret.env} in the environment.",
        )
        for secret in manifest.secrets
        if secret.env not in os.environ
    ]


def _line(manifest: Manifest) -> list[Notice]:
    """Rates, framing, overruns and resent data, as far as both ends are described."""
    if manifest.link is None:
        return []
    from discprep.link import compare_ends, overflow_notices, overrun_notices, retransmission_notices

    link, bridge, profile = manifest.link, manifest.bridge, manifest.profile
    return [
        *compare_ends(link, bridge, profile),
        *overrun_notices(link, profile, bridge),
        *retransmission_notices(link, bridge, profile),
        *overflow_notices(link, bridge, profile),
    ]

"""`differ`: what changed between two builds, and why."""

from __future__ import annotations

from pathlib import Path

from discprep.disc.differ import Differences
from discprep.disc.differ import differ as compare
from discprep.job.readback import load


def differ(before: Path, after: Path) -> Differences:
    """Compares two records (or the folders of two builds). Raises as `readback.load`."""
    return compare(load(before), load(after))

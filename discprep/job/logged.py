"""What the log of transfers that `serve` writes tells of the line."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from statistics import median

from discprep.errors import UsageError
from discprep.link.calibrate import Measured
from discprep.link.transfer import Transfer, expected_case, parts_of
from discprep.model import Manifest, Notice
from discprep.serve import log
from discprep.serve.gate import SERVER


def logged(path: Path) -> tuple[tuple[Measured, ...], tuple[Notice, ...]]:
    """Its downloads, and a remark where lines were passed over.

    Raises:
        UsageError: there is no such log
    """
    if not path.is_file():
        raise UsageError("there is no such log of transfers", where=str(path), hint="`serve` writes it as it serves.")
    transfers, torn = log.look(path)
    return tuple(Measured(size, elapsed) for size, elapsed in log.measured(transfers) if size and elapsed), torn


def pace_of(manifest: Manifest, measurements: Sequence[Measured]) -> float:
    """The median of measured seconds over the model's; 1 where nothing was measured, or there is no link."""
    if manifest.link is None or not measurements:
        return 1.0
    case = expected_case(manifest.link, manifest.bridge, manifest.profile, SERVER)
    return median(
        one.elapsed_s / sum(parts_of(Transfer(one.size_bytes), case, manifest.link).values()) for one in measurements
    )

"""The environment of an installed program: Python's compiled files are there, whatever this environment says."""

from __future__ import annotations

import os
from pathlib import Path


def environment(folder: Path) -> dict[str, str]:
    """The variables for a run whose compiled files lie in `folder`. A first run fills it: let it warm up.

    Where writing them is switched off (as in many containers), a third of a short run would go to compiling.
    """
    kept = {key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"}
    return kept | {"PYTHONPYCACHEPREFIX": str(folder)}

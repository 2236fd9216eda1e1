"""Running a command in this process and seeing what a user sees."""

from __future__ import annotations

import contextlib
import io
import json
from dataclasses import dataclass
from typing import Any

from discprep.cli import main


@dataclass(frozen=True)
class Ran:
    code: int
    out: str
    err: str

    @property
    def document(self) -> dict[str, Any]:
        """Stdout as the one JSON document it must be."""
        loaded: dict[str, Any] = json.loads(self.out)
        return loaded


def run(*words: object) -> Ran:
    """`discprep words…`"""
    out, err = io.StringIO(), io.StringIO()
    code = 0
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            main([str(word) for word in words])
        except SystemExit as end:
            code = int(end.code or 0)
    return Ran(code, out.getvalue(), err.getvalue())

"""A pseudo-terminal of a given width, and a program that writes to it."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Sequence
from contextlib import suppress

import pytest


def shown(words: Sequence[object], columns: int, stream: str, env: dict[str, str]) -> tuple[int, str]:
    """A program's exit code and what the terminal gets by one of its streams."""
    if sys.platform == "win32":
        pytest.skip("pseudo-terminals are POSIX's")
    import pty
    import termios

    ours, theirs = pty.openpty()
    termios.tcsetwinsize(theirs, (24, columns))
    streams = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, stream: theirs}
    said = b""
    with subprocess.Popen(list(map(str, words)), env=env, **streams) as running:
        os.close(theirs)
        with suppress(OSError):  # its other end is closed (Linux)
            while piece := os.read(ours, 65536):
                said += piece
    os.close(ours)
    return running.returncode, said.decode("utf-8")

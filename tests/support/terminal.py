"""A program at a pseudo-terminal: one that draws on it, or one that asks there."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

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


def answering(words: Sequence[object], answers: str, folder: Path) -> tuple[int, str]:
    """A program's exit code and output, with so many lines typed at its terminal."""
    if os.name != "posix":
        pytest.skip("pseudo-terminals are POSIX's")
    ours, theirs = os.openpty()
    places = {"cwd": folder, "stdin": theirs, "stderr": theirs, "stdout": subprocess.PIPE}
    with subprocess.Popen(list(map(str, words)), text=True, **places) as asked:
        os.close(theirs)
        os.write(ours, answers.encode())
        out, _ = asked.communicate(timeout=120)
    os.close(ours)
    return asked.returncode, out

"""The three streams a run is given, whatever they are: closed, of a narrow encoding, gone, or on a full disk."""

from __future__ import annotations

import io
import os
import shutil
import sys
from pathlib import Path
from typing import TextIO

from discprep.report.tables import WIDTH, fitted


def settle() -> None:
    """Before anything is opened: a stream that is closed leads nowhere, and one whose encoding lacks a character
    gets another in its place.

    A closed stream's number would be given to the next file opened, and what is meant for a person would be written
    into it.
    """
    for number, name in enumerate(("stdin", "stdout", "stderr")):
        stream = getattr(sys, name)
        if stream is None:
            setattr(sys, name, _nowhere(number))
        elif number and isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")


def as_utf8(stream: TextIO) -> TextIO:
    """The stream as JSON asks for it (RFC 8259 section 8.1: UTF-8); what is no character, of a file's name that is
    not in the host's encoding, becomes an escape that JSON has (section 7)."""
    if isinstance(stream, io.TextIOWrapper):
        stream.reconfigure(encoding="utf-8", errors="backslashreplace")
    return stream


def shown(text: str) -> str:
    """The text as the terminal at stdout holds it; unchanged where stdout is none."""
    try:
        columns = shutil.get_terminal_size((WIDTH, 24)).columns if sys.stdout.isatty() else WIDTH
    except ValueError:
        return text
    return fitted(text, columns) if columns < WIDTH else text


def flushed() -> str:
    """Sends off what is held for stdout and stderr, and drops what they do not take, so that the interpreter's end
    does not try it again. Returns the host's words for why stdout took it not; "" where its reader has gone, who
    wants no more."""
    problem = ""
    for number, stream in ((2, sys.stderr), (1, sys.stdout)):
        try:
            stream.flush()
        except BrokenPipeError:
            _lead_nowhere(number)
        except OSError as error:
            _lead_nowhere(number)
            problem = (error.strerror or str(error)) if number == 1 else ""
        except ValueError:  # closed by whoever gave it
            pass
    return problem


def _nowhere(number: int) -> TextIO:
    try:
        os.fstat(number)
    except OSError:
        _lead_nowhere(number)
    return Path(os.devnull).open("w" if number else "r", encoding="utf-8", errors="replace")


def _lead_nowhere(number: int) -> None:
    opened = os.open(os.devnull, os.O_RDWR)
    if opened != number:
        os.dup2(opened, number)
        os.close(opened)

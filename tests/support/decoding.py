"""Runs what a worker runs, in this process: for many small archives where isolation is not the question."""

import io
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from discprep.archives.task import Entry, OpenTask, Order, Summary
from discprep.archives.worker import Job, Talk
from discprep.model import Limits


@dataclass
class Decoded:
    """What the worker would have told its parent, and the data file."""

    entries: list[Entry]
    summary: Summary
    data: bytes

    @property
    def names(self) -> list[str]:
        return [entry.member.name for entry in self.entries]

    @property
    def problems(self) -> list[str]:
        """Of every member, then of the archive."""
        each = [entry.problem or entry.member.problem for entry in self.entries]
        return [problem for problem in each if problem] + list(self.summary.problems)

    def content(self, index: int) -> bytes:
        entry = self.entries[index]
        return self.data[entry.offset_bytes : entry.offset_bytes + entry.member.size_bytes]


class Unlimited(Talk):
    """Announces as a worker does, but leaves this process's own time limit alone."""

    def begin(self, index: int, allowed_s: float, entry: list[Any] | None = None) -> None:
        self.say("b", [index, allowed_s, entry], now=True)


def decode_here(
    archive: bytes, folder: Path, *, charset: str | None = None, limits: Limits | None = None, name: str = "a.lzh"
) -> Decoded:
    """Decodes an archive given as bytes; `folder` takes the files that needs."""
    path, data = folder / "archive", folder / "data"
    path.write_bytes(archive)
    data.unlink(missing_ok=True)
    said = io.BytesIO()
    talk = Unlimited(said)
    Job(Order(OpenTask(path, "", charset, 0, name), limits or Limits(), data=str(data)), talk, folder).run()
    talk.flush()
    lines: list[Sequence[object]] = [answer for line in said.getvalue().splitlines() for answer in json.loads(line)]
    entries = [Entry.of(list(values)) for kind, *values in lines if kind == "m"]
    summary = next(Summary.of(list(values)) for kind, *values in lines if kind == "e")
    return Decoded(entries, summary, data.read_bytes() if data.exists() else b"")

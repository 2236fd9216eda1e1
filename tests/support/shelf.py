"""The shelf as it is served: `serve` in a thread, what it says, and what a client gets."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.request import urlopen

import pytest

import discprep.job.serve as job
from discprep.model import Silent
from discprep.report.serve import document
from support.clients import wait_until


@dataclass(frozen=True)
class Served:
    """`listening`: the first JSON line of `serve --json`."""

    listening: dict[str, Any]

    def get(self, path: str) -> bytes:
        with urlopen(self.listening["addresses"][0]["url"].rstrip("/") + "/" + path, timeout=30) as reply:
            return bytes(reply.read())


@contextmanager
def served(manifest: Path, cache: Path, *, machine: Path | None = None, **wish: Any) -> Iterator[Served]:
    """The shelf of a manifest; ended as by Ctrl-C. What `serve` raises is raised here."""
    said: list[Any] = []
    made: list[Any] = []
    failed: list[Exception] = []

    def run() -> None:
        try:
            asked = job.Wish("127.0.0.1:0", **wish)
            job.serve(manifest, asked, tell=said.append, machine=machine, cache=cache, progress=Silent())
        except Exception as error:
            failed.append(error)

    real = job.Server
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(job, "Server", lambda *a, **k: made.append(real(*a, **k)) or made[0])
        thread = threading.Thread(target=run)
        thread.start()
        wait_until(lambda: said or failed)
        if failed:
            raise failed[0]
        try:
            yield Served(json.loads(json.dumps(document(said[0]))))
        finally:
            made[0].stop()
            thread.join(20)

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
from support.command import run


@dataclass(frozen=True)
class Served:
    """`listening`: the first JSON line of `serve --json`."""

    listening: dict[str, Any]

    def get(self, path: str) -> bytes:
        with urlopen(self.listening["addresses"][0]["url"].rstrip("/") + "/" + path, timeout=30) as reply:
            return bytes(reply.read())


def waiting_room(folder: Path, desk: str, link: str, **files: bytes) -> Path:
    """A manifest whose items, each a file `NAME_ENDING` of this content, all wait for the link; they are fetched.
    `desk`: the profile's text."""
    text = 'format = 1\ntitle = "Reading room"\nbring_up = []\n[machine]\nprofile = "desk.toml"\n'
    text += f"[medium]\nsectors = 2000\n[link]\n{link}\n"
    for key, data in files.items():
        item, _, ending = key.partition("_")
        (folder / f"{item}.{ending}").write_bytes(data)
        text += f'[[item]]\nid = "{item}"\nsources = ["{item}.{ending}"]\nplace = "later"\n'
    (folder / "desk.toml").write_text(desk)
    path = folder / "room.toml"
    path.write_text(text)
    assert run("fetch", path, "--cache", folder / "cache", "-q").code == 0
    return path


@contextmanager
def served(manifest: Path, cache: Path, *, machine: Path | None = None, **wish: Any) -> Iterator[Served]:
    """The shelf of a manifest, by default on loopback; ended as by Ctrl-C. What `serve` raises is raised here."""
    said: list[Any] = []
    made: list[Any] = []
    failed: list[Exception] = []

    def serve() -> None:
        try:
            asked = job.Wish(**{"bind": "127.0.0.1:0"} | wish)
            job.serve(manifest, asked, tell=said.append, machine=machine, cache=cache, progress=Silent())
        except Exception as error:
            failed.append(error)

    with pytest.MonkeyPatch.context() as patch:
        for name in ("Server", "open_line"):
            real = getattr(job, name)
            patch.setattr(job, name, lambda *a, real=real, **k: made.append(real(*a, **k)) or made[0])
        thread = threading.Thread(target=serve)
        thread.start()
        wait_until(lambda: said or failed)
        if failed:
            raise failed[0]
        try:
            yield Served(json.loads(json.dumps(document(said[0]))))
        finally:
            made[0].stop()
            thread.join(20)

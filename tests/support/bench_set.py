"""A small manifest with real archives in local files, for tests of whole jobs."""

from __future__ import annotations

import hashlib
import io
import tarfile
import zipfile
from dataclasses import dataclass
from pathlib import Path

MACHINES = Path(__file__).resolve().parents[2] / "manifests" / "machines"
WHEN = 1_600_000_000


def zip_bytes(files: dict[str, bytes]) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in files.items():
            archive.writestr(zipfile.ZipInfo(name, (2020, 9, 13, 12, 26, 40)), data)
    return buffer.getvalue()


def tar_gz_bytes(files: dict[str, bytes]) -> bytes:
    buffer = io.BytesIO()
    with tarfile.open(fileobj=buffer, mode="w:gz") as archive:
        for name, data in files.items():
            info = tarfile.TarInfo(name)
            info.size, info.mtime = len(data), WHEN
            archive.addfile(info, io.BytesIO(data))
    return buffer.getvalue()


@dataclass
class BenchSet:
    """A folder with `m.toml`, its archives, a cache and an output folder."""

    folder: Path

    @property
    def manifest(self) -> Path:
        return self.folder / "m.toml"

    @property
    def out(self) -> Path:
        return self.folder / "out"

    @property
    def words(self) -> tuple[object, ...]:
        """Options that keep a command inside the folder."""
        return ("--cache", self.folder / "cache")

    def image(self) -> Path:
        (image,) = self.out.glob("*.iso")
        return image

    def item(self, item_id: str, name: str, data: bytes, more: str = "") -> str:
        (self.folder / name).write_bytes(data)
        digest = hashlib.sha256(data).hexdigest()
        return f'[[item]]\nid = "{item_id}"\nsources = ["{name}"]\nsha256 = "{digest}"\n{more}\n'

    def write(self, *items: str, head: str = "", medium: str = "sectors = 2000", profile: str | None = None) -> None:
        name = profile or str(MACHINES / "catalogue-desk.toml")
        self.manifest.write_text(
            f'format = 1\ntitle = "A test disc"\nbring_up = []\n{head}\n[machine]\nprofile = "{name}"\n'
            f"[medium]\n{medium}\n" + "\n".join(items)
        )


SETTINGS = b"; line\r\nrate=19200\r\nkey=none\r\n"


def usual(folder: Path) -> BenchSet:
    """Two archives and a plain file; one edit that follows the link's rate."""
    made = BenchSet(folder)
    made.write(
        made.item(
            "tools",
            "tools.zip",
            zip_bytes({"bin/RUN.EXE": bytes(range(256)) * 40, "line.cfg": SETTINGS, "a long name.text": b"one\ntwo\n"}),
            'to = "TOOLS"\nplace = "burn"\nform = "unpacked"\ntext = ["*.text"]\n'
            '[[item.edit]]\nfile = "line.cfg"\nfind = "rate=19200"\nreplace = "rate={link.rate}"\n',
        ),
        made.item("docs", "docs.tar.gz", tar_gz_bytes({"docs/ONE.TXT": b"1" * 5000}), 'to = "DOCS"\nplace = "burn"\n'),
        made.item("plain", "PLAIN.BIN", b"\0\1\2" * 700, 'to = "MISC"\nplace = "burn"\n'),
        medium="sectors = 2000\n[link]\nrate = 9600\nmtu = 296\n[bridge]\nrate = 9600",
    )
    return made

"""The demonstration: makes the invented archives, serves them on loopback, and runs the real command line on them.

Started by `demo/run [FOLDER]`. Everything it makes stands in demo/out, or in a new FOLDER, and can be deleted.
"""

from __future__ import annotations

import gzip
import hashlib
import io
import os
import re
import shutil
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

import content
import pack_lha
import servers

HERE = Path(__file__).resolve().parent
PROFILE = HERE.parent / "manifests" / "machines" / "catalogue-desk.toml"
WHEN = 1_741_000_000  # one fixed moment, so that every run makes the same bytes


def make_archives(folder: Path) -> None:
    """Packs the packages in the formats that small sites use."""
    packages = content.packages()
    lha = {
        "linedrv": ("lzh", "-lh5-", 0),
        "iptools": ("lha", "-lh5-", 2),
        "sumcheck": ("lzh", "-lh0-", 1),
        "wardedit": ("lha", "-lh5-", 1),
        "plates": ("lzh", "-lh7-", 2),
        "manuals": ("lha", "-lh5-", 2),
    }
    for name, (ending, method, level) in lha.items():
        (folder / f"{name}.{ending}").write_bytes(pack_lha.archive(packages[name], method, level, WHEN))
    for name in ("puller", "untie", "catalog", "floormap", "pastimes"):
        (folder / f"{name}.zip").write_bytes(make_zip(packages[name]))
    for name in ("leafview", "notices"):
        (folder / f"{name}.tar.gz").write_bytes(make_tar_gz(packages[name]))


def make_zip(files: dict[str, bytes]) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in files.items():
            info = zipfile.ZipInfo(name, (2025, 3, 3, 11, 6, 40))
            info.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(info, data)
    return buffer.getvalue()


def make_tar_gz(files: dict[str, bytes]) -> bytes:
    buffer = io.BytesIO()
    with tarfile.open(fileobj=buffer, mode="w", format=tarfile.USTAR_FORMAT) as archive:
        for name, data in files.items():
            info = tarfile.TarInfo(name)
            info.size, info.mtime = len(data), WHEN
            archive.addfile(info, io.BytesIO(data))
    return gzip.compress(buffer.getvalue(), mtime=WHEN)


def write_manifest(folder: Path, bases: dict[str, str]) -> Path:
    """The recipe with the hashes of this run's archives and the addresses of its servers."""
    text = (HERE / "reading-room.toml").read_text(encoding="utf-8")
    text = text.replace('"PROFILE"', f'"{os.path.relpath(PROFILE, folder.parent)}"')
    for mark, kind in (("HASH", "sha256"), ("SHA1", "sha1")):
        text = re.sub(rf"{mark} ([\w.]+)", lambda m: digest(folder, m[1], kind), text)  # noqa: B023
    for name, base in bases.items():
        text = text.replace(name, base)
    path = folder.parent / "reading-room.toml"
    path.write_text(text, encoding="utf-8")
    return path


def digest(folder: Path, name: str, kind: str) -> str:
    path = folder / name
    if not path.exists():
        path = folder.parent / "downloads" / "download(3).bin"
    return hashlib.new(kind, path.read_bytes()).hexdigest()


def shown(path: Path) -> str:
    return str(path.relative_to(HERE.parent) if path.is_relative_to(HERE.parent) else path)


def discprep(*words: object) -> int:
    """Runs one command as a person would type it, and shows it."""
    typed = [shown(word) if isinstance(word, Path) else str(word) for word in words]
    print(f"\n$ discprep {' '.join(typed)}", flush=True)
    return subprocess.run([sys.executable, "-m", "discprep", *typed], cwd=HERE.parent, check=False).returncode


def main() -> int:
    own = HERE / "out"
    out = Path(*sys.argv[1:2]).absolute() if sys.argv[1:] else own
    site, downloads = out / "site", out / "downloads"
    if out == own:
        shutil.rmtree(out, ignore_errors=True)
    try:
        site.mkdir(parents=True)
        downloads.mkdir()
    except OSError as error:
        print(f"error: {out} cannot be made: {error.strerror}", file=sys.stderr)
        print("  next: name a new folder of your own: demo/run FOLDER", file=sys.stderr)
        return 3
    make_archives(site)
    # One archive cannot be fetched: somebody has downloaded it by hand, under a name of the browser's making.
    (site / "floormap.zip").rename(downloads / "download(3).bin")
    with servers.world(site) as bases:
        manifest = write_manifest(site, bases)
        cache = ("--cache", out / "cache")
        codes = [
            discprep("check", manifest),
            discprep("prepare", manifest, "--out", out / "disc", "--look-in", downloads, *cache),
            discprep("plan", manifest, *cache),
            discprep("readback", out / "disc" / "record.json", next((out / "disc").glob("*.iso"), out)),
            discprep("estimate", manifest),
            discprep("status", manifest, *cache),
        ]
    if any(codes):
        print(f"\nThe demonstration failed: exit codes {codes}", file=sys.stderr)
        return 1
    print(f"\nThe disc image, its record and the bench sheet stand in {shown(out / 'disc')}.")
    return 0


if __name__ == "__main__":
    sys.exit(main())

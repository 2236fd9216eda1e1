"""The main job on 25 real archives (15 LHA, 5 ZIP, 5 tar.gz; 7 MB unpacked, 1,450 files; tests/bench has 90 of 131 MB).

What lhasa, unzip and tar extract is the judge of every file on the image, other ISO readers are the image's.
"""

from __future__ import annotations

import hashlib
import importlib.util
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from support.command import run
from support.disc_readers import all_accept
from support.programs import program

ROOT = Path(__file__).resolve().parent


def collection():  # type: ignore[no-untyped-def]
    """The benchmark's maker of archives."""
    spec = importlib.util.spec_from_file_location("collection", ROOT / "bench" / "collection.py")
    assert spec and spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, Path]]:
    """The folder of archives with its manifest, served on loopback by Python's own server; and the built disc."""
    for name in ("jlha", "lhasa", "zip", "unzip", "tar"):
        program(name, {"jlha": "jlha-utils"}.get(name, name))
    folder = tmp_path_factory.mktemp("all")
    server = subprocess.Popen(
        [sys.executable, "-u", "-m", "http.server", "0", "--bind", "127.0.0.1", "-d", folder],
        stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
    )  # fmt: skip
    try:
        assert server.stdout
        port = server.stdout.readline().split("port ")[1].split()[0]
        manifest = collection().make(folder, f"http://127.0.0.1:{port}/site", 25, 7_000_000)
        ran = run("prepare", manifest, "--out", folder / "disc", "--cache", folder / "cache", "--json")
        assert ran.code == 0, ran.out
        yield folder, Path(ran.document["discs"][0]["image"])
    finally:
        server.terminate()
        server.communicate()


def by_hand(folder: Path) -> dict[str, str]:
    """Path to SHA-256 of everything that the usual unpackers extract, under the items' folders. lhasa shows names in
    capitals as small letters; all names here are in capitals."""
    tree = folder / "by-hand"
    for archive in sorted((folder / "site").iterdir()):
        target = tree / archive.name.split(".")[0].upper()
        target.mkdir(parents=True)
        if archive.suffix == ".lha":
            command = [program("lhasa"), f"xqw={target}", str(archive)]
        elif archive.suffix == ".zip":
            command = [program("unzip"), "-q", "-d", str(target), str(archive)]
        else:
            command = [program("tar"), "-C", str(target), "-xzf", str(archive)]
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return {name.upper(): value for name, value in hashes(tree).items()}


def hashes(tree: Path) -> dict[str, str]:
    return {
        str(path.relative_to(tree)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in tree.rglob("*")
        if path.is_file()
    }


@pytest.mark.slow
def test_every_file_is_what_the_unpackers_extract(made: tuple[Path, Path], tmp_path: Path) -> None:
    """lhasa, unzip and tar on the archives, bsdtar on the image (its Rock Ridge names): the same paths and bytes."""
    folder, image = made
    subprocess.run([program("bsdtar", "libarchive-tools"), "-xf", image, "-C", tmp_path], check=True)
    found = hashes(tmp_path)
    for path in tmp_path.rglob("*"):
        path.chmod(0o755 if path.is_dir() else 0o644)
    expected = by_hand(folder)
    assert len(expected) == 1450
    lists = {name for name in found if "/" not in name}
    assert {name: value for name, value in found.items() if name not in lists} == expected


@pytest.mark.slow
def test_other_readers_accept_the_image(made: tuple[Path, Path]) -> None:
    """xorriso, iso-info (libcdio), bsdtar (libarchive) and 7z read it whole; so does the checker."""
    folder, image = made
    all_accept(image)
    assert run("inspect", image, "--json").code == 0
    assert run("readback", folder / "disc" / "record.json", image).code == 0


@pytest.mark.slow
def test_the_same_image_again_elsewhere(made: tuple[Path, Path], tmp_path: Path) -> None:
    """Built again in another folder, time zone and hash seed: the same bytes, without the network."""
    folder, image = made
    environment = {**os.environ, "TZ": "Pacific/Auckland", "PYTHONHASHSEED": "4711"}
    words = ["build", folder / "all.toml", "--out", tmp_path / "again", "--cache", folder / "cache"]
    subprocess.run([sys.executable, "-m", "discprep", *map(str, words)], env=environment, cwd=tmp_path, check=True)
    assert (tmp_path / "again" / image.name).read_bytes() == image.read_bytes()
    assert (tmp_path / "again" / "record.json").read_bytes() == (folder / "disc" / "record.json").read_bytes()

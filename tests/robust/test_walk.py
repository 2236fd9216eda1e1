"""A walk as a new user goes it: sixteen archives with long, accented and clashing names, one damaged, one behind a
page, one whose installer overwrites files, for two machines. Run as a script it prints every message, to be read."""

from __future__ import annotations

import gzip
import io
import json
import random
import re
import shutil
import tarfile
from pathlib import Path

import pytest
from support import lha
from support.command import Ran, run
from support.shelf import served
from support.zips import Put, archive

READY = Path(__file__).parents[2] / "manifests" / "machines"
PROFILES = ("catalogue-desk", "map-table")
DAMAGED, PAGE, WIPES = "schaukasten", "fuhrung-2", "netz-1.2"


def _tar_gz(files: dict[str, bytes]) -> bytes:
    made = io.BytesIO()
    with tarfile.open(fileobj=made, mode="w") as packed:
        for name, data in files.items():
            info = tarfile.TarInfo(name)
            info.size = len(data)
            packed.addfile(info, io.BytesIO(data))
    return gzip.compress(made.getvalue(), mtime=0)


def collection(folder: Path) -> None:
    """Sixteen archives of an invented reading room, always the same bytes."""
    noise = random.Random(16)

    def zipped(*names: str) -> bytes:
        return archive(*(Put(n.encode("cp437"), noise.randbytes(noise.randrange(50, 9000))) for n in names))

    def lhaed(*names: str) -> bytes:
        return lha.archive(*(lha.Made(n.encode("latin-1"), noise.randbytes(noise.randrange(50, 9000))) for n in names))

    folder.mkdir()
    hurt = archive(Put(b"VITRINE.TXT", b"glass\n"), Put(b"LAMPE.TXT", b"lamp\n", central={"crc": 1}, local={"crc": 1}))
    files = {
        "Fahrplän Sommer 1994.zip": zipped("Fahrplän.txt", "Linie 1.txt", "Linie-1.txt", "Linie 11.txt"),
        "Fahrplan Sommer 1994.zip": zipped("Fahrplan.txt"),
        "Verzeichnis aller Glocken, Teil 1.lha": lhaed("Verzeichnis der Glocken part 1.text", "BELLS/BELL.DAT"),
        "Verzeichnis aller Glocken, Teil 2.lha": lhaed("Verzeichnis der Glocken part 2.text", "BELLS/BELL2.DAT"),
        "Straßenkarte.tar.gz": _tar_gz({"karte/Straße Nord.txt": b"n\n", "karte/Straße Süd.txt": b"s\n"}),
        "Netz-1.2.lha": lhaed("NET/INSTALL", "NET/STACK"),
        "Leitung.lha": lhaed("LINE/DRIVER"),
        "Holer.zip": zipped("PULL/PULLER"),
        "Auspacker.zip": zipped("UNPACK/UNTIE"),
        "Schaukasten.zip": hurt,
        "Führung 2.zip": zipped("TOUR/a very long name for the second tour.txt"),
        "con.zip": zipped("CON.TXT", "aux", "readme", "README.TXT"),
        "Katalog A-F.zip": zipped("Katalog A.txt", "Katalog B.txt", "KATALOG_A.TXT"),
        "Katalog G-Z.zip": zipped("Katalog G.txt"),
        "Öffnungszeiten.txt": "täglich\n".encode("latin-1"),
        "x.tar.gz": _tar_gz({"x": b"x", "X": b"X", "y/z": b"z"}),
    }
    assert len(files) == 16
    for name, data in files.items():
        (folder / name).write_bytes(data)


def start(folder: Path, profile: str) -> Path:
    """`new --from`, then what a person writes: the page in place of a source, roles, the installer's step."""
    collection(folder / "files")
    shutil.copy(READY / f"{profile}.toml", folder / "machine.toml")
    path = folder / "first.toml"
    made = run("new", path, "--from", folder / "files", "--profile", folder / "machine.toml", "--baud", "9600")
    assert made.code == 0, made.err
    text = path.read_text()
    roles = {"auspacker": "unpack-lha", WIPES: "ip-stack", "leitung": "serial-driver", "holer": "fetcher"}
    for n, item in enumerate(re.findall(r'id      = "(.*?)"', text)):
        gives = f'["{roles[item]}"]' if item in roles else "[]"
        head, table, rest = text.partition(f'id      = "{item}"\n')
        text = head + table + rest.replace("gives   = []", f"gives   = {gives}\nto = 'D{n}'", 1)
    table = re.search(rf'id      = "{PAGE}"\n(?:.*\n)*?sha256.*\n', text)
    assert table
    text = text.replace(table[0], f'id      = "{PAGE}"\ntitle = "Führung 2"\npage = "http://files.example/"\n')
    volume = re.search(r'\[\[volume\]\]\s*\npath\s*=\s*"(.*?)"', (folder / "machine.toml").read_text())
    assert volume
    text += f'\n[[step]]\nwhere = "machine"\nafter = ["{WIPES}"]\ntext = "Run the installer."\n'
    text += f'wipes = ["{volume[1]}NET.CFG"]\n'
    path.write_text(text)
    (folder / "downloads").mkdir()
    (folder / "files" / "Führung 2.zip").rename(folder / "downloads" / "tour(1).zip")
    return path


@pytest.fixture(params=PROFILES)
def walk(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    return start(tmp_path, request.param)


def called(command: str, path: Path, *words: object) -> Ran:
    return run(command, path, *words, *(() if command == "check" else ("--cache", path.parent / "cache")))


def test_the_walk(walk: Path) -> None:
    folder, out = walk.parent, walk.parent / "out"
    said: list[tuple[str, Ran]] = []

    def go(command: str, *words: object) -> Ran:
        ran = called(command, walk, *words)
        said.append((command, ran))
        if __name__ == "__main__":
            print(f"$ discprep {command} → {ran.code}\n{ran.out}{ran.err}")
        return ran

    assert go("check").code == 0 and "\n  sizes     97.6 KB, and 1 item whose" in said[-1][1].out
    assert go("fetch").code == 1
    first = go("fetch", "--look-in", folder / "downloads")
    line = re.search(r'sha256 = "\w+"', first.err)
    assert line and "tour(1).zip" in first.err
    walk.write_text(walk.read_text().replace(f'id      = "{PAGE}"', f'id      = "{PAGE}"\n{line[0]}'))
    assert go("fetch", "--look-in", folder / "downloads").code == 0
    assert go("verify").code == 1 and "LAMPE.TXT: expected crc32" in said[-1][1].err
    assert go("plan").code == 0 and go("prepare", "--out", out).code == 0
    record = json.loads((out / "record.json").read_text())
    on_disc = {file["item"] for file in record["files"]}
    assert DAMAGED not in on_disc and {WIPES, PAGE} <= on_disc
    for tree in ("iso", "target"):
        names = ["/".join(file[tree]).casefold() for file in record["files"] if file["sha256"] and file[tree]]
        assert len(set(names)) == len(names)
    assert go("status").code == 0 and "shows what is damaged" in said[-1][1].out and "readback" in said[-1][1].out
    with served(walk, folder / "cache", whole=True) as shelf:
        assert DAMAGED not in {item["id"] for item in shelf.listening["items"]}
    for command, ran in said:
        told = ran.out + ran.err
        assert "Traceback" not in told and "fault of discprep" not in told, (command, told)
        assert "every one verified" not in told and "[item]" not in told, (command, told)
        assert "1 files" not in told and "1 items" not in told, (command, told)
    for command, heads in (("fetch", "  verz"), ("verify", "verz"), ("status", "verz")):  # two that differ at their end
        told = next(ran.out for name, ran in said if name == command)
        assert len({line.split()[0] for line in told.splitlines() if line.startswith(heads)}) == 2, told
    names = next(ran.out for name, ran in said if name == "verify")
    full = "rock-ridge" in said[0][1].out  # what the machine reads there is told, not what stands beside it
    assert "-> machine " in names and ("-> disc D" in names) != full
    leave = re.search(r"leave = \[.*?\]", said[5][1].err)
    assert leave
    walk.write_text(walk.read_text().replace(f'id      = "{DAMAGED}"', f'id      = "{DAMAGED}"\n{leave[0]}'))
    assert go("verify").code == 0 and go("prepare", "--out", out).code == 0
    assert DAMAGED in {file["item"] for file in json.loads((out / "record.json").read_text())["files"]}


if __name__ == "__main__":
    import sys

    for name in PROFILES:
        (Path(sys.argv[1]) / name).mkdir(parents=True)
        test_the_walk(start(Path(sys.argv[1]) / name, name))

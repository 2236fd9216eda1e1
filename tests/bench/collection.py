"""A collection of archives with a fixed seed: 54 -lh5- LHA, 18 ZIP, 18 tar.gz; 74 MB packed, 131 MB unpacked,
5,200 files; made with jlha, zip and tar, with a manifest that names them all.

    .venv/bin/python tests/bench/collection.py FOLDER
"""

from __future__ import annotations

import hashlib
import os
import random
import shutil
import subprocess
import sys
from pathlib import Path

FILES, ARCHIVES = 5_200, 90
UNPACKED_BYTES = 131_000_000
RANDOM_SHARE = 0.18  # of the bytes; sets the ratio to what old software has
WHEN = 1_000_000_000


def kind_of(index: int) -> str:
    """Three LHA, one ZIP, one tar.gz in turn."""
    return ("lha", "lha", "lha", "zip", "tar.gz")[index % 5]


def make_tree(folder: Path, source: random.Random, text: bytes, noise: bytes, files: int, most: int) -> None:
    """Files of 1 KB to `most` bytes in a few folders, part words, part noise; names that fit 8.3."""
    for number in range(files):
        place = folder / f"DIR{number // 20}"
        place.mkdir(parents=True, exist_ok=True)
        size = source.randint(1_000, most)
        cut = int(size * (1 - RANDOM_SHARE))
        at, other = source.randrange(len(text) - cut), source.randrange(len(noise) - size)
        path = place / f"F{number:05d}.{source.choice(('TXT', 'DAT', 'EXE', 'DOC'))}"
        path.write_bytes(text[at : at + cut] + noise[other : other + size - cut])
        os.utime(path, (WHEN + number, WHEN + number))


def pack(tree: Path, archive: Path) -> None:
    names = sorted(entry.name for entry in tree.iterdir())
    if archive.name.endswith(".lha"):
        command = ["jlha", "-c2o5q", str(archive), *names]
    elif archive.suffix == ".zip":
        command = ["zip", "-q", "-r", "-X", str(archive), *names]
    else:
        command = ["tar", "--sort=name", "--owner=0", "--group=0", "-czf", str(archive), *names]
    subprocess.run(command, cwd=tree, check=True, stdout=subprocess.DEVNULL)


def make(folder: Path, base_url: str = "http://127.0.0.1:8765", archives: int = ARCHIVES,
         unpacked_bytes: int = UNPACKED_BYTES) -> Path:  # fmt: skip
    """Makes `folder/site/*` and `folder/all.toml` once; returns the manifest. Each archive has as many files."""
    site, manifest = folder / "site", folder / "all.toml"
    if not manifest.exists():
        make_site(folder, site, archives, unpacked_bytes)
    items = [item(path, base_url) for path in sorted(site.iterdir())]
    (folder / "machine.toml").write_text(
        'name = "Bench machine"\n[disc]\nname_rules = ["iso-level-2", "joliet", "rock-ridge"]\n'
    )
    manifest.write_text(HEAD + "\n".join(items))
    return manifest


def make_site(folder: Path, site: Path, archives: int, unpacked_bytes: int) -> None:
    source = random.Random(90)
    words = [bytes(source.choices(b"etaoinshrdlucmfw", k=source.randint(2, 9))) for _ in range(1_200)]
    text = b" ".join(source.choices(words, k=900_000))
    noise = source.randbytes(8_000_000)
    site.mkdir(parents=True)
    for index in range(archives):
        tree = folder / "tree"
        count = FILES // ARCHIVES + (index < FILES % ARCHIVES)
        make_tree(tree, source, text, noise, count, 2 * unpacked_bytes // (FILES * archives // ARCHIVES) - 1_000)
        pack(tree, site / f"pack{index:02d}.{kind_of(index)}")
        shutil.rmtree(tree)


HEAD = """format = 1
title  = "Everything"
bring_up = []

[machine]
profile = "machine.toml"

[medium]
kind = "cd-74"

"""


def item(path: Path, base_url: str) -> str:
    data = path.read_bytes()
    name = path.name.split(".")[0]
    return (
        f'[[item]]\nid = "{name}"\nsources = ["{base_url}/{path.name}"]\nsize = {len(data)}\n'
        f'sha256 = "{hashlib.sha256(data).hexdigest()}"\nto = "{name.upper()}"\nplace = "burn"\nform = "unpacked"\n'
    )


if __name__ == "__main__":
    target = Path(sys.argv[1])
    print(make(target))
    total = sum(path.stat().st_size for path in (target / "site").iterdir())
    print(f"{total / 1e6:.1f} MB packed")

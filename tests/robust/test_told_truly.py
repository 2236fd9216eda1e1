"""Small truths: what a thing is, in which units, whose member, and never more than there is."""

from __future__ import annotations

import binascii
import io
import struct
import tarfile
import zipfile
from pathlib import Path
from urllib.request import urlopen

import pytest
from support.command import Ran, run
from support.shelf import served
from support.zips import Put, archive

from discprep.model import Silent

PROFILE = (
    'format = 1\nname = "desk"\nmemory = "8 MiB"\n[disc]\nname_rules = "iso-level-2"\n[[volume]]\npath = "C:"\n'
    'free = "80 MB"\n'
)
HEAD = 'format = 1\nbring_up = []\n[machine]\nprofile = "desk.toml"\n[medium]\nkind = "cd-74"\n'
LINK = "[link]\nrate = 9600\nmtu = 576\n"


def recipe(folder: Path, items: str, link: str = LINK) -> Path:
    (folder / "desk.toml").write_text(PROFILE)
    path = folder / "first.toml"
    path.write_text(HEAD + link + items)
    return path


def called(command: str, path: Path, *words: object) -> Ran:
    return run(command, path, *words, "--cache", path.parent / "cache")


def linked_tar(order: str) -> bytes:
    """A tar by Python's own packer with a file, a hard link to it, and a symbolic one."""
    made = io.BytesIO()
    with tarfile.open(fileobj=made, mode="w", format=tarfile.USTAR_FORMAT) as packed:
        file, hard, soft = tarfile.TarInfo("map.txt"), tarfile.TarInfo("again.txt"), tarfile.TarInfo("soft.txt")
        file.size = 9
        hard.type, hard.linkname = tarfile.LNKTYPE, "map.txt"
        soft.type, soft.linkname = tarfile.SYMTYPE, "map.txt"
        for letter in order:
            info = {"f": file, "h": hard, "s": soft}[letter]
            packed.addfile(info, io.BytesIO(b"the map!\n") if info is file else None)
    return made.getvalue()


def test_a_hard_link_is_a_file(tmp_path: Path) -> None:
    """It comes out as tar itself would make it; a symbolic one is left out, and each member is named."""
    (tmp_path / "maps.tar").write_bytes(linked_tar("fhs"))
    assert run("unpack", tmp_path / "maps.tar", tmp_path / "out").code in (0, 1)
    assert (tmp_path / "out" / "again.txt").read_bytes() == b"the map!\n"
    path = recipe(tmp_path, '[[item]]\nid = "maps"\nsources = ["maps.tar"]\n')
    ran = called("prepare", path, "--out", tmp_path / "disc")
    assert ran.code == 0 and "soft.txt: [maps]" in ran.err and "again.txt" not in ran.err, ran.err


def test_a_hard_link_to_nothing(tmp_path: Path) -> None:
    """What it stands for comes after it or never: no program could make it."""
    (tmp_path / "maps.tar").write_bytes(linked_tar("hf"))
    ran = run("inspect", tmp_path / "maps.tar", "--json")
    assert ran.code == 1 and "does not stand before it" in ran.out


def test_an_encoded_file_is_told_as_what_it_is(tmp_path: Path) -> None:
    """The line of RFC 1741; a header of 128 bytes in front of two forks."""
    text = b"(This file must be converted with BinHex 4.0)\n\n:" + binascii.b2a_base64(b"x" * 90)
    forks = bytearray(128 + 256 + 128)
    forks[1:8] = bytes([6]) + b"bulletin"[:6]
    struct.pack_into(">II", forks, 83, 200, 100)
    (tmp_path / "a.hqx").write_bytes(text)
    (tmp_path / "b.bin").write_bytes(bytes(forks))
    (tmp_path / "c.txt").write_bytes(b"(This file must be read aloud)")
    files = ("a.hqx", "b.bin", "c.txt")
    path = recipe(tmp_path, "".join(f'[[item]]\nid = "{n[0]}"\nsources = ["{n}"]\n' for n in files))
    called("fetch", path)
    told = {n["item"]: n["message"] for n in called("verify", path, "--json").document["notices"]}
    assert "RFC 1741" in told["a"] and "128-byte header" in told["b"] and "c" not in told


def test_memory_in_the_units_it_is_sold_in(tmp_path: Path) -> None:
    (tmp_path / "a.zip").write_bytes(archive(Put(b"A", b"a")))
    path = recipe(tmp_path, '[[item]]\nid = "a"\nsources = ["a.zip"]\n')
    assert called("prepare", path, "--out", tmp_path / "disc").code == 0
    pages = b"".join(file.read_bytes() for file in (tmp_path / "disc").glob("*.txt"))
    assert b"as told: 8 MB" in pages and b"8.39" not in pages


@pytest.mark.parametrize("place", ["burn", "later"])
def test_without_a_link_nothing_is_over_it(place: str, tmp_path: Path) -> None:
    (tmp_path / "a.zip").write_bytes(archive(Put(b"A", b"a")))
    path = recipe(tmp_path, f'[[item]]\nid = "a"\nsources = ["a.zip"]\nplace = "{place}"\n', link="")
    called("fetch", path)
    told = called("plan", path)
    assert told.code in (0, 2) and "over the link" not in told.out and "0.00 s" not in told.out


class Counting(Silent):
    """Adds up what each piece of work was said to have done."""

    def __init__(self) -> None:
        self.totals: dict[str, int | None] = {}
        self.done: dict[str, int] = {}

    def begin(self, key: str, label: str, total: int | None, unit: str = "B") -> None:
        self.totals[key], self.done[key] = total, 0

    def advance(self, key: str, amount: int) -> None:
        self.done[key] = self.done.get(key, 0) + amount


def test_no_more_is_sent_than_there_is(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The reply's head is no part of the file: what is told of a small one ends at its size."""
    counting = Counting()
    monkeypatch.setattr("support.shelf.Silent", lambda: counting)
    (tmp_path / "a.zip").write_bytes(archive(Put(b"A", b"a" * 2000)))
    path = recipe(tmp_path, '[[item]]\nid = "a"\nsources = ["a.zip"]\nplace = "later"\n')
    called("fetch", path)
    with served(path, tmp_path / "cache") as shelf:
        (offer,) = shelf.listening["items"]
        with urlopen(shelf.listening["addresses"][0]["url"] + offer["files"][0], timeout=30) as reply:
            assert len(reply.read()) == offer["size_bytes"]
    sent = [key for key, total in counting.totals.items() if total == offer["size_bytes"] and counting.done[key]]
    assert sent and all(counting.done[key] == counting.totals[key] for key in sent)


@pytest.mark.parametrize("why", ["edited", "no unpacker"])
def test_a_reason_is_the_true_one(why: str, tmp_path: Path) -> None:
    """An unpacker on the disc helps where none is there, and not where edits take the archive apart."""
    (tmp_path / "a.zip").write_bytes(archive(*(Put(b"A%d.TXT" % n, b"words\n" * 900, method=8) for n in range(3))))
    (tmp_path / "unzip.zip").write_bytes(archive(Put(b"UNZIP", b"u")))
    gives = '"unpack-zip"' if why == "edited" else ""
    path = recipe(
        tmp_path,
        f'[[item]]\nid = "tool"\nsources = ["unzip.zip"]\nplace = "burn"\ngives = [{gives}]\n'
        '[[item]]\nid = "a"\nsources = ["a.zip"]\nplace = "later"\n'
        + ('text = ["*.TXT"]\n' if why == "edited" else ""),
    )
    called("fetch", path)
    shapes = ("unpacked",) if why == "edited" else ()
    with served(path, tmp_path / "cache") as shelf:
        told = [n for n in shelf.listening["notices"] if "goes over the line as" in n["message"]]
    if why == "edited":
        assert not told or ("text form" in told[0]["message"] and "unpacker" not in told[0]["hint"]), shapes
    else:
        (one,) = told
        assert "nothing gives the machine unpack-zip" in one["message"] and "unpacker" in one["hint"]


@pytest.mark.parametrize(
    ("key", "names"),
    [
        ('leave = ["*.BAK"]', {"BELLS/BELL.TXT", "BELLS/TUNE.TXT"}),
        ('only = ["*/BELL.TXT"]', {"BELLS/BELL.TXT"}),
        ("strip = 1", {"BELL.TXT", "TUNE.TXT", "TUNE.BAK"}),
        ('rename = { "BELLS/TUNE.TXT" = "SONG.TXT" }', {"BELLS/BELL.TXT", "SONG.TXT", "BELLS/TUNE.BAK"}),
    ],
)
def test_what_is_left_out_does_not_arrive(key: str, names: set[str], tmp_path: Path) -> None:
    """Over the link too: the archive is packed anew, as the plan says, and Python's own unpacker finds what was wanted.
    Who asks for the archive as it is hears what that brings."""
    files = ("BELLS/BELL.TXT", "BELLS/TUNE.TXT", "BELLS/TUNE.BAK")
    (tmp_path / "bells.zip").write_bytes(archive(*(Put(name.encode(), name.encode() * 9) for name in files)))
    (tmp_path / "tool.zip").write_bytes(archive(Put(b"UNZIP", b"u")))
    path = recipe(
        tmp_path,
        f'[[item]]\nid = "bells"\nsources = ["bells.zip"]\nplace = "later"\n{key}\n'
        '[[item]]\nid = "tool"\nsources = ["tool.zip"]\nplace = "burn"\ngives = ["unpack-zip"]\n',
    )
    called("fetch", path)
    (bells,) = [item for item in called("plan", path, "--json").document["items"] if item["id"] == "bells"]
    with served(path, tmp_path / "cache") as shelf:
        (offer,) = shelf.listening["items"]
        sent = shelf.get(offer["files"][0])
    assert {*zipfile.ZipFile(io.BytesIO(sent)).namelist()} == names
    crosses = bells["pulled"]["shape"], bells["pulled"]["size_bytes"]
    assert crosses == (offer["shape"], len(sent)) == ("zip", len(sent))
    with served(path, tmp_path / "cache", shapes=("bells=archive",)) as shelf:
        told = [notice["message"] for notice in shelf.listening["notices"] if notice["item"] == "bells"]
    assert any(f"without its {key.split()[0]}" in words for words in told), told

"""What comes by hand or by `add`: looked into before it counts, told truly, and taken by the line that is printed."""

from __future__ import annotations

import re
import shutil
import tomllib
from pathlib import Path

import pytest
from support.command import Ran, run
from support.fault_server import FaultServer
from support.zips import Put, archive

from discprep.cli import new as cli_new

PROFILE = 'format = 1\nname = "desk"\n[disc]\nname_rules = "iso-level-2"\n'
HEAD = 'format = 1\nbring_up = []\n[machine]\nprofile = "desk.toml"\n[medium]\nkind = "cd-74"\n'
SOUND = archive(Put(b"READ.ME", b"read me\n" * 9))
HURT = archive(Put(b"READ.ME", b"read me\n" * 9, central={"crc": 1}, local={"crc": 1}))
READY = Path(__file__).parents[2] / "manifests"


def manifest(folder: Path, items: str = "") -> Path:
    (folder / "desk.toml").write_text(PROFILE)
    path = folder / "first.toml"
    path.write_text(HEAD + items)
    return path


def called(command: str, path: Path, *words: object) -> Ran:
    return run(command, path, *words, "--cache", path.parent / "cache")


def paste(path: Path, ran: Ran) -> None:
    """Does what the hints say: the first `sha256 = …` (and size) for each item goes into its table."""
    text = path.read_text()
    done = set()
    for notice in ran.document["notices"]:
        lines = re.findall(r'(sha256 = "[0-9a-f]{64}"|size = \d+)', notice.get("hint", ""))
        head, table, rest = text.partition(f'id      = "{notice.get("item")}"\n')
        if not lines or not table or notice["item"] in done:
            continue
        done.add(notice["item"])
        own, following, others = rest.partition("[[")
        for line in lines:
            own = re.sub(rf"(?m)^{line.split()[0]}\s*=.*\n", "", own)
        text = head + table + "\n".join(lines) + "\n" + own + following + others
    path.write_text(text)


def test_a_page_and_no_hash(tmp_path: Path) -> None:
    """No source, no hash: the files that could be it are told with the very line, which then settles it."""
    path = manifest(tmp_path, '[[item]]\nid      = "floor-map"\npage = "http://files.example/"\n')
    downloads = tmp_path / "downloads"
    downloads.mkdir()
    (downloads / "FloorMap_v2 (1).zip").write_bytes(SOUND)
    (downloads / "letter.txt").write_text("nothing of that kind")
    ran = called("fetch", path, "--look-in", downloads, "--json")
    assert ran.code == 1
    (notice,) = [n for n in ran.document["notices"] if "could be it" in n["message"]]
    assert "FloorMap_v2" in notice["message"] and "zip" in notice["message"] and "name is alike" in notice["message"]
    paste(path, ran)
    assert called("fetch", path, "--look-in", downloads).code == 0
    assert called("verify", path).code == 0


def test_the_ready_manifests_work_that_way(tmp_path: Path) -> None:
    """Their hosts are placeholders, so every archive comes by hand, and with other sizes than the placeholders say."""
    shutil.copytree(READY, tmp_path / "manifests")
    path = tmp_path / "manifests" / "map-table.toml"
    downloads = tmp_path / "downloads"
    downloads.mkdir()
    for number, name in enumerate(("linedrv.lzh", "iptools.lha", "puller.zip", "untie.zip", "catalog.zip")):
        (downloads / name).write_bytes(archive(Put(b"READ.ME", bytes(40 + number))))
    (downloads / "floormap.zip").write_bytes(SOUND)
    for name in ("map-table.toml", "common/network.toml"):
        file = tmp_path / "manifests" / name
        file.write_text(re.sub(r'"\w+://[^"]*/(\w+\.\w+)"', r'"gone/\1"', file.read_text()))
    ran = called("fetch", path, "--look-in", downloads, "--json")
    assert {n["item"] for n in ran.document["notices"] if "sha256 = " in n.get("hint", "")} >= {"floor-map", "untie"}
    paste(path, ran)
    paste(tmp_path / "manifests" / "common" / "network.toml", ran)
    again = called("fetch", path, "--look-in", downloads)
    assert again.code == 0, again.err


def test_fetch_tells_bytes_from_archives(tmp_path: Path) -> None:
    """As pinned is not whole: a damaged archive is told once it was looked into, and nothing is praised before."""
    path = manifest(tmp_path, '[[item]]\nid = "a"\nsources = ["a.zip"]\n[[item]]\nid = "b"\nsources = ["b.zip"]\n')
    nothing = called("fetch", path)
    assert "None of 2 items at hand" in nothing.out and "verified" not in nothing.out
    (tmp_path / "a.zip").write_bytes(SOUND)
    (tmp_path / "b.zip").write_bytes(HURT)
    first = called("fetch", path)
    assert first.code == 0 and "2 not looked into yet" in first.out and "bytes as pinned" in first.out
    assert called("verify", path).code == 1
    after = called("fetch", path, "--json").document
    assert {item["id"]: item["inside"] for item in after["items"]} == {"a": "whole", "b": "damaged"}
    assert "DAMAGED inside: b" in called("fetch", path).out


@pytest.mark.parametrize(
    ("name", "data", "said"),
    [
        ("hurt.zip", HURT, "expected crc32"),
        ("cut.zip", SOUND[:-30], "end"),
        ("none.zip", b"words, words, words", "named as an archive, but is none"),
    ],
)
def test_add_looks_inside(name: str, data: bytes, said: str, tmp_path: Path) -> None:
    path = manifest(tmp_path)
    before = path.read_bytes()
    (tmp_path / name).write_bytes(data)
    ran = run("add", path, tmp_path / name, "--cache", tmp_path / "cache")
    assert ran.code == 1 and said in ran.err and path.read_bytes() == before
    assert "--take-damaged" in ran.err
    assert run("add", path, tmp_path / name, "--take-damaged", "--cache", tmp_path / "cache").code == 0
    assert tomllib.loads(path.read_text())["item"][0]["take_damaged"] is True
    assert called("verify", path).code == 0


def test_add_says_that_a_file_is_one(tmp_path: Path) -> None:
    path = manifest(tmp_path)
    (tmp_path / "read.txt").write_text("words")
    ran = run("add", path, tmp_path / "read.txt", "--cache", tmp_path / "cache")
    assert ran.code == 0 and "it is no archive" in ran.err


def test_a_page_does_not_become_an_item(tmp_path: Path) -> None:
    path = manifest(tmp_path)
    with FaultServer(files={"/": SOUND}) as server:
        ran = run("add", path, server.url("/"), "--cache", tmp_path / "cache")
        assert ran.code == 2 and "names no file" in ran.err
        assert run("add", path, server.url("/"), "--id", "maps", "--cache", tmp_path / "cache").code == 0
    assert [item["id"] for item in tomllib.loads(path.read_text())["item"]] == ["maps"]


def test_add_asks_only_for_what_was_not_said(tmp_path: Path) -> None:
    path = manifest(tmp_path)
    (tmp_path / "a.zip").write_bytes(SOUND)
    (tmp_path / "b.zip").write_bytes(archive(Put(b"B", b"b")))
    cache = ("--cache", tmp_path / "cache")
    said = run("add", path, tmp_path / "a.zip", "--gives", "editor", "--needs", "editor", "--to", "TOOLS", *cache).out
    assert "say in" not in said and "next: discprep check" in said
    assert "what they need and where they go" in run("add", path, tmp_path / "b.zip", "--gives", "browser", *cache).out


def test_new_asks_nothing_when_it_is_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = manifest(tmp_path)
    monkeypatch.setattr(cli_new, "_ask", lambda *a: pytest.fail("asked"))
    monkeypatch.setattr("sys.stdin", _Terminal())
    monkeypatch.setattr("discprep.cli.new.sys.stderr.isatty", lambda: True, raising=False)
    ran = run("new", path)
    assert ran.code == 2 and "is there already" in ran.err


class _Terminal:
    def isatty(self) -> bool:
        return True


def test_a_page_that_was_saved_in_the_place_of_a_file(tmp_path: Path) -> None:
    """No server is blamed for what lies on this computer, and the path is not what is wrong."""
    path = manifest(tmp_path)
    (tmp_path / "maps.zip").write_text("<!DOCTYPE html><html><body>moved</body></html>")
    (tmp_path / "void.zip").write_bytes(b"")
    for name, words in (("maps", "a web page came instead of the file"), ("void", "nothing came: a file of 0 bytes")):
        ran = called("add", path, tmp_path / f"{name}.zip")
        assert ran.code == 1 and words in ran.err and "next: Get the file itself once more, and add that." in ran.err

"""A damaged archive: what is left out hurts nothing, what is damaged goes nowhere, and who wants it anyway says so."""

from __future__ import annotations

import io
import json
import re
import tarfile
from pathlib import Path

import pytest
from support import lha
from support.command import run
from support.shelf import served
from support.zips import Put, archive

PROFILE = 'format = 1\nname = "desk"\n[disc]\nname_rules = "iso-level-2"\n[[volume]]\npath = "C:"\nfree = "100 MB"\n'
HEAD = (
    'format = 1\ntitle = "Reading room"\nbring_up = []\n[machine]\nprofile = "desk.toml"\n'
    '[medium]\nkind = "cd-74"\n[link]\nrate = 9600\nmtu = 576\n'
)
GOOD, BAD = b"opening hours\n" * 40, b"shelf marks\n" * 40


def hurt(kind: str) -> bytes:
    """An archive of two members whose second does not read: its stored checksum is another's (APPNOTE 4.4.7)."""
    if kind == "lha":
        return lha.archive(lha.Made(b"HOURS.TXT", GOOD), lha.Made(b"MARKS.TXT", BAD, crc=1))
    method = {"stored": 0, "deflate": 8}[kind]
    bad = Put(b"MARKS.TXT", BAD, method, central={"crc": 1}, local={"crc": 1})
    return archive(Put(b"HOURS.TXT", GOOD, method), bad)


def recipe(folder: Path, kind: str, more: str = "") -> Path:
    (folder / "desk.toml").write_text(PROFILE)
    name = "rooms.lha" if kind == "lha" else "rooms.zip"
    (folder / name).write_bytes(hurt(kind))
    (folder / "sound.zip").write_bytes(archive(Put(b"READ.ME", b"read\n")))
    path = folder / "first.toml"
    path.write_text(
        f'{HEAD}[[item]]\nid = "rooms"\nsources = ["{name}"]\n{more}\n[[item]]\nid = "sound"\nsources = ["sound.zip"]\n'
    )
    return path


def called(command: str, path: Path, *words: object):
    return run(command, path, *words, "--cache", path.parent / "cache")


@pytest.mark.parametrize("kind", ["stored", "deflate", "lha"])
@pytest.mark.parametrize("said", ['leave = ["MARKS.TXT"]', 'only = ["HOURS.TXT"]'])
def test_a_damaged_member_that_is_left_out(kind: str, said: str, tmp_path: Path) -> None:
    path = recipe(tmp_path, kind, said)
    called("fetch", path)
    checked = called("verify", path)
    assert checked.code == 0, checked.err
    built = called("prepare", path, "--out", tmp_path / "out")
    assert built.code == 0, built.err
    assert {item["id"]: item["state"] for item in called("status", path, "--json").document["items"]} == {
        "rooms": "verified",
        "sound": "verified",
    }
    names = {file["member"] for file in record(tmp_path)["files"] if file["item"] == "rooms"}
    assert names == {"HOURS.TXT"}


def record(folder: Path) -> dict:
    found: dict = json.loads((folder / "out" / "record.json").read_text())
    return found


@pytest.mark.parametrize("kind", ["stored", "deflate", "lha"])
def test_a_damaged_archive_goes_nowhere(kind: str, tmp_path: Path) -> None:
    """Not on the disc, not on the shelf, not in the plan; every face says so, and the others go their way."""
    path = recipe(tmp_path, kind)
    called("fetch", path)
    plan = called("plan", path, "--json").document
    assert [item["id"] for item in plan["items"]] == ["sound"] and plan["order"] in ([], ["sound"])
    assert [notice["item"] for notice in plan["notices"] if "damaged" in notice["message"]] == ["rooms"]
    built = called("prepare", path, "--out", tmp_path / "out", "--json")
    assert built.code == 0 and any("damaged" in notice["message"] for notice in built.document["notices"])
    assert {file["item"] for file in record(tmp_path)["files"]} == {"", "sound"}
    with served(path, tmp_path / "cache", whole=True) as shelf:
        assert [item["id"] for item in shelf.listening["items"]] == ["sound"]
        assert any(notice["item"] == "rooms" for notice in shelf.listening["notices"])
    (told,) = [item for item in called("status", path, "--json").document["items"] if item["id"] == "rooms"]
    assert told["state"] == "damaged" and "verify" in told["next"]


def test_who_wants_it_anyway(tmp_path: Path) -> None:
    """`take_damaged` takes what reads, and hands the archive out as it is where that is how it goes."""
    path = recipe(tmp_path, "stored", "take_damaged = true")
    called("fetch", path)
    assert called("verify", path).code == 0
    assert called("prepare", path, "--out", tmp_path / "out").code == 0
    assert {file["member"] for file in record(tmp_path)["files"] if file["item"] == "rooms"} == {"HOURS.TXT"}
    with served(path, tmp_path / "cache", whole=True, shapes=("rooms=archive",)) as shelf:
        (offer,) = [item for item in shelf.listening["items"] if item["id"] == "rooms"]
        assert shelf.get(offer["files"][0]) == hurt("stored")


def test_packed_it_takes_all_of_the_archive(tmp_path: Path) -> None:
    """An archive that goes on the disc packed would carry the member that is left out: refused, with the form that
    helps; and the hint that leaves a damaged member out names the form where it must."""
    path = recipe(tmp_path, "stored", 'form = "packed"')
    called("fetch", path)
    assert 'leave = ["MARKS.TXT"] and form = "unpacked"' in called("verify", path).err
    path.write_text(path.read_text().replace('form = "packed"', 'form = "packed"\nleave = ["MARKS.TXT"]'))
    checked = run("check", path)
    assert checked.code == 2 and "where leave cannot reach" in checked.err and 'form = "unpacked"' in checked.err


def test_an_archive_with_what_was_left_out_is_not_handed_out(tmp_path: Path) -> None:
    """Asked for as it is, it would bring the damaged member: the shelf refuses, and without that packs anew."""
    path = recipe(tmp_path, "stored", 'leave = ["MARKS.TXT"]\nplace = "later"')
    called("fetch", path)
    with served(path, tmp_path / "cache", shapes=("rooms=archive",)) as shelf:
        (offer,) = [item for item in shelf.listening["items"] if item["id"] == "rooms"]
        assert offer["state"] == "failed" and "damaged" in offer["why"]
    with served(path, tmp_path / "cache") as shelf:
        (offer,) = [item for item in shelf.listening["items"] if item["id"] == "rooms"]
        assert offer["shape"] == "unpacked" and offer["state"] == "ready"


def test_the_estimate_counts_what_is_handed_over(tmp_path: Path) -> None:
    """Nothing damaged: its seconds are not in the sum, and it says so; whole again, they are."""
    path = recipe(tmp_path, "stored")
    called("fetch", path)
    told = called("estimate", path, "--json").document
    assert [item["id"] for item in told["items"]] == ["sound"]
    assert any(notice["item"] == "rooms" and "damaged" in notice["message"] for notice in told["notices"])
    path.write_text(path.read_text().replace('id = "rooms"', 'id = "rooms"\nleave = ["MARKS.TXT"]'))
    whole = called("estimate", path, "--json").document
    assert [item["id"] for item in whole["items"]] == ["rooms", "sound"]
    assert told["seconds"]["expected"] < whole["seconds"]["expected"]


def test_what_is_damaged_inside_of_an_archive_inside(tmp_path: Path) -> None:
    """`status` knows it once `verify` has seen it, and the hint's line mends it."""
    path = recipe(tmp_path, "stored", "nested = 1")
    (tmp_path / "rooms.zip").write_bytes(archive(Put(b"INNER.ZIP", hurt("stored")), Put(b"NOTE.TXT", GOOD)))
    called("fetch", path)
    states = {item["id"]: item["state"] for item in called("status", path, "--json").document["items"]}
    checked = called("verify", path)
    assert checked.code == 1 and states["rooms"] == "fetched"
    assert states["sound"] == "fetched" and "shows what is damaged" in called("status", path).out
    found = re.search(r"leave = \[.*?\]", checked.err)
    assert found
    path.write_text(path.read_text().replace("nested = 1", f"nested = 1\n{found[0]}"))
    assert called("verify", path).code == 0
    states = {item["id"]: item["state"] for item in called("status", path, "--json").document["items"]}
    assert states["rooms"] == "verified"


def test_leaving_a_member_out_is_no_way_where_the_archive_is_cut(tmp_path: Path) -> None:
    """Its end is missing whatever is taken of it: no hint says otherwise, and the way that is told helps."""
    path = recipe(tmp_path, "stored")
    with tarfile.open(tmp_path / "rooms.tar", "w") as tar:
        for name, data in (("HOURS.TXT", GOOD), ("MARKS.TXT", BAD)):
            header = tarfile.TarInfo(name)
            header.size = len(data)
            tar.addfile(header, io.BytesIO(data))
    whole = (tmp_path / "rooms.tar").read_bytes()
    (tmp_path / "rooms.tar").write_bytes(whole[: 512 + 1024 + 512 + 100])  # in the second member (POSIX.1 ustar)
    path.write_text(path.read_text().replace("rooms.zip", "rooms.tar"))
    called("fetch", path)
    hints = [error["hint"] for error in called("verify", path, "--json").document["errors"]]
    assert hints and all("take_damaged" in hint and "leave" not in hint for hint in hints)
    path.write_text(path.read_text().replace('"rooms.tar"]', '"rooms.tar"]\ntake_damaged = true'))
    built = called("prepare", path, "--out", tmp_path / "out")
    assert built.code == 0, built.err
    assert {file["member"] for file in record(tmp_path)["files"] if file["item"] == "rooms"} == {"HOURS.TXT"}

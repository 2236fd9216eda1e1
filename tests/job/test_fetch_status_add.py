"""fetch, status and add as a user calls them: text, JSON, exit codes, files left behind."""

from __future__ import annotations

import io
import tomllib
import zipfile
from pathlib import Path

import pytest
from support.command import run
from support.fault_server import FaultServer
from support.fetching import sha256

from discprep.serve.log import Transfer, append, log_path

PROFILE = 'format = 1\nname = "Reading-room machine"\n[disc]\nname_rules = "iso-level-2"\n'
PAGE = 'page = "http://files.example/"'
HEAD = 'format = 1\ntitle = "t"\nbring_up = []\n\n[machine]\nprofile = "machine.toml"\n\n[medium]\nkind = "cd-74"\n'


def archive(text: str) -> bytes:
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w") as packed:
        packed.writestr(zipfile.ZipInfo("LINE.CFG", (1996, 2, 3, 10, 20, 30)), text)
    return made.getvalue()


OLD, NEW = archive("rate=19200\n"), archive("speed=19200\n")


@pytest.fixture
def server():
    with FaultServer(files={"/net/tools-1.2.zip": OLD}) as server:
        yield server


def manifest(folder: Path, *items: str) -> Path:
    (folder / "machine.toml").write_text(PROFILE)
    path = folder / "first.toml"
    path.write_text(HEAD + "".join(f"\n[[item]]\n{item}\n" for item in items))
    return path


def call(command: str, path: Path, *words: object):
    return run(command, path, *words, "--cache", path.parent / "cache")


def test_fetch_and_status_follow_the_work(server: FaultServer, tmp_path: Path) -> None:
    """Wanted, fetched, verified, on a disc: each state with its next step."""
    source = server.url("/net/tools-1.2.zip")
    path = manifest(
        tmp_path, f'id = "tools"\nsources = ["{source}"]\nplace = "burn"', 'id = "hand"\npage = "http://files.example/"'
    )

    def states() -> dict[str, tuple[str, str]]:
        items = call("status", path, "--json").document["items"]
        return {
            item["id"]: (item["state"], item["next"].split(" first.toml")[0].split(f" {path}")[0]) for item in items
        }

    assert states() == {
        "tools": ("wanted", "discprep fetch"),
        "hand": ("wanted", "get it from http://files.example/, then: discprep fetch"),
    }
    fetched = call("fetch", path, "--json")
    assert fetched.code == 1
    assert [item["state"] for item in fetched.document["items"]] == ["fetched", "missing"]
    assert [error["item"] for error in fetched.document["errors"]] == ["hand"]
    assert states()["tools"] == ("fetched", "discprep verify")
    call("verify", path)
    assert states()["tools"] == ("verified", "discprep prepare")
    path.write_text(path.read_text().split('\n[[item]]\nid = "hand"')[0])
    assert call("build", path, "--out", tmp_path / "out").code == 0
    item = call("status", path, "--json").document["items"][0]
    assert len(item["discs"]) == 1
    assert item["next"] == ""


def test_status_shows_what_the_machine_pulled(server: FaultServer, tmp_path: Path) -> None:
    """From the log of serve: parts that together are the file count as the whole."""
    path = manifest(tmp_path, f'id = "tools"\nsources = ["{server.url("/net/tools-1.2.zip")}"]')
    call("fetch", path)

    def pulled() -> str:
        return call("status", path, "--json").document["items"][0]["pulled"]

    assert pulled() == ""
    half = len(OLD) // 2
    for first, size in ((0, half), (half, len(OLD) - half)):
        transfer = Transfer(
            0, "tools", "TOOLS.ZIP", sha256(OLD), len(OLD), first, size, 1.0, 1.0, False, True, True, "m"
        )
        append(log_path(path), transfer)
        assert pulled() == ("in part" if first == 0 else "whole")


def test_status_asks_the_sources_only_when_told(server: FaultServer, tmp_path: Path) -> None:
    """--ask sends HEAD and compares size and date with the pin; a dead source is told, not an error."""
    path = manifest(tmp_path, f'id = "tools"\nsources = ["{server.url("/net/tools-1.2.zip")}"]')
    call("fetch", path)
    before = len(server.asked)
    call("status", path)
    assert len(server.asked) == before
    assert call("status", path, "--ask", "--json").document["items"][0]["at_source"] == "same"
    server.files["/net/tools-1.2.zip"] = NEW
    asked = call("status", path, "--ask", "--json").document["items"][0]
    assert asked["at_source"] == "changed"
    assert "--renew tools" in asked["next"]
    assert {method for method, _, _ in server.asked[before:]} == {"HEAD"}
    del server.files["/net/tools-1.2.zip"]
    ran = call("status", path, "--ask")
    assert ran.code == 0
    assert "answers 404 Not Found" in ran.out


def test_renew_tries_the_edits(server: FaultServer, tmp_path: Path) -> None:
    """The new archive lacks the text that an edit needs: the pin stays. With a fitting edit it moves."""
    edit = '\n[[item.edit]]\nfile = "LINE.CFG"\nfind = "{}=19200"\nreplace = "x"'
    row = f'id = "tools"\nsources = ["{server.url("/net/tools-1.2.zip")}"]'
    path = manifest(tmp_path, row + edit.format("rate"))
    call("fetch", path)
    server.files["/net/tools-1.2.zip"] = NEW
    refused = call("fetch", path, "--renew", "tools")
    assert refused.code == 1
    assert "LINE.CFG" in refused.err
    assert "the pin stays where it was" in refused.err
    manifest(tmp_path, row + edit.format("speed"))
    moved = call("fetch", path, "--renew", "tools")
    assert moved.code == 0
    assert sha256(OLD) in moved.err
    assert sha256(NEW) in moved.err


def test_renew_refuses_a_damaged_archive(server: FaultServer, tmp_path: Path) -> None:
    """The new bytes are an archive that is cut: said, the pin stays."""
    path = manifest(tmp_path, f'id = "tools"\nsources = ["{server.url("/net/tools-1.2.zip")}"]')
    call("fetch", path)
    server.files["/net/tools-1.2.zip"] = NEW[:60]
    assert call("fetch", path, "--renew", "tools").code == 1


def test_renew_of_an_unknown_item(tmp_path: Path) -> None:
    """The nearest known id is suggested."""
    path = manifest(tmp_path, f'id = "tools"\n{PAGE}')
    ran = call("fetch", path, "--renew", "tolls")
    assert ran.code == 2
    assert "Did you mean tools?" in ran.err


def test_look_in(tmp_path: Path) -> None:
    """A file got by hand is taken from the folder, by its hash."""
    path = manifest(tmp_path, f'id = "tools"\nsha256 = "{sha256(OLD)}"\npage = "http://files.example/"')
    ran = call("fetch", path)
    assert "Get it by hand from http://files.example/" in ran.err
    (tmp_path / "downloads").mkdir()
    (tmp_path / "downloads" / "unnamed").write_bytes(OLD)
    ran = call("fetch", path, "--look-in", tmp_path / "downloads")
    assert ran.code == 0
    assert "taken from the folder" in ran.out


def test_add_keeps_every_byte_before(server: FaultServer, tmp_path: Path) -> None:
    """The old file is the new one's beginning; the item has what the source gave; check accepts it; it is pinned."""
    path = manifest(tmp_path, f'id = "tools-1.2"   # a comment\n{PAGE}')
    old = path.read_bytes()
    ran = call("add", path, server.url("/net/tools-1.2.zip"), "--gives", "editor", "--needs", "tools-1.2", "--json")
    assert ran.code == 0, ran.out
    assert path.read_bytes().startswith(old)
    item = tomllib.loads(path.read_text())["item"][1]
    assert item == {
        "id": "tools-1.2-2", "title": "tools", "version": "1.2", "sources": [server.url("/net/tools-1.2.zip")],
        "sha256": sha256(OLD), "size": len(OLD), "gives": ["editor"], "needs": ["tools-1.2"], "place": "either",
    }  # fmt: skip
    assert run("check", path).code == 0
    before = len(server.asked)
    assert call("fetch", path, "--json").document["items"][1]["state"] == "cached"
    assert len(server.asked) == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["cache", "first.pins.toml", "first.toml", "machine.toml"]


def test_add_leaves_a_manifest_alone_that_would_not_hold(server: FaultServer, tmp_path: Path) -> None:
    """A need that nothing gives: the fault is said of the manifest, whose bytes stay."""
    path = manifest(tmp_path)
    old = path.read_bytes()
    ran = call("add", path, server.url("/net/tools-1.2.zip"), "--needs", "nowhere")
    assert ran.code == 2
    assert "nowhere" in ran.err
    assert "trial" not in ran.err
    assert path.read_bytes() == old
    assert not path.with_suffix(".pins.toml").exists()


def test_add_says_what_is_wrong_with_the_call(tmp_path: Path) -> None:
    """All at once, with the nearest known word."""
    path = manifest(tmp_path, f'id = "tools"\n{PAGE}')
    ran = call("add", path, "x.zip", "--gives", "editr", "--place", "birn", "--use", "dusc")
    assert ran.code == 2
    assert ran.err.count("Did you mean") == 3
    assert call("add", path, "x.zip", "y.zip", "--id", "z").code == 2
    assert "choose another --id" in call("add", path, "x.zip", "--id", "tools").err.lower()


def test_add_the_same_bytes_twice(server: FaultServer, tmp_path: Path) -> None:
    """Two sources with the same bytes are one item with a mirror; bytes the manifest has are not added again.
    Line ends of the file are kept."""
    path = manifest(tmp_path)
    path.write_bytes(path.read_bytes().replace(b"\n", b"\r\n"))
    copy = tmp_path / "tools-1.2.zip"
    copy.write_bytes(OLD)
    call("add", path, server.url("/net/tools-1.2.zip"), copy)
    (item,) = tomllib.loads(path.read_text())["item"]
    assert item["sources"] == [server.url("/net/tools-1.2.zip"), "tools-1.2.zip"]
    assert path.read_bytes().count(b"\n") == path.read_bytes().count(b"\r\n")
    again = call("add", path, copy)
    assert "it was not added again" in again.err
    assert len(tomllib.loads(path.read_text())["item"]) == 1


@pytest.mark.parametrize("command", ["fetch", "status", "add"])
def test_help(command: str) -> None:
    """A newcomer's words, within 80 columns."""
    ran = run(command, "--help")
    assert ran.code == 0
    assert max(map(len, ran.out.splitlines())) <= 80

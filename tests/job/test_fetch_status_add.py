"""fetch, status and add as a user calls them: text, JSON, exit codes, files left behind."""

from __future__ import annotations

import io
import re
import shlex
import signal
import subprocess
import sys
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


def test_add_sees_a_duplicate_by_its_pin(server: FaultServer, tmp_path: Path) -> None:
    """The manifest gives no hash, the pin does: the same bytes under another name are not added again."""
    path = manifest(tmp_path, f'id = "tools"\nsources = ["{server.url("/net/tools-1.2.zip")}"]')
    assert call("fetch", path).code == 0
    before = path.read_bytes()
    (tmp_path / "other.zip").write_bytes(OLD)
    ran = call("add", path, tmp_path / "other.zip")
    assert "the very bytes of the item tools; it was not added again" in ran.err
    assert path.read_bytes() == before


@pytest.mark.parametrize(
    ("source", "hint"),
    [
        ("gopher://files.example/tools.zip", "Give an http, https or ftp address"),
        ("nowhere.zip", "Check the path"),
        ("{server}/nowhere.zip", "Check the address"),
    ],
)
def test_add_gives_hints_that_it_can_follow(server: FaultServer, tmp_path: Path, source: str, hint: str) -> None:
    """Every option a hint names is one of `add --help`; a whole command in it is one of this program."""
    path = manifest(tmp_path, f'id = "maps"\n{PAGE}')
    ran = call("add", path, source.replace("{server}", server.url("").rstrip("/")), "--json")
    (error,) = ran.document["errors"]
    assert error["hint"].startswith(hint)
    offered = run("add", "--help").out
    assert all(word in offered for word in re.findall(r"--[a-z-]+", error["hint"]))
    if "discprep" in error["hint"]:
        assert f"discprep add {path} FILE" in error["hint"]


def test_status_knows_the_builds_of_its_own_manifest_only(tmp_path: Path) -> None:
    """A disc of another manifest beside it, and that of a copy in a folder of its own, are others' discs; renaming
    builds anew, so that the disc goes with the manifest."""
    tools = 'id = "tools"\nsources = ["tools-1.2.zip"]\nplace = "burn"'
    (tmp_path / "copy").mkdir()
    for folder in (tmp_path, tmp_path / "copy"):
        (folder / "tools-1.2.zip").write_bytes(OLD)
        manifest(folder, tools)
    other = tmp_path / "other.toml"
    other.write_bytes((tmp_path / "first.toml").read_bytes())
    words = ("--cache", tmp_path / "cache")

    def prepared(path: Path, out: Path) -> str:
        ran = run("prepare", path, "--out", out, *words, "--json")
        assert ran.code == 0, ran.out
        return str(ran.document["discs"][0]["build_id"])

    def discs(path: Path, *more: object) -> list[str]:
        return list(run("status", path, *words, *more, "--json").document["items"][0]["discs"])

    found = prepared(other, tmp_path / "disc")
    prepared(tmp_path / "copy/first.toml", tmp_path / "copy/disc")
    assert discs(tmp_path / "first.toml") == []
    assert discs(other) == discs(tmp_path / "copy/first.toml") == [found]
    named = run("status", tmp_path / "first.toml", *words, "--built", tmp_path / "disc")
    assert "built from another manifest than first.toml" in named.err
    prepared(tmp_path / "first.toml", tmp_path / "disc")
    assert (discs(tmp_path / "first.toml"), discs(other)) == ([found], [])


def test_an_item_with_a_source_is_fetched_before_anybody_is_sent_for_it(tmp_path: Path) -> None:
    """`plan` and `verify` before the first fetch: the program's own way comes first."""
    (tmp_path / "tools-1.2.zip").write_bytes(OLD)
    path = manifest(tmp_path, f'id = "tools"\nsources = ["tools-1.2.zip"]\nhint = "It is on the blue floppy."\n{PAGE}')
    for command in ("plan", "verify"):
        (error,) = call(command, path, "--json").document["errors"]
        assert error["hint"].startswith(
            "Run `discprep fetch` first. If no source has it, by hand: http://files.example/"
        )


def test_a_wrong_hash_may_be_the_manifests(server: FaultServer, tmp_path: Path) -> None:
    """Of an address and of a local file: what came can be looked at, and the hash of both stands there."""
    (tmp_path / "tools 1.zip").write_bytes(OLD)
    row = f'id = "tools"\nsha256 = "{sha256(NEW)}"\n' + PAGE + '\nsources = ["{}"]'
    path = manifest(tmp_path, row.format("tools 1.zip"))
    (error,) = call("fetch", path, "--json").document["errors"]
    assert error["family"] == "integrity"
    assert "in the manifest may be the wrong one" in error["hint"]
    assert "Else get it by hand from http://files.example/" in error["hint"]
    command = re.search(r"(discprep inspect .+); if that one", error["hint"])
    assert command
    seen = run(*shlex.split(command[1])[1:])
    assert seen.code == 0 and sha256(OLD) in seen.out
    path = manifest(tmp_path, row.format(server.url("/net/tools-1.2.zip")))
    (error,) = call("fetch", path, "--json").document["errors"]
    assert f"save {server.url('/net/tools-1.2.zip')} as FILE, then: discprep inspect FILE" in error["hint"]
    gone = manifest(tmp_path, row.format(server.url("/net/gone.zip")))
    assert "may be the wrong one" not in call("fetch", gone).err


LINKED = "\n[link]\nrate = 19200\n"


def test_every_next_step_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The lines of `status`, one after the other as they stand, from the manifest to the shelf; the drive alone is
    stood for by a plain file, and the port by a free one."""
    monkeypatch.chdir(tmp_path)
    copy = "import shutil,sys; shutil.copyfile(sys.argv[2], sys.argv[1].removeprefix('stdio:'))"
    burner = f"{shlex.quote(sys.executable)} -c {shlex.quote(copy)} {{device}} {{image}}"
    monkeypatch.setenv("DISCPREP_BURNER", burner)
    path = manifest(
        tmp_path,
        'id = "tools"\nsources = ["tools-1.2.zip"]\nplace = "burn"',
        'id = "maps"\nsources = ["maps.zip"]\nplace = "later"\nto = "MAPS"',
    )
    path.write_text(path.read_text() + LINKED)
    (tmp_path / "tools-1.2.zip").write_bytes(OLD)
    (tmp_path / "maps.zip").write_bytes(NEW)

    def steps() -> list[list[str]]:
        document = run("status", "first.toml", "--cache", "the cache", "--json").document
        return [shlex.split(line)[1:] for line in (document["next"], *document["then"])]

    done = []
    while (line := steps()[0])[0] != "burn":
        assert len(done) < 4
        ran = run(*line)
        assert ran.code == 0, (line, ran.err)
        done.append(line[0])
    assert done == ["fetch", "verify", "prepare"]
    burn, readback, serve = steps()
    assert (burn[0], readback[0], serve[0]) == ("burn", "readback", "serve")
    drive = burn[burn.index("--device") + 1]
    assert drive == readback[-1] == "/dev/sr0"
    burned = f"stdio:{tmp_path / 'burned'}"
    ran = run(*[burned if word == drive else word for word in burn], "--yes-device", burned)
    assert ran.code == 0, ran.err
    assert run(*[str(tmp_path / "burned") if word == drive else word for word in readback]).code == 0
    serve[serve.index("--bind") + 1] = serve[serve.index("--bind") + 1].replace(":8080", ":0")
    words = [sys.executable, "-m", "discprep", *serve]
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        assert process.stdout
        first = process.stdout.readline()
        process.send_signal(signal.SIGINT)
        errors = process.communicate(timeout=60)[1]
    assert "The shelf stands" in first, errors


def test_a_disc_without_a_burner_is_burned_by_hand(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No burner is named: the image is, and what comes after it; once the machine pulls, its disc was burned."""
    monkeypatch.delenv("DISCPREP_BURNER", raising=False)
    path = manifest(tmp_path, 'id = "tools"\nsources = ["tools-1.2.zip"]\nplace = "later"', f'id = "maps"\n{PAGE}\n')
    path.write_text(path.read_text().split('\n[[item]]\nid = "maps"')[0] + LINKED)
    (tmp_path / "tools-1.2.zip").write_bytes(OLD)
    assert call("prepare", path, "--out", tmp_path / "disc").code == 0
    told = call("status", path).out.splitlines()
    (image,) = (tmp_path / "disc").glob("*.iso")
    assert told[-3] == f"next: burn {image} with your burner (discprep burn --help shows how)"
    assert told[-2] == f"then: discprep readback {tmp_path / 'disc' / 'record.json'} /dev/sr0"
    assert told[-1].startswith(f"then: discprep serve {path} --bind ")
    append(
        log_path(path), Transfer(0, "tools", "T.ZIP", sha256(OLD), len(OLD), 0, 9, 1.0, 1.0, False, False, True, "m")
    )
    assert call("status", path, "--json").document["next"].startswith("discprep serve")


@pytest.mark.parametrize("command", ["fetch", "status", "add"])
def test_help(command: str) -> None:
    """A newcomer's words, within 80 columns."""
    ran = run(command, "--help")
    assert ran.code == 0
    assert max(map(len, ran.out.splitlines())) <= 80

"""`new`: a manifest that `check` accepts, out of a folder of archives. Hashes against hashlib (FIPS 180-4)."""

import hashlib
import io
import sys
import tarfile
import tomllib
import zipfile
from pathlib import Path

import pytest
from support.bench_set import MACHINES
from support.command import run
from support.terminal import answering

from discprep.job.new import slug


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A ZIP, a tar.gz, a text, and two files whose names make one id."""
    place = tmp_path / "archives"
    place.mkdir()
    for name in ("IP Tools-1.2.zip", "ip_tools-1.2.zip"):
        with zipfile.ZipFile(place / name, "w") as archive:
            archive.writestr("readme", "hello")
    with tarfile.open(place / "floor.tar.gz", "w:gz") as tar:
        info = tarfile.TarInfo("floor")
        info.size = 3
        tar.addfile(info, io.BytesIO(b"abc"))
    (place / "notes.txt").write_text("no archive")
    return place


def test_from_a_folder(folder: Path, tmp_path: Path) -> None:
    """Sizes, hashes and titles are filled in; ids differ; `check` accepts what was written."""
    target = tmp_path / "first.toml"
    ran = run("new", target, "--from", folder, "--baud", "38400", "--json")
    assert ran.code == 0, ran.out
    assert "notes.txt" in ran.document["notices"][0]["message"]
    data = tomllib.loads(target.read_text())
    assert [item["id"] for item in data["item"]] == ["ip-tools-1.2", "floor", "ip-tools-1.2-2"]
    item = data["item"][0]
    raw = (folder / "IP Tools-1.2.zip").read_bytes()
    assert (item["title"], item["version"]) == ("IP Tools", "1.2")
    assert (item["size"], item["sha256"]) == (len(raw), hashlib.sha256(raw).hexdigest())
    assert item["sources"] == ["archives/IP Tools-1.2.zip"]
    assert data["bridge"]["rate"] == 38400
    assert run("check", target).code == 0


def test_archives_elsewhere_are_named_by_their_whole_path(folder: Path, tmp_path: Path) -> None:
    """Their hash stands beside them, so `check` accepts them."""
    target = tmp_path / "elsewhere" / "m.toml"
    assert run("new", target, "--from", folder, "-q").code == 0
    assert tomllib.loads(target.read_text())["item"][1]["sources"] == [str(folder / "floor.tar.gz")]
    assert run("check", target).code == 0


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    """An existing manifest stays as it is."""
    target = tmp_path / "first.toml"
    target.write_text("mine")
    ran = run("new", target)
    assert ran.code == 2 and "left alone" in ran.err and target.read_text() == "mine"
    assert list(tmp_path.iterdir()) == [target]


def test_a_bad_wish_leaves_nothing_behind(tmp_path: Path) -> None:
    """A medium that does not exist: the fault in words, no file."""
    assert run("new", tmp_path / "m.toml", "--medium", "cd-75").code == 2
    assert list(tmp_path.iterdir()) == []


def test_an_own_profile(tmp_path: Path) -> None:
    """A profile that is there already is named, not copied."""
    (tmp_path / "mine.toml").write_text('name = "Mine"\n')
    assert run("new", tmp_path / "m.toml", "--profile", tmp_path / "mine.toml", "--title", 'A "quoted" title').code == 0
    data = tomllib.loads((tmp_path / "m.toml").read_text())
    assert data["machine"]["profile"] == "mine.toml" and data["title"] == 'A "quoted" title'
    assert run("new", tmp_path / "n.toml", "--from", tmp_path / "nowhere").code == 2


@pytest.mark.parametrize(
    ("name", "item_id"), [("Über.lha", "uber"), ("日本.zip", "item"), ("..tar.gz", "item"), ("A" * 90, "a" * 60)]
)
def test_slugs(name: str, item_id: str) -> None:
    assert slug(name) == item_id


def test_the_first_run_asks_and_ends_with_a_manifest_that_check_accepts(tmp_path: Path) -> None:
    """At a terminal without flags: five questions, Enter takes what stands in brackets."""
    words = [sys.executable, "-m", "discprep", "new", "first.toml"]
    code, out = answering(words, "Reading room\n\n\n38400\n\n", tmp_path)
    assert code == 0 and "next: say what each item gives" in out
    data = tomllib.loads((tmp_path / "first.toml").read_text())
    assert (data["title"], data["medium"]["kind"], data["link"]["rate"]) == ("Reading room", "cd-74", 38400)
    assert run("check", tmp_path / "first.toml").code == 0


def test_ready_profiles_are_listed_and_copied(tmp_path: Path) -> None:
    """`new` alone lists them; `--profile NAME` copies one beside the manifest, which check accepts; a copy that was
    changed is left alone, and another name is refused with those there are."""
    ran = run("new")
    assert ran.code == 0 and "map-table" in ran.out and "--profile" in ran.out
    assert run("new", "--title", "x").code == 2
    first = tmp_path / "first.toml"
    assert run("new", first, "--profile", "map-table").code == 0
    copied = tmp_path / "map-table.toml"
    assert copied.read_bytes() == (MACHINES / "map-table.toml").read_bytes()
    assert run("check", first).code == 0
    copied.write_text(copied.read_text() + "# mine\n")
    refused = run("new", tmp_path / "second.toml", "--profile", "map-table")
    assert refused.code == 2 and "left alone" in refused.err and copied.read_text().endswith("# mine\n")
    assert not (tmp_path / "second.toml").exists()
    refused = run("new", tmp_path / "third.toml", "--profile", "mop-table")
    assert refused.code == 2 and "map-table" in refused.err

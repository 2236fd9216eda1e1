"""`unpack`: whole members under safe names, nothing overwritten, nothing outside the folder."""

import hashlib
import io
import os
import random
import tarfile
import zipfile
from datetime import datetime
from pathlib import Path

import pytest
from support.command import run
from support.lha import BOMB, BOMB_BYTES, HELLO, Made, archive

from discprep.errors import UsageError
from discprep.job.unpack import limits_of, unpack


def saved(folder: Path, data: bytes, name: str = "x.lha") -> Path:
    path = folder / name
    path.write_bytes(data)
    return path


def tree(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file() and not p.is_symlink()}


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_files_folders_and_times(tmp_path: Path) -> None:
    """Bytes, empty folders and the stored wall clock; a second run finds everything there."""
    data = archive(
        Made(name=b"empty\\", data=b"", method=b"-lhd-", level=0),
        Made(name=b"d\\hello.txt", level=0),
        Made(name=b"none", data=b""),
    )
    path, out = saved(tmp_path, data), tmp_path / "deep" / "out"
    ran = run("unpack", path, out, "--json")
    assert ran.code == 0
    assert tree(out) == {"d/hello.txt": HELLO, "none": b""}
    assert (out / "empty").is_dir()
    when = datetime.fromtimestamp((out / "d" / "hello.txt").stat().st_mtime)
    assert when.isoformat() == "2026-03-04T05:06:08"
    assert [member["state"] for member in ran.document["members"]] == ["folder", "written", "written"]
    again = run("unpack", path, out, "--json")
    assert [member["state"] for member in again.document["members"]] == ["folder", "there", "there"]
    assert names(out) == ["d", "empty", "none"]


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    """Another file of that name is left alone, and the run says so with exit 3: the host is in the way."""
    out = tmp_path / "out"
    out.mkdir()
    (out / "a").write_bytes(b"mine")
    ran = run("unpack", saved(tmp_path, archive(Made(name=b"a"), Made(name=b"b"))), out, "--json")
    assert ran.code == 3
    assert tree(out) == {"a": b"mine", "b": HELLO}
    assert "left alone" in ran.document["errors"][0]["message"]


HOSTILE = [b"..\\x", b"a\\..\\..\\x", b"\\x", b"/tmp/x", b"C:\\x", b"\\\\host\\x", b"a\x1bb", b"d"]


def test_hostile_members_are_refused_by_name(tmp_path: Path) -> None:
    """Paths that climb out, begin at a root, name a drive, hold control characters or need a file as folder."""
    members = [Made(name=b"good", level=0), Made(name=b"d\\x", level=0)]
    members += [Made(name=name, level=0, data=b"evil") for name in HOSTILE]
    home = tmp_path / "home"
    home.mkdir()
    ran = run("unpack", saved(tmp_path, archive(*members)), home / "out", "--json")
    assert ran.code == 1
    assert tree(tmp_path) == {"x.lha": archive(*members), "home/out/good": HELLO, "home/out/d/x": HELLO}
    states = [member["state"] for member in ran.document["members"]]
    assert states == ["written", "written"] + ["refused"] * len(HOSTILE)
    assert len(ran.document["errors"]) == len(HOSTILE)


def test_links_are_not_made_nor_followed(tmp_path: Path) -> None:
    """A link in the archive, and a link that stands in the folder already, lead nowhere."""
    made = io.BytesIO()
    with tarfile.open(fileobj=made, mode="w") as file:
        link = tarfile.TarInfo("link")
        link.type, link.linkname = tarfile.SYMTYPE, "../outside"
        file.addfile(link)
        for name in ("link/x", "there/x"):
            info = tarfile.TarInfo(name)
            info.size = len(HELLO)
            file.addfile(info, io.BytesIO(HELLO))
    outside, out = tmp_path / "outside", tmp_path / "out"
    outside.mkdir()
    out.mkdir()
    (out / "there").symlink_to(outside)
    ran = run("unpack", saved(tmp_path, made.getvalue(), "x.tar"), out, "--json")
    assert [member["state"] for member in ran.document["members"]] == ["skipped", "refused", "blocked"]
    assert list(outside.iterdir()) == []
    assert names(out) == ["there"]


def test_damaged_members_are_not_written(tmp_path: Path) -> None:
    """Only what is whole; the rest is named."""
    data = archive(Made(name=b"a"), Made(name=b"b", crc=1), Made(name=b"c"))
    ran = run("unpack", saved(tmp_path, data), tmp_path / "out", "--json")
    assert ran.code == 1
    assert tree(tmp_path / "out") == {"a": HELLO, "c": HELLO}
    assert ran.document["members"][1]["state"] == "damaged"


def test_only(tmp_path: Path) -> None:
    """Patterns over the stored path; one that matches nothing is a wrong call, and makes no folder."""
    data = archive(*[Made(name=name, level=0) for name in (b"d\\a.txt", b"d\\b.bin", b"c.txt")])
    path = saved(tmp_path, data)
    ran = run("unpack", path, tmp_path / "out", "--only", "*.txt", "--only", "nothing*")
    assert ran.code == 0
    assert sorted(tree(tmp_path / "out")) == ["c.txt", "d/a.txt"]
    assert run("unpack", path, tmp_path / "none", "--only", "*.xyz").code == 2
    assert not (tmp_path / "none").exists()


def test_duplicates(tmp_path: Path) -> None:
    """The same file twice is written once; another one of that name is refused, and the first stays."""
    data = archive(Made(name=b"a"), Made(name=b"a"), Made(name=b"a", data=b"other"))
    ran = run("unpack", saved(tmp_path, data), tmp_path / "out", "--json")
    assert [member["state"] for member in ran.document["members"]] == ["written", "there", "refused"]
    assert "1 members repeat an earlier one" in ran.document["notices"][0]["message"]
    assert tree(tmp_path / "out") == {"a": HELLO}


def test_bombs(tmp_path: Path) -> None:
    """Refused by default, allowed by size when the user says so."""
    bomb = archive(Made(name=b"spaces", packed=BOMB, method=b"-lh5-", size=BOMB_BYTES, crc=0x8CD5))
    path = saved(tmp_path, bomb)
    assert limits_of(None).ratio == 1000
    assert limits_of("8 GB").member_bytes == 8_000_000_000
    with pytest.raises(UsageError, match="not a number"):
        limits_of("much")
    ran = run("unpack", path, tmp_path / "out", "--max-size", "1 MB", "--json")
    assert ran.code == 1
    assert "more than the limit of 1.00 MB" in ran.document["errors"][0]["message"]
    assert "--max-size" in ran.document["errors"][0]["hint"]
    assert run("unpack", path, tmp_path / "out", "--max-size", "40 MB").code == 0
    assert (tmp_path / "out" / "spaces").stat().st_size == BOMB_BYTES


def test_names_the_host_cannot_hold(tmp_path: Path) -> None:
    """A name too long for a file system is shortened, and the mapping is told."""
    name = "n" * 300 + ".txt"
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w") as file:
        file.writestr(name, HELLO)
    ran = run("unpack", saved(tmp_path, made.getvalue(), "x.zip"), tmp_path / "out", "--json")
    (member,) = ran.document["members"]
    assert (member["name"], member["renamed"], len(member["path"])) == (name, True, 255)
    assert (tmp_path / "out" / member["path"]).read_bytes() == HELLO
    text = run("unpack", tmp_path / "x.zip", tmp_path / "out2").out
    assert "Names this host cannot hold" in text


def test_folder_that_is_a_file(tmp_path: Path) -> None:
    """A wrong call is said before anything is read."""
    path = saved(tmp_path, archive(Made()))
    with pytest.raises(UsageError, match="not a folder"):
        unpack(path, path)


def test_nothing_leaves_the_folder_under_random_names(tmp_path: Path) -> None:
    """A thousand members of names built from dangerous parts: every file stands below the folder."""
    source = random.Random(3)
    parts = [b"..", b".", b"", b"/", b"\\", b"a", b"b", b"C:", b"aux", b"\xff", b"\x01", b"~", b" ", b"x" * 60]
    members = []
    for n in range(1000):
        name = source.choice([b"/", b"\\", b"\xff"]).join(source.choices(parts, k=source.randint(1, 4)))
        members.append(Made(name=name[:200], level=source.choice([0, 1, 2, 3]), data=b"%d" % n))
    home = tmp_path / "home"
    home.mkdir()
    path = saved(tmp_path, archive(*members))
    before = hashlib.sha256(path.read_bytes()).hexdigest()
    result = unpack(path, home / "out")
    assert names(home) == ["out"]
    assert names(tmp_path) == ["home", "x.lha"]
    assert hashlib.sha256(path.read_bytes()).hexdigest() == before
    written = [file for file in result.files if file.state == "written"]
    assert len(written) == len(tree(home / "out")) > 20
    assert all(os.path.realpath(home / "out" / file.path).startswith(str(home / "out")) for file in written)

"""A pulled file can be proven whole: list, page, sheet and the usual lists tell its bytes and its checksums, and tell
the same."""

import io
import re
import subprocess
import zipfile
import zlib
from pathlib import Path

import pytest
from support.command import run
from support.programs import program
from support.shelf import served, waiting_room

from discprep.job.sheet import work

DESK = """format = 1
name = "desk"
provides = ["unpack-zip"]
[[volume]]
path = "C:"
stem_max = 8
extension_max = 3
"""
SHELL = """[shell]
script_name = "PART{part}.BAT"
separator = "\\\\"
make_folder = "md {path}"
copy = "copy {source} {target}"
delete = "del {path}"
message = "echo {text}"
stop = "goto END"
goto = "goto {label}"
label = ":{label}"
if_exists = "if exist {path} {then}"
if_missing = "if not exist {path} {then}"
if_failed = "if errorlevel 1 {then}"
fetch = "fetch {url} {path}"
tells = ["checksum"]
checksum = "sum {path} {sum}"
checksum_kind = "md5"
"""


def room(folder: Path, desk: str = DESK) -> Path:
    maps = io.BytesIO()
    with zipfile.ZipFile(maps, "w") as made:
        made.writestr(zipfile.ZipInfo("MAP.DAT"), b"a map\r\n" * 1000)
    return waiting_room(folder, desk, "rate = 57600", tools_bin=bytes(range(256)) * 300, maps_zip=maps.getvalue())


def test_the_lists_agree_with_the_bytes_that_come(tmp_path: Path) -> None:
    """`sha256sum -c` takes the one; the other is CRC-32 after ISO 3309 as zlib reckons it, in hexadecimal."""
    sha256sum = program("sha256sum", "coreutils")
    with served(room(tmp_path), tmp_path / "cache") as shelf:
        names = [name for offer in shelf.listening["items"] for name in offer["files"]]
        came = tmp_path / "came"
        came.mkdir()
        for name in names:
            (came / name).write_bytes(shelf.get(name))
        (came / "SHA256SUMS").write_bytes(shelf.get("sha256sums"))
        crcs = dict(line.rsplit(" ", 1) for line in shelf.get("CRC32.TXT").decode().splitlines())
        page, listed = shelf.get("").decode("latin-1"), shelf.get("LIST.TXT").decode()
    done = subprocess.run([sha256sum, "-c", "SHA256SUMS"], cwd=came, capture_output=True, text=True)
    assert done.returncode == 0 and done.stdout.count("OK") == len(names) == 2, done.stdout + done.stderr
    for name in names:
        data = (came / name).read_bytes()
        crc = f"{zlib.crc32(data):08x}"
        assert crcs[name] == crc
        assert f"{len(data):,} bytes, CRC-32 {crc}" in page
        assert re.search(rf"^ *{len(data)} +[0-9.]+ +had +{crc} +{re.escape(name)}\r?$", listed, re.M)


@pytest.mark.parametrize(
    ("desk", "kind", "digits"), [(DESK, "CRC-32", 8), (DESK + SHELL, "MD5", 32)], ids=["crc32", "as-the-profile-says"]
)
def test_sheet_list_and_page_tell_the_same(tmp_path: Path, desk: str, kind: str, digits: int) -> None:
    path = room(tmp_path, desk)
    assert run("build", path, "--out", tmp_path / "out", "--cache", tmp_path / "cache", "-q").code in (0, 1)
    sheet = next(tmp_path.glob("out/**/bench-sheet.txt")).read_text()
    with served(path, tmp_path / "cache") as shelf:
        listed = shelf.get("LIST.TXT").decode()
        page = shelf.get("").decode("latin-1")
        script = shelf.get("PULL.BAT").decode() if SHELL in desk else ""
    lines = [line.split() for line in listed.splitlines() if not line.startswith("#")]
    assert len(lines) == 2
    for size, _, _, checksum, _ in lines:
        assert len(checksum) == digits
        assert f"{int(size):,} bytes, {kind} {checksum}" in page
        assert re.search(rf"{int(size):,} .*{kind} {checksum[:24]}", sheet), sheet  # a long one is wrapped
        assert not script or f"{checksum}" in script


def test_a_system_that_tells_nothing_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where nobody can see what is under way, the sheet says whose times it tells."""
    monkeypatch.setattr(work, "SERVER", "other")
    path = room(tmp_path)
    assert run("build", path, "--out", tmp_path / "out", "--cache", tmp_path / "cache", "-q").code in (0, 1)
    sheet = next(tmp_path.glob("out/**/bench-sheet.txt")).read_text()
    assert "The times are those of any server" in " ".join(sheet.split())
    assert "what broke off begins anew" in " ".join(sheet.split())

"""`inspect`: one document, every member read, exit 0 exactly when all read whole."""

import hashlib
import io
import json
import os
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

import pytest
from support.command import run
from support.lha import HELLO, LEVEL_1, Made, archive
from support.programs import program

from discprep.errors import UsageError
from discprep.job.inspect import inspect, is_disc_image


def saved(folder: Path, data: bytes, name: str = "x.lha") -> Path:
    path = folder / name
    path.write_bytes(data)
    return path


def test_document(tmp_path: Path) -> None:
    """All promised keys, members in stored order, folders without a hash."""
    data = archive(
        Made(name=b"d\\", data=b"", method=b"-lhd-", level=0),
        Made(name=b"d\\hello.txt\0note", level=0),
        Made(name=b"z", level=2, os_id=b"A", attribute=0x40),
    )
    ran = run("inspect", saved(tmp_path, data), "--json")
    assert ran.code == 0
    document = ran.document
    assert (document["format"], document["problems"], document["errors"]) == ("lha", [], [])
    folder, hello, last = document["members"]
    assert (folder["name"], folder["kind"], folder["ok"], "sha256" in folder) == ("d", "folder", True, False)
    expected = {
        "name": "d/hello.txt", "size_bytes": 12, "sha256": hashlib.sha256(HELLO).hexdigest(), "ok": True,
        "method": "-lh0-", "time": "2026-03-04T05:06:08", "attributes": "---a", "comment": "note", "problem": "",
        "checksum": "crc16 9778", "computed": "crc16 9778",
    }  # fmt: skip
    assert {key: hello[key] for key in expected} == expected
    assert last["attributes"] == "-s--rwed"


def test_damaged_member(tmp_path: Path) -> None:
    """The member is named, in the document and in the errors; the others are whole; exit 1."""
    ran = run("inspect", saved(tmp_path, archive(Made(name=b"a"), Made(name=b"b", crc=1), Made(name=b"c"))), "--json")
    assert ran.code == 1
    assert [member["ok"] for member in ran.document["members"]] == [True, False, True]
    assert "expected crc16 0001, got crc16 9778" in ran.document["members"][1]["problem"]
    assert ran.document["members"][1]["sha256"] is None
    assert ran.document["errors"][0]["where"].endswith("x.lha: b")


@pytest.mark.parametrize("name", [b"..\\x", b"\\x", b"C:x", b"a\x1b[2Jb"])
def test_unsafe_names_read_whole_and_are_remarked(tmp_path: Path, name: bytes) -> None:
    """The bytes are right, so the exit is 0; the problem says why `unpack` will refuse it."""
    ran = run("inspect", saved(tmp_path, archive(Made(name=name, level=0))), "--json")
    (member,) = ran.document["members"]
    assert (ran.code, member["ok"], member["sha256"]) == (0, True, hashlib.sha256(HELLO).hexdigest())
    assert member["problem"]
    assert "not safe to unpack" in ran.document["notices"][0]["message"]
    assert "\x1b" not in run("inspect", tmp_path / "x.lha").out


@pytest.mark.parametrize("data", [b"", b"<html>moved</html>", bytes(5000)])
def test_no_archive(tmp_path: Path, data: bytes) -> None:
    """A page or an empty file is said to be none; still one document."""
    ran = run("inspect", saved(tmp_path, data), "--json")
    assert (ran.code, ran.document["format"], ran.document["members"]) == (1, "file", [])
    assert "but is none" in ran.document["problems"][0]
    ran = run("inspect", saved(tmp_path, data, "page.html"), "--json")
    assert ran.code == 1
    assert "no archive" in ran.document["problems"][0]
    assert "A plain file has no inside" in ran.document["errors"][0]["hint"]


def test_wrong_calls(tmp_path: Path) -> None:
    """No file, a folder, an unknown charset: exit 2 and a word about what to do."""
    assert run("inspect", tmp_path / "none").code == 2
    assert run("inspect", tmp_path, "--json").document["errors"][0]["family"] == "usage"
    with pytest.raises(UsageError, match="no charset is called 'klingon'"):
        inspect(saved(tmp_path, LEVEL_1), charset="klingon")


def test_table(tmp_path: Path) -> None:
    """What a person sees: a head, one row a member, what is wrong beneath it, 80 columns."""
    long = b"a_name_that_is_so_long_that_no_table_of_eighty_columns_can_hold_it.text"
    ran = run("inspect", saved(tmp_path, archive(Made(name=b"a\0note", os_id=b"A"), Made(name=long, crc=1))))
    lines = ran.out.splitlines()
    assert lines[0].endswith("1 of 2 files read whole")
    assert lines[3] == "    bytes packed method time             attributes name"
    assert lines[4] == "ok     12  100 % -lh0-  2026-03-04 05:06 --p-rwed   a"
    assert lines[5] == "     comment: note"
    assert lines[6].startswith("BAD")
    assert lines[7].strip() == long.decode()
    assert "! expected crc16 0001" in lines[8]
    assert max(map(len, lines)) <= 80
    assert "error:" in ran.err
    assert ran.code == 1


def test_other_formats_and_nesting(tmp_path: Path) -> None:
    """A tar with an LHA inside, opened one level down."""
    made = io.BytesIO()
    with tarfile.open(fileobj=made, mode="w:gz") as file:
        info = tarfile.TarInfo("in.lha")
        info.size = len(LEVEL_1)
        file.addfile(info, io.BytesIO(LEVEL_1))
    path = saved(tmp_path, made.getvalue(), "x.tar.gz")
    assert run("inspect", path, "--json").document["format"] == "tar.gz"
    names = [member["name"] for member in run("inspect", path, "--json", "--nested", "1").document["members"]]
    assert names == ["in.lha", "in.lha/sub/hello.txt"]


@pytest.mark.parametrize("options", [[], ["-J"], ["-R"]], ids=["plain", "joliet", "rock-ridge"])
def test_disc_images(tmp_path: Path, options: list[str]) -> None:
    """An image made by genisoimage: recognised (ECMA-119 8.1.2), every file's bytes hashed, unpacked again."""
    files = {"HELLO.TXT": HELLO, "SUB/LONG.BIN": bytes(range(256)) * 40, "SUB/EMPTY.TXT": b""}
    for name, data in files.items():
        (tmp_path / "tree" / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / "tree" / name).write_bytes(data)
    image = tmp_path / "x.iso"
    made = [program("genisoimage"), "-quiet", *options, "-o", image, tmp_path / "tree"]
    subprocess.run(made, check=True, capture_output=True)
    ran = run("inspect", image, "--json")
    assert (ran.code, ran.document["format"], ran.document["problems"]) == (0, "iso9660", [])
    hashes = {m["name"].upper(): m["sha256"] for m in ran.document["members"] if m["kind"] == "file"}
    assert hashes == {name: hashlib.sha256(data).hexdigest() for name, data in files.items()}
    assert run("unpack", image, tmp_path / "out").code == 0
    out = tmp_path / "out"
    assert {str(p.relative_to(out)).upper(): p.read_bytes() for p in out.rglob("*.*")} == files
    assert not is_disc_image(saved(tmp_path, LEVEL_1))


def test_a_broken_disc_of_udf_alone_is_called_that(tmp_path: Path) -> None:
    """It has no ISO 9660 descriptors: its recognition structures begin in sector 16 (ECMA-167 2/8.3)."""
    data = bytearray(64 * 2048)
    for sector, mark in ((16, b"BEA01"), (17, b"NSR02"), (18, b"TEA01")):
        data[sector * 2048 : sector * 2048 + 7] = b"\0" + mark + b"\1"
    (tmp_path / "x.img").write_bytes(data)
    (fault,) = inspect(tmp_path / "x.img").errors
    assert "its UDF tree cannot be read" in str(fault)


def nested_bomb() -> bytes:
    """A ZIP of 13 KB: in each of five levels a megabyte of zeros and ten of the level below."""
    inner, kind = bytes(400_000), ""
    for _ in range(5):
        made = io.BytesIO()
        with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as packed:
            packed.writestr("fill", bytes(1_000_000))
            for number in range(10):
                packed.writestr(f"{number}{kind}", inner)
        inner, kind = made.getvalue(), ".zip"
    return inner


WATCH = """
import json, os, resource, subprocess, sys, time
child, peak = subprocess.Popen(sys.argv[2:], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL), 0
os.set_blocking(child.stdout.fileno(), False)
said = b""
while child.poll() is None:
    said += child.stdout.read() or b""
    sizes = 0
    for base, _, names in os.walk(sys.argv[1]):
        for name in names:
            try:
                sizes += os.stat(os.path.join(base, name)).st_size
            except OSError:
                pass
    peak = max(peak, sizes)
    time.sleep(0.005)
used = resource.getrusage(resource.RUSAGE_CHILDREN)
said += child.stdout.read() or b""
print(json.dumps([child.returncode, peak, used.ru_maxrss * 1024, len(said), b"reach the limits of all" in said]))
"""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="getrusage(2) tells kilobytes on Linux alone")
def test_archives_in_archives_are_bounded_on_disk_and_in_memory(tmp_path: Path) -> None:
    """40 GB and ten thousand archives' fill claimed: what lies in the folder for temporary files at any time stays
    below the 64 MiB of one that is so small, over all levels; the rest is told as not opened."""
    path, scratch = saved(tmp_path, nested_bomb(), "bomb.zip"), tmp_path / "scratch"
    scratch.mkdir()
    assert path.stat().st_size < 14_000
    call = [sys.executable, "-m", "discprep", "inspect", path, "--nested", "5", "--json"]
    watched = [sys.executable, "-c", WATCH, scratch, *call]
    ran = subprocess.run(watched, env={**os.environ, "TMPDIR": str(scratch)}, capture_output=True, check=True)
    code, peak, memory, said, told = json.loads(ran.stdout)
    assert code == 1 and told
    assert 0 < peak < 64 * 2**20 and memory < 256 * 2**20 and said < 4 * 2**20
    assert list(scratch.iterdir()) == []

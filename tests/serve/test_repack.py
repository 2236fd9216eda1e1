"""Our own small writers, read back by the general-purpose unpackers of Debian and by the layouts' published vectors."""

import io
import os
import subprocess
import zipfile
from pathlib import Path

import pytest
from support.clients import content, random_bytes
from support.programs import program

from discprep.archives.crc import crc16
from discprep.errors import ArchiveError
from discprep.model import Content
from discprep.serve import repack
from discprep.serve.crossing import trim
from discprep.serve.repack import Entry

NOON = 1_772_600_768  # 2026-03-04 05:06:08
FILES = {
    "README": b"Reading room\n" * 500,
    "NET/STACK/LINE.CFG": b"rate=57600\r\n",
    "NET/EMPTY.DAT": b"",
    "PICTURES/ROOM.IMG": random_bytes(200_000),
    "CAF\u00c9.TXT": b"menu",
}


def entries(folder: Path, names: dict[str, bytes] | None = None) -> list[Entry]:
    return [Entry(name, content(folder, name, data), NOON) for name, data in (names or FILES).items()]


def written(folder: Path, shape: str, charset: str = "latin-1", system: str = "dos") -> Path:
    path = folder / f"packed.{shape}"
    with path.open("w+b") as file:
        repack.writer(shape, charset, system)(file, entries(folder))
    return path


def run(*words: str | Path, cwd: Path | None = None) -> bytes:
    done = subprocess.run([*map(str, words)], capture_output=True, cwd=cwd, timeout=60)
    assert done.returncode == 0, (words, done.stdout[-300:], done.stderr[-300:])
    return done.stdout


def tree(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.mark.parametrize("shape", ["zip", "zip-stored"])
def test_zip_is_read_by_unzip_and_7z(tmp_path: Path, shape: str) -> None:
    path = written(tmp_path, shape, "cp437")
    out, other = tmp_path / "out", tmp_path / "7z"
    run(program("unzip"), "-tq", path)
    run(program("unzip"), "-q", "-d", out, path)
    run(program("7z", "p7zip-full"), "x", f"-o{other}", path)
    plain = {name: data for name, data in FILES.items() if name.isascii()}
    for folder in (out, other):
        assert plain.items() <= tree(folder).items()
        assert len(tree(folder)) == len(FILES)
    with zipfile.ZipFile(path) as archive:
        assert {i.compress_type for i in archive.infolist()} <= {0, 8}
        assert archive.getinfo("README").date_time == (2026, 3, 4, 5, 6, 8)
        assert archive.getinfo("PICTURES/ROOM.IMG").compress_type == 0, "what deflate makes no smaller is stored"
        assert archive.getinfo("CAF\u00c9.TXT").flag_bits == 0, "no UTF-8 flag, which old unpackers do not know"
        assert (archive.getinfo("README").compress_type == 8) == (shape == "zip")


def test_empty_zip_is_the_published_one() -> None:
    """APPNOTE 4.3.16: the end record alone."""
    out = io.BytesIO()
    repack.write_zip(out, [], deflate=True)
    assert out.getvalue() == b"PK\5\6" + b"\0" * 18


def test_tar_is_read_by_tar_and_bsdtar(tmp_path: Path) -> None:
    path = written(tmp_path, "tar", "utf-8")
    assert path.stat().st_size % 10_240 == 0
    for name in ("tar", "bsdtar"):
        out = tmp_path / name
        out.mkdir()
        run(program(name, "libarchive-tools"), "-xf", path, "-C", out)
        assert tree(out) == FILES
    assert (tmp_path / "tar" / "README").stat().st_mtime == NOON


def test_tar_header_is_the_published_one(tmp_path: Path) -> None:
    """ustar, name hello.txt, mode 0644, ids 0, 12 bytes, time 0, no user name: sum 007604 octal (Python's tarfile)."""
    entry = Entry("hello.txt", content(tmp_path, "h", b"hello world\n"), 0)
    out = io.BytesIO()
    repack.write_tar(out, [entry])
    assert out.getvalue()[148:156] == b"007604\0 "


def test_long_tar_names_use_the_prefix(tmp_path: Path) -> None:
    """POSIX.1-1988: up to 155 bytes of folders before up to 100 of name."""
    name = "/".join(["FOLDER12"] * 14) + "/" + "N" * 90
    out = tmp_path / "t.tar"
    with out.open("wb") as file:
        repack.write_tar(file, entries(tmp_path, {name: b"x"}))
    assert run(program("tar"), "-tf", out).decode().strip() == name
    with pytest.raises(ArchiveError, match="too long"):
        repack.write_tar(io.BytesIO(), entries(tmp_path, {"N" * 101: b"x"}))


@pytest.mark.parametrize("system", ["dos", "68k"])
def test_lha_is_read_by_lhasa_and_7z(tmp_path: Path, system: str) -> None:
    path = written(tmp_path, "lha", "latin-1", system)
    out = tmp_path / "out"
    out.mkdir()
    run(program("lhasa"), "t", path)
    run(program("lhasa"), "xq", path, cwd=out)
    assert sorted(tree(out).values()) == sorted(FILES.values())
    assert {"NET/STACK/LINE.CFG"} <= {name.upper() for name in tree(out)}
    run(program("7z", "p7zip-full"), "t", path)


def test_lha_header_is_the_published_one(tmp_path: Path) -> None:
    """Against a level-1 archive of OS 'A' that lhasa, lsar and 7-Zip accept; its name field has a comment more."""
    entry = Entry("sub/hello.txt", content(tmp_path, "h", b"hello world\n"), NOON, 0x02, "68k")
    out = io.BytesIO()
    repack.write_lha(out, [entry], system="68k")
    ours = bytearray(out.getvalue())
    published = bytearray.fromhex(
        "27ee2d6c68302d180000000c000000c428645c02010e68656c6c6f2e747874006e6f7465789741070002737562ff050000f73d0000"
        "68656c6c6f20776f726c640a00"
    )
    assert ours[1] == sum(ours[2 : 2 + ours[0]]) & 0xFF
    found, ours[44:46], published[49:51] = bytes(ours[44:46]), b"\0\0", b"\0\0"
    assert (ours[2:21], ours[22:31]) == (published[2:21], b"hello.txt")
    assert ours[31:] == published[36:]
    assert int.from_bytes(found, "little") == crc16(bytes(ours[:48]), 0), "over the header with its own two bytes zero"


@pytest.mark.parametrize("shape", ["zip-stored", "tar", "lha"])
def test_the_length_is_told_beforehand(tmp_path: Path, shape: str) -> None:
    """What the plan reckons with is what the unpackers above have read, to the byte."""
    written_bytes = written(tmp_path, shape).stat().st_size
    assert repack.stored_bytes(shape, [(name, len(data)) for name, data in FILES.items()]) == written_bytes
    with (tmp_path / "empty").open("w+b") as file:
        repack.writer(shape, "latin-1", "dos")(file, [])
        assert repack.stored_bytes(shape, []) == file.tell()


@pytest.mark.parametrize("shape", ["zip", "zip-stored", "tar", "lha"])
def test_same_members_same_bytes(tmp_path: Path, shape: str) -> None:
    first = written(tmp_path, shape).read_bytes()
    (tmp_path / "again").mkdir()
    assert written(tmp_path / "again", shape).read_bytes() == first


@pytest.mark.parametrize(
    ("write", "entry", "words"),
    [
        (repack.write_lha, Entry("N" * 231, Content(Path("x"), 0, 0, "")), "too long"),
        (repack.write_tar, Entry("\u0141.TXT", Content(Path("x"), 0, 0, "")), "latin-1 lacks"),
        (repack.write_tar, Entry("A", Content(Path("x"), 0, 2**33, "")), "8 GiB"),
    ],
)
def test_what_a_container_cannot_hold_is_said(tmp_path: Path, write: object, entry: Entry, words: str) -> None:
    (tmp_path / "x").write_bytes(b"")
    entry = Entry(entry.name, Content(tmp_path / "x", 0, entry.content.size_bytes, ""))
    with pytest.raises(ArchiveError, match=words):
        write(io.BytesIO(), [entry])


def test_a_file_that_shrinks_is_noticed(tmp_path: Path) -> None:
    entry = Entry("A", Content(tmp_path / "x", 0, 10, ""))
    (tmp_path / "x").write_bytes(b"12345")
    with pytest.raises(ArchiveError, match="changed"):
        repack.write_zip(io.BytesIO(), [entry], deflate=False)


@pytest.mark.parametrize(
    ("time_s", "word"),
    [(NOON, 0x5C6428C4), (329692014, 0x00CCA8DB), (0, 0x00210000), (None, 0x00210000), (2**40, 0xFF9FBF7D)],
)
def test_dos_time(time_s: int | None, word: int) -> None:
    """Vectors of the DOS date layout (ECMA-107 11.2): 2026-03-04 05:06:08, 1980-06-12 21:06:54, the first, the last."""
    assert repack.dos_time(time_s) == word


def test_packed_files_nobody_asks_for_go(tmp_path: Path) -> None:
    """What was last used longer ago than that goes; the rest, and what is no packed file, stays."""
    for name, days in (("packed-old.zip", 91), ("packed-new.zip", 89), ("other", 400)):
        (tmp_path / name).write_bytes(b"x")
        os.utime(tmp_path / name, (0, 1_000_000_000 - days * 86_400))
    trim(tmp_path, 1_000_000_000)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["other", "packed-new.zip"]
    trim(tmp_path / "nowhere", 0)

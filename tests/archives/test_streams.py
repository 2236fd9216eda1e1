"""gz, bz2 and xz: single files, what they are called, damage, and the tars and images inside them."""

import bz2
import gzip
import io
import lzma
import random
import subprocess
import tarfile
from pathlib import Path

import pytest
from support.decoding import decode_here
from support.programs import program

from discprep.archives import streams
from discprep.archives.streams import KINDS, inner_name
from discprep.model import Limits

HELLO = b"hello world\n"
GZ_HELLO = bytes.fromhex("1f8b0800000000000203cb48cdc9c95728cf2fca49e102002d3b08af0c000000")
GZ_EMPTY = bytes.fromhex("1f8b08000000000000ff03000000000000000000")  # RFC 1952 2.3: header, empty block, sums
PACK = {"gz": lambda data: gzip.compress(data, mtime=0), "bz2": bz2.compress, "xz": lzma.compress}


@pytest.mark.parametrize("kind", ["gz", "bz2", "xz"])
@pytest.mark.parametrize("size", [0, 12, 65_536, 3_000_000])
def test_single_files(tmp_path: Path, kind: str, size: int) -> None:
    """One member, its bytes as Python's own compressors packed them."""
    data = (HELLO * (size // 12 + 1))[:size]
    found = decode_here(PACK[kind](data), tmp_path, name=f"text.txt.{kind}")
    assert (found.summary.format, found.names, found.problems) == (kind, ["text.txt"], [])
    assert found.content(0) == data


@pytest.mark.parametrize(("packed", "data"), [(GZ_HELLO, HELLO), (GZ_EMPTY, b"")])
def test_gz_by_the_byte(tmp_path: Path, packed: bytes, data: bytes) -> None:
    """Two files written out from RFC 1952."""
    assert decode_here(packed, tmp_path).content(0) == data


@pytest.mark.parametrize("kind", ["gz", "bz2", "xz"])
def test_concatenated_streams_and_padding(tmp_path: Path, kind: str) -> None:
    """Several streams are one file (RFC 1952 2.2); zeros at the end are padding."""
    packed = PACK[kind](HELLO) + PACK[kind](b"more") + bytes(8)
    found = decode_here(packed, tmp_path)
    assert (found.content(0), found.problems) == (HELLO + b"more", [])


@pytest.mark.parametrize("kind", ["gz", "bz2", "xz"])
def test_cut_files(tmp_path: Path, kind: str) -> None:
    """A stream that ends before its end is damage, wherever it is cut; gzip, bzip2 and xz say the same."""
    packed = PACK[kind](random.Random(1).randbytes(2000))
    for cut in range(len(streams.KINDS[0].magic) + 4, len(packed), 97):
        problems = decode_here(packed[:cut], tmp_path, name=f"x.{kind}").problems
        assert problems, cut


@pytest.mark.parametrize("kind", ["gz", "bz2", "xz"])
def test_changed_bytes_are_found(tmp_path: Path, kind: str) -> None:
    """Each format's own checksums notice; the problem says how far it unpacked."""
    packed = bytearray(PACK[kind](random.Random(2).randbytes(5000)))
    packed[len(packed) // 2] ^= 0x10
    assert "damaged after" in decode_here(bytes(packed), tmp_path).problems[0]


@pytest.mark.parametrize("kind", ["gz", "bz2", "xz"])
def test_appended_bytes_are_a_problem(tmp_path: Path, kind: str) -> None:
    """What belongs to no stream could be anything; gzip calls it trailing garbage."""
    assert "belong to no stream" in decode_here(PACK[kind](HELLO) + b"payload", tmp_path).problems[0]


def test_reserved_flags(tmp_path: Path) -> None:
    """RFC 1952 2.3.1.2: reserved bits must be zero."""
    packed = GZ_HELLO[:3] + b"\x80" + GZ_HELLO[4:]
    assert "reserved flags" in decode_here(packed, tmp_path).problems[0]


def test_stored_name_and_time_are_told_not_followed(tmp_path: Path) -> None:
    """FNAME is kept as stored; the file is called after its own name, and a path in FNAME leads nowhere."""
    made = io.BytesIO()
    with gzip.GzipFile("../../evil.txt", "wb", fileobj=made, mtime=1_772_600_768) as file:
        file.write(HELLO)
    member = decode_here(made.getvalue(), tmp_path, name="good.txt.gz").entries[0].member
    assert (member.name, member.time_s) == ("good.txt", 1_772_600_768)
    assert member.raw_name.endswith(b"evil.txt")
    assert decode_here(made.getvalue(), tmp_path, name="good").entries[0].member.name == "evil.txt"


@pytest.mark.parametrize(
    ("name", "inner"),
    [("a.txt.gz", "a.txt"), ("a.TGZ", "a.tar"), ("disk.adz", "disk.adf"), (".gz", ""), ("a", ""), ("d/e.gz", "e")],
)
def test_inner_names(name: str, inner: str) -> None:
    """The suffix goes, or becomes what the file is unpacked."""
    assert inner_name(KINDS[0], name) == inner


@pytest.mark.parametrize("kind", ["gz", "bz2", "xz"])
def test_bombs_end_at_the_limits(tmp_path: Path, kind: str) -> None:
    """Zeros of 20 MB: refused by ratio, or by size where ratio does not matter; nothing comes out."""
    packed = PACK[kind](bytes(20_000_000))
    by_ratio = decode_here(packed, tmp_path, limits=Limits(ratio_bytes=2**20, ratio=100))
    by_size = decode_here(packed, tmp_path, limits=Limits(member_bytes=10**6, ratio=0))
    assert "grows more than 100 times" in by_ratio.problems[0]
    assert "beyond the limit of 1.00 MB" in by_size.problems[0]
    assert by_ratio.data == by_size.data == b""


def test_xz_that_wants_too_much_memory(tmp_path: Path) -> None:
    """A dictionary of 256 MiB is refused by the decoder's memory limit."""
    filters = [{"id": lzma.FILTER_LZMA2, "preset": 0, "dict_size": 2**28}]
    packed = lzma.compress(HELLO, filters=filters)
    assert decode_here(packed, tmp_path).problems


def tarred() -> bytes:
    made = io.BytesIO()
    with tarfile.open(fileobj=made, mode="w", format=tarfile.USTAR_FORMAT) as file:
        for name, data in (("d/a.txt", HELLO), ("d/b.txt", HELLO * 3000)):
            info = tarfile.TarInfo(name)
            info.size = len(data)
            file.addfile(info, io.BytesIO(data))
    return made.getvalue()


@pytest.mark.parametrize("kind", ["gz", "bz2", "xz"])
def test_compressed_tars_are_opened(tmp_path: Path, kind: str) -> None:
    """A tar inside is what the user means."""
    found = decode_here(PACK[kind](tarred()), tmp_path, name=f"x.tar.{kind}")
    assert (found.summary.format, found.names, found.problems) == (f"tar.{kind}", ["d/a.txt", "d/b.txt"], [])
    assert found.content(1) == HELLO * 3000


def test_cut_tar_gz_gives_what_is_whole(tmp_path: Path) -> None:
    """Members before the cut are read; the file says both that it is cut and what is missing."""
    packed = gzip.compress(tarred()[:1024] + random.Random(3).randbytes(20_000), mtime=0)
    found = decode_here(packed[:-4000], tmp_path, name="x.tar.gz")
    assert found.summary.format == "tar.gz"
    assert found.content(0) == HELLO
    assert any("the gz layer: it ends before its end" in problem for problem in found.problems)


def test_compressed_floppy_images_are_opened(tmp_path: Path) -> None:
    """An image made by mkfs.fat and filled by mcopy, packed by Python's gzip."""
    image = tmp_path / "disk.img"
    subprocess.run([program("mkfs.fat", "dosfstools"), "-C", image, "720"], check=True, capture_output=True)
    (tmp_path / "README.TXT").write_bytes(HELLO)
    subprocess.run([program("mcopy", "mtools"), "-i", image, tmp_path / "README.TXT", "::"], check=True)
    found = decode_here(gzip.compress(image.read_bytes()), tmp_path, name="disk.img.gz")
    assert (found.summary.format, found.problems) == ("fat12.gz", [])
    assert found.content(found.names.index("README.TXT")) == HELLO


def test_archives_inside_stay_members(tmp_path: Path) -> None:
    """Another archive inside is a member, opened only when the manifest says how deep."""
    from support.lha import LEVEL_1

    found = decode_here(gzip.compress(LEVEL_1), tmp_path, name="x.lha.gz")
    assert (found.summary.format, found.names) == ("gz", ["x.lha"])
    assert found.content(0) == LEVEL_1

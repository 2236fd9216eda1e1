"""Whole LHA archives: decoders and their checks, damage, what stands before and after the members.

Judges from outside: lhasa (its `t` and `x`), archives packed by jlha, and packed streams on which two independent
decoders agree.
"""

import hashlib
import random
import subprocess
from pathlib import Path
from typing import Any

import pytest
from support.decoding import decode_here
from support.lha import (
    BOMB,
    BOMB_BYTES,
    HELLO,
    HELLO_20,
    LEVEL_0,
    LEVEL_1,
    LEVEL_2,
    LEVEL_3,
    LH5_HELLO_20,
    LH7_HELLO_20,
    Made,
    archive,
    resum,
)
from support.programs import program

from discprep.archives import lha_decode
from discprep.archives.lha_headers import Header
from discprep.model import Limits


def packed(method: bytes, level: int = 1, name: bytes = b"hello20.txt") -> Made:
    stream = LH5_HELLO_20 if method in (b"-lh4-", b"-lh5-") else LH7_HELLO_20
    return Made(name=name, data=HELLO_20, packed=stream, method=method, level=level)


@pytest.mark.parametrize("whole", [LEVEL_0, LEVEL_1, LEVEL_2, LEVEL_3], ids=["0", "1", "2", "3"])
def test_reference_archives(tmp_path: Path, whole: bytes) -> None:
    """Each level's archive of one stored file."""
    found = decode_here(whole, tmp_path)
    assert [name.lower() for name in found.names] == ["sub/hello.txt"]
    assert found.content(0) == HELLO
    assert found.entries[0].computed == "crc16 9778"
    assert (found.problems, found.summary.format, found.summary.notices) == ([], "lha", ())


@pytest.mark.parametrize("method", [b"-lh4-", b"-lh5-", b"-lh6-", b"-lh7-"])
@pytest.mark.parametrize("level", [0, 1, 2, 3])
def test_methods_in_every_level(tmp_path: Path, method: bytes, level: int) -> None:
    """Streams on which lzhlib and liblhasa agree: "hello world" twenty times, CRC E2FF."""
    found = decode_here(archive(packed(method, level)), tmp_path)
    assert found.content(0) == HELLO_20
    assert found.entries[0].computed == "crc16 e2ff"


@pytest.mark.parametrize("method", [b"-lh0-", b"-lz4-", b"-pm0-"])
def test_stored_methods(tmp_path: Path, method: bytes) -> None:
    """All stored methods hold the bytes themselves (header.doc.md)."""
    assert decode_here(archive(Made(method=method)), tmp_path).content(0) == HELLO


@pytest.mark.parametrize("name", ["lzhlib", "pylhasa", ""])
def test_each_decoder_alone(tmp_path: Path, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A host with only one of the two libraries, or with none, reads these methods all the same."""
    if name:
        pytest.importorskip(name)
    monkeypatch.setattr(lha_decode, "_installed", lambda library: library == name)
    for method in (b"-lh4-", b"-lh5-", b"-lh6-", b"-lh7-"):
        assert decode_here(archive(packed(method)), tmp_path).content(0) == HELLO_20


def test_the_fast_decoder_is_asked_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A small member that it gets wrong goes to the other library at once, or to the decoder of our own."""
    lzhlib = pytest.importorskip("lzhlib")
    asked: list[int] = []

    def session(*given: Any) -> Any:
        asked.append(1)
        return decoder(*given)

    decoder = lzhlib.LZHDecodeSession
    monkeypatch.setattr(lzhlib, "LZHDecodeSession", session)
    # The first 1,000 of the stream's spaces (CRC E465 by liblhasa), which lzhlib gives as zero bytes.
    spaces = archive(Made(packed=BOMB, method=b"-lh5-", size=1000, crc=0xE465))
    assert decode_here(spaces, tmp_path).content(0) == b" " * 1000
    assert len(asked) == 1
    monkeypatch.setattr(lha_decode, "_installed", lambda library: library == "lzhlib")
    assert decode_here(spaces, tmp_path).content(0) == b" " * 1000
    assert len(asked) == 2


def test_large_packed_data_goes_through_a_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Above a bound pylhasa reads its one-member archive from the scratch folder, and nothing is left there."""
    pytest.importorskip("pylhasa")
    monkeypatch.setattr(lha_decode, "IN_MEMORY_BYTES", 4)
    monkeypatch.setattr(lha_decode, "_installed", lambda library: library == "pylhasa")
    assert decode_here(archive(packed(b"-lh5-")), tmp_path).content(0) == HELLO_20
    assert sorted(path.name for path in tmp_path.iterdir()) == ["archive", "data"]


def test_window_of_spaces(tmp_path: Path) -> None:
    """A stream that refers before its beginning gets spaces; lzhlib alone gives zero bytes (33,553,920 of them)."""
    found = decode_here(archive(Made(data=b" " * BOMB_BYTES, packed=BOMB, method=b"-lh5-", crc=0x8CD5)), tmp_path)
    assert found.problems == []
    assert found.entries[0].sha256 == hashlib.sha256(b" " * BOMB_BYTES).hexdigest()
    assert found.entries[0].computed == "crc16 8cd5"


def test_output_is_bounded_by_the_declared_size(tmp_path: Path) -> None:
    """A stream of 33 MB declared as 1,000 bytes gives 1,000 (CRC E465), which the stored CRC then refuses."""
    found = decode_here(archive(Made(packed=BOMB, method=b"-lh5-", size=1000, crc=0x8CD5)), tmp_path)
    assert "expected crc16 8cd5, got crc16 e465" in found.entries[0].problem
    assert found.entries[0].computed == "crc16 e465"
    assert found.data == b""


@pytest.mark.parametrize(
    ("limits", "message"),
    [
        (Limits(), "grow more than 1000 times"),
        (Limits(member_bytes=2**20), "more than the limit"),
        (Limits(total_bytes=2**20, ratio=0), "the archive would be more than"),
    ],
)
def test_bombs_are_refused_before_they_are_decoded(tmp_path: Path, limits: Limits, message: str) -> None:
    """By declared size, by total and by ratio, so that nothing is written."""
    size = BOMB_BYTES * 4
    found = decode_here(
        archive(Made(packed=BOMB, method=b"-lh5-", size=size), Made(name=b"x")), tmp_path, limits=limits
    )
    assert message in found.entries[0].problem
    assert found.data == HELLO


@pytest.mark.parametrize("method", [b"-lh2-", b"-lh3-", b"-lh8-", b"-lz9-", b"-xyz-"])
def test_unknown_method_hurts_one_member(tmp_path: Path, method: bytes) -> None:
    """Methods without a correct decoder are refused by name; the others stay readable."""
    found = decode_here(archive(Made(name=b"a"), Made(name=b"b", method=method), Made(name=b"c")), tmp_path)
    assert [bool(entry.problem) for entry in found.entries] == [False, True, False]
    assert method.decode() in found.entries[1].problem
    assert (found.content(0), found.content(2)) == (HELLO, HELLO)
    found = decode_here(archive(Made(name=b"a", method=method), Made(name=b"b")), tmp_path)
    assert [bool(entry.problem) for entry in found.entries] == [True, False]


def test_odd_lh7_gets_its_own_wrapper() -> None:
    """The DOS clone's -lh7- is known by level 1 and system id 20 hex, and handed on so (lhasa's header code)."""
    odd = Header(0, 1, "-lh7-", 25, 240, 0, 0x20, os_id=" ")
    assert lha_decode.wrapper(odd)[20] == 1
    assert "lzhlib" not in lha_decode.decoders(odd)
    assert lha_decode.wrapper(Header(0, 1, "-lh7-", 25, 240, 0, 0x20, os_id="U"))[20] == 2


def test_wrapper_of_large_sizes() -> None:
    """Sizes beyond 32 bits stand in extended header 0x42."""
    whole = lha_decode.wrapper(Header(0, 2, "-lh5-", 2**33, 2**34, 0, 0x20))
    assert whole[7:15] == b"\xff" * 8
    assert (2**33).to_bytes(8, "little") + (2**34).to_bytes(8, "little") in whole


# ------------------------------------------------------------------------------------------------- damage


def flipped(data: bytes, at: int) -> bytes:
    return data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :]


@pytest.mark.parametrize(
    ("damaged", "message"),
    [
        (flipped(LEVEL_0, 1), "header sum"),
        (LEVEL_0[:20] + b"\4" + LEVEL_0[21:], "level 4 is unknown"),
        (LEVEL_0[:45], "ends inside its packed data: 8 of 12"),
        (LEVEL_0[:30], "ends inside a header"),
        (flipped(LEVEL_0, 37), "expected crc16 9778"),
        (resum(LEVEL_1[:7] + b"\5\0\0\0" + LEVEL_1[11:]), "extended header is longer"),
        (flipped(LEVEL_2, 27), "header CRC"),
        (archive(Made(packed=HELLO + b"hidden", packed_size=18)), "stored, yet takes 18 bytes for 12"),
        (archive(packed(b"-lh5-"))[:-10], "ends inside its packed data"),
    ],
)
def test_damage_is_reported(tmp_path: Path, damaged: bytes, message: str) -> None:
    """Sums, lengths and checksums that disagree, each in words; nothing comes out as whole."""
    found = decode_here(damaged, tmp_path)
    assert any(message in problem for problem in found.problems), found.problems
    assert not any(entry.sha256 for entry in found.entries)


def three(middle: bytes) -> bytes:
    return archive(Made(name=b"a", level=2, header_crc=True), middle, Made(name=b"c", level=2, header_crc=True))


@pytest.mark.parametrize("at", range(22))
@pytest.mark.parametrize("level", [0, 1, 2, 3])
def test_members_around_a_damaged_header_stay_readable(tmp_path: Path, at: int, level: int) -> None:
    """Whatever byte of the middle header changes, the first and the last member are read and something is said."""
    middle = bytearray(bytes(Made(name=b"b", level=level, header_crc=level > 0)))
    middle[at] ^= 0x55
    found = decode_here(three(bytes(middle)), tmp_path)
    whole = {entry.member.name for entry in found.entries if entry.sha256}
    assert {"a", "c"} <= whole
    assert found.problems or found.summary.notices


def test_damaged_data_hurts_one_member(tmp_path: Path) -> None:
    """A changed byte of packed data is that member's checksum error."""
    made = bytes(packed(b"-lh5-", 2))
    found = decode_here(three(flipped(made, len(made) - 5)), tmp_path)
    assert [bool(entry.sha256) for entry in found.entries] == [True, False, True]


def test_wrong_size_in_a_damaged_header_is_not_followed(tmp_path: Path) -> None:
    """A header whose sum is wrong may lie about its size: the next header is searched for."""
    middle = bytearray(bytes(Made(name=b"b", level=0, packed_size=9999, size=9999)))
    middle[1] ^= 1
    found = decode_here(three(bytes(middle)), tmp_path)
    assert found.names == ["a", "b", "c"]
    assert any("were skipped to the next member" in problem for problem in found.problems)
    assert found.content(2) == HELLO


# ------------------------------------------------------------------------------- before, between and after


@pytest.mark.parametrize(
    ("after", "notice"),
    [
        (b"", "mark at the end of the archive is missing"),
        (b"\0", ""),
        (b"\0\0\0\0", "3 bytes stand after the end mark"),
        (b"\0junk behind it", "14 bytes stand after the end mark"),
        (b"\x1a" * 70, "70 bytes of padding"),
        (b"\0" + LEVEL_2, "second archive begins at byte 50"),
    ],
)
def test_ends_of_archives(tmp_path: Path, after: bytes, notice: str) -> None:
    """A missing mark, padding and junk are remarks: the members are whole (as lhasa reads them)."""
    found = decode_here(LEVEL_0[:-1] + after, tmp_path)
    assert found.problems == []
    assert bool(notice) == bool(found.summary.notices)
    assert notice in " ".join(found.summary.notices)


def test_cut_between_members_is_a_remark_cut_inside_is_not(tmp_path: Path) -> None:
    """A file that ends in a following header has lost a member."""
    found = decode_here(LEVEL_0[:-1] + LEVEL_2[:12], tmp_path)
    assert any("ends inside a header" in problem for problem in found.problems)


@pytest.mark.parametrize("size", [60, 4096, 66_532, 262_000])
def test_stubs(tmp_path: Path, size: int) -> None:
    """Self-extractors of 60 to 66,532 bytes were seen; lhasa looks through 256 KiB."""
    text = b"MZ -lh5- usage text -lhd- with ids in it "
    stub = (text * (size // len(text) + 1))[:size]
    found = decode_here(stub + LEVEL_1, tmp_path)
    assert found.summary.format == "lha"
    assert found.content(0) == HELLO
    assert f"{size} bytes stand before the first header" in found.summary.notices[0]


def test_a_host_so_slow_that_every_answer_is_sent_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The last answer comes when the members' bytes stand in a closed file: there is nothing left to flush."""
    monkeypatch.setattr("discprep.archives.worker.FLUSH_S", -1.0)
    assert decode_here(LEVEL_1, tmp_path).content(0) == HELLO


def test_a_stub_with_an_archive_of_its_own(tmp_path: Path) -> None:
    """Seen in a historical self-extractor: the program carries its manual as an archive, with an end mark; lhasa reads
    the archive behind it."""
    manual = LEVEL_0
    found = decode_here(b"program " * 100 + manual + b"more program " * 40 + LEVEL_1, tmp_path)
    assert [entry.member.name for entry in found.entries] == ["sub/hello.txt"]
    assert found.content(0) == HELLO and not found.problems


def test_the_mark_of_an_8_bit_self_extractor(tmp_path: Path) -> None:
    """Its program has -pms- where a method would stand, and no level that is known; lhasa passes it by."""
    stub = b"\x18\x79-pms-S\x08\x00\x00" + b"\xd7\x0d\x0asfx" + bytes(200)
    found = decode_here(stub + LEVEL_1, tmp_path)
    assert found.content(0) == HELLO and not found.problems


def test_stub_beyond_reach_is_no_archive(tmp_path: Path) -> None:
    """A header that far inside a file is something else's data."""
    assert decode_here(bytes(300_000) + LEVEL_1, tmp_path).summary.format == "file"


def test_damaged_file_named_as_archive(tmp_path: Path) -> None:
    """A page of text saved under an archive's name is a problem, an unknown file under another name is not."""
    page = b"<html><body>moved</body></html>"
    assert "named as an archive, but is none" in decode_here(page, tmp_path).problems[0]
    found = decode_here(page, tmp_path, name="page.html")
    assert found.problems == []
    assert found.entries[0].sha256 == hashlib.sha256(page).hexdigest()


# ------------------------------------------------------------------------------------ against other programs


def random_text(size: int, seed: int) -> bytes:
    source = random.Random(seed)
    words = [bytes(source.choices(b"abcdefghijklmnopqrstuvwxyz", k=source.randint(1, 9))) for _ in range(300)]
    text = b" ".join(source.choices(words, k=size // 4))
    return text[:size]


@pytest.mark.parametrize("level", [0, 1, 2])
@pytest.mark.parametrize("method", ["o5", "o6", "o7", "z"])
def test_archives_packed_by_jlha(tmp_path: Path, level: int, method: str) -> None:
    """jlha's levels and methods, files of 0 bytes to 300 KB in folders: the same bytes, and lhasa agrees."""
    jlha, lhasa = program("jlha"), program("lhasa")
    files = {f"d/{n}.txt": random_text(size, n) for n, size in enumerate([0, 1, 7, 300, 4096, 70_000, 300_000])}
    (tmp_path / "d").mkdir()
    for name, data in files.items():
        (tmp_path / name).write_bytes(data)
    subprocess.run([jlha, f"-a{method}{level}", "x.lzh", *files], cwd=tmp_path, check=True, capture_output=True)
    found = decode_here((tmp_path / "x.lzh").read_bytes(), tmp_path)
    assert found.problems == []
    assert {name: found.content(n) for n, name in enumerate(found.names)} == files
    subprocess.run([lhasa, "t", "x.lzh"], cwd=tmp_path, check=True, capture_output=True)


@pytest.mark.parametrize("library", ["lzhlib", "pylhasa", ""])
def test_each_decoder_alone_on_a_large_file(tmp_path: Path, library: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A megabyte packed by jlha, far more than any window or buffer, by either library without the other's help, and
    by neither."""
    if library:
        pytest.importorskip(library)
    data = random_text(1_000_000, 5)
    (tmp_path / "x.txt").write_bytes(data)
    subprocess.run([program("jlha"), "-ao51", "x.lzh", "x.txt"], cwd=tmp_path, check=True, capture_output=True)
    monkeypatch.setattr(lha_decode, "_installed", lambda name: name == library)
    found = decode_here((tmp_path / "x.lzh").read_bytes(), tmp_path)
    assert (found.problems, found.content(0) == data) == ([], True)


def lz5(data: bytes) -> bytes:
    """Literals only: a flag byte of ones before each eight (lhasa, lib/lz5_decoder.c)."""
    return b"".join(b"\xff" + data[at : at + 8] for at in range(0, len(data), 8))


def lzs(data: bytes) -> bytes:
    """Literals only: a one bit before each byte, highest bit first (lhasa, lib/lzs_decoder.c)."""
    bits = "".join(f"1{byte:08b}" for byte in data)
    return int(bits.ljust(-(-len(bits) // 8) * 8, "0"), 2).to_bytes(-(-len(bits) // 8), "big")


def test_oldest_methods_and_lhx(tmp_path: Path) -> None:
    """Streams written by hand, and -lhx-, which has the position codes of -lh7-; lhasa passes them too."""
    members = [
        Made(name=b"lz5", packed=lz5(HELLO), method=b"-lz5-"),
        Made(name=b"lzs", packed=lzs(HELLO), method=b"-lzs-"),
        Made(name=b"lhx", data=HELLO_20, packed=LH7_HELLO_20, method=b"-lhx-", level=2),
    ]
    (tmp_path / "x.lzh").write_bytes(archive(*members))
    subprocess.run([program("lhasa"), "t", "x.lzh"], cwd=tmp_path, check=True, capture_output=True)
    found = decode_here(archive(*members), tmp_path)
    assert found.problems == []
    assert [found.content(n) for n in range(3)] == [HELLO, HELLO, HELLO_20]


@pytest.mark.parametrize("method", ["-lh1-", "-lz5-", "-lzs-"])
def test_any_bits_decode_as_lhasa_decodes_them(tmp_path: Path, method: str) -> None:
    """No packer of today writes these methods, but any bits are a stream to them: whatever lhasa makes of some, with
    the checksum of that, is what must come out here."""
    lhasa, source = program("lhasa"), random.Random(method)
    made = []
    for n in range(12):
        bits, size = source.randbytes(400), source.choice([20, 200, 500])
        made.append(Made(name=b"%d" % n, packed=bits, method=method.encode(), size=size))
        (tmp_path / "x.lzh").write_bytes(archive(made[-1]))
        made[-1].data = subprocess.run([lhasa, "pq2", "x.lzh"], cwd=tmp_path, check=True, capture_output=True).stdout
    whole = [one for one in made if len(one.data) == one.size]
    found = decode_here(archive(*whole), tmp_path)
    assert found.problems == []
    assert [found.content(n) for n in range(len(whole))] == [one.data for one in whole]
    assert len(whole) == 12


def test_lhasa_reads_what_the_builder_makes(tmp_path: Path) -> None:
    """The hand-made headers these tests rest on are headers to lhasa too, in every level."""
    lhasa = program("lhasa")
    members = [packed(b"-lh5-", level, b"file%d" % level) for level in range(4)]
    members += [Made(name=b"more%d" % level, level=level, header_crc=True) for level in (1, 2, 3)]
    (tmp_path / "x.lzh").write_bytes(archive(*members))
    subprocess.run([lhasa, "xq", "x.lzh"], cwd=tmp_path, check=True, capture_output=True)
    for made in members:
        assert (tmp_path / made.name.decode()).read_bytes() == made.data

"""ZIP against hand-made archives (PKWARE APPNOTE 6.3), and against what unzip, zip and 7z make and accept."""

import random
import struct
import subprocess
import zipfile
from pathlib import Path

import pytest
from support.programs import program
from support.readers import format_of, look
from support.zips import IMPLODE_8K, IMPLODE_LITERALS, Put, archive, deflated, end, imploded, local, shrunk

from discprep.archives import oldzip
from discprep.errors import ArchiveError
from discprep.model import Limits

HELLO = b"hello world\n"
T_2026 = 1772600768  # 2026-03-04 05:06:08, as DOS date 5C64 and time 28C4 (ECMA-107 11.2)


def words(seed: int, count: int = 30_000) -> bytes:
    """Text that packs well and outgrows every table of the old methods."""
    rng = random.Random(seed)
    return b" ".join(rng.choice([b"room", b"shelf", b"lamp", b"%d" % rng.randint(0, 9999)]) for _ in range(count))


# ------------------------------------------------------------------------------------------------ listing


def test_members_as_the_central_directory_has_them(tmp_path: Path) -> None:
    """Name, size, method, time, checksum, attributes and comment of one plain member."""
    seen = look(archive(Put(b"SUB/HELLO.TXT", HELLO, 8, comment=b"a note", external=0x23), comment=b"all"), tmp_path)
    member = seen.members[0]
    assert (member.name, member.raw_name, member.kind) == ("SUB/HELLO.TXT", b"SUB/HELLO.TXT", "file")
    assert (member.size_bytes, member.packed_bytes, member.method) == (12, len(deflated(HELLO)), "deflate")
    assert (member.time_s, member.checksum) == (T_2026, "crc32 af083b2d")
    assert (member.attributes, member.attribute_system, member.comment) == (0x23, "dos", "a note")
    assert seen.contents == {"SUB/HELLO.TXT": HELLO}
    assert seen.whole and seen.format == "zip"


def test_an_empty_archive_is_one(tmp_path: Path) -> None:
    """`504b0506` and 18 zero bytes (APPNOTE 4.3.16)."""
    seen = look(bytes.fromhex("504b0506") + bytes(18), tmp_path)
    assert seen.members == [] and seen.whole


@pytest.mark.parametrize("method", [zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED, zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
def test_methods_of_another_packer(method: int, tmp_path: Path) -> None:
    """What Python's zipfile packs comes out again, in every method it has."""
    contents = {"a/empty": b"", "a/text": words(1), "b": random.Random(2).randbytes(200_000), "c": bytes(3_000_000)}
    path = tmp_path / "made.zip"
    with zipfile.ZipFile(path, "w", method) as made:
        for name, data in contents.items():
            made.writestr(name, data)
    seen = look(path.read_bytes(), tmp_path)
    assert seen.contents == contents and seen.whole


@pytest.mark.parametrize(
    ("put", "charset", "name"),
    [
        (Put(b"\x63\x61\x66\x82"), None, "caf\u00e9"),
        (Put(b"\x63\x61\x66\xe9"), None, "caf\u0398"),
        (Put(b"\x63\x61\x66\xe9"), "latin-1", "caf\u00e9"),
        (Put(b"\x63\x61\x66\xe9", made_by=0x0114), None, "caf\u00e9"),
        (Put("caf\u00e9".encode(), flags=0x800), "latin-1", "caf\u00e9"),
        (Put(b"SUB\\FILE.TXT"), None, "SUB/FILE.TXT"),
        (Put("\u8868/a".encode("cp932")), "cp932", "\u8868/a"),
    ],
    ids=["cp437", "cp437-theta", "charset", "68k host", "bit 11 before charset", "backslash", "0x5C as trail byte"],
)
def test_names(put: Put, charset: str | None, name: str, tmp_path: Path) -> None:
    """APPNOTE 4.4.4 bit 11 and appendix D: UTF-8 or cp437; what else was stored is the user's to say."""
    seen = look(archive(put), tmp_path, charset)
    assert seen.names == [name]
    assert seen.members[0].raw_name == put.name


def test_a_unicode_path_counts_only_for_its_own_name(tmp_path: Path) -> None:
    """Extra field 0x7075 (4.6.9) carries the CRC-32 of the stored name."""
    import zlib

    value = "na\u00efve.txt".encode()

    def extra(raw: bytes) -> bytes:
        return struct.pack("<2HBL", 0x7075, 5 + len(value), 1, zlib.crc32(raw)) + value

    right, stale = Put(b"naive.txt", extra=extra(b"naive.txt")), Put(b"other.txt", extra=extra(b"naive.txt"))
    assert look(archive(right, stale), tmp_path).names == ["na\u00efve.txt", "other.txt"]


def test_a_name_marked_as_utf8_that_is_not(tmp_path: Path) -> None:
    """The member is reported, the next one still reads."""
    seen = look(archive(Put(b"\xff\xfe", flags=0x800), Put(b"good", HELLO)), tmp_path)
    assert "UTF-8" in seen.faults["\u00ff\u00fe"]
    assert seen.contents == {"good": HELLO}


def test_a_nul_in_a_name_hides_nothing(tmp_path: Path) -> None:
    """A name is not cut at NUL: the guard refuses it with the hidden suffix shown."""
    seen = look(archive(Put(b"read.me\0.exe", HELLO)), tmp_path)
    assert seen.names == ["read.me\\x00.exe"]
    assert "control character" in seen.unsafe["read.me\\x00.exe"]


@pytest.mark.parametrize(
    ("made_by", "external", "expected"),
    [
        (0x0014, 0x27, (0x27, "dos")),
        (0x0317, 0o100644 << 16, (0o100644, "unix")),
        (0x0B14, 0x01, (0x01, "dos")),
        (0x0114, (0o2000 | 0b0000_1101) << 16, (0b0000_0010, "68k")),
        (0x0114, (0o2000 | 0b0101_1111) << 16, (0b0101_0000, "68k")),
        (0x0717, 0, (None, "")),
    ],
    ids=["dos", "unix", "ntfs", "68k not executable", "68k script archived", "none"],
)
def test_attributes(made_by: int, external: int, expected: object, tmp_path: Path) -> None:
    """4.4.15; those of the 68k host as zipinfo shows them (next test), 1 = forbidden as the file system has them."""
    member = look(archive(Put(b"x", made_by=made_by, external=external)), tmp_path).members[0]
    assert (member.attributes, member.attribute_system) == expected


def test_68k_attributes_as_zipinfo_shows_them(tmp_path: Path) -> None:
    """zipinfo names each bit of the high half; the four low ones say what is allowed."""
    shown = {}
    for bits in (0b0000_1101, 0b0101_1111, 0b0010_0000):
        path = tmp_path / f"{bits}.zip"
        path.write_bytes(archive(Put(b"x", made_by=0x0114, external=(0o2000 | bits) << 16)))
        listing = subprocess.run([program("zipinfo", "unzip"), path], capture_output=True, text=True, check=True)
        stored = look(path.read_bytes(), tmp_path).members[0].attributes
        assert stored is not None
        flags = "hspa" + "rwed"
        ours = "".join(c if (stored ^ 0x0F) >> 7 - n & 1 else "-" for n, c in enumerate(flags))
        shown[bits] = listing.stdout.splitlines()[2].split()[0][-8:]
        assert ours == shown[bits]
    assert shown[0b0101_1111] == "-s-arwed"


def test_folders_links_and_other_kinds(tmp_path: Path) -> None:
    """A trailing slash, a DOS folder bit, a unix mode; a link's data is its target."""
    seen = look(
        archive(
            Put(b"one/"), Put(b"two", external=0x10), Put(b"link", b"one/x", made_by=0x0317, external=0o120777 << 16),
            Put(b"pipe", made_by=0x0317, external=0o010644 << 16), Put(b"bad/", HELLO),
        ),
        tmp_path,
    )  # fmt: skip
    assert [m.kind for m in seen.members] == ["folder", "folder", "link", "other", "folder"]
    assert seen.member("link").target == "one/x"
    assert seen.contents == {}
    assert "a folder that holds 12 bytes" in seen.faults["bad"]


def test_date_zero_is_no_time(tmp_path: Path) -> None:
    """Month 0 and day 0 are no date (ECMA-107 11.2)."""
    put = Put(b"x", central={"date": 0, "time": 0})
    assert look(archive(put), tmp_path).members[0].time_s is None


# ---------------------------------------------------------------------------------- what must be refused


def refused(data: bytes, tmp_path: Path) -> dict[str, str]:
    return look(data, tmp_path).faults


@pytest.mark.parametrize(
    ("put", "said"),
    [
        (Put(b"x", HELLO, central={"size": 20}, local={"size": 20}), "stored in 12 bytes, yet said to be 20"),
        (Put(b"x", HELLO, 8, central={"size": 13}, local={"size": 13}), "expected 13 bytes, got only 12"),
        (Put(b"x", HELLO, 8, central={"size": 11}, local={"size": 11}), "expected 11 bytes, got more"),
        (Put(b"x", HELLO, central={"crc": 1}, local={"crc": 1}), "expected crc32 00000001, got crc32 af083b2d"),
        (Put(b"x", HELLO, local={"name": b"y"}), "another name than the central directory"),
        (Put(b"x", HELLO, local={"method": 8}), "another method than the central directory"),
        (Put(b"x", HELLO, local={"size": 11}), "another size or checksum than the central directory"),
        (Put(b"x", HELLO, flags=1), "encrypted"),
        (Put(b"x", HELLO, local={"flags": 1}), "disagree whether it is encrypted"),
        (Put(b"x", HELLO, flags=0x41), "encrypted"),
        (Put(b"x", HELLO, 99), "encrypted"),
        (Put(b"x", HELLO, flags=0x20), "a patch"),
        (Put(b"x", HELLO, 3), "reduce"),
        (Put(b"x", HELLO, 93), "repack it with deflate"),
        (Put(b"x", HELLO, 77), "unknown compression method 77"),
        (Put(b"x", HELLO, 8, b"\xff\xff\xff"), "do not decode"),
        (Put(b"x", HELLO, 8, deflated(HELLO)[:-3]), "break off before their end"),
        (Put(b"x", HELLO, 12, b"BZh9" + bytes(20)), "do not decode"),
        (Put(b"x", HELLO, 14, b"\x09\x04\x05\0\xff\0\0\0\0"), "LZMA properties are damaged"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_a_member_that_cannot_be_right(put: Put, said: str, tmp_path: Path) -> None:
    """Each is named with its reason, and the member behind it reads."""
    seen = look(archive(put, Put(b"good", HELLO, 8)), tmp_path)
    assert said in seen.faults["x"]
    assert seen.contents["good"] == HELLO


def test_sizes_behind_the_data_are_not_looked_for(tmp_path: Path) -> None:
    """With a data descriptor (4.3.9) the local sizes are 0, the central ones count."""
    zero = {"crc": 0, "packed": 0, "size": 0}
    assert look(archive(Put(b"x", HELLO, 8, flags=8, local=zero)), tmp_path).contents == {"x": HELLO}


def test_what_zip_writes_to_a_pipe(tmp_path: Path) -> None:
    """It cannot go back, so sizes stand behind the data, in a descriptor."""
    (tmp_path / "x").write_bytes(words(8))
    made = subprocess.run([program("zip"), "-q", "-fd", "-", "x"], cwd=tmp_path, check=True, capture_output=True).stdout
    assert int.from_bytes(made[6:8], "little") & 8
    seen = look(made, tmp_path)
    assert seen.contents == {"x": words(8)} and seen.whole


def test_overlapping_members_are_both_refused(tmp_path: Path) -> None:
    """Two central records over the same bytes: an overlap bomb multiplies them."""
    one = Put(b"x", HELLO)
    again = Put(b"x", HELLO, offset=0, write_local=False)
    seen = look(archive(one, again, Put(b"good", HELLO)), tmp_path)
    assert "overlap" in seen.faults["x"] and seen.contents == {"good": HELLO}


def test_a_member_beyond_the_directory(tmp_path: Path) -> None:
    """Packed bytes that run into the central directory are not the member's."""
    put = Put(b"x", HELLO, central={"packed": 400, "size": 400}, local={"packed": 400, "size": 400})
    assert "runs into the central directory" in refused(archive(put), tmp_path)["x"]


def test_duplicate_names_are_told_apart(tmp_path: Path) -> None:
    """Both are read; the second is refused by name."""
    seen = look(archive(Put(b"x", b"first"), Put(b"x", b"second")), tmp_path)
    assert "same path" in seen.unsafe["x"] and len(seen.members) == 2


def test_a_record_that_points_nowhere(tmp_path: Path) -> None:
    """No local header at the offset, and an offset beyond the file."""
    lost = Put(b"x", HELLO, offset=7, write_local=False)
    far = Put(b"y", HELLO, offset=2**31, write_local=False)
    seen = look(archive(Put(b"good", HELLO), lost, far), tmp_path)
    assert seen.contents == {"good": HELLO}
    assert all("no local header" in seen.faults[name] for name in "xy")


def test_a_broken_download_with_sizes_behind(tmp_path: Path) -> None:
    """Where sizes stand behind the data, nothing tells where the next member is once the directory is lost."""
    zero = {"crc": 0, "packed": 0, "size": 0}
    data = archive(Put(b"one", HELLO), Put(b"two", HELLO, 8, flags=8, local=zero), Put(b"three", HELLO))
    seen = look(data[: data.index(b"PK\1\2")], tmp_path)
    assert seen.contents == {"one": HELLO}
    assert "stood in the lost central directory" in seen.faults["two"]


def test_a_directory_beyond_all_bounds(tmp_path: Path) -> None:
    """A central directory that would only fill the memory."""
    size = 33 * 2**20
    data = b"PK\3\4" + bytes(26) + b"PK\1\2" + bytes(size - 4) + end(1, size, 30)
    with pytest.raises(ArchiveError, match="central directory of 34603008 bytes"):
        look(data, tmp_path)


def test_two_end_records(tmp_path: Path) -> None:
    """An end record in the comment of another: unpackers disagree about which one rules."""
    inner = end(0, 0, 0)
    seen = look(archive(Put(b"x", HELLO), comment=inner), tmp_path)
    assert any("two end records" in problem for problem in seen.problems)


def test_another_archive_in_front(tmp_path: Path) -> None:
    """Two archives one behind the other: the first is not passed over in silence."""
    first, second = archive(Put(b"first", HELLO)), archive(Put(b"second", HELLO))
    seen = look(first + second, tmp_path)
    assert seen.contents == {"second": HELLO}
    assert any("another ZIP archive stands" in problem for problem in seen.problems)


@pytest.mark.parametrize("moved", [False, True], ids=["offsets as made", "offsets corrected"])
def test_a_stub_in_front(moved: bool, tmp_path: Path) -> None:
    """A self-extractor's program stands in front, its length in the offsets or not."""
    stub = b"MZ" + random.Random(3).randbytes(5000)
    data = archive(Put(b"x", HELLO), stub=stub)
    if moved:
        path = tmp_path / "moved.zip"
        path.write_bytes(data)
        subprocess.run([program("zip"), "-A", path], check=True, capture_output=True)
        data = path.read_bytes()
    assert format_of(data) == "zip"
    seen = look(data, tmp_path)
    assert seen.contents == {"x": HELLO} and seen.whole


def test_bytes_after_the_end(tmp_path: Path) -> None:
    """Junk after the end record is said, not refused, however long it is."""
    for tail in (b"junk", bytes(200_000)):
        seen = look(archive(Put(b"x", HELLO), tail=tail), tmp_path)
        assert seen.contents == {"x": HELLO} and seen.whole
        assert list(seen.notices) == [f"{len(tail)} bytes after the end record"]


def test_a_comment_as_long_as_can_be(tmp_path: Path) -> None:
    """65,535 bytes of comment (4.4.12)."""
    assert look(archive(Put(b"x", HELLO), comment=b"c" * 65_535), tmp_path).whole


def test_a_download_that_broke_off(tmp_path: Path) -> None:
    """Without the central directory the members in front of the break are still found, and the break is said."""
    data = archive(Put(b"one", HELLO), Put(b"two", HELLO, 8), Put(b"three", words(4), 8))
    cut = data[: len(data) // 2]
    seen = look(cut, tmp_path)
    assert seen.contents == {"one": HELLO, "two": HELLO}
    assert "the file ends inside it" in seen.faults["three"]
    assert any("no end record" in problem for problem in seen.problems)


def test_a_volume_of_several(tmp_path: Path) -> None:
    """Part of a multi-volume archive (8.1) is refused by name."""
    parts = end(1, 46, 0)
    with pytest.raises(ArchiveError, match="multi-volume"):
        look(local(Put(b"x", HELLO)) + parts[:4] + b"\x02\0" + parts[6:], tmp_path)


@pytest.mark.parametrize(("at", "said"), [(4, "volume 2 of several"), (8, "counts 1 or 3 members")])
def test_a_damaged_end_record_hides_no_member(at: int, said: str, tmp_path: Path) -> None:
    """Its numbers are checked, not obeyed: where the directory is sound, it is read."""
    data = bytearray(archive(Put(b"x", HELLO)))
    data[data.rindex(b"PK\5\6") + at] = {4: 1, 8: 3}[at]
    seen = look(bytes(data), tmp_path)
    assert seen.contents == {"x": HELLO} and said in seen.problems[0]


def test_64_bit_values_beyond_any_file(tmp_path: Path) -> None:
    """Offset, packed and unpacked size of 2^64-1 in extra field 1."""
    extra = struct.pack("<2H3Q", 1, 24, *[2**64 - 1] * 3)
    put = Put(b"x", HELLO, central={"size": 0xFFFFFFFF, "packed": 0xFFFFFFFF, "extra": extra}, offset=0xFFFFFFFF)
    seen = look(archive(Put(b"good", HELLO), put), tmp_path)
    assert seen.contents == {"good": HELLO} and "no local header" in seen.faults["x"]


def test_a_comment_cut_short(tmp_path: Path) -> None:
    """The last bytes are missing, the members are all there: read, and said."""
    seen = look(archive(Put(b"x", HELLO), comment=b"a long comment")[:-5], tmp_path)
    assert seen.contents == {"x": HELLO}
    assert "lacks 5 bytes" in seen.problems[0]


def test_a_member_on_another_disk(tmp_path: Path) -> None:
    """The disk number in its record (4.4.13)."""
    data = bytearray(archive(Put(b"x", HELLO), Put(b"good", HELLO)))
    at = data.index(b"PK\1\2")
    data[at + 34] = 1
    seen = look(bytes(data), tmp_path)
    assert "volume 2 of several" in seen.faults["x"] and seen.contents == {"good": HELLO}


def test_a_directory_that_counts_wrong(tmp_path: Path) -> None:
    """The end record's count against the records that are there."""
    data = archive(Put(b"x", HELLO), Put(b"y", HELLO))
    at = data.rindex(b"PK\5\6")
    data = data[: at + 8] + struct.pack("<2H", 3, 3) + data[at + 12 :]
    seen = look(data, tmp_path)
    assert any("counts 3 members, the central directory holds 2" in problem for problem in seen.problems)
    assert len(seen.contents) == 2


def test_more_members_than_allowed(tmp_path: Path) -> None:
    """The guard is given one more than the limit, and no more are kept."""
    from discprep.archives.names import TooMuch

    with pytest.raises(TooMuch):
        look(archive(*[Put(b"%d" % n) for n in range(20)]), tmp_path, limits=Limits(members=10))


def test_64_bit_sizes(tmp_path: Path) -> None:
    """Sizes and offsets in extra field 1, and the 64-bit end record (4.5.3, 4.3.14); one made by zipfile."""
    path = tmp_path / "wide.zip"
    with zipfile.ZipFile(path, "w") as made, made.open("x", "w", force_zip64=True) as member:
        member.write(HELLO)
    wide = archive(Put(b"y", HELLO, central={"size": 0xFFFFFFFF, "extra": struct.pack("<2HQ", 1, 8, 12)}))
    at = wide.rindex(b"PK\5\6")
    count, size, offset = 1, *struct.unpack_from("<2L", wide, at + 12)
    record = b"PK\6\6" + struct.pack("<Q2H2L4Q", 44, 45, 45, 0, 0, count, count, size, offset)
    locator = b"PK\6\7" + struct.pack("<LQL", 0, at, 1)
    narrow = b"PK\5\6" + struct.pack("<4H2LH", 0, 0, 0xFFFF, 0xFFFF, 0xFFFFFFFF, 0xFFFFFFFF, 0)
    assert look(path.read_bytes(), tmp_path).contents == {"x": HELLO}
    assert look(wide[:at] + record + locator + narrow, tmp_path).contents == {"y": HELLO}


def test_a_bomb_is_not_unpacked(tmp_path: Path) -> None:
    """A member that grows over a thousand times is refused before it is decoded; one that lies about it stops."""
    packed = deflated(bytes(100 * 2**20))
    sizes = {"size": 100 * 2**20}
    honest = look(archive(Put(b"x", b"", 8, packed, local=sizes, central=sizes)), tmp_path)
    assert "grow more than 1000 times" in honest.faults["x"]
    small = {"size": 1000}
    liar = look(archive(Put(b"x", b"", 8, packed, local=small, central=small)), tmp_path)
    assert "expected 1000 bytes, got more" in liar.faults["x"]


# -------------------------------------------------------------------------------------------- old methods

OLD = {
    "shrink": (1, 0, shrunk),
    "implode 4K": (6, 0, lambda data: imploded(data, 0)),
    "implode 8K": (6, IMPLODE_8K, lambda data: imploded(data, IMPLODE_8K)),
    "implode 4K literals": (6, IMPLODE_LITERALS, lambda data: imploded(data, IMPLODE_LITERALS)),
    "implode 8K literals": (6, 6, lambda data: imploded(data, IMPLODE_8K | IMPLODE_LITERALS)),
}


def old_archive(kind: str) -> tuple[bytes, dict[str, bytes]]:
    method, flags, packer = OLD[kind]
    contents = {"short": HELLO, "text": words(5, 12_000), "noise": random.Random(6).randbytes(40_000)}
    puts = [Put(name.encode(), data, method, packer(data), flags) for name, data in contents.items()]
    return archive(*puts), contents


@pytest.mark.parametrize("kind", OLD)
def test_the_test_s_own_packers_write_what_others_read(kind: str, tmp_path: Path) -> None:
    """unzip and 7z accept the archives that the next test reads."""
    path = tmp_path / "old.zip"
    path.write_bytes(old_archive(kind)[0])
    for command in ([program("unzip"), "-tq"], [program("7z", "7zip"), "t"]):
        assert subprocess.run([*command, path], capture_output=True).returncode == 0


@pytest.mark.parametrize("through", ["unzip", "7z"])
@pytest.mark.parametrize("kind", OLD)
def test_old_methods(kind: str, through: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Shrink and implode come out through either program."""
    program(through)
    monkeypatch.setattr(oldzip, "PROGRAMS", {through: oldzip.PROGRAMS[through]})
    data, contents = old_archive(kind)
    seen = look(data, tmp_path)
    assert seen.contents == contents and seen.whole
    assert [member.method for member in seen.members] == [kind.split()[0]] * 3


@pytest.mark.parametrize("through", ["unzip", "7z", "library"])
def test_deflate64(through: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What 7z packs by method 9 comes out through a program, and without one through the optional library."""
    (tmp_path / "text").write_bytes(words(7))
    path = tmp_path / "made.zip"
    subprocess.run(
        [program("7z", "7zip"), "a", "-bd", "-tzip", "-mm=Deflate64", path, "text"],
        cwd=tmp_path, check=True, capture_output=True,
    )  # fmt: skip
    if through == "library":
        pytest.importorskip("inflate64")
    monkeypatch.setattr(oldzip, "PROGRAMS", {k: v for k, v in oldzip.PROGRAMS.items() if k == through})
    seen = look(path.read_bytes(), tmp_path)
    assert seen.members[0].method == "deflate64"
    assert seen.contents == {"text": words(7)}


def test_an_old_method_without_a_program(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It says what to install, and the other members read."""
    monkeypatch.setattr(oldzip, "PROGRAMS", {})
    seen = look(archive(Put(b"x", HELLO, 1, shrunk(HELLO)), Put(b"good", HELLO)), tmp_path)
    assert "need the program unzip or 7z" in seen.faults["x"]
    assert seen.contents == {"good": HELLO}


def test_a_program_that_hangs_or_babbles_is_stopped(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Time and output are bounded whatever the program does."""
    put = Put(b"x", HELLO, 1, shrunk(HELLO))
    monkeypatch.setattr(oldzip, "PROGRAMS", {"sleep": lambda _archive: ["60"]})
    slow = look(archive(put), tmp_path, limits=Limits(floor_s=0.2))
    assert "took more than 0.2 s; sleep was stopped" in slow.faults["x"]
    monkeypatch.setattr(oldzip, "PROGRAMS", {"yes": lambda _archive: []})
    assert "got more" in look(archive(put), tmp_path).faults["x"]


def test_damage_in_an_old_method(tmp_path: Path) -> None:
    """A flipped byte gives a wrong checksum or length, whatever the program makes of it."""
    program("unzip")
    data, contents = old_archive("shrink")
    at = data.index(b"text") + 1000
    seen = look(data[:at] + bytes([data[at] ^ 0x55]) + data[at + 1 :], tmp_path)
    assert list(seen.faults) == ["text"] and set(seen.contents) == set(contents) - {"text"}

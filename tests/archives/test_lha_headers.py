"""LHA headers field by field. Layouts: the header document of "LHa for UNIX" (header.doc.md), lhasa's header code."""

import struct
from collections.abc import Callable
from pathlib import Path

import pytest
from support.decoding import decode_here
from support.lha import BOMB, BOMB_BYTES, DOS_2026, HELLO, LEVEL_0, LEVEL_1, LEVEL_2, LEVEL_3, Made, archive, resum

from discprep.archives import lha_headers
from discprep.archives.lha_headers import BadHeader, Search, read_header


def reader(data: bytes) -> Callable[[int, int], bytes]:
    return lambda offset, size: data[offset : offset + size]


@pytest.mark.parametrize(
    ("whole", "level", "name", "size"),
    [
        (LEVEL_0, 0, b"SUB\\HELLO.TXT", 37),
        (LEVEL_1, 1, b"hello.txt\0note", 53),
        (LEVEL_2, 2, b"", 57),
        (LEVEL_3, 3, b"", 62),
    ],
    ids=["level 0", "level 1", "level 2", "level 3"],
)
def test_reference_headers(whole: bytes, level: int, name: bytes, size: int) -> None:
    """Four whole archives made for these tests, accepted by lhasa, jlha and lsar."""
    header = read_header(reader(whole), 0, len(whole))
    assert (header.level, header.name, header.header_bytes, header.packed_bytes, header.size_bytes) == (
        level, name, size, 12, 12,
    )  # fmt: skip
    assert header.checked
    assert not header.fault
    assert header.crc == 0x9778  # CRC-16/ARC of the text
    assert whole[header.end :] == b"\0"


@pytest.mark.parametrize("level", [1, 2, 3])
@pytest.mark.parametrize("header_crc", [False, True], ids=["without CRC", "with CRC"])
def test_extended_headers_are_all_kept(level: int, header_crc: bool) -> None:
    """A chain of extended headers in levels 1 to 3; sizes are two bytes wide, four in level 3."""
    extensions = [(0x02, b"a\xffb\xff"), (0x3F, b"said"), (0x50, b"\xa4\x81"), (0x99, b"of an unknown type")]
    made = Made(level=level, extensions=extensions, header_crc=header_crc)
    whole = archive(made)
    header = read_header(reader(whole), 0, len(whole))
    assert {kind: header.extended[kind] for kind, _ in extensions} == dict(extensions)
    assert header.unix_mode == 0o100644
    assert whole[header.data_offset :] == HELLO + b"\0"
    assert header.packed_bytes == 12
    assert header.checked == (header_crc or level == 1)


def test_sizes_of_64_bits() -> None:
    """Extended header 0x42 overrides both sizes (header.doc.md)."""
    made = Made(level=2, extensions=[(0x42, struct.pack("<QQ", 12, 12))], size=0xFFFFFFFF, packed_size=0xFFFFFFFF)
    header = read_header(reader(archive(made)), 0, 10_000)
    assert (header.packed_bytes, header.size_bytes) == (12, 12)


def test_oldest_level_0_has_no_crc() -> None:
    """H = 20 + N: the CRC is absent (libarchive's reader names such archives)."""
    header = read_header(reader(archive(Made(level=0, no_crc=True))), 0, 10_000)
    assert header.crc is None
    assert header.checked


@pytest.mark.parametrize(
    ("area", "mode"),
    [
        (b"U\0" + struct.pack("<IHHH", 1, 0o100600, 2, 3), 0o100600),
        (b"K\0" + struct.pack("<IIHHH", 1, 1, 0o100640, 2, 3), 0o100640),
        (b"9" + bytes(21), None),
        (b"?comment", None),
    ],
    ids=["U", "K", "9", "unknown"],
)
def test_level_0_extended_area(area: bytes, mode: int | None) -> None:
    """The areas that lhasa knows; the mode counts from the end, any other area is skipped."""
    header = read_header(reader(archive(Made(level=0, area=area))), 0, 10_000)
    assert header.unix_mode == mode
    assert header.packed_bytes == 12


def test_system_K_counts_two_bytes_too_few() -> None:
    """The level-2 size of that system's packer lacks two bytes (lhasa, lib/lha_file_header.c)."""
    whole = bytes(Made(level=2, os_id=b"K"))
    short = struct.pack("<H", int.from_bytes(whole[:2], "little") - 2) + whole[2:]
    for data in (short, whole):
        header = read_header(reader(data + b"\0"), 0, len(data) + 1)
        assert data[header.data_offset :] == HELLO


def test_level_2_padding() -> None:
    """One zero byte of padding keeps a level-2 header from beginning with 00, which would end the archive."""
    made = Made(level=2, padding=b"\0", header_crc=True)
    header = read_header(reader(archive(made)), 0, 10_000)
    assert header.checked
    assert header.closes
    assert archive(made)[header.data_offset :] == HELLO + b"\0"


@pytest.mark.parametrize(
    ("whole", "message"),
    [
        (LEVEL_0[:20] + b"\4" + LEVEL_0[21:], "level 4 is unknown"),
        (LEVEL_0[:30], "ends inside a header"),
        (LEVEL_1[:50], "ends inside a header"),
        (LEVEL_2[:40], "ends inside a header"),
        (LEVEL_3[:40], "ends inside a header"),
        (resum(LEVEL_0[:21] + b"\xff" + LEVEL_0[22:]), "name is longer"),
        (bytes([5]) + LEVEL_0[1:], "too short"),
        (resum(LEVEL_1[:7] + b"\5\0\0\0" + LEVEL_1[11:]), "longer than the header allows"),
        (LEVEL_2[:24] + b"\2\0" + LEVEL_2[26:], "longer than the header allows"),
        (LEVEL_2[:24] + b"\xff\0" + LEVEL_2[26:], "longer than the header allows"),
        (b"\5\0" + LEVEL_3[2:], "word size of 4"),
        (LEVEL_3[:24] + struct.pack("<I", 2**20 + 1) + LEVEL_3[28:], "more than 1048576"),
        (LEVEL_3[:28] + struct.pack("<I", 4) + LEVEL_3[32:], "longer than the header allows"),
        (b"<html><body>no such page</body></html>", "no method id"),
        (b"", "no method id"),
    ],
)
def test_impossible_headers(whole: bytes, message: str) -> None:
    """Lengths and levels that cannot be are refused, not followed."""
    with pytest.raises(BadHeader, match=message):
        read_header(reader(whole), 0, len(whole))


@pytest.mark.parametrize(
    ("whole", "at", "message"),
    [(LEVEL_0, 1, "header sum"), (LEVEL_1, 1, "header sum"), (LEVEL_2, 27, "header CRC"), (LEVEL_3, 40, "header CRC")],
    ids=["level 0", "level 1", "level 2", "level 3"],
)
def test_header_checksums_are_compared(whole: bytes, at: int, message: str) -> None:
    """One changed byte shows."""
    damaged = whole[:at] + bytes([whole[at] ^ 1]) + whole[at + 1 :]
    header = read_header(reader(damaged), 0, len(damaged))
    assert message in header.fault
    assert not header.checked


def test_extended_headers_of_level_1_are_bounded() -> None:
    """A chain of extended headers may take 1 MiB; a skip size of 4 GiB could hold far more."""
    piece = b"\x99" + bytes(0xFFF0 - 3) + struct.pack("<H", 0xFFF0)
    base = bytes(Made(level=1, data=b"", packed_size=2**31, extensions=[(0x99, bytes(0xFFF0 - 3))]))[:-2]
    whole = base + struct.pack("<H", 0xFFF0) + piece * 20
    with pytest.raises(BadHeader, match="take more than"):
        read_header(reader(whole), 0, len(whole))


def test_search_verifies_what_it_finds() -> None:
    """A method id in a program's text is no header; one whose sum agrees is."""
    stub = b"MZ" + b"  usage: -lh5- or -lh7- archives  " * 300
    whole = stub + LEVEL_1
    assert Search(reader(whole), len(whole)).next(0, len(whole)) == len(stub)
    assert Search(reader(stub), len(stub)).next(0, len(stub)) is None


def test_search_gives_up_on_a_file_full_of_ids() -> None:
    """What the search may parse is bounded, however many candidates a file holds."""
    whole = LEVEL_3[:24] + struct.pack("<I", 2**19) + b"\0" * 8 + b"-lh5-" * 200_000
    calls = 0

    def read(offset: int, size: int) -> bytes:
        nonlocal calls
        calls += size
        return whole[offset : offset + size]

    assert Search(read, len(whole), budget=2**20).next(0, len(whole)) is None
    assert calls < 2 * len(whole) + 2 * 2**20


def test_search_gives_up_on_chains_that_lead_nowhere() -> None:
    """Headers of level 1 that share a long chain of the shortest extended headers: each would be walked to its end
    only to be no header."""
    count, chain = 50, b"\x05\x03\0" * 300_000
    whole = b""
    for number in range(count):
        base = bytes(Made(level=1, name=b"", data=b"", packed_size=2**24, extensions=[(0x41, b"")]))[:27]
        whole += base[:-2] + struct.pack("<H", 3 + 27 * (count - 1 - number))
    whole += b"\0\x03\0" + chain
    reads = 0

    def read(offset: int, size: int) -> bytes:
        nonlocal reads
        reads += 1
        return whole[offset : offset + size]

    with pytest.raises(BadHeader, match="ends inside"):
        read_header(read, 0, len(whole))
    assert reads > 250_000  # one alone
    reads = 0
    assert Search(read, len(whole)).next(0, 27 * count) is None
    assert reads < 150_000


def test_bomb_header_is_plain() -> None:
    """The declared size of a decompression bomb is known before anything is decoded."""
    header = read_header(reader(archive(Made(level=0, packed=BOMB, method=b"-lh5-", size=BOMB_BYTES))), 0, 10_000)
    assert (header.packed_bytes, header.size_bytes) == (13, 33_553_920)


@pytest.mark.parametrize("head", [b"\x23\x46-lh0-", b"\x23\x46-lh0\x2f", b"\x23\x46-l\x1f0-"])
def test_damaged_ids_are_told_from_junk(head: bytes) -> None:
    """One changed byte of a method id leaves a header that is missed, not junk after the end."""
    assert lha_headers.nearly_header(head)
    assert not lha_headers.nearly_header(b"\x1a" * 20)
    assert not lha_headers.nearly_header(b"")


# ------------------------------------------------------------------------------ what the fields come to


def one(tmp_path: Path, made: Made, charset: str | None = None) -> tuple[object, ...]:
    found = decode_here(archive(made), tmp_path, charset=charset)
    member = found.entries[0].member
    assert not found.problems
    return member, found.summary.notices


@pytest.mark.parametrize(
    ("made", "name"),
    [
        (Made(level=0, name=b"A\\B\\C.TXT"), "A/B/C.TXT"),
        (Made(level=0, name=b"a/b/c"), "a/b/c"),
        (Made(level=1, name=b"c", extensions=[(0x02, b"a\xffb\xff")]), "a/b/c"),
        (Made(level=1, name=b"c", extensions=[(0x02, b"a\xffb")], os_id=b"A"), "a/b/c"),
        (Made(level=1, name=b"", extensions=[(0x01, b"long name")]), "long name"),
        (Made(level=2, name=b"sub/c"), "sub/c"),
        (Made(level=2, name=b"a\\b", os_id=b"M"), "a/b"),
        (Made(level=2, name=b"a\\b", os_id=b"U"), "a\\b"),
        (Made(level=2, name=b"caf\xe9", os_id=b"A"), "caf\xe9"),
        (Made(level=2, name=b"caf\x82", os_id=b"M"), "caf\xe9"),
        (Made(level=2, name="caf\xe9".encode(), os_id=b"U"), "caf\xe9"),
        (Made(level=2, name=b"caf\xe9", os_id=b"U"), "caf\xe9"),
        (Made(level=2, name=b"\x95\x5c.txt", os_id=b"H"), "\u8868.txt"),
        (Made(level=2, name=b"caf\xe9", os_id=b"M", extensions=[(0x46, b"\xe4\4\0\0")]), "caf\xe9"),
        (Made(level=2, name=b"x", extensions=[(0x44, "d\u017e.txt".encode("utf-16-le"))]), "d\u017e.txt"),
        (
            Made(
                level=2,
                name=b"x",
                extensions=[(0x44, "f".encode("utf-16-le")), (0x45, "a\uffffb\uffff".encode("utf-16-le"))],
            ),
            "a/b/f",
        ),
    ],
)
def test_names(tmp_path: Path, made: Made, name: str) -> None:
    """Separators of every family; charset by UTF-16 name, code page (0x46: 1252), system, guess."""
    member, _ = one(tmp_path, made)
    assert member.name == name


def test_names_by_the_users_charset(tmp_path: Path) -> None:
    """The user's word goes before the declared code page; without either the guess is stated."""
    made = Made(level=2, name=b"caf\x82", os_id=b"M", extensions=[(0x46, b"\xe4\4\0\0")], header_crc=True)
    member, notices = one(tmp_path, made, charset="cp850")
    assert (member.name, notices) == ("caf\xe9", ())
    member, notices = one(tmp_path, Made(level=0, name=b"caf\x82"))
    assert member.name == "caf\xe9"
    assert "cp437, a guess" in notices[0]


def test_stored_name_is_kept(tmp_path: Path) -> None:
    """The stored bytes stay beside the text, the folder in front."""
    member, _ = one(tmp_path, Made(level=1, name=b"caf\xe9", os_id=b"A", extensions=[(0x02, b"d\xff")]))
    assert member.raw_name == b"d\xffcaf\xe9"


@pytest.mark.parametrize(
    ("made", "comment"),
    [
        (Made(level=1, name=b"x\0note", os_id=b"A"), "note"),
        (Made(level=0, name=b"x\0\0no\xe4te\0"), "no\u03a3te"),
        (Made(level=1, name=b"x\0", os_id=b"A"), ""),
        (Made(level=2, name=b"x", os_id=b"A", extensions=[(0x71, b"note")]), "note"),
        (Made(level=2, name=b"x", extensions=[(0x3F, b"of any system")]), "of any system"),
    ],
)
def test_comments(tmp_path: Path, made: Made, comment: str) -> None:
    """After the first NUL of the name field, in 0x71 or in 0x3F."""
    member, _ = one(tmp_path, made)
    assert (member.name, member.comment) == ("x", comment)


@pytest.mark.parametrize(
    ("made", "attributes", "system"),
    [
        (Made(level=1, os_id=b"A", attribute=0x02), 0x02, "68k"),
        (Made(level=2, os_id=b"A", extensions=[(0x40, b"\x40\0")]), 0x40, "68k"),
        (Made(level=0, attribute=0x21), 0x21, "dos"),
        (Made(level=2, os_id=b"M", extensions=[(0x40, b"\x03\0")]), 0x03, "dos"),
        (Made(level=2, os_id=b"U", extensions=[(0x50, b"\xed\x81")]), 0o100755, "unix"),
        (Made(level=2, os_id=b"U"), None, ""),
    ],
)
def test_attributes(tmp_path: Path, made: Made, attributes: int | None, system: str) -> None:
    """Protection bits of system A (byte 19, or 0x40), DOS bits, a unix mode (0x50)."""
    member, _ = one(tmp_path, made)
    assert (member.attributes, member.attribute_system) == (attributes, system)


@pytest.mark.parametrize(
    ("made", "time_s"),
    [
        (Made(level=0, stamp=DOS_2026), 1_772_600_768),
        (Made(level=0, stamp=0x00CCA8DB), 329_692_014),
        (Made(level=0, stamp=0), None),
        (Made(level=0, stamp=0x00010000), None),
        (Made(level=2, stamp=1_772_600_768), 1_772_600_768),
        (Made(level=2, stamp=0), None),
        (Made(level=1, extensions=[(0x54, struct.pack("<I", 86_400))]), 86_400),
        (Made(level=2, extensions=[(0x41, struct.pack("<QQQ", 0, 0x019DB1DED53E8000 + 864_000_000_000, 0))]), 86_400),
        (Made(level=2, stamp=5, extensions=[(0x41, struct.pack("<QQQ", 0, 2**64 - 1, 0))]), 5),
    ],
)
def test_times(tmp_path: Path, made: Made, time_s: int | None) -> None:
    """DOS and unix times, 0x54, 0x41; none for none and for what no calendar holds."""
    member, _ = one(tmp_path, made)
    assert member.time_s == time_s


@pytest.mark.parametrize(
    ("made", "kind", "name", "target"),
    [
        (Made(level=0, name=b"DIR\\", data=b"", method=b"-lhd-"), "folder", "DIR", ""),
        (Made(level=1, name=b"", data=b"", method=b"-lhd-", extensions=[(0x02, b"a\xffb\xff")]), "folder", "a/b", ""),
        (Made(level=1, name=b"", data=b"", extensions=[(0x02, b"a\xff")], os_id=b"A"), "folder", "a", ""),
        (Made(level=0, name=b"a/", data=b""), "folder", "a", ""),
        (
            Made(level=2, name=b"link|target", data=b"", method=b"-lhd-", extensions=[(0x50, b"\xff\xa1")]),
            "link", "link", "target",
        ),
        (
            Made(level=2, name=b"x|b/c", data=b"", method=b"-lhd-", extensions=[(0x02, b"a\xff"), (0x50, b"\xff\xa1")]),
            "link", "a/x", "b/c",
        ),
        (Made(level=2, name=b"empty", data=b""), "file", "empty", ""),
    ],
)  # fmt: skip
def test_kinds(tmp_path: Path, made: Made, kind: str, name: str, target: str) -> None:
    """Folders, folders stored as empty files without a name (system A), symbolic links (lhasa's header code)."""
    member, _ = one(tmp_path, made)
    assert (member.kind, member.name, member.target) == (kind, name, target)


def test_member_without_a_name_gets_one(tmp_path: Path) -> None:
    """Seen in the wild: named after its place, and said so."""
    member, notices = one(tmp_path, Made(level=1, name=b""))
    assert member.name == "unnamed-0"
    assert "1 members have no name; the first is called unnamed-0" in notices[0]
    member, _ = one(tmp_path, Made(level=1, name=b"", extensions=[(0x02, b"a\xff")]))
    assert member.name == "a/unnamed-0"


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (LEVEL_0, True),
        (LEVEL_3[:21], True),
        (LEVEL_0[:1] + b"?" + LEVEL_0[2:], True),  # its sum is wrong: a damaged archive, not another kind of file
        (archive(Made(method=b"-xyz-")), True),  # an unknown method, but the header's sum agrees
        (b"an-old-saying: all is well that ends well, and so on", False),
        (bytes(30), False),
        (b"-lh5-" * 9, False),
        (b"", False),
    ],
)
def test_recognition(data: bytes, expected: bool) -> None:
    """A usual method's id at byte 2, or any id in a header that verifies."""
    assert lha_headers.starts_archive(reader(data), len(data)) == expected

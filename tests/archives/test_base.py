"""What all readers share: checksums, enforced sizes, the guard over names, times, attribute letters, host names."""

import zlib
from collections.abc import Iterator

import pytest

from discprep.archives import attributes, crc, host, times
from discprep.archives.base import MemberError, checksum_text, enforced
from discprep.archives.names import Guard, TooMuch, name_problem, tidy
from discprep.model import Limits, Member, MemberKind

HELLO = b"hello world\n"


@pytest.mark.parametrize(
    ("data", "value"),
    [
        (b"123456789", 0xBB3D), (b"", 0), (bytes.fromhex("926B55"), 0xE24E),
        (bytes.fromhex("332255AABBCCDDEEFF"), 0xAE98),
        (bytes.fromhex("00FF5511"), 0x6CCF), (bytes.fromhex("F20183"), 0xC2E1), (bytes.fromhex("0FAA0055"), 0x0BE3),
        (b"\xff" * 4, 0x9401), (HELLO, 0x9778), (bytes(range(256)), 0xBAD3),
    ],
)  # fmt: skip
def test_crc16(data: bytes, value: int) -> None:
    """Check value and codewords of CRC-16/ARC in the RevEng catalogue; the last two by two other libraries."""
    assert crc.crc16(data, 0) == value


def test_enforced_passes_right_bytes_on() -> None:
    """Size and checksum right: the same pieces, whatever the kind of checksum."""
    pieces = [HELLO[:5], b"", HELLO[5:]]
    for checksum in ("", "crc16 9778", "crc32 af083b2d"):  # of the text; zlib's CRC-32
        assert list(enforced(pieces, 12, checksum)) == pieces
    assert checksum_text("crc32", zlib.crc32(HELLO)) == "crc32 af083b2d"


@pytest.mark.parametrize(
    ("size", "checksum", "message"),
    [(11, "", "expected 11 bytes, got more"), (13, "", "got only 12"), (12, "crc16 9779", "got crc16 9778")],
)
def test_enforced_refuses(size: int, checksum: str, message: str) -> None:
    """Too many bytes, too few, another checksum."""
    with pytest.raises(MemberError, match=message):
        list(enforced([HELLO], size, checksum))


def test_enforced_stops_at_the_declared_size() -> None:
    """An endless stream is left as soon as it is too long."""

    def endless() -> Iterator[bytes]:
        while True:
            yield bytes(1000)

    with pytest.raises(MemberError, match="got more"):
        list(enforced(endless(), 5000))


# -------------------------------------------------------------------------------------------------- names


@pytest.mark.parametrize(
    ("name", "word"),
    [
        ("/x", "absolute"), ("//host/x", "absolute"), ("\\x", "absolute"), ("../x", "climbs"), ("a/../../x", "climbs"),
        ("a\\..\\x", "climbs"), ("..", "climbs"), ("C:x", "drive or volume"),
        ("WORK:a/x", "drive or volume"),
        ("a\0b", "control"), ("a\x1b[2J", "control"), ("a\x9b2J", "control"),
        ("a\nb", "control"), ("a\ud800", "control"),
        ("", "empty"), ("/", "empty"),
    ],
)  # fmt: skip
def test_unsafe_names(name: str, word: str) -> None:
    """Paths that leave their folder in any separator style, prefixes, control characters (common practice)."""
    assert word in name_problem(name)


@pytest.mark.parametrize(
    "name", ["a", "a/b.c", "...", "a..b/c", ".hidden", "a/b:c", "aux", "x ", "f\xe9/\u8868", "a\\b"]
)
def test_safe_names(name: str) -> None:
    """What merely needs another name on some system is not unsafe."""
    assert name_problem(name) == ""


@pytest.mark.parametrize(
    ("name", "expected"), [("a//b", "a/b"), ("./a/./b/", "a/b"), ("/a", "/a"), ("a", "a"), ("./", ".")]
)
def test_tidy(name: str, expected: str) -> None:
    """Empty and `.` parts go, an absolute path stays one."""
    assert tidy(name) == expected


def member(index: int, name: str, kind: MemberKind = "file", size: int = 1) -> Member:
    return Member(index, name, name.encode("utf-8", "replace"), kind, size)


def judged(*members: Member, limits: Limits | None = None) -> list[str]:
    guard = Guard(limits or Limits())
    return [guard.check(one)[0].problem for one in members]


def test_duplicates_and_clashes() -> None:
    """A name twice, a file where a folder is needed and the reverse, a member below a link."""
    assert judged(member(0, "a"), member(1, "a"))[1].startswith("an earlier member (file 0) has the same path")
    assert "no folder (file 0)" in judged(member(0, "a"), member(1, "a/b"))[1]
    assert "(folder 0)" in judged(member(0, "a/b"), member(1, "a"))[1]
    assert "no folder (link 0)" in judged(member(0, "a", "link"), member(1, "a/b"))[1]
    assert judged(member(0, "./", "folder"), member(1, "./a")) == ["", ""]
    assert "empty" in judged(member(0, "."))[0]
    assert "device" in judged(member(0, "a", "other"))[0]
    assert judged(member(0, "d", "folder"), member(1, "d/x"), member(2, "d/", "folder")) == ["", "", ""]


def test_guard_counts() -> None:
    """Members, bytes of names, bytes of contents."""
    with pytest.raises(TooMuch, match="more than 2 members"):
        judged(member(0, "a"), member(1, "b"), member(2, "c"), limits=Limits(members=2))
    with pytest.raises(TooMuch, match="names and comments"):
        judged(*[member(n, f"{n}" + "x" * 2**20) for n in range(20)])
    guard = Guard(Limits(total_bytes=10))
    assert [guard.check(member(n, f"{n}", size=4))[1] for n in range(3)][2].startswith("the archive would be")
    assert "longer than" in judged(member(0, "x" * 5000))[0]
    assert "longer than" in judged(member(0, "x/" * 70 + "y"))[0]


def test_guard_shows_no_control_characters() -> None:
    """A refused name can be printed: its control characters stand as escapes."""
    shown = Guard(Limits()).check(member(0, "a\x1b[2J"))[0].name
    assert shown == "a\\x1b[2J"


def test_guard_remarks_names_that_differ_in_case() -> None:
    """Most vintage file systems ignore case (common practice, no source): a remark, not a refusal."""
    guard = Guard(Limits())
    assert [guard.check(member(n, name))[0].problem for n, name in enumerate(["Read", "READ"])] == ["", ""]
    assert guard.only_case == ["READ"]


def test_long_paths_cost_little() -> None:
    """Thousands of members in one deep folder do not make the guard walk that path each time."""
    deep = "/".join(["d" * 50] * 60)
    guard = Guard(Limits())
    for n in range(4000):
        assert not guard.check(Member(n, f"{deep}/{n}", b"", "file", 1))[0].problem
    assert len(guard._seen) == 4000 + 60


# ------------------------------------------------------------------------------------- times and attributes


@pytest.mark.parametrize(
    ("stamp", "expected"),
    [
        (0x5C6428C4, "2026-03-04T05:06:08"), (0x00CCA8DB, "1980-06-12T21:06:54"), (0x00210000, "1980-01-01T00:00:00"),
        (0xFF9FBF7D, "2107-12-31T23:59:58"), (0, None), (0x00010000, None), (0x0021FFFF, None),
    ],
)  # fmt: skip
def test_dos_times(stamp: int, expected: str | None) -> None:
    """The DOS layout: year-1980, month, day, hour, minute, second/2 (ECMA-107 11.1.5, 11.1.6 has the same fields)."""
    assert times.iso_text(times.dos_time(stamp)) == expected


def test_filetimes() -> None:
    """100 ns since 1601-01-01 ("LHa for UNIX", header.c); none for zero and beyond what a calendar prints."""
    assert times.filetime(0x019DB1DED53E8000) == 0
    assert times.filetime(0) is None
    assert times.filetime(2**64 - 1) is None
    assert times.iso_text(None) is None
    assert times.iso_text(10**15) is None


@pytest.mark.parametrize(
    ("bits", "letters"),
    [(0x00, "----rwed"), (0x02, "----rw-d"), (0x40, "-s--rwed"), (0x0F, "--------"), (0xF0, "hsparwed")],
)
def test_protection_bits(bits: int, letters: str) -> None:
    """r, w, e, d are forbidden when set, h, s, p, a are set when set (the block-image FAQ 1.11, 4.4)."""
    assert attributes.text(bits, "68k") == letters


def test_other_attribute_letters() -> None:
    """DOS bits (ECMA-107 11.1.3) and unix modes; null without either."""
    assert attributes.text(0x27, "dos") == "rhsa"
    assert attributes.text(0o40755, "unix") == "drwxr-xr-x"
    assert attributes.text(None, "dos") is None
    assert attributes.text(5, "") is None


# --------------------------------------------------------------------------------------------- host names


@pytest.mark.parametrize(
    ("part", "windows", "posix"),
    [
        ("a:b?", "a_b_", "a:b?"), ("CON", "_CON", "CON"), ("com1.txt", "_com1.txt", "com1.txt"), ("x. ", "x__", "x. "),
        ("a\\b", "a_b", "a\\b"), ("plain", "plain", "plain"),
    ],
)  # fmt: skip
def test_host_parts(part: str, windows: str, posix: str) -> None:
    """Reserved characters, device names and endings (Windows API: "Naming Files, Paths, and Namespaces")."""
    assert host.host_part(part, windows=True) == windows
    assert host.host_part(part, windows=False) == posix


def test_long_host_parts_keep_their_extension() -> None:
    """255 bytes of UTF-8, cut between characters."""
    short = host.host_part("\u8868" * 200 + ".txt", windows=False)
    assert len(short.encode()) <= 255
    assert short.endswith("\u8868.txt")


def test_host_names_do_not_meet() -> None:
    """Two members that would be one file on this host get two names; folders are mapped once."""
    mapped = host.HostNames(windows=True, case_sensitive=False)
    assert [mapped.path(name) for name in ("D?/Read", "D?/READ", "D_/x", "D?/a?", "D?/a*")] == [
        "D_/Read", "D_/READ~2", "D_~2/x", "D_/a_", "D_/a_~2",
    ]  # fmt: skip
    kept = host.HostNames(windows=False, case_sensitive=True)
    assert [kept.path(name) for name in ("Read", "READ", "d/x")] == ["Read", "READ", "d/x"]

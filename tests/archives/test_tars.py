"""tar in every dialect: what GNU tar and bsdtar write, and hand-made headers (POSIX.1-2017 pax; the GNU tar manual)."""

import io
import random
import subprocess
import tarfile
from pathlib import Path

import pytest
from support.programs import program
from support.readers import Seen, format_of, look
from support.tars import END, GNU, V7, header, long_name, member, octal, padded, pax

from discprep.archives.tars import number, records, sum_is_right

HELLO = b"hello world\n"


def noise(size: int, seed: int = 1) -> bytes:
    return random.Random(seed).randbytes(size)


# ------------------------------------------------------------------------------------------ other packers


def tree(folder: Path) -> dict[str, bytes]:
    """Files whose names and sizes stand at the limits of the formats."""
    contents = {
        "a": HELLO,
        "empty": b"",
        "block": noise(512),
        "n" * 100: noise(513),
        "dir/" + "m" * 99: noise(10_241),
        "dir/sub/" + "x" * 60: HELLO,
        "d" * 70 + "/" + "e" * 70 + "/f": HELLO,
        "caf\u00e9": HELLO,
    }
    for name, data in contents.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(data)
    return contents


@pytest.mark.parametrize("dialect", ["gnu", "oldgnu", "ustar", "posix"])
def test_dialects_of_gnu_tar(dialect: str, tmp_path: Path) -> None:
    """Every file comes back, a hard link as the file that it is; symbolic links are told with their targets; times and
    modes come through."""
    folder = tmp_path / "tree"
    contents = tree(folder)
    (folder / "symbolic").symlink_to("a")
    (folder / "hard").hardlink_to(folder / "empty")
    path = tmp_path / "made.tar"
    subprocess.run(
        [program("tar"), f"--format={dialect}", "--sort=name", "--mtime=@1772600768", "-cf", path, "."],
        cwd=folder, check=True,
    )  # fmt: skip
    seen = look(path.read_bytes(), tmp_path)
    assert seen.contents == contents | {"hard": contents["empty"]}
    assert seen.whole and not seen.notices
    links = {m.name: m.target for m in seen.members if m.kind == "link"}
    assert links == {"symbolic": "a"}
    assert seen.member("a").time_s == 1772600768
    assert (seen.member("a").attributes, seen.member("a").attribute_system) == (0o644, "unix")


def test_the_oldest_dialect(tmp_path: Path) -> None:
    """v7 has no magic and no folder type: a name that ends in a slash is a folder."""
    folder = tmp_path / "tree"
    (folder / "dir").mkdir(parents=True)
    (folder / "dir" / "a").write_bytes(HELLO)
    path = tmp_path / "made.tar"
    subprocess.run([program("tar"), "--format=v7", "-cf", path, "dir"], cwd=folder, check=True)
    seen = look(path.read_bytes(), tmp_path)
    assert [(m.name, m.kind) for m in seen.members] == [("dir", "folder"), ("dir/a", "file")]
    assert seen.contents == {"dir/a": HELLO} and seen.whole


@pytest.mark.parametrize("dialect", ["pax", "ustar", "gnutar", "v7tar"])
def test_dialects_of_bsdtar(dialect: str, tmp_path: Path) -> None:
    """A second family of packers."""
    folder = tmp_path / "tree"
    folder.mkdir()
    contents = {"a": HELLO, "n" * 90: noise(70_000)}
    for name, data in contents.items():
        (folder / name).write_bytes(data)
    path = tmp_path / "made.tar"
    subprocess.run(
        [program("bsdtar", "libarchive-tools"), "--format", dialect, "-cf", path, *contents], cwd=folder, check=True
    )
    seen = look(path.read_bytes(), tmp_path)
    assert seen.contents == contents and seen.whole


@pytest.mark.parametrize("format_", [tarfile.USTAR_FORMAT, tarfile.GNU_FORMAT, tarfile.PAX_FORMAT])
def test_what_python_writes(format_: int, tmp_path: Path) -> None:
    """Python's tarfile, long names and times with fractions."""
    file = io.BytesIO()
    with tarfile.open(fileobj=file, mode="w", format=format_) as made:
        for name in ("a", "p" * 90 + "/" + "q" * 90):
            info = tarfile.TarInfo(name)
            info.size, info.mtime = 12, 1772600768
            made.addfile(info, io.BytesIO(HELLO))
    seen = look(file.getvalue(), tmp_path)
    assert seen.contents == {"a": HELLO, "p" * 90 + "/" + "q" * 90: HELLO} and seen.whole
    assert {m.time_s for m in seen.members} == {1772600768}


# ---------------------------------------------------------------------------------------------- the pieces


def test_a_header_s_sum() -> None:
    """`hello.txt`, mode 0000644, ids 0, size 12, mtime 0, ustar, as Python's tarfile writes it: octal 7604."""
    info = tarfile.TarInfo("hello.txt")
    info.size = 12
    theirs = info.tobuf(tarfile.USTAR_FORMAT)
    assert theirs[148:156] == b"007604\0 "
    assert sum_is_right(theirs)
    assert not sum_is_right(theirs[:500] + b"\1" + theirs[501:])
    assert not sum_is_right(theirs[:511])


def test_sums_of_packers_with_signed_characters(tmp_path: Path) -> None:
    """Common practice of old packers on machines whose characters are signed."""
    block = header("caf\u00e9".encode("latin-1"), 12, magic=V7, signed=True)
    assert sum_is_right(block)
    seen = look(block + padded(HELLO) + END, tmp_path)
    assert seen.contents == {"caf\u00e9": HELLO}
    assert list(seen.notices) == ["some names are no UTF-8; they were read as Latin-1"]


@pytest.mark.parametrize(
    ("raw", "value"),
    [
        (b"00000000014\0", 12), (b"         14 ", 12), (b"14\0junk\0\0\0\0\0", 12), (b"77777777777\0", 0o77777777777),
        (b"777777777777", 0o777777777777), (b"\x80" + bytes(9) + b"\x01\x00", 256), (b"\xff" * 12, -1),
        (b"\xff" * 11 + b"\0", -256), (bytes(12), 0), (b" " * 12, 0), (b"00000000019\0", None), (b"0x0000000014", None),
        (b"-1\0\0\0\0\0\0\0\0\0\0", None),
    ],
)  # fmt: skip
def test_numbers(raw: bytes, value: int | None) -> None:
    """Octal with its many paddings, base-256 of GNU tar (its manual, "Extensions")."""
    assert number(raw) == value
    if raw[0] & 0x80:
        assert tarfile.nti(raw) == value  # type: ignore[attr-defined]


def test_records_of_pax() -> None:
    """`"%d %s=%s\\n"` each; anything that does not close exactly is damage."""
    assert records(b"11 path=ab\n13 size=1234\n") == {"path": b"ab", "size": b"1234"}
    assert records(b"12 path=a\nb\n") == {"path": b"a\nb"}
    for start in (b"12 path=ab", b"10 path=ab", b"x path=ab", b"11 path-ab", b"0 ", b"99999999999 path=ab"):
        assert records(start + b"\n") is None
        assert records(b"11 path=ab\n" + start + b"\n") is None
    assert records(b"11 path=ab\n" + bytes(40)) is None


# ------------------------------------------------------------------------------------------- extensions


def shown(data: bytes, tmp_path: Path, charset: str | None = None) -> Seen:
    return look(data + END, tmp_path, charset)


def test_long_names_of_gnu(tmp_path: Path) -> None:
    """Types L and K go before the member."""
    name, target = b"l" * 300, b"t" * 300
    link = long_name(target, b"K") + long_name(name) + header(b"short", kind=b"2", magic=GNU)
    seen = shown(long_name(b"f" * 300) + member(b"short", HELLO, magic=GNU) + link, tmp_path)
    assert seen.contents == {"f" * 300: HELLO}
    assert (seen.members[1].name, seen.members[1].target) == ("l" * 300, "t" * 300)


def test_pax_overrides(tmp_path: Path) -> None:
    """Path, size, time and link of the extended header win; a comment is kept."""
    extended = pax({"path": "dir/caf\u00e9".encode(), "mtime": b"1772600768.75", "comment": b"kept", "size": b"12"})
    link = pax({"linkpath": b"far/away"}) + header(b"link", kind=b"2", linkname=b"near")
    seen = shown(extended + header(b"short", 0) + padded(HELLO) + link, tmp_path)
    assert seen.contents == {"dir/caf\u00e9": HELLO}
    assert (seen.members[0].time_s, seen.members[0].comment) == (1772600768, "kept")
    assert seen.members[1].target == "far/away"


def test_pax_for_all_that_follows(tmp_path: Path) -> None:
    """Type g holds until the end, type x wins over it once."""
    both = pax({"mtime": b"100"}, b"g") + pax({"mtime": b"200"}) + member(b"one", HELLO) + member(b"two", HELLO)
    assert [m.time_s for m in shown(both, tmp_path).members] == [200, 100]


def test_charsets(tmp_path: Path) -> None:
    """UTF-8, else Latin-1; the user's word comes first, but not over pax, which is UTF-8 by its standard."""
    old = member("\u00fcber".encode("cp850"), HELLO, magic=V7)
    assert shown(old, tmp_path, "cp850").names == ["\u00fcber"]
    assert shown(member("\u00fcber".encode()), tmp_path).names == ["\u00fcber"]
    new = pax({"path": "\u00fcber".encode()}) + member(b"x", HELLO)
    assert shown(new, tmp_path, "cp850").names == ["\u00fcber"]
    raw = pax({"hdrcharset": b"BINARY", "path": "\u00fcber".encode("cp850")}) + member(b"x", HELLO)
    assert shown(raw, tmp_path, "cp850").names == ["\u00fcber"]


def test_a_prefix_is_one_in_ustar_only(tmp_path: Path) -> None:
    """GNU keeps other things in that place."""
    ustar = header(b"name", prefix=b"dir/sub")
    gnu = header(b"name", magic=GNU, prefix=b"12345678901\x00")
    assert shown(ustar + gnu, tmp_path).names == ["dir/sub/name", "name"]


def test_the_archive_s_root_and_label(tmp_path: Path) -> None:
    """`./` in front of every name goes; a volume label is no member."""
    label = header(b"Reading room backup", kind=b"V", magic=GNU)
    seen = shown(label + header(b"./", kind=b"5") + member(b"./dir/a", HELLO), tmp_path)
    assert seen.contents == {"dir/a": HELLO} and seen.whole
    assert list(seen.notices) == ["the archive's label: Reading room backup"]


@pytest.mark.parametrize("kind", [b"1", b"2", b"5", b"3", b"6"])
@pytest.mark.parametrize("stored", [False, True], ids=["size alone", "with data"])
def test_sizes_where_no_data_belongs(kind: bytes, stored: bool, tmp_path: Path) -> None:
    """Some packers give a link or folder the size of what it stands for, with or without its bytes."""
    odd = header(b"odd", 600, kind=kind, linkname=b"a") + (padded(noise(600)) if stored else b"")
    seen = shown(odd + member(b"behind", HELLO), tmp_path)
    own = {"odd": noise(600)} if kind == b"1" and stored else {}  # a hard link may bring its bytes (pax)
    assert seen.contents == {"behind": HELLO} | own and not seen.problems


# --------------------------------------------------------------------------------- what must be refused


@pytest.mark.parametrize(
    ("kind", "said"),
    [(b"3", "character device"), (b"4", "block device"), (b"6", "named pipe"), (b"S", "sparse"),
     (b"M", "another volume"), (b"Q", "unknown type b'Q'")],
)  # fmt: skip
def test_what_is_no_file(kind: bytes, said: str, tmp_path: Path) -> None:
    """Named and not read; the neighbour is."""
    seen = shown(member(b"odd", HELLO, kind=kind) + member(b"behind", HELLO), tmp_path)
    assert said in seen.faults["odd"] and seen.contents == {"behind": HELLO}


def test_sparse_files_of_gnu_and_pax(tmp_path: Path) -> None:
    """As GNU tar writes them: refused, and what stands behind them is found."""
    with (tmp_path / "sparse").open("wb") as file:
        for hole in range(8):
            file.seek(hole * 2**20)
            file.write(b"data")
    (tmp_path / "behind").write_bytes(HELLO)
    for dialect in ("gnu", "posix"):
        path = tmp_path / f"{dialect}.tar"
        command = [program("tar"), "-S", f"--format={dialect}", "-cf", path, "sparse", "behind"]
        subprocess.run(command, cwd=tmp_path, check=True)
        seen = look(path.read_bytes(), tmp_path)
        assert len(seen.faults) == 1 and "sparse" in next(iter(seen.faults.values()))
        assert seen.contents == {"behind": HELLO} and not seen.problems


@pytest.mark.parametrize(
    ("name", "said"),
    [(b"/etc/x", "absolute"), (b"../x", "climbs out"), (b"a/../../x", "climbs out"), (b"a\\..\\..\\x", "climbs out"),
     (b"C:/x", "drive or volume"), (b"Work:x", "drive or volume"), (b"a\nb", "control character"), (b"", "empty")],
)  # fmt: skip
def test_unsafe_names(name: bytes, said: str, tmp_path: Path) -> None:
    """The name is refused whatever dialect carries it; the bytes are still checked."""
    longer = long_name(name) + member(b"x", HELLO, magic=GNU) if name else member(b"", HELLO)
    seen = shown(member(b"good", HELLO) + longer, tmp_path)
    assert any(said in unsafe for unsafe in seen.unsafe.values()), seen
    assert not seen.faults


def test_a_member_below_a_link(tmp_path: Path) -> None:
    """A link, then a file through it: refused."""
    link = header(b"door", kind=b"2", linkname=b"/etc")
    seen = shown(link + member(b"door/passwd", HELLO), tmp_path)
    assert "goes through an earlier member that is no folder" in seen.unsafe["door/passwd"]


def test_setuid_and_owners_are_told_only(tmp_path: Path) -> None:
    """Mode bits stand in the record as stored."""
    assert shown(member(b"x", HELLO, mode=octal(0o4755, 8)), tmp_path).members[0].attributes == 0o4755


# -------------------------------------------------------------------------------------------------- damage


def three() -> list[bytes]:
    return [member(b"one", HELLO), member(b"two", noise(1000)), member(b"three", HELLO)]


def test_a_damaged_header_is_said_and_the_rest_read(tmp_path: Path) -> None:
    """One bit in the second header: a library's listing would end there in silence (checked here)."""
    one, two, three_ = three()
    damaged = one + two[:20] + b"\1" + two[21:] + three_ + END
    with tarfile.open(fileobj=io.BytesIO(damaged)) as theirs:
        assert theirs.getnames() == ["one"]
    seen = look(damaged, tmp_path)
    assert seen.contents == {"one": HELLO, "three": HELLO}
    assert list(seen.problems) == ["the header at byte 1024 after member 1 is damaged: its sum is wrong"]


@pytest.mark.parametrize("size", [b"\xff" * 12, b"0000000001x\0"], ids=["negative", "no number"])
def test_a_size_that_is_none(size: bytes, tmp_path: Path) -> None:
    """Nothing tells where the next header is, so it is looked for."""
    seen = shown(member(b"one", HELLO) + _with_size(b"odd", size) + member(b"behind", HELLO), tmp_path)
    assert seen.contents == {"one": HELLO, "behind": HELLO}
    assert "a size that is no size" in seen.problems[0]


def _with_size(name: bytes, raw: bytes, kind: bytes = b"0") -> bytes:
    """A header whose size field holds these bytes, its sum right."""
    block = header(name, kind=kind, magic=GNU)
    block = block[:124] + raw + block[136:148] + b" " * 8 + block[156:]
    return block[:148] + b"%06o\0 " % sum(block) + block[156:]


@pytest.mark.parametrize("cut", [1, 511])
def test_cut_inside_a_header(cut: int, tmp_path: Path) -> None:
    """The archive ends inside the third header."""
    one, two, three_ = three()
    seen = look(one + two + three_[:cut], tmp_path)
    assert set(seen.contents) == {"one", "two"}
    assert list(seen.problems) == ["the archive is cut short in or after member 2"]


@pytest.mark.parametrize("cut", [512, 513, 1511])
def test_cut_inside_a_member(cut: int, tmp_path: Path) -> None:
    """The second member's bytes are not all there."""
    one, two, _ = three()
    seen = look(one + two[:cut], tmp_path)
    assert seen.faults == {"two": "the file ends inside it"} and set(seen.contents) == {"one"}


def test_cut_between_members(tmp_path: Path) -> None:
    """No end mark: nothing shows whether members are missing, so it is said."""
    one, two, _ = three()
    seen = look(one + two, tmp_path)
    assert seen.whole
    assert list(seen.notices) == ["no end mark after member 2; the archive may have been cut there"]


def test_cut_in_the_padding(tmp_path: Path) -> None:
    """All the member's bytes are there, but not the archive's."""
    seen = look(member(b"one", HELLO)[:600], tmp_path)
    assert seen.contents == {"one": HELLO}
    assert list(seen.problems) == ["the archive is cut short in or after member 1"]


def test_half_an_end_mark_and_a_lone_zero_block(tmp_path: Path) -> None:
    """One zero block at the end is said; one in the middle hides nothing."""
    one, two, _ = three()
    assert list(look(one + bytes(512), tmp_path).notices) == ["half an end mark: one block of zeros instead of two"]
    seen = look(one + bytes(512) + two + END, tmp_path)
    assert set(seen.contents) == {"one", "two"} and "a lone block of zeros" in seen.notices[0]


@pytest.mark.parametrize(
    ("tail", "said"),
    [(bytes(10_240), ""), (bytes(3000) + b"junk", "bytes that are no padding"), (member(b"x"), "another archive")],
)
def test_after_the_end_mark(tail: bytes, said: str, tmp_path: Path) -> None:
    """Zeros are padding; anything else is said."""
    seen = look(member(b"one", HELLO) + END + tail, tmp_path)
    assert seen.contents == {"one": HELLO} and seen.whole
    assert said in "".join(seen.notices) and bool(said) == bool(seen.notices)


def test_damaged_extended_headers(tmp_path: Path) -> None:
    """A pax record that does not close, a long name without its member, one beyond all bounds."""
    bad = member(b"PaxHeaders/0", b"99 path=ab\n", kind=b"x")
    seen = shown(bad + member(b"one", HELLO) + member(b"two", HELLO), tmp_path)
    assert seen.faults == {"one": "its extended header is damaged"} and seen.contents == {"two": HELLO}
    lone = look(member(b"one", HELLO) + long_name(b"n" * 200) + END, tmp_path)
    assert list(lone.problems) == ["the archive ends after an extended header that follows member 1"]
    huge = member(b"././@LongLink", b"n" * (2**20 + 1), kind=b"L", magic=GNU) + member(b"one", HELLO)
    assert "beyond all bounds" in shown(huge, tmp_path).faults["one"]
    digits = pax({"size": b"9" * 5000, "mtime": b"9" * 5000}) + member(b"one", HELLO)
    assert shown(digits, tmp_path).contents == {"one": HELLO}


@pytest.mark.parametrize("kind", [b"0", b"L", b"x", b"g", b"V", b"S"])
def test_sizes_beyond_any_file(kind: bytes, tmp_path: Path) -> None:
    """A size of 2^94 ends the walk, whatever it is the size of."""
    odd = _with_size(b"odd", b"\x80\x3f" + b"\xff" * 10, kind)
    seen = shown(member(b"one", HELLO) + odd, tmp_path)
    assert seen.contents == {"one": HELLO}
    assert seen.problems or seen.faults


def test_times_no_calendar_holds(tmp_path: Path) -> None:
    """Base-256 reaches beyond the year 10,000."""
    assert shown(member(b"x", mtime=b"\x80" + b"\xff" * 11), tmp_path).members[0].time_s is None
    assert shown(member(b"x", mtime=b"\xff" * 12), tmp_path).members[0].time_s == -1


def test_what_is_no_tar() -> None:
    """Zeros, text, a header whose sum is wrong."""
    for data in (bytes(10_240), b"text " * 1000, member(b"x", HELLO, chksum=b"000001\0 ") + END):
        assert format_of(data) == ""


def test_a_small_archive_s_every_cut(tmp_path: Path) -> None:
    """Cut anywhere, it never pretends to be whole without a word."""
    data = b"".join(three()) + END
    for cut in range(512, len(data) - 512, 97):
        seen = look(data[:cut], tmp_path)
        assert seen.problems or seen.faults or seen.notices, cut
        for name, content in seen.contents.items():
            assert content == {"one": HELLO, "two": noise(1000), "three": HELLO}[name]


def test_remarks_have_an_end(tmp_path: Path) -> None:
    """A label in every block, and sizes that are none: what is said of an archive stays short enough to be read."""
    data = header(b"label", kind=b"V") * 1000 + header(b"a", -1) * 1000 + END
    seen = look(data, tmp_path)
    assert len(seen.notices) == len(seen.problems) == 201
    assert "the others are not told" in seen.notices[-1] and "the others are not told" in seen.problems[-1]

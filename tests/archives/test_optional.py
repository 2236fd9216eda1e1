"""7z and RAR through optional libraries: archives made by 7z and py7zr, RAR built by hand (its technical notes)."""

import random
import struct
import subprocess
import sys
import zlib
from pathlib import Path
from typing import Any

import pytest
from support.programs import program
from support.readers import format_of, look

from discprep.errors import ArchiveError, ToolError
from discprep.model import Limits

HELLO = b"hello world\n"


def noise(size: int, seed: int = 1) -> bytes:
    return random.Random(seed).randbytes(size)


# ----------------------------------------------------------------------------------------------------- 7z


@pytest.fixture
def seven() -> Any:
    return pytest.importorskip("py7zr", reason="pip install 'discprep[sevenzip]'")


def packed(folder: Path, contents: dict[str, bytes], *options: str) -> bytes:
    """What the 7z program makes of these files, in this order."""
    for name, data in contents.items():
        (folder / "tree" / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / "tree" / name).write_bytes(data)
    path = folder / "made.7z"
    path.unlink(missing_ok=True)
    command = [program("7z", "7zip"), "a", "-bd", *options, path, *contents]
    subprocess.run(command, cwd=folder / "tree", check=True, capture_output=True)
    return path.read_bytes()


@pytest.mark.parametrize(
    "options",
    [(), ("-ms=off",), ("-mx=0",), ("-m0=ppmd",), ("-m0=bzip2",), ("-m0=deflate",), ("-m0=deflate64",), ("-m0=lzma",)],
    ids=" ".join,
)
def test_what_7z_packs(options: tuple[str, ...], seven: Any, tmp_path: Path) -> None:
    """Solid and not, in its methods; the checksums are the archive's own."""
    contents = {"a": HELLO, "dir/b": noise(100_000), "dir/c": HELLO * 5000, "empty": b""}
    seen = look(packed(tmp_path, contents, *options), tmp_path)
    assert seen.format == "7z" and seen.whole
    assert seen.contents == contents
    assert seen.member("a").checksum == "crc32 af083b2d"


def test_what_py7zr_packs(seven: Any, tmp_path: Path) -> None:
    """Names in another script, folders."""
    with seven.SevenZipFile(tmp_path / "made.7z", "w") as made:
        made.writestr(HELLO, "\u0447\u0438\u0442\u0430\u043b\u044c\u043d\u044f/a.txt")
    seen = look((tmp_path / "made.7z").read_bytes(), tmp_path)
    assert seen.contents == {"\u0447\u0438\u0442\u0430\u043b\u044c\u043d\u044f/a.txt": HELLO}


def test_hostile_names_in_7z(seven: Any, tmp_path: Path) -> None:
    """A path that climbs out is refused by name and written nowhere; the neighbour reads."""
    # py7zr keeps hostile names out when it packs; the names stand in the header as UTF-16.
    with seven.SevenZipFile(tmp_path / "hostile.7z", "w", filters=[{"id": seven.FILTER_COPY}]) as made:
        made.set_encoded_header_mode(False)
        made.writestr(HELLO, "good")
        made.writestr(b"bad", "xx/xx/evil")
    data = (tmp_path / "hostile.7z").read_bytes().replace("xx/xx/".encode("utf-16-le"), "../../".encode("utf-16-le"))
    offset, size = struct.unpack_from("<2Q", data, 12)
    start = data[12:28] + struct.pack("<L", zlib.crc32(data[32 + offset : 32 + offset + size]))
    data = data[:8] + struct.pack("<L", zlib.crc32(start)) + start + data[32:]
    seen = look(data, tmp_path)
    assert "climbs out" in seen.unsafe["../../evil"]
    assert seen.contents == {"good": HELLO, "../../evil": b"bad"}
    assert not (tmp_path.parent.parent / "evil").exists() and not (tmp_path.parent / "evil").exists()


def test_damage_in_a_7z_member(seven: Any, tmp_path: Path) -> None:
    """One member of an archive that is not solid is damaged: it alone."""
    contents = {"a": noise(5000, 1), "b": noise(5000, 2), "c": noise(5000, 3)}
    data = bytearray(packed(tmp_path, contents, "-ms=off", "-mx=0"))
    data[data.index(contents["b"][:100]) + 2000] ^= 1
    seen = look(bytes(data), tmp_path)
    assert list(seen.faults) == ["b"] and set(seen.contents) == {"a", "c"}


def test_a_damaged_7z_header(seven: Any, tmp_path: Path) -> None:
    """Nothing can be read: an error, whatever the library raises."""
    data = packed(tmp_path, {"a": HELLO})
    for bad in (data[:-5], data[:30], data[:-1] + bytes([data[-1] ^ 1])):
        with pytest.raises(ArchiveError, match="header of the 7z archive"):
            look(bad, tmp_path)


def test_an_encrypted_7z(seven: Any, tmp_path: Path) -> None:
    """Named as such, nothing asked."""
    seen = look(packed(tmp_path, {"a": HELLO}, "-psecret"), tmp_path)
    assert "encrypted" in seen.faults["a"]


def test_a_7z_bomb(seven: Any, tmp_path: Path) -> None:
    """All members of a solid archive together are held to the limit on the whole."""
    data = packed(tmp_path, {"a": bytes(3 * 2**20), "b": bytes(3 * 2**20)})
    seen = look(data, tmp_path, limits=Limits(total_bytes=4 * 2**20))
    assert seen.faults


def test_thousands_of_damaged_7z(seven: Any, tmp_path: Path) -> None:
    """Whatever the library raises becomes a message; what reads is what was packed."""
    contents = {"a": noise(300, 1), "b": HELLO * 30, "c": b""}
    data = packed(tmp_path, contents)
    rng = random.Random(7)
    for _ in range(400):
        bad = bytearray(data)
        for _ in range(rng.choice((1, 2, 5))):
            bad[rng.randrange(6, len(bad))] = rng.randrange(256)
        try:
            seen = look(bytes(bad), tmp_path, limits=Limits(member_bytes=2**24, total_bytes=2**24))
        except ArchiveError:
            continue
        for name, content in seen.contents.items():
            assert content in (*contents.values(), b"") or seen.member(name).checksum == "", name


# ---------------------------------------------------------------------------------------------------- RAR


@pytest.fixture
def rar() -> Any:
    return pytest.importorskip("rarfile", reason="pip install 'discprep[rar]'")


def block4(kind: int, flags: int, rest: bytes, data: bytes = b"") -> bytes:
    """A block of the older format: CRC-16 of the rest, type, flags, size."""
    head = struct.pack("<BHH", kind, flags, 7 + len(rest)) + rest
    return struct.pack("<H", zlib.crc32(head) & 0xFFFF) + head + data


def file4(
    name: bytes, data: bytes, method: int = 0x30, crc: int | None = None, flags: int = 0, size: int = -1
) -> bytes:
    """A file of the older format; method 0x30 is stored."""
    crc = zlib.crc32(data) if crc is None else crc
    size = len(data) if size < 0 else size
    moment = 0x5C64 << 16 | 0x28C4
    fixed = struct.pack("<LLBLLBBHL", len(data), size, 0, crc, moment, 29, method, len(name), 0x20)
    return block4(0x74, 0x8000 | flags, fixed + name, data)


def rar4(*files: bytes, flags: int = 0) -> bytes:
    return b"Rar!\x1a\x07\0" + block4(0x73, flags, bytes(6)) + b"".join(files) + block4(0x7B, 0x4000, b"")


def vint(value: int) -> bytes:
    low, rest = value & 0x7F, value >> 7
    return bytes([low | 0x80]) + vint(rest) if rest else bytes([low])


def block5(body: bytes, data: bytes = b"") -> bytes:
    """A block of the newer format: CRC-32 of size and body."""
    head = vint(len(body)) + body
    return struct.pack("<L", zlib.crc32(head)) + head + data


def file5(name: bytes, data: bytes) -> bytes:
    """A stored file of the newer format, with a CRC-32."""
    fields = vint(4) + vint(len(data)) + vint(0x20) + struct.pack("<L", zlib.crc32(data)) + vint(0) + vint(0)
    return block5(vint(2) + vint(2) + vint(len(data)) + fields + vint(len(name)) + name, data)


def rar5(*files: bytes, flags: int = 0) -> bytes:
    main = block5(vint(1) + vint(0) + vint(flags))
    return b"Rar!\x1a\x07\x01\0" + main + b"".join(files) + block5(vint(5) + vint(0) + vint(0))


@pytest.mark.parametrize("data", [rar4(file4(b"a", HELLO)), rar5(file5(b"a", HELLO))], ids=["older", "newer"])
def test_the_hand_made_rars_are_rars(data: bytes, tmp_path: Path) -> None:
    """bsdtar reads them."""
    (tmp_path / "made.rar").write_bytes(data)
    command = [program("bsdtar", "libarchive-tools"), "-xOf", tmp_path / "made.rar"]
    assert subprocess.run(command, capture_output=True, check=True).stdout == HELLO


def test_stored_members(rar: Any, tmp_path: Path) -> None:
    """Both formats, without any program."""
    older = look(rar4(file4(b"DIR\\A.TXT", HELLO), file4(b"b", noise(70_000))), tmp_path)
    assert older.contents == {"DIR/A.TXT": HELLO, "b": noise(70_000)} and older.whole
    member = older.members[0]
    assert (member.time_s, member.attributes, member.attribute_system) == (1772600768, 0x20, "dos")
    assert (member.checksum, member.method, member.raw_name) == ("crc32 af083b2d", "rar-m0", b"DIR\\A.TXT")
    newer = look(rar5(file5(b"dir/a.txt", HELLO), file5(b"b", noise(70_000))), tmp_path)
    assert newer.contents == {"dir/a.txt": HELLO, "b": noise(70_000)} and newer.whole


def test_damage_and_refusals(rar: Any, tmp_path: Path) -> None:
    """A wrong checksum, an encrypted member, part of a set of volumes, a cut."""
    assert "CRC" in look(rar4(file4(b"a", HELLO, crc=1), file4(b"b", HELLO)), tmp_path).faults["a"]
    assert "encrypted" in look(rar4(file4(b"a", HELLO, flags=4)), tmp_path).faults["a"]
    assert "another volume" in look(rar4(file4(b"a", HELLO, flags=2)), tmp_path).faults["a"]
    for whole in (rar4(file4(b"a", HELLO), flags=1), rar5(file5(b"a", HELLO), flags=1)):
        assert "one volume of several" in look(whole, tmp_path).problems[0]
    cut = look(rar4(file4(b"a", HELLO), file4(b"b", noise(5000)))[:-3000], tmp_path)
    assert cut.problems or cut.faults


def test_programs_take_turns(rar: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A packed member goes to the next program when one cannot reproduce it; the one that can goes first next time."""
    from discprep.archives import optional

    calls = []

    def setup(answer: str) -> Any:
        class Program(rar.ToolSetup):  # type: ignore[misc, name-defined]
            def open_cmdline(self, password: Any, archive: str, name: str | None = None) -> list[str]:
                calls.append(answer)
                return [sys.executable, "-c", f"print({answer!r})"]

        return Program({"errmap": [None], "check_cmd": ("UNRAR_TOOL",)})

    data = rar4(*(file4(name, b"packed", 0x33, zlib.crc32(HELLO), size=12) for name in (b"a", b"b")))
    monkeypatch.setattr(optional, "_rar_programs", lambda library: [setup("something"), setup("hello world")])
    assert look(data, tmp_path).contents == {"a": HELLO, "b": HELLO}
    assert calls == ["something", "hello world", "hello world"]
    monkeypatch.setattr(optional, "_rar_programs", lambda library: [setup("something"), setup("else")])
    assert "unpacked by unrar, unrar" in look(data, tmp_path).faults["a"]
    monkeypatch.setattr(optional, "_rar_programs", lambda library: [])
    assert "no program that unpacks RAR" in look(data, tmp_path).faults["a"]


def test_damaged_rars(rar: Any, tmp_path: Path) -> None:
    """Whatever the library raises becomes a message; what reads has its checksum."""
    rng = random.Random(8)
    for data in (rar4(file4(b"a", HELLO), file4(b"b", noise(300))), rar5(file5(b"a", HELLO), file5(b"b", noise(300)))):
        for _ in range(300):
            bad = bytearray(data)
            for _ in range(rng.choice((1, 2, 5))):
                bad[rng.randrange(8, len(bad))] = rng.randrange(256)
            try:
                seen = look(bytes(bad), tmp_path)
            except ArchiveError:
                continue
            for name, content in seen.contents.items():
                assert content in (HELLO, noise(300), b"") or seen.member(name).checksum == "", name


# ------------------------------------------------------------------------------------------------- neither


@pytest.mark.parametrize(
    ("library", "data", "said"),
    [("py7zr", b"7z\xbc\xaf\x27\x1c\0\4" + bytes(24), "sevenzip"), ("rarfile", rar4(file4(b"a", HELLO)), "rar")],
)
def test_without_the_library(
    library: str, data: bytes, said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The message names the library and the extra."""
    monkeypatch.setitem(sys.modules, library, None)
    assert format_of(data)
    with pytest.raises(ToolError, match=f"library {library}, which is not installed") as caught:
        look(data, tmp_path)
    assert f"discprep[{said}]" in caught.value.hint

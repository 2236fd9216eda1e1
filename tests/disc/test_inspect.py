"""What `inspect` sees in an image; the faults that no general-purpose reader reports, planted one by one."""

import hashlib
import io
import os
import random
from collections.abc import Callable
from pathlib import Path

import pycdlib
import pytest
from support.command import run as command
from support.disc_readers import run
from support.programs import program
from support.trees import EPOCH, Shelf, folder, name, options, write

from discprep.disc.image import BootImage, write_image
from discprep.disc.inspect import ImageFacts, inspect_image
from discprep.disc.layout.check import check_image
from discprep.disc.layout.fields import SECTOR, both16, both32, little
from discprep.disc.layout.records import Descriptor, split_directory
from discprep.disc.second_reader import reader
from discprep.errors import DiscError
from discprep.job.inspect import is_disc_image


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An image with folders of several sectors, Joliet and Rock Ridge."""
    place = tmp_path_factory.mktemp("whole")
    shelf = Shelf(place)
    files = {f"SUB/F{n:03d}.TXT": b"%d" % n * 300 for n in range(60)}
    files |= {"README.1ST": b"1" * 3000, "README": b"2", "SUB/DEEP/X.TXT": b"x"}
    staged = [*shelf.tree(files), folder("E")]
    write(staged, place / "x.iso", "2jr")
    return place / "x.iso"


def damaged(whole: Path, tmp_path: Path, change: Callable[[bytearray], None]) -> Path:
    data = bytearray(whole.read_bytes())
    change(data)
    path = tmp_path / "damaged.iso"
    path.write_bytes(data)
    return path


def directory(data: bytearray, sector: int = 16, sub: bytes | None = None) -> tuple[int, int]:
    """First byte and length of a tree's root, or of a folder in it."""
    root = Descriptor(sector, bytes(data[sector * SECTOR : (sector + 1) * SECTOR])).root
    place = (root.extent * SECTOR, root.size_bytes)
    if sub:
        record = next(r for r in split_directory(bytes(data[place[0] : sum(place)]))[0] if r.identifier == sub)
        place = (record.extent * SECTOR, record.size_bytes)
    return place


def record_at(data: bytearray, identifier: bytes, sub: bytes | None = None, descriptor: int = 16) -> int:
    start, size = directory(data, descriptor, sub)
    records, _ = split_directory(bytes(data[start : start + size]))
    return start + next(r.offset for r in records if r.identifier == identifier)


def duplicate_id(data: bytearray) -> None:
    at = record_at(data, b"F001.TXT;1", b"SUB")
    data[at + 33 : at + 43] = b"F000.TXT;1"


def wrong_order(data: bytearray) -> None:
    one, other = record_at(data, b"F001.TXT;1", b"SUB"), record_at(data, b"F002.TXT;1", b"SUB")
    data[one + 33 : one + 43], data[other + 33 : other + 43] = b"F002.TXT;1", b"F001.TXT;1"


def wrong_parent_length(data: bytearray) -> None:
    start, _ = directory(data, sub=b"SUB")
    parent = start + data[start]
    data[parent + 10 : parent + 18] = both32(SECTOR * 7)


def wrong_parent_place(data: bytearray) -> None:
    start, _ = directory(data, sub=b"SUB")
    parent = start + data[start]
    data[parent + 2 : parent + 10] = both32(start // SECTOR)


def one_byte_order(data: bytearray) -> None:
    at = record_at(data, b"README.;1")
    data[at + 6] ^= 1


def size_of_the_volume(data: bytearray) -> None:
    data[16 * SECTOR + 84] ^= 1


def path_table(data: bytearray) -> None:
    data[little(bytes(data), 16 * SECTOR + 140, 4) * SECTOR + 13] ^= 1


def path_table_name(data: bytearray) -> None:
    at = int.from_bytes(data[16 * SECTOR + 148 : 16 * SECTOR + 152], "big") * SECTOR
    data[at + 18] ^= 1


def overlap(data: bytearray) -> None:
    one, other = record_at(data, b"F001.TXT;1", b"SUB"), record_at(data, b"F003.TXT;1", b"SUB")
    data[one + 2 : one + 10] = data[other + 2 : other + 10]
    data[one + 10 : one + 18] = both32(4000)


def out_of_range(data: bytearray) -> None:
    at = record_at(data, b"README.;1")
    data[at + 2 : at + 10] = both32(1_000_000)


def crossing(data: bytearray) -> None:
    start, _ = directory(data, sub=b"SUB")
    records, _ = split_directory(bytes(data[start : start + SECTOR]))
    data[start + records[-1].offset] = 250


def no_terminator(data: bytearray) -> None:
    data[18 * SECTOR : 19 * SECTOR] = bytes(SECTOR)


def lower_case(data: bytearray) -> None:
    at = record_at(data, b"README.;1")
    data[at + 33] = ord("r")


def loop(data: bytearray) -> None:
    at = record_at(data, b"E")
    data[at + 2 : at + 10] = both32(directory(data)[0] // SECTOR)


def broken_system_use(data: bytearray) -> None:
    at = record_at(data, b"README.;1")
    nm = data.index(b"NM", at)
    data[nm + 2] = 200


def joliet_star(data: bytearray) -> None:
    at = record_at(data, "README".encode("utf-16-be"), descriptor=17)
    data[at + 34] = ord("*")


def joliet_control(data: bytearray) -> None:
    at = record_at(data, "README".encode("utf-16-be"), descriptor=17)
    data[at + 34] = 31


def no_dot(data: bytearray) -> None:
    data[record_at(data, b"README.;1") + 33 + 6] = ord("X")


def no_version(data: bytearray) -> None:
    data[record_at(data, b"README.;1") + 33 + 8] = ord("0")


def rock_ridge_twin(data: bytearray) -> None:
    at = data.index(b"NM", record_at(data, b"F001.TXT;1", b"SUB"))
    data[at + 5 : at + 13] = b"F000.TXT"


def rock_ridge_nameless(data: bytearray) -> None:
    at = data.index(b"NM", record_at(data, b"F001.TXT;1", b"SUB"))
    data[at : at + 2] = b"XX"


def two_sizes(data: bytearray) -> None:
    data[17 * SECTOR + 80 : 17 * SECTOR + 88] = both32(299)


def small_blocks(data: bytearray) -> None:
    data[16 * SECTOR + 128 : 16 * SECTOR + 132] = both16(1024)


def unknown_structure(data: bytearray) -> None:
    data[16 * SECTOR + 881] = 3


def root_is_a_file(data: bytearray) -> None:
    data[16 * SECTOR + 156 + 25] = 0


def own_length(data: bytearray) -> None:
    start, _ = directory(data, sub=b"SUB")
    data[start + 10 : start + 18] = both32(SECTOR)


def no_dot_record(data: bytearray) -> None:
    start, _ = directory(data, sub=b"SUB")
    data[start + 33] = 2


def first_of_all(data: bytearray) -> None:
    data[record_at(data, b"E") + 33] = ord("Z")


def part_of_a_sector(data: bytearray) -> None:
    start, _ = directory(data, sub=b"E")
    for at in (record_at(data, b"E"), start):
        data[at + 10 : at + 18] = both32(SECTOR - 2)


def file_over_a_folder(data: bytearray) -> None:
    at = record_at(data, b"README.;1")
    data[at + 2 : at + 10] = both32(directory(data, sub=b"SUB")[0] // SECTOR)


def file_over_a_path_table(data: bytearray) -> None:
    at = record_at(data, b"README.;1")
    data[at + 2 : at + 10] = both32(little(bytes(data), 16 * SECTOR + 140, 4))


FAULTS = [
    (duplicate_id, "duplicate"), (wrong_order, "order"), (wrong_parent_length, "dots"), (wrong_parent_place, "dots"),
    (one_byte_order, "both-endian"), (size_of_the_volume, "both-endian"), (path_table, "path-table"),
    (path_table_name, "path-table"), (overlap, "overlap"), (out_of_range, "range"), (crossing, "records"),
    (no_terminator, "descriptors"), (lower_case, "names"), (loop, "loop"), (broken_system_use, "system-use"),
    # Joliet specification, "Allowed characters"; ECMA-119 §6.8.1, §6.8.2.2, §7.5.1, §8.4.12, §8.4.31,
    # §9.1.6, §9.3; RRIP §4.1.4.
    (joliet_star, "names"), (joliet_control, "names"), (no_dot, "names"), (no_version, "names"),
    (rock_ridge_twin, "rock-ridge"), (rock_ridge_nameless, "rock-ridge"), (two_sizes, "volume-size"),
    (small_blocks, "descriptors"), (unknown_structure, "descriptors"), (root_is_a_file, "descriptors"),
    (own_length, "dots"), (no_dot_record, "dots"), (first_of_all, "order"), (part_of_a_sector, "records"),
    (file_over_a_folder, "overlap"), (file_over_a_path_table, "overlap"),
]  # fmt: skip


@pytest.mark.parametrize(("change", "rule"), FAULTS, ids=[change.__name__ for change, _ in FAULTS])
def test_each_planted_fault_is_found(
    whole: Path, tmp_path: Path, change: Callable[[bytearray], None], rule: str
) -> None:
    """The rule that was broken is among the faults, which name the file or folder; the whole image has none."""
    assert not check_image(whole).faults
    facts = inspect_image(damaged(whole, tmp_path, change))
    assert rule in {fault.rule for fault in facts.faults}
    assert len(facts.faults) < 80


@pytest.mark.parametrize("change", [duplicate_id, wrong_order, wrong_parent_length])
def test_readers_do_not_see_them(whole: Path, tmp_path: Path, change: Callable[[bytearray], None]) -> None:
    """Why an own checker is needed: three readers list the damaged image without a complaint (measured)."""
    path = damaged(whole, tmp_path, change)
    run(program("xorriso"), "-indev", path, "-find", "/")
    run(program("bsdtar", "libarchive-tools"), "-tf", path)
    run(program("iso-info", "libcdio-utils"), "-l", path)


def test_a_lost_sector_is_found(whole: Path, tmp_path: Path) -> None:
    """The image ends one sector early; two readers say nothing (measured)."""
    path = tmp_path / "short.iso"
    path.write_bytes(whole.read_bytes()[:-SECTOR])
    run(program("iso-info", "libcdio-utils"), "-l", path)
    assert [fault.rule for fault in inspect_image(path).faults] == ["volume-size"]
    assert "1 sectors before" in inspect_image(path).faults[0].message
    path.write_bytes(whole.read_bytes()[:-1])
    assert [fault.rule for fault in inspect_image(path).faults] == ["volume-size"]


def facts_of(tmp_path: Path, rules: str, **more: object) -> ImageFacts:
    shelf = Shelf(tmp_path)
    read_me = shelf.file("Docs/Read Me.text", b"read me", time_s=946_684_799)
    staged = [read_me, folder("Empty"), shelf.file("B", b"b" * 99)]
    write(staged, tmp_path / "x.iso", rules, **more)
    return inspect_image(tmp_path / "x.iso")


@pytest.mark.parametrize(
    ("rules", "level", "extensions", "tree", "names"),
    [
        ("1", 1, (), "primary", ["B.", "DOCS", "DOCS/READ_ME.TEX", "EMPTY"]),
        ("2", 2, (), "primary", ["B.", "DOCS", "DOCS/READ_ME.TEXT", "EMPTY"]),
        ("1j", 1, ("joliet-3",), "joliet", ["B", "Docs", "Docs/Read Me.text", "Empty"]),
        ("3jr", 2, ("joliet-3", "rock-ridge"), "rock-ridge", ["B", "Docs", "Docs/Read Me.text", "Empty"]),
    ],
)
def test_facts_of_our_own_images(
    tmp_path: Path, rules: str, level: int, extensions: tuple[str, ...], tree: str, names: list[str]
) -> None:
    """Level as the names keep it, extensions, tree, times and hashes."""
    facts = facts_of(tmp_path, rules)
    assert (facts.volume, facts.level, facts.extensions, facts.tree) == ("TESTDISC", level, extensions, tree)
    assert [member.name for member in facts.members] == names
    read_me = facts.members[2]
    assert read_me.sha256 == hashlib.sha256(b"read me").hexdigest() and read_me.time_s == 946_684_799
    assert read_me.iso.startswith("DOCS/READ_ME.TEX")
    assert (facts.created_s, facts.faults, facts.volume_sectors) == (EPOCH, (), 300)


def test_attributes_and_comments_of_a_stranger(tmp_path: Path) -> None:
    """An AS entry in the place of the name entry's tail: read, and no fault. (Layout: two open decoders agree.)"""
    shelf = Shelf(tmp_path)
    write([shelf.file("x" * 60)], tmp_path / "x.iso", "1r")
    data = bytearray((tmp_path / "x.iso").read_bytes())
    at = data.index(b"NM\x41\x01\x00" + b"x" * 60)
    entry = bytes.fromhex("4153150103000000400C426F6F7420736372697074")
    data[at : at + 65] = b"NM\x2c\x01\x00" + b"y" * 39 + entry
    (tmp_path / "x.iso").write_bytes(data)
    member = inspect_image(tmp_path / "x.iso").members[0]
    assert (member.name, member.attributes, member.comment, member.problem) == ("y" * 39, 0x40, "Boot script", "")


def test_a_bootable_image_says_so(tmp_path: Path) -> None:
    """Catalogue, media and place of the boot image."""
    named = name([Shelf(tmp_path).file("BOOT.IMG", b"b" * 5000)])
    write_image(named, tmp_path / "x.iso", options(boot=BootImage(("BOOT.IMG",))))
    facts = inspect_image(tmp_path / "x.iso")
    assert facts.extensions == ("el-torito",)
    assert [(e.bootable, e.media, e.load_sectors) for e in facts.boot] == [(True, "none", 4)]
    assert facts.boot[0].extent == next(m.extent for m in facts.members if m.name == "BOOT.IMG")


def test_a_strangers_image_with_trailing_bytes_is_no_fault(tmp_path: Path) -> None:
    """Only our own images must end with their volume."""
    write([Shelf(tmp_path).file("A")], tmp_path / "x.iso")
    with (tmp_path / "x.iso").open("ab") as image:
        image.write(bytes(SECTOR * 16))
    assert not inspect_image(tmp_path / "x.iso").faults
    assert [fault.rule for fault in check_image(tmp_path / "x.iso", []).faults][:1] == ["volume-size"]


@pytest.mark.parametrize(("charset", "shown"), [(None, "caf\xe9.txt"), ("cp437", "caf\u0398.txt")])
def test_rock_ridge_names_of_another_charset(tmp_path: Path, charset: str | None, shown: str) -> None:
    """They are bytes of whatever system wrote them (RRIP 4.1.4): genisoimage keeps what is no UTF-8 as it is."""
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / os.fsdecode(b"caf\xe9.txt")).write_bytes(b"beans")
    words = ("-quiet", "-R", "-input-charset", "iso8859-1", "-o", tmp_path / "x.iso", tmp_path / "in")
    run(program("genisoimage"), *words)
    assert [member.name for member in inspect_image(tmp_path / "x.iso", charset=charset).members] == [shown]
    asked = ("--charset", charset) if charset else ()
    assert command("unpack", tmp_path / "x.iso", tmp_path / "out", *asked).code == 0
    assert (tmp_path / "out" / shown).read_bytes() == b"beans"


def udf_disc(path: Path) -> dict[str, bytes]:
    """A disc made by pycdlib whose ISO 9660 tree has one file, its UDF tree (2.60) all of them."""
    files = {"Long name é.txt": b"hello" * 1000, "folder/x": b"x", "folder/empty": b""}
    iso = pycdlib.PyCdlib()
    iso.new(udf="2.60", vol_ident="BRIDGE")
    iso.add_directory(udf_path="/folder")
    for path_, data in files.items():
        iso.add_fp(io.BytesIO(data), len(data), udf_path=f"/{path_}")
    iso.add_fp(io.BytesIO(b"read me"), 7, iso_path="/README.;1")
    iso.write(str(path))
    iso.close()
    return files


def test_a_udf_disc_is_listed_and_unpacked(tmp_path: Path) -> None:
    """The tree that our own reader does not know; names and bytes as 7z extracts them."""
    files = udf_disc(tmp_path / "x.iso")
    ran = command("inspect", tmp_path / "x.iso", "--json")
    assert ran.code == 0 and ran.document["disc"]["tree"] == "udf" and "udf" in ran.document["disc"]["extensions"]
    assert command("unpack", tmp_path / "x.iso", tmp_path / "out").code == 0
    run(program("7z", "7zip"), "x", "-y", f"-o{tmp_path / 'other'}", tmp_path / "x.iso")
    for folder_ in (tmp_path / "out", tmp_path / "other"):
        assert {str(p.relative_to(folder_)): p.read_bytes() for p in folder_.rglob("*") if p.is_file()} == files


@pytest.mark.parametrize("alone", [True, False])
def test_a_general_writers_udf_tree(tmp_path: Path, alone: bool) -> None:
    """genisoimage's, whose primary tree has the same files under short names; and the same disc with nothing but UDF:
    its recognition structures then begin in sector 16 (ECMA-167 2/8.3). Names and bytes as 7z extracts them."""
    files = {"Long name of a file.txt": b"long" * 900, "Folder of some/another one.data": b"x"}
    for path_, data in files.items():
        (tmp_path / "in" / path_).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / "in" / path_).write_bytes(data)
    run(program("genisoimage"), "-quiet", "-udf", "-V", "BOTH", "-o", tmp_path / "x.iso", tmp_path / "in")
    if alone:
        image = bytearray((tmp_path / "x.iso").read_bytes())
        marks = [image[at : at + SECTOR] for at in range(16 * SECTOR, 32 * SECTOR, SECTOR)
                 if image[at + 1 : at + 6] in (b"BEA01", b"NSR02", b"TEA01")]  # fmt: skip
        image[16 * SECTOR : 32 * SECTOR] = b"".join(marks).ljust(16 * SECTOR, b"\0")
        (tmp_path / "x.iso").write_bytes(image)
    document = command("inspect", tmp_path / "x.iso", "--json").document
    assert document["format"] == ("udf" if alone else "iso9660") and document["disc"]["volume"] == "BOTH"
    assert alone or all(member["time"] for member in document["members"] if member["kind"] == "file")
    assert command("unpack", tmp_path / "x.iso", tmp_path / "out").code == 0
    run(program("7z", "7zip"), "x", "-y", f"-o{tmp_path / 'other'}", tmp_path / "x.iso")
    for folder_ in (tmp_path / "out", tmp_path / "other"):
        assert {str(p.relative_to(folder_)): p.read_bytes() for p in folder_.rglob("*") if p.is_file()} == files


def test_a_udf_tree_that_cannot_be_read_is_a_fault(tmp_path: Path) -> None:
    """Zeros where the volume's anchor should be, in sector 256 (ECMA-167 3/8.4.2.1); the ISO 9660 tree is shown."""
    udf_disc(tmp_path / "x.iso")
    data = bytearray((tmp_path / "x.iso").read_bytes())
    data[256 * SECTOR : 257 * SECTOR] = bytes(SECTOR)
    (tmp_path / "x.iso").write_bytes(data)
    facts = inspect_image(tmp_path / "x.iso")
    assert [fault.rule for fault in facts.faults] == ["udf"] and facts.tree == "primary"
    assert [member.name for member in facts.members] == ["README."]


@pytest.mark.parametrize("seed", range(6))
def test_a_hostile_udf_tree_ends_in_words(tmp_path: Path, seed: int) -> None:
    """Bytes of its structures made up: it reads, or a fault says that it does not; nothing else happens."""
    udf_disc(tmp_path / "x.iso")
    data, rng = bytearray((tmp_path / "x.iso").read_bytes()), random.Random(seed)
    used = [at for at in range(20 * SECTOR, len(data)) if data[at]]
    for at in rng.sample(used, 3 + 20 * (seed % 2)):
        data[at] = rng.randrange(256)
    (tmp_path / "x.iso").write_bytes(data)
    facts = inspect_image(tmp_path / "x.iso")
    assert facts.tree == "udf" or "udf" in [fault.rule for fault in facts.faults]


def test_a_reader_that_breaks_down_over_a_udf_tree(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A signal, as when a limit of time or memory ends it, is a fault of the image."""
    udf_disc(tmp_path / "x.iso")
    monkeypatch.setattr(reader, "_START", "import os, signal; os.kill(os.getpid(), signal.SIGTERM)")
    assert "broke down" in str(inspect_image(tmp_path / "x.iso").faults[-1])


def test_what_is_no_image(tmp_path: Path) -> None:
    """Too short, empty, or another thing: a clear error."""
    for data in (b"", b"x" * 5000, bytes(17 * SECTOR)):
        path = tmp_path / "x"
        path.write_bytes(data)
        assert not is_disc_image(path)
        with pytest.raises(DiscError, match="no image of an ISO 9660 disc"):
            inspect_image(path)


@pytest.mark.slow
def test_hostile_images_end_in_bounded_time(whole: Path, tmp_path: Path) -> None:
    """Random bytes of the structures changed: always facts with faults or a clear error, never a crash or a hang."""
    rng = random.Random(11)
    head = little(whole.read_bytes(), 16 * SECTOR + 158, 4) + 12
    for _ in range(250):
        data = bytearray(whole.read_bytes())
        for _ in range(rng.choice((1, 1, 2, 5, 40))):
            data[rng.randrange(16 * SECTOR, head * SECTOR)] = rng.choice((0, 1, 255, rng.randrange(256)))
        if rng.random() < 0.1:
            del data[rng.randrange(len(data)) :]
        path = tmp_path / "hostile.iso"
        path.write_bytes(data)
        try:
            inspect_image(path)
        except DiscError as error:
            assert "no image" in error.message


def test_folders_within_folders_without_end(tmp_path: Path) -> None:
    """A folder that is its own child is entered once."""
    write([Shelf(tmp_path).file("A/B/C")], tmp_path / "x.iso")
    data = bytearray((tmp_path / "x.iso").read_bytes())
    start, _ = directory(data, sub=b"A")
    at = start + 68
    data[at + 2 : at + 10] = both32(start // SECTOR)
    (tmp_path / "x.iso").write_bytes(data)
    facts = inspect_image(tmp_path / "x.iso")
    assert "loop" in {fault.rule for fault in facts.faults} and len(facts.members) == 2


def test_files_that_claim_the_same_bytes_a_thousand_times(tmp_path: Path) -> None:
    """Hashing stays within twice the image's bytes."""
    shelf = Shelf(tmp_path)
    write([*shelf.tree({f"F{n:03d}": b"%d" % n for n in range(200)})], tmp_path / "x.iso")
    data = bytearray((tmp_path / "x.iso").read_bytes())
    start, size = directory(data)
    for number, record in enumerate(split_directory(bytes(data[start : start + size]))[0][2:]):
        at = start + record.offset
        data[at + 2 : at + 10], data[at + 10 : at + 18] = both32(number % 7), both32(400_000 + number)
    (tmp_path / "x.iso").write_bytes(data)
    facts = inspect_image(tmp_path / "x.iso")
    assert "bounds" in {fault.rule for fault in facts.faults}
    assert {member.sha256 for member in facts.members} == {""} and facts.members[0].problem


@pytest.mark.parametrize("date", [b"0000010100000000\0", b"0000123123595999\0"], ids=["its first day", "its last"])
def test_a_date_of_the_year_0_is_no_date(date: bytes, whole: Path, tmp_path: Path) -> None:
    """ECMA-119 8.4.26.1: the years are 1 to 9999. A stranger's disc may say otherwise; it is inspected all the same."""

    def change(data: bytearray) -> None:
        data[16 * SECTOR + 813 : 16 * SECTOR + 830] = date

    path = damaged(whole, tmp_path, change)
    assert inspect_image(path).created_s is None
    assert command("inspect", path, "--quiet").code in (0, 1)


def test_the_command_shows_the_volume_and_its_faults(whole: Path, tmp_path: Path) -> None:
    """Exit 0 and the volume's facts for a whole image; exit 1 and the fault in words for a damaged one."""
    ran = command("inspect", whole, "--quiet")
    assert ran.code == 0 and "volume TESTDISC" in ran.out and "Joliet level 3, Rock Ridge" in ran.out
    document = command("inspect", whole, "--json", "--quiet").document
    assert document["format"] == "iso9660" and document["disc"]["level"] == 1
    assert document["disc"]["faults"] == [] and all(member["extent"] >= 0 for member in document["members"])
    ran = command("inspect", damaged(whole, tmp_path, wrong_order), "--json", "--quiet")
    assert ran.code == 1 and {fault["rule"] for fault in ran.document["disc"]["faults"]} == {"order"}

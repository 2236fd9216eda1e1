"""Images: the traps that other writers fall into, each field of the structures, the same bytes anywhere."""

import hashlib
import os
import shutil
import subprocess
import sys
import threading
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from support.disc_readers import run
from support.programs import program
from support.staging import manifest_of, opened_of, prepared
from support.trees import EPOCH, RULES, Shelf, folder, name, options, random_tree, write

from discprep.disc import image as module
from discprep.disc.image import BootImage, write_image
from discprep.disc.inspect import inspect_image
from discprep.disc.layout import susp
from discprep.disc.layout.check import check_image
from discprep.disc.layout.fields import SECTOR, little
from discprep.disc.layout.options import ImageOptions
from discprep.disc.layout.records import Descriptor, split_directory
from discprep.disc.layout.sizes import constant_sectors, item_sectors
from discprep.disc.names import with_second_copies
from discprep.errors import CapacityError, DiscError, DiscprepError, IntegrityError, NameRuleError, StorageError
from discprep.manifest.load import load_profile
from discprep.model import Item, Named, Staged

# --------------------------------------------------------------------------------------------- each trap


def test_two_files_of_one_name_never_become_one(tmp_path: Path) -> None:
    """A writer's library (pycdlib 1.22) silently makes the second file an extent of the first; no reader complains."""
    shelf = Shelf(tmp_path)
    clash = (Named(shelf.file("a", b"first"), ("A.",)), Named(shelf.file("b", b"second!"), ("A.",)))
    with pytest.raises(NameRuleError, match="two files have the name"):
        write_image(clash, tmp_path / "x.iso", options())


def test_a_folder_made_late_in_a_large_parent_knows_its_parent(tmp_path: Path) -> None:
    """`..` of a folder in a parent of several sectors; checked from the bytes, by the standard §6.8.2.2."""
    shelf = Shelf(tmp_path)
    files = [shelf.file(f"BIG/F{n:04d}.TXT", b"") for n in range(200)]
    for rules in ("1", "2jr"):
        path = tmp_path / f"{rules}.iso"
        write([*files, shelf.file("BIG/ZLAST/A.TXT")], path, rules)
        data = path.read_bytes()
        for sector in (16, 17)[: 1 + ("j" in rules)]:
            root = Descriptor(sector, data[sector * SECTOR :][:SECTOR]).root
            big = records(data, root.extent, root.size_bytes)[2]
            last = records(data, big.extent, big.size_bytes)[-1]
            dots = records(data, last.extent, last.size_bytes)[:2]
            assert big.size_bytes > SECTOR
            assert (dots[1].extent, dots[1].size_bytes) == (big.extent, big.size_bytes)
            assert (dots[0].extent, dots[0].size_bytes) == (last.extent, last.size_bytes)


def records(data: bytes, extent: int, size_bytes: int):  # type: ignore[no-untyped-def]
    found, faults = split_directory(data[extent * SECTOR : extent * SECTOR + size_bytes])
    assert not faults
    return found


def test_rock_ridge_shows_real_sizes(tmp_path: Path) -> None:
    """With version 1.12's serial numbers left zero one reader shows every file as empty; ours are of version 1.09."""
    write([Shelf(tmp_path).file("A.TXT", b"four")], tmp_path / "x.iso", "1r")
    listing = run(program("bsdtar", "libarchive-tools"), "-tvf", tmp_path / "x.iso")
    assert next(line for line in listing.split("\n") if "A.TXT" in line).split()[4] == "4"


def test_times_stand_in_every_slot(tmp_path: Path) -> None:
    """All three stamps of a file are its own, with a long name too."""
    staged = [Shelf(tmp_path).file("x" * 100, time_s=946_684_799)]
    write(staged, tmp_path / "x.iso", "3r")
    data = (tmp_path / "x.iso").read_bytes()
    at = data.index(b"TF\x1a\x01\x0e", data.index(b"x" * 100))
    stamps = {data[at + 5 + 7 * n : at + 12 + 7 * n] for n in range(3)}
    assert stamps == {bytes([99, 12, 31, 23, 59, 59, 0])}


@pytest.mark.parametrize("change", ["shrink", "grow", "flip", "vanish"])
def test_a_source_that_changes_is_noticed(tmp_path: Path, change: str) -> None:
    """Nothing is filled or cut silently. Nothing is left under the name."""
    shelf = Shelf(tmp_path)
    source = shelf.folder / "shelf.bin"
    named = name([shelf.file("A.TXT", b"abc" * 4000)])
    if change == "shrink":
        source.write_bytes(source.read_bytes()[:-1])
    elif change == "grow":
        source.write_bytes(b"+" + source.read_bytes())
    elif change == "flip":
        source.write_bytes(source.read_bytes()[:-1] + b"?")
    else:
        source.unlink()
    with pytest.raises(IntegrityError, match="changed or vanished") as raised:
        write_image(named, tmp_path / "x.iso", options())
    assert raised.value.where == "A.TXT" and raised.value.item == "i"
    assert not (tmp_path / "x.iso").exists()


class Held:
    """Holds the writer before each block of the data until the thread that reads back has asked for bytes of it."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, waiting: bool) -> None:
        self.asked: list[int] = []
        self.more = threading.Condition()
        write_at = module._write_at
        held = self

        class Written(module._Written):
            def wait(self, end: int) -> None:
                with held.more:
                    held.asked.append(end)
                    held.more.notify()
                if waiting:
                    super().wait(end)

        def late(target: int, block: bytes, at: int) -> None:
            with held.more:
                asked = held.more.wait_for(lambda: at == 0 or (held.asked and held.asked[-1] > at), timeout=60)
            assert asked, "nobody reads the image back while it is written"
            write_at(target, block, at)

        monkeypatch.setattr(module, "_Written", Written)
        monkeypatch.setattr(module, "_write_at", late)


def test_the_reader_waits_for_bytes_that_are_not_written_yet(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every block is written only when it is missed; what is hashed is what was written, to the last byte."""
    named = name(Shelf(tmp_path).tree({f"F{n}": bytes([n + 1]) * (n * 90_000 + 1) for n in range(12)}))
    held = Held(monkeypatch, waiting=True)
    written = write_image(named, tmp_path / "x.iso", options())
    assert hashlib.sha256(written.path.read_bytes()).hexdigest() == written.sha256
    assert held.asked == [*range(1 << 20, written.size_bytes, 1 << 20), written.size_bytes]


def test_a_reader_that_does_not_wait_is_found_out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same with the waiting taken out: it hashes bytes that are not there yet, and the image is dropped."""
    named = name(Shelf(tmp_path).tree({"A": b"a" * 5_000_000}))
    Held(monkeypatch, waiting=False)
    with pytest.raises(DiscError, match="its bytes are not the ones that were written"):
        write_image(named, tmp_path / "x.iso", options())
    assert not (tmp_path / "x.iso").exists()


def test_an_interruption_leaves_nothing(tmp_path: Path) -> None:
    """Ctrl-C in the middle of the data."""

    class Interrupt:
        def begin(self, *words: object) -> None: ...
        def end(self, key: str) -> None: ...
        def say(self, message: str) -> None: ...
        def advance(self, key: str, amount: int) -> None:
            if amount == 5000:
                raise KeyboardInterrupt

    named = name([Shelf(tmp_path).file("A", b"a" * 5000)])
    with pytest.raises(KeyboardInterrupt):
        write_image(named, tmp_path / "x.iso", options(), Interrupt())
    assert not (tmp_path / "x.iso").exists()


def test_progress_reaches_its_total(tmp_path: Path) -> None:
    """The bytes written are counted, and come to what was announced."""
    counted = {"total": 0, "done": 0}

    class Count:
        def begin(self, key: str, label: str, total: int | None, unit: str = "B") -> None:
            counted["total"] = total or 0

        def advance(self, key: str, amount: int) -> None:
            counted["done"] += amount

        def end(self, key: str) -> None: ...
        def say(self, message: str) -> None: ...

    write_image(name([Shelf(tmp_path).file("A", b"a" * 3_000_000)]), tmp_path / "x.iso", options(), Count())
    assert 0.9 < counted["done"] / counted["total"] <= 1


def test_the_application_is_our_own(tmp_path: Path) -> None:
    """The application id is the one that was asked for, and no library's."""
    write([], tmp_path / "x.iso")
    facts = run(program("isoinfo", "genisoimage"), "-d", "-i", tmp_path / "x.iso")
    assert "Application id: DISCPREP" in facts and "PYCDLIB" not in facts.upper().replace("DISCPREP", "")


def test_folders_on_the_way_are_made(tmp_path: Path) -> None:
    """Folders that no entry names stand in the image too."""
    write([Shelf(tmp_path).file("A/B/C/D.TXT")], tmp_path / "x.iso")
    assert "/A/B/C/D.TXT;1" in run(program("isoinfo", "genisoimage"), "-f", "-i", tmp_path / "x.iso")


def test_the_order_is_the_standards(tmp_path: Path) -> None:
    """`README.` before `README.1ST` (ECMA-119 §9.3), as two other writers order them."""
    files = {"README.1ST": b"1", "README": b"2", "F.C1": b"3", "F.C": b"4", "ABC1.TXT": b"5", "ABC": b"6"}
    write(Shelf(tmp_path).tree(files), tmp_path / "ours.iso", "1", pad_sectors=0)
    source = tmp_path / "tree"
    source.mkdir()
    for each, data in files.items():
        (source / each).write_bytes(data)
    program_ = program("genisoimage")
    run(program_, "-quiet", "-iso-level", "1", "-no-pad", "-o", tmp_path / "theirs.iso", source)
    listings = [raw_names(path) for path in (tmp_path / "ours.iso", tmp_path / "theirs.iso")]
    assert listings[0] == listings[1] == [b"ABC.;1", b"ABC1.TXT;1", b"F.C;1", b"F.C1;1", b"README.;1", b"README.1ST;1"]


def raw_names(path: Path) -> list[bytes]:
    data = path.read_bytes()
    root = Descriptor(16, data[16 * SECTOR : 17 * SECTOR]).root
    return [record.identifier for record in records(data, root.extent, root.size_bytes)[2:]]


def test_long_rock_ridge_names_stay_readable(tmp_path: Path) -> None:
    """Names over 116 bytes in a folder and its subfolder make one reader refuse the image; 100 pass."""
    shelf = Shelf(tmp_path)
    top = "t" * 150
    staged = [shelf.file(f"{top}/{'s' * 150}/{n}{'f' * 150}") for n in range(30)]
    staged += [shelf.file(f"{top}/{n}{'f' * 150}") for n in range(30)]
    write(staged, tmp_path / "x.iso", "3r")
    assert run(program("bsdtar", "libarchive-tools"), "-tf", tmp_path / "x.iso").count("f" * 90) == 60


@pytest.mark.parametrize("volume", ["my disc", "A/B;C", "é", "", "V" * 33])
def test_a_volume_name_outside_the_standard_is_refused(tmp_path: Path, volume: str) -> None:
    """The standard has A-Z, 0-9 and _ up to 32."""
    with pytest.raises(NameRuleError, match="is no volume name"):
        write_image((), tmp_path / "x.iso", replace(options(), volume=volume))


def test_a_joliet_volume_name_has_sixteen_characters(tmp_path: Path) -> None:
    """16 characters of UCS-2 fill the 32 bytes of the field (Joliet specification)."""
    with pytest.raises(NameRuleError, match="1 to 16"):
        write_image((), tmp_path / "x.iso", replace(options("1j"), volume="V" * 17))
    write_image((), tmp_path / "x.iso", replace(options("1j"), volume="V" * 16))


def test_every_file_is_in_every_tree(tmp_path: Path) -> None:
    """A file without a Joliet path would be invisible to Joliet readers; the checker compares the trees."""
    staged = [Shelf(tmp_path).file("A.TXT"), Shelf(tmp_path).file("B.TXT")]
    write(staged, tmp_path / "x.iso", "1j")
    listing = run(program("isoinfo", "genisoimage"), "-J", "-f", "-i", tmp_path / "x.iso")
    assert listing.split() == ["/A.TXT", "/B.TXT"]


# ----------------------------------------------------------------------------------------- sealed fields


def test_the_volumes_facts_through_another_reader(tmp_path: Path) -> None:
    """Volume id and size with its 150 sectors of padding, and no date but the epoch's, seen by genisoimage's reader."""
    written = write([Shelf(tmp_path).file("A", b"a" * 900_000)], tmp_path / "x.iso", "1j")
    facts = run(program("isoinfo", "genisoimage"), "-d", "-i", written.path)
    assert "Volume id: TESTDISC" in facts and f"Volume size is: {written.sectors}" in facts
    assert written.sectors == written.placed[0].extent + 440 + 150
    data = written.path.read_bytes()
    assert data[-150 * SECTOR :] == bytes(150 * SECTOR)
    for sector in (16, 17):
        dates = data[sector * SECTOR + 813 : sector * SECTOR + 881]
        assert dates == b"2023111422132000\0" * 2 + (b"0" * 16 + b"\0") * 2
        assert data[sector * SECTOR + 174 : sector * SECTOR + 181] == bytes([123, 11, 14, 22, 13, 20, 0])


def test_the_system_area_is_the_users(tmp_path: Path) -> None:
    """Sectors 0 to 15 hold the user's bytes, and zeros after them (ECMA-119 §6.2.1)."""
    write([Shelf(tmp_path).file("A")], tmp_path / "x.iso", system_area=b"boot block" * 100)
    data = (tmp_path / "x.iso").read_bytes()
    assert data[:1000] == b"boot block" * 100 and not any(data[1000 : 16 * SECTOR])
    write([], tmp_path / "full.iso", system_area=b"\x4e" * 32_768)
    assert (tmp_path / "full.iso").read_bytes()[: 16 * SECTOR] == b"\x4e" * 32_768
    with pytest.raises(CapacityError, match="32,768"):
        write_image((), tmp_path / "y.iso", options(system_area=bytes(32_769)))


def test_data_lies_in_the_order_of_the_names(tmp_path: Path) -> None:
    """The machine reads in one sweep: extents ascend in the order given, whatever the folders."""
    shelf = Shelf(tmp_path)
    staged = [shelf.file(path, path.encode()) for path in ("Z/Z", "A/B/C", "M", "A/A", "Z/A")]
    written = write(staged, tmp_path / "x.iso")
    extents = [placed.extent for placed in written.placed]
    assert extents == list(range(extents[0], extents[0] + 5))
    assert [(written.path.read_bytes()[e * SECTOR :][:5]).rstrip(b"\0") for e in extents] == [
        "/".join(entry.name).encode() for entry in staged
    ]


def test_equal_content_is_stored_once(tmp_path: Path) -> None:
    """Two files of equal bytes share their sectors; xorriso reports one place for both."""
    written = write(Shelf(tmp_path).tree({"A": b"same" * 600, "B": b"same" * 600, "C": b"c"}), tmp_path / "x.iso")
    assert [placed.extent - written.placed[0].extent for placed in written.placed] == [0, 0, 2]
    lines = run(program("xorriso"), "-indev", written.path, "-find", "/", "-type", "f", "-exec", "report_lba")
    assert len({line.split(",")[1] for line in lines.split("\n") if "'/A'" in line or "'/B'" in line}) == 1


def test_a_file_left_from_before_does_not_show_through(tmp_path: Path) -> None:
    """Gaps and padding are zeros even where a larger file stood."""
    path = tmp_path / "x.iso"
    path.write_bytes(b"\xff" * 3_000_000)
    named = with_second_copies(name([Shelf(tmp_path).file("A")]), lambda n: True)
    written = write_image(named, path, options(second_from_sector=400))
    data = path.read_bytes()
    assert hashlib.sha256(data).hexdigest() == written.sha256
    assert not any(data[(written.placed[0].extent + 1) * SECTOR : 400 * SECTOR])


def test_too_little_room_is_known_before_a_byte_is_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The host's free space is asked first."""
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr(module.shutil, "disk_usage", lambda path: type(usage)(usage.total, usage.used, 1000))
    with pytest.raises(StorageError, match="nothing was written"):
        write_image(name([Shelf(tmp_path).file("A")]), tmp_path / "x.iso", options())
    assert not (tmp_path / "x.iso").exists()


def test_structures_that_leave_their_places_are_noticed(tmp_path: Path) -> None:
    """Where sizes and structures disagree, nothing is written under the name."""
    named = name(Shelf(tmp_path).tree({f"F{n}": b"" for n in range(60)}))
    right = module.lay_out(named, options())
    root = right.trees[0].folders[0]
    small = replace(right.trees[0], folders=(replace(root, sectors=1),))
    for wrong, message in (
        (replace(right, trees=(small,)), "do not fit the 1 sectors from 23 on"),
        (replace(right, data_sector=23), "expected sector 23"),
    ):
        with pytest.raises(DiscError, match=message):
            write_image(named, tmp_path / "x.iso", options(), layout=wrong)
    assert root.sectors == 2 and not (tmp_path / "x.iso").exists()


@pytest.mark.parametrize("rules", RULES)
def test_the_checker_is_clean_on_other_writers_images(tmp_path: Path, rules: str) -> None:
    """genisoimage and xorriso write images without a fault, but one: in xorriso's Joliet trees `..` names the folder
    itself instead of its parent (measured, version 1.5.4; no reader minds)."""
    source = tmp_path / "tree"
    (source / "SUB" / "DEEP").mkdir(parents=True)
    for n in range(120):
        (source / "SUB" / f"F{n:04d}.TXT").write_bytes(b"x" * n)
    (source / "SUB" / "DEEP" / "README.1ST").write_bytes(b"1" * 5000)
    flags = ["-iso-level", rules[0]]
    flags += ["-J"] if "j" in rules else []
    flags += ["-R"] if "r" in rules else []
    for words in ([program("genisoimage"), "-quiet"], [program("xorriso"), "-as", "mkisofs", "-quiet"]):
        run(*words, *flags, "-o", tmp_path / "x.iso", source)
        checked = check_image(tmp_path / "x.iso")
        known = ["dots", "dots"] if "j" in rules and "mkisofs" in words else []
        assert [fault.rule for fault in checked.faults] == known
        assert sum(not entry.folder for entry in checked.structure.trees[0].found) == 121


# SHA-256 of all bytes before the files', as a general-purpose library (pycdlib 1.22.0) wrote them through its public
# interface, with dates, extents, `..` lengths and the order of records then put right by the standard.
BY_A_LIBRARY = {
    "1": "a98243ac9f63db0faeeec3027f41d17286050c98794f2c88ce1e26475948d63a",
    "2": "1b1c7debd7f28092c9476a7570b2b75b938c797e9610be0270a144ce6e36852b",
    "3": "1b1c7debd7f28092c9476a7570b2b75b938c797e9610be0270a144ce6e36852b",
    "1j": "f572196d4551cf54908b460ce26dc54279975005488fed3c32146ba4320bd423",
    "1r": "4aff2d3e47d93171a78dbdddfcd5470d82c0b2eef3305754c3491b71f0fe1220",
    "2jr": "38da4fcce74d521a0de96441d890a1d66cc8c4f227316c2be96e1507e8d75dcc",
    "3r": "75a008890272892093007d570b837bc61389ce1b68e9627f919195a5a9dce84e",
    "3j": "2f79b9d6f158680b62d77f8b728126bc666e01ac22c5846b0eb16285edd2200c",
    "3jr": "38da4fcce74d521a0de96441d890a1d66cc8c4f227316c2be96e1507e8d75dcc",
}


def as_it_wrote_them(named: Sequence[Named]) -> list[Named]:
    """With the names of level 1 that a series had when the library wrote these bytes: numbered in order, A_RATHE1."""
    series = sorted((n for n in named if n.staged.name[0] == "wide" and n.staged.content), key=lambda n: n.staged.name)
    tails = ["", *map(str, range(1, len(series)))]
    old = {n.staged.name: f"{'A_RATHER'[: 8 - len(t)]}{t}.TEX" for n, t in zip(series, tails, strict=True)}
    return [replace(n, iso=(*n.iso[:-1], old[n.staged.name])) if n.staged.name in old else n for n in named]


@pytest.mark.parametrize("rules", RULES)
def test_the_structures_are_those_of_a_general_library(tmp_path: Path, rules: str) -> None:
    """Byte for byte: descriptors, path tables, directories of one and several sectors, Rock Ridge, boot catalogue."""
    shelf = Shelf(tmp_path)
    # The library counts a Joliet name's 64 characters as UTF-8 bytes: names that it would refuse are left out.
    staged = [e for e in random_tree(77, shelf) if all(len(part.encode()) <= 40 for part in e.name)]
    staged += [shelf.file("BOOT.IMG", b"b" * 3000, item="boot"), folder("Empty")]
    staged += [shelf.file(f"wide/A rather long name {n}.text", b"") for n in range(100)]
    named = with_second_copies(name(staged, rules), lambda n: n.staged.item == "a")
    named = as_it_wrote_them(named) if rules[0] == "1" else named
    boot = BootImage(next(n.iso for n in named if n.staged.item == "boot"))
    settings = options(rules, boot=boot, system_area=b"sys", publisher="PUBLISHER")
    assert write_image(named, tmp_path / "x.iso", settings).head_sha256 == BY_A_LIBRARY[rules]


# ------------------------------------------------------------------------------------- the same bytes anywhere

SCRIPT = """
import sys
from pathlib import Path
sys.path.insert(0, {tests!r})
from support.trees import Shelf, folder, name, options, random_tree
from discprep.disc.image import BootImage, write_image
from discprep.disc.record import build_id, make_record, record_bytes
place = Path(sys.argv[1]); place.mkdir()
shelf = Shelf(place)
for rules in ("1", "3jr", "3r", "1j"):
    staged = random_tree(77, shelf) + [shelf.file("BOOT.IMG", b"b" * 3000, item="boot"), folder("Empty")]
    named = name(staged, rules)
    boot = BootImage(next(n.iso for n in named if n.staged.item == "boot"))
    settings = options(rules, boot=boot, system_area=b"sys")
    written = write_image(named, place / "x.iso", settings)
    record = make_record(written, settings, build_id(named, settings), settings={{"b": "2", "a": "1"}})
    import hashlib
    print(written.sha256, hashlib.sha256(record_bytes(record)).hexdigest())
"""


def test_the_same_bytes_on_any_day_in_any_zone_and_folder(tmp_path: Path) -> None:
    """Another second, zone, locale, folder, hash seed and umask: image and record are byte for byte the same."""
    script = SCRIPT.format(tests=str(Path(__file__).resolve().parent.parent))
    worlds = [
        {"TZ": "UTC", "LC_ALL": "C", "PYTHONHASHSEED": "0"},
        {"TZ": "Asia/Kathmandu", "LC_ALL": "C.UTF-8", "PYTHONHASHSEED": "4242"},
        {"TZ": "EST5EDT", "LC_ALL": "de_DE.UTF-8", "PYTHONHASHSEED": "random", "PYTHONUTF8": "1"},
    ]
    outputs = []
    for index, world in enumerate(worlds):
        words = [sys.executable, "-c", script, str(tmp_path / f"folder {index}")]
        done = subprocess.run(words, env={**os.environ, **world}, capture_output=True, text=True, check=False,
                              umask=0o077 if index else 0o022)  # fmt: skip
        assert done.returncode == 0, done.stderr
        outputs.append(done.stdout)
    assert len(set(outputs)) == 1 and outputs[0].count("\n") == 4


def test_another_epoch_changes_only_dates(tmp_path: Path) -> None:
    """The volume's date is the only thing the epoch changes, besides files that are later than it."""
    shelf = Shelf(tmp_path)
    staged = [shelf.file("A/B.TXT", b"b", time_s=100), folder("C")]
    write(staged, tmp_path / "one.iso", epoch_s=EPOCH)
    write(staged, tmp_path / "two.iso", epoch_s=EPOCH + 86_400)
    one, two = (tmp_path / "one.iso").read_bytes(), (tmp_path / "two.iso").read_bytes()
    different = [n for n in range(len(one)) if one[n] != two[n]]
    days = {(one[n], two[n]) for n in different}
    assert different and days == {(14, 15), (ord("4"), ord("5"))}


def test_order_of_adding_does_not_matter_to_the_structures(tmp_path: Path) -> None:
    """Files given in another order lie in another order; names, folders and path tables stay the same bytes."""
    shelf = Shelf(tmp_path)
    staged = [Staged(e.name, e.item, e.content) for e in shelf.tree({f"D{n % 3}/F{n}": b"" for n in range(30)})]
    write(staged, tmp_path / "one.iso", "2jr")
    write(staged[::-1], tmp_path / "two.iso", "2jr")
    assert (tmp_path / "one.iso").read_bytes() == (tmp_path / "two.iso").read_bytes()


def test_both_byte_orders_agree_on_the_size(tmp_path: Path) -> None:
    """The sealed volume size stands in both byte orders in both descriptors (§7.3.3)."""
    written = write([], tmp_path / "x.iso", "1j")
    data = written.path.read_bytes()
    for sector in (16, 17):
        field = data[sector * SECTOR + 80 : sector * SECTOR + 88]
        assert little(field, 0, 4) == int.from_bytes(field[4:], "big") == 300


LINKS = {
    "near": "read.me",
    "maps/up": "../read.me",
    "maps/attic/" + "l" * 90: "../hall/" + "h" * 90,
    **{f"maps/attic/{n:03d}-" + "m" * 80: "../hall/" + "h" * 90 for n in range(40)},
    "hall": "maps/hall",
}


def linked(tmp_path: Path) -> tuple[dict[str, str], Path]:
    """An image with links; long ones do not fit their records."""
    profile = load_profile(Path(__file__).parents[2] / "manifests/machines/print-room.toml")
    files = {"read.me": b"read me\n", "maps/hall/" + "h" * 90: b"h" * 3000}
    extra = {"kind": dict.fromkeys(LINKS, "link"), "target": LINKS}
    opened = {"net": opened_of(files | dict.fromkeys(LINKS, b""), tmp_path, **extra)}
    named = prepared(manifest_of([Item("net")], profile), opened, tmp_path).named
    options = ImageOptions("FIRSTDISC", 946_684_800, profile.name_rules, charset="latin-1")
    written = write_image(named, tmp_path / "x.iso", options)
    own = [entry for entry in named if entry.staged.item]
    assert written.sectors <= constant_sectors(named, options) + item_sectors(own, options)
    return LINKS, written.path


@pytest.mark.parametrize("name", ["bsdtar", "xorriso"])
def test_links_stay_links(tmp_path: Path, name: str) -> None:
    """SL entries (Rock Ridge 1.09 §4.1.3), in the record or in a continuation area, as two general programs and this
    one's own `inspect` read them."""
    links, image = linked(tmp_path)
    out = tmp_path / "out"
    out.mkdir()
    if name == "bsdtar":
        run(program("bsdtar", "libarchive-tools"), "-xf", image, "-C", out)
    else:
        run(program("xorriso"), "-osirrox", "on", "-indev", image, "-extract", "/", out)
    found = {str(path.relative_to(out)): str(path.readlink()) for path in out.rglob("*") if path.is_symlink()}
    assert found == links
    assert (out / "maps/attic" / ("l" * 90)).read_bytes() == b"h" * 3000
    seen = inspect_image(image)
    assert not seen.faults and {one.name: one.target for one in seen.members if one.kind == "link"} == links


def test_a_link_that_says_another_text_is_noticed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """By the second reader, which shares no code with the writer."""
    right = susp.link_entries
    monkeypatch.setattr(susp, "link_entries", lambda text: right(text.replace(b"read", b"raed")))
    with pytest.raises(DiscprepError, match=r"link to .*raed\.me"):
        linked(tmp_path)

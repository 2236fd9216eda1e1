"""Reading back: every hurt file is named with its sectors and its second copy, whatever the disc does."""

import errno
import hashlib
import json
import os
import random
import subprocess
import sys
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest
from support.command import run as command
from support.disc_readers import run
from support.programs import program
from support.trees import Shelf, name, options

from discprep.disc.image import write_image
from discprep.disc.layout.fields import SECTOR, both32
from discprep.disc.layout.records import Descriptor, split_directory
from discprep.disc.layout.volume import ImageFile
from discprep.disc.names import with_second_copies
from discprep.disc.readback import ReadBack, checksum_list, read_back, read_sectors, runs
from discprep.disc.record import Record, build_id, load_record, make_record, save_record
from discprep.model import Silent


def build(place: Path, rules: str = "1") -> tuple[Record, Path]:
    """A build's folder: three files, the first with a second copy, an empty one; the record and the image."""
    place.mkdir(exist_ok=True)
    shelf = Shelf(place)
    staged = [
        shelf.file("Start/Setup Script.txt", b"setup" * 2000, important=True),
        shelf.file("Tools/Archiver.bin", bytes(range(256)) * 64),
        shelf.file("Tools/Empty", b""),
        shelf.file("Pictures/Big.pic", b"picture!" * 100_000),
    ]
    named = with_second_copies(name(staged, rules), lambda n: n.staged.important)
    settings = options(rules)
    identity = build_id(named, settings)
    image = place / f"TESTDISC-{identity}.iso"
    written = write_image(named, image, settings)
    record = make_record(written, settings, identity, title="t")
    save_record(record, place / "record.json")
    (place / "shelf.bin").unlink()
    return record, image


@pytest.fixture(scope="module")
def disc(tmp_path_factory: pytest.TempPathFactory) -> tuple[Record, Path]:
    return build(tmp_path_factory.mktemp("build") / "b")


class Scratched(ImageFile):
    """A drive whose disc has sectors that fail: for ever (-1), or so many times."""

    def __init__(self, path: Path, failures: dict[int, int]) -> None:
        super().__init__(path)
        self.failures = failures

    def read(self, sector: int, count: int = 1) -> bytes:
        for bad in range(sector, sector + count):
            left = self.failures.get(bad, 0)
            if left:
                self.failures[bad] = left - 1
                raise OSError(errno.EIO, "Input/output error")
        return super().read(sector, count)


def scratched(disc: tuple[Record, Path], failures: dict[int, int]) -> ReadBack:
    with Scratched(disc[1], failures) as sectors:
        return read_sectors(disc[0], sectors, Silent())


def test_an_image_is_identical_to_itself(disc: tuple[Record, Path]) -> None:
    """Every file whole, both copies too, and a rate."""
    found = read_back(disc[0], disc[1])
    assert found.identical and found.structures_whole and found.padding_whole and not found.hurt
    assert [state.second for state in found.files] == ["whole", None, None, None]
    assert found.read_bytes == disc[1].stat().st_size and found.volume == "TESTDISC"


def test_a_sector_that_comes_at_the_third_try_is_no_fault(disc: tuple[Record, Path]) -> None:
    """Old discs often read on a further try."""
    assert scratched(disc, {disc[0].files[0].extent: 3}).identical


def test_unreadable_sectors_name_the_files_they_touch(disc: tuple[Record, Path]) -> None:
    """Reading goes on past them; the file with a second copy is not lost."""
    script, tool, _, picture = disc[0].files
    bad = [script.extent + 2, tool.extent, picture.extent + 5, picture.extent + 6, picture.extent + 100]
    found = scratched(disc, dict.fromkeys(bad, -1))
    assert not found.identical
    assert [(s.file.iso[-1], s.runs, s.second, s.lost) for s in found.hurt] == [
        ("SETUP_SC.TXT", ((script.extent + 2,) * 2,), "whole", False),
        ("ARCHIVER.BIN", ((tool.extent,) * 2,), None, True),
        ("BIG.PIC", ((picture.extent + 5, picture.extent + 6), (picture.extent + 100,) * 2), None, True),
    ]
    assert found.unreadable[0] == (script.extent + 2, script.extent + 2) and found.structures_whole


def test_a_hurt_second_copy_is_told(disc: tuple[Record, Path]) -> None:
    """Both copies scratched: the file is lost."""
    script = disc[0].files[0]
    assert script.second_extent
    found = scratched(disc, {script.extent: -1, script.second_extent + 1: -1})
    assert [(state.second, state.lost) for state in found.hurt] == [("hurt", True)]
    only_second = scratched(disc, {script.second_extent: -1})
    assert [(s.state, s.second, s.second_runs, s.lost) for s in only_second.hurt] == [
        ("whole", "hurt", ((script.second_extent,) * 2,), False)
    ]


def test_scratched_structures_and_padding_are_told_apart(disc: tuple[Record, Path]) -> None:
    """A sector of the folders hurts the structures, one of the padding nothing."""
    assert scratched(disc, {17: -1}).structures_whole is False
    before_last = disc[0].image_sectors - 2
    assert scratched(disc, {before_last: -1}).unreadable == ((before_last, before_last),)
    padding = scratched(disc, {disc[0].image_sectors - 1: -1})
    assert padding.structures_whole and not padding.padding_whole and not padding.hurt and not padding.identical


def changed(disc: tuple[Record, Path], path: Path, change) -> Path:  # type: ignore[no-untyped-def]
    data = bytearray(disc[1].read_bytes())
    change(data)
    path.write_bytes(data)
    return path


def test_one_changed_byte_is_found_and_its_sector_named_beside_the_image(
    disc: tuple[Record, Path], tmp_path: Path
) -> None:
    """Without the built image the whole file's sectors are named, with it the one sector."""
    tool = disc[0].files[1]
    target = changed(disc, tmp_path / "burned", lambda d: d.__setitem__(tool.extent * SECTOR + 5000, 1))
    found = read_back(disc[0], target)
    assert [(s.state, s.runs) for s in found.hurt] == [("hurt", ((tool.extent, tool.extent + 7),))]
    assert read_back(disc[0], target, image=tmp_path / "none").hurt == found.hurt
    nearer = read_back(disc[0], target, image=disc[1])
    assert [(s.state, s.runs) for s in nearer.hurt] == [("hurt", ((tool.extent + 2, tool.extent + 2),))]
    assert nearer.different == ((tool.extent + 2, tool.extent + 2),)


def root_records(data: bytearray) -> tuple[int, list]:  # type: ignore[type-arg]
    root = Descriptor(16, bytes(data[16 * SECTOR : 17 * SECTOR])).root
    start = root.extent * SECTOR
    return start, split_directory(bytes(data[start : start + root.size_bytes]))[0]


def duplicate(data: bytearray) -> None:
    start, records = root_records(data)
    one, other = records[2], records[3]
    data[start + other.offset + 33 : start + other.offset + 33 + 5] = one.identifier[:5].ljust(5, b"A")


def order(data: bytearray) -> None:
    start, records = root_records(data)
    first, second = records[2].raw, records[3].raw
    at = start + records[2].offset
    data[at : at + len(first) + len(second)] = second + first


def parent(data: bytearray) -> None:
    start, records = root_records(data)
    data[start + records[1].offset + 10 : start + records[1].offset + 18] = both32(SECTOR * 9)


@pytest.mark.parametrize("change", [duplicate, order, parent])
def test_faults_that_no_reader_sees(disc: tuple[Record, Path], tmp_path: Path, change) -> None:  # type: ignore[no-untyped-def]
    """Duplicate id, wrong order, wrong `..`: the structures are not those that were written."""
    found = read_back(disc[0], changed(disc, tmp_path / "burned", change))
    assert found.structures_whole is False and not found.identical and not found.hurt


def test_a_lost_sector_at_the_end(disc: tuple[Record, Path], tmp_path: Path) -> None:
    """A disc that ends early: in the padding no file is touched, further in the last file is."""
    data = disc[1].read_bytes()
    target = tmp_path / "burned"
    target.write_bytes(data[:-SECTOR])
    found = read_back(disc[0], target)
    assert (found.missing_sectors, found.padding_whole, found.hurt) == (1, False, ())
    target.write_bytes(data[: -160 * SECTOR])
    assert read_back(disc[0], target).files[0].second == "hurt"


def test_bytes_after_the_disc_do_not_matter(disc: tuple[Record, Path], tmp_path: Path) -> None:
    """A drive may show run-out sectors after the track."""
    target = changed(disc, tmp_path / "burned", lambda d: d.extend(b"\xaa" * SECTOR * 3))
    assert read_back(disc[0], target).identical


def test_an_image_burned_as_a_file_is_recognised(disc: tuple[Record, Path], tmp_path: Path) -> None:
    """The commonest mistake: a disc of any volume that holds the image as a file; written by genisoimage."""
    source = tmp_path / "source"
    source.mkdir()
    (source / "first.iso").write_bytes(disc[1].read_bytes())
    (source / "other.txt").write_bytes(b"x")
    run(program("genisoimage"), "-quiet", "-V", "MYDISC", "-J", "-R", "-o", tmp_path / "burned.iso", source)
    found = read_back(disc[0], tmp_path / "burned.iso")
    assert found.burned_as_file.upper() == "FIRST.ISO" and found.volume == "MYDISC"
    assert read_back(disc[0], source).burned_as_file == "first.iso"


def test_another_file_of_its_size_is_no_image(disc: tuple[Record, Path], tmp_path: Path) -> None:
    """Size alone is no sign, nor is another disc's image, nor a volume that is none; written by genisoimage."""
    source = tmp_path / "source"
    source.mkdir()
    (source / "zeros").write_bytes(bytes(disc[1].stat().st_size))
    changed(disc, source / "other.iso", lambda d: d.__setitem__(slice(16 * SECTOR + 40, 16 * SECTOR + 45), b"OTHER"))
    run(program("genisoimage"), "-quiet", "-V", "MYDISC", "-o", tmp_path / "burned.iso", source)
    assert read_back(disc[0], tmp_path / "burned.iso").burned_as_file == ""
    (tmp_path / "letters").write_bytes(b"A" * disc[1].stat().st_size)
    found = read_back(disc[0], tmp_path / "letters")
    assert (found.volume, found.burned_as_file) == ("", "")


def mounted(image: Path, folder: Path) -> Path:
    """As a system shows the disc: extracted by bsdtar."""
    folder.mkdir()
    run(program("bsdtar", "libarchive-tools"), "-xf", image, "-C", folder)
    return folder


@pytest.mark.parametrize("rules", ["1", "1j", "3jr"])
def test_a_mounted_folder(tmp_path: Path, rules: str) -> None:
    """Files are found under the names of any tree; a hurt, a missing and a strange one are told."""
    record, image = build(tmp_path / "b", rules)
    folder = mounted(image, tmp_path / "m")
    whole = read_back(record, folder)
    assert whole.identical and whole.kind == "folder" and whole.structures_whole is None and whole.strange == ()
    files = {path.name.upper().split(".")[0][:3]: path for path in folder.rglob("*") if path.is_file()}
    files["BIG"].chmod(0o644)
    files["BIG"].write_bytes(files["BIG"].read_bytes()[:-1] + b"?")
    files["ARC"].unlink()
    (folder / "thumbs").write_bytes(b"")
    found = read_back(record, folder)
    assert {(state.file.name[-1], state.state) for state in found.hurt} == {
        ("Archiver.bin", "missing"), ("Big.pic", "hurt"),
    }  # fmt: skip
    assert found.strange == ("thumbs",)
    big = next(state for state in found.hurt if state.state == "hurt")
    assert big.runs == ((big.file.extent, big.file.extent + 390),)  # 800,000 bytes in sectors of 2,048: 391


@pytest.mark.skipif(sys.platform != "linux", reason="file names are any bytes on Linux alone")
def test_a_mounted_folder_whose_names_are_no_utf8(tmp_path: Path) -> None:
    """Rock Ridge names are bytes of the machine's charset (RRIP 4.1.4), which Linux shows as they are: the files are
    found, and the list of checksums has those bytes."""
    settings = options("3r", charset="latin-1")
    named = name([Shelf(tmp_path).file("Büro/Café.txt", b"beans" * 999)], "3r", charset="latin-1")
    written = write_image(named, tmp_path / "x.iso", settings)
    record = make_record(written, settings, "id", settings={"text.charset": "latin-1"})
    save_record(record, tmp_path / "record.json")
    folder = tmp_path / "m"
    at = folder / os.fsdecode(b"B\xfcro") / os.fsdecode(b"Caf\xe9.txt")
    at.parent.mkdir(parents=True)
    at.write_bytes(b"beans" * 999)
    found = read_back(record, folder)
    assert found.identical and found.strange == ()
    assert command("readback", tmp_path, "--sums", tmp_path / "sums").code == 0
    words = [program("sha256sum", "coreutils"), "--strict", "-c", str(tmp_path / "sums")]
    assert subprocess.run(words, cwd=folder, capture_output=True, check=False).returncode == 0


def test_the_second_copy_in_a_mounted_folder(tmp_path: Path) -> None:
    """Hurt or missing, it is told, though the file itself is whole."""
    record, image = build(tmp_path / "b")
    folder = mounted(image, tmp_path / "m")
    (second,) = (folder / "SECOND").iterdir()
    second.chmod(0o644)
    for state in ("hurt", "missing"):
        second.write_bytes(b"?") if state == "hurt" else second.unlink()
        found = read_back(record, folder)
        assert (found.files[0].state, found.files[0].second, found.identical) == ("whole", state, False)


def test_a_folders_sector_that_comes_at_the_second_try_is_no_fault(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A worn disc: every read fails once, and none is the file's end."""
    record, image = build(tmp_path / "b")
    folder = mounted(image, tmp_path / "m")
    real, tried = ImageFile.read, set()

    def worn(file: ImageFile, sector: int, count: int = 1) -> bytes:
        place = (os.fstat(file._file.fileno()).st_ino, sector, count)
        if place in tried:
            return real(file, sector, count)
        tried.add(place)
        raise OSError(errno.EIO, "worn")

    monkeypatch.setattr(ImageFile, "read", worn)
    assert read_back(record, folder).identical


@pytest.mark.parametrize("number", range(20))
def test_runs_are_the_sectors_and_as_few_as_can_be(number: int) -> None:
    """Written out again they are the same sectors, and no two of them touch."""
    rng = random.Random(number)
    sectors = sorted(rng.sample(range(40), rng.randrange(40)))
    found = runs(sectors)
    assert [sector for first, last in found for sector in range(first, last + 1)] == sectors
    assert all(after[0] - before[1] > 1 for before, after in pairwise(found))


def test_names_in_small_letters_with_versions(tmp_path: Path) -> None:
    """Some systems show `setup_sc.txt;1`; links are not followed out of the folder."""
    record, image = build(tmp_path / "b")
    folder = mounted(image, tmp_path / "m")
    lower = tmp_path / "lower"
    for path in folder.rglob("*"):
        if path.is_file():
            to = lower / (str(path.relative_to(folder)).lower() + ";1")
            to.parent.mkdir(parents=True, exist_ok=True)
            to.write_bytes(path.read_bytes())
    assert read_back(record, lower).identical
    archiver = next(lower.rglob("archiver*"))
    outside = tmp_path / "outside"
    archiver.rename(outside)
    archiver.symlink_to(outside)
    assert [state.state for state in read_back(record, lower).hurt] == ["missing"]


@pytest.mark.parametrize("rules", ["1", "1j", "3jr"])
def test_the_list_is_one_that_sha256sum_takes(tmp_path: Path, rules: str) -> None:
    """coreutils' own check of the extracted disc, second copies included; and it fails on a changed file."""
    record, image = build(tmp_path / "b", rules)
    folder = mounted(image, tmp_path / "m")
    (tmp_path / "sums").write_text(checksum_list(record, "iso" if rules == "1" else None))
    words = [program("sha256sum", "coreutils"), "--strict", "-c", str(tmp_path / "sums")]
    assert subprocess.run(words, cwd=folder, capture_output=True, check=False).returncode == 0
    victim = next(path for path in folder.rglob("*") if path.is_file() and path.stat().st_size)
    victim.chmod(0o644)
    victim.write_bytes(b"changed")
    assert subprocess.run(words, cwd=folder, capture_output=True, check=False).returncode == 1


def test_odd_names_are_escaped_as_coreutils_do(tmp_path: Path) -> None:
    """A backslash or a line end in a name (the coreutils manual: a backslash leads the line)."""
    record, _ = build(tmp_path / "b", "3jr")
    file = replace(record.files[0], rock_ridge=("a\\b\nc",), second=(), second_extent=None,
                   sha256=hashlib.sha256(b"odd").hexdigest())  # fmt: skip
    odd = replace(record, files=(file,))
    folder = tmp_path / "m"
    folder.mkdir()
    (folder / "a\\b\nc").write_bytes(b"odd")
    (tmp_path / "sums").write_text(checksum_list(odd))
    words = [program("sha256sum", "coreutils"), "--strict", "-c", str(tmp_path / "sums")]
    assert subprocess.run(words, cwd=folder, capture_output=True, check=False).returncode == 0
    assert checksum_list(record, "lower").count("\n") == 5


# --------------------------------------------------------------------------------------------- the command


def test_the_command_on_a_whole_image(disc: tuple[Record, Path]) -> None:
    """Exit 0, the verdict first, and one JSON document."""
    ran = command("readback", disc[1].parent, disc[1], "--quiet")
    assert ran.code == 0 and "identical, byte for byte" in " ".join(ran.out.split())
    document = command("readback", disc[1].parent / "record.json", disc[1], "--json", "--quiet").document
    assert document["identical"] and document["errors"] == [] and document["files_whole"] == 4


def test_the_command_on_a_hurt_one(disc: tuple[Record, Path], tmp_path: Path) -> None:
    """Exit 1; the file, its sectors and the second copy in words; the image beside the record narrows them down."""
    script = disc[0].files[0]
    target = changed(disc, tmp_path / "burned", lambda d: d.__setitem__(script.extent * SECTOR, 1))
    ran = command("readback", disc[1].parent, target, "--quiet")
    assert ran.code == 1
    wanted = f"START/SETUP_SC.TXT is hurt, sector {script.extent}; its second copy SECOND/00000001.TXT is whole"
    assert wanted in ran.err
    document = command("readback", disc[1].parent, target, "--json", "--quiet").document
    assert document["files"][0]["sectors"] == [[script.extent, script.extent]]
    assert document["errors"][0]["family"] == "disc"


def test_the_command_on_second_copies(disc: tuple[Record, Path], tmp_path: Path) -> None:
    """One flipped byte in one, or a disc that ends before it: exit 1, and it is named; the file itself is whole."""
    script = disc[0].files[0]
    at = script.second_extent
    assert at
    flipped = changed(disc, tmp_path / "flipped", lambda d: d.__setitem__(at * SECTOR + 3, d[at * SECTOR + 3] ^ 1))
    short = changed(disc, tmp_path / "short", lambda d: d.__delitem__(slice(at * SECTOR, None)))
    for target, sectors in ((flipped, f"sector {at}"), (short, f"sectors {at}-{at + 4}")):
        ran = command("readback", disc[1].parent, target, "--quiet")
        assert ran.code == 1 and "every file is whole, but 1 second copy is hurt" in " ".join(ran.out.split())
        said = f"START/SETUP_SC.TXT is whole; its second copy SECOND/00000001.TXT is hurt, {sectors}"
        assert said in " ".join(ran.err.split())


def test_bytes_outside_files_say_what_they_are(disc: tuple[Record, Path], tmp_path: Path) -> None:
    """After a file's end in its last sector: exit 1, the file before it named. In the padding: a notice, exit 0."""
    script = disc[0].files[0]
    for at, code, said in (
        (script.extent * SECTOR + script.size_bytes, 1, "the unused space after the end of START/SETUP_SC.TXT is hurt"),
        (disc[1].stat().st_size - 1, 0, "the padding at the end of the disc is missing or hurt"),
    ):
        target = changed(disc, tmp_path / "burned", lambda d, at=at: d.__setitem__(at, 1))  # type: ignore[misc]
        ran = command("readback", disc[1].parent, target)
        assert ran.code == code and said in " ".join(ran.err.split()), ran.err
        spaces = command("readback", disc[1].parent, target, "--json", "--quiet").document["spaces"]
        sector = script.extent + script.size_bytes // SECTOR
        assert spaces == ([{"after": "START/SETUP_SC.TXT", "sectors": [[sector] * 2]}] if code else [])


def test_the_command_on_a_disc_that_ends_in_its_padding(disc: tuple[Record, Path], tmp_path: Path) -> None:
    """No file is touched: exit 0 with a remark."""
    target = tmp_path / "burned"
    target.write_bytes(disc[1].read_bytes()[:-SECTOR])
    ran = command("readback", disc[1].parent, target)
    assert ran.code == 0 and "the padding at the end of the disc is missing" in ran.err


def test_the_command_on_an_image_burned_as_a_file(disc: tuple[Record, Path], tmp_path: Path) -> None:
    """One clear sentence instead of a list of lost files."""
    folder = tmp_path / "m"
    folder.mkdir()
    (folder / "x.iso").write_bytes(disc[1].read_bytes())
    ran = command("readback", disc[1].parent, folder, "--quiet")
    assert ran.code == 1 and ran.err.count("error:") == 1 and "burned as a file (x.iso)" in ran.err


def test_the_command_on_another_disc(disc: tuple[Record, Path], tmp_path: Path) -> None:
    """Another volume is called another disc."""
    source = tmp_path / "source"
    source.mkdir()
    run(program("genisoimage"), "-quiet", "-V", "HOLIDAYS", "-o", tmp_path / "other.iso", source)
    ran = command("readback", disc[1].parent, tmp_path / "other.iso", "--quiet")
    assert ran.code == 1 and "another disc: its volume is 'HOLIDAYS'" in ran.err
    assert ran.err.count("error: ") == 1, "one fault, not each file that is not there"


def test_the_command_on_what_is_no_disc(disc: tuple[Record, Path], tmp_path: Path) -> None:
    """An archive in the image's place, shorter than its descriptors and longer than the disc."""
    for size in (3_000, disc[1].stat().st_size + 50_000):
        (tmp_path / "some.zip").write_bytes(b"PK\3\4" + bytes(range(256)) * (size // 256))
        ran = command("readback", disc[1].parent, tmp_path / "some.zip", "--quiet")
        assert ran.code == 1 and "no disc of this standard" in ran.err and ran.err.count("error: ") == 1


def test_the_command_on_another_build(disc: tuple[Record, Path], tmp_path: Path) -> None:
    """The same volume name, read without a fault, nothing where it should be."""
    record, image = disc
    target = changed(disc, tmp_path / "other", lambda data: data.__setitem__(slice(17 * SECTOR, None),
                     bytes(byte ^ 1 for byte in data[17 * SECTOR :])))  # fmt: skip
    ran = command("readback", image.parent, target, "--quiet")
    assert ran.code == 1 and ran.err.count("error: ") == 1
    assert "another build of that volume: 3 of 3 files" in ran.err and f"build {record.build_id}" in ran.err


def test_wrong_calls(disc: tuple[Record, Path], tmp_path: Path) -> None:
    """No target, no record, no such device, an empty device, a damaged record."""
    (tmp_path / "empty").write_bytes(b"")
    (tmp_path / "record.json").write_bytes((disc[1].parent / "record.json").read_bytes()[:-9])
    for code, words in (
        (2, [disc[1].parent]),
        (2, [tmp_path / "none", disc[1]]),
        (2, [disc[1].parent, tmp_path / "none"]),
        (1, [disc[1].parent, tmp_path / "empty"]),
        (1, [tmp_path, disc[1]]),
    ):
        ran = command("readback", *words, "--json", "--quiet")
        assert ran.code == code and ran.document["errors"][0]["hint" if code == 1 else "message"]


def test_the_list_alone(disc: tuple[Record, Path], tmp_path: Path) -> None:
    """`--sums` needs no target."""
    ran = command("readback", disc[1].parent, "--sums", tmp_path / "sums", "--names", "iso")
    assert ran.code == 0
    assert (tmp_path / "sums").read_text() == checksum_list(load_record(disc[1].parent / "record.json"), "iso")
    assert json.loads((disc[1].parent / "record.json").read_text())["build_id"] == disc[0].build_id


# --------------------------------------------------------------------------- a scratched disc, below the program


def scratched_process(
    tmp_path: Path, target: Path, sectors: list[int], *words: str | Path
) -> subprocess.CompletedProcess[str]:
    """A program in a process whose reads of the target fail with EIO on some sectors."""
    library = tmp_path / "scratch.so"
    source = Path(__file__).resolve().parent.parent / "support" / "scratch.c"
    run(program("gcc"), "-shared", "-fPIC", "-O1", "-o", library, source, "-ldl")
    env = {**os.environ, "LD_PRELOAD": str(library), "SCRATCH_PATH": str(target.resolve()),
           "SCRATCH_SECTORS": ",".join(map(str, sectors))}  # fmt: skip
    return subprocess.run([str(word) for word in words], env=env, capture_output=True, text=True, check=False)


def test_the_command_on_a_scratched_disc(disc: tuple[Record, Path], tmp_path: Path) -> None:
    """The whole program on a target whose system calls fail: past the bad sectors, every hurt file named."""
    script, tool, _, picture = disc[0].files
    target = tmp_path / "burned"
    target.write_bytes(disc[1].read_bytes())
    bad = [script.extent, tool.extent + 3, picture.extent + 10, picture.extent + 11]
    ran = scratched_process(tmp_path, target, bad, sys.executable, "-m", "discprep", "readback", disc[1].parent, target,
                            "--json", "--quiet")  # fmt: skip
    assert ran.returncode == 1, ran.stderr
    document = json.loads(ran.stdout)
    assert {file["name"]: (file["sectors"], file["second"], file["lost"]) for file in document["files"]} == {
        "START/SETUP_SC.TXT": ([[bad[0], bad[0]]], "whole", False),
        "TOOLS/ARCHIVER.BIN": ([[bad[1], bad[1]]], None, True),
        "PICTURES/BIG.PIC": ([[bad[2], bad[3]]], None, True),
    }
    assert document["unreadable"] == [[bad[0]] * 2, [bad[1]] * 2, bad[2:]]
    assert document["read_bytes"] == (disc[0].image_sectors - 4) * SECTOR


def test_the_stand_in_scratches(disc: tuple[Record, Path], tmp_path: Path) -> None:
    """Another program sees the same error on the same sector, and none beside it."""
    for sector, code in ((40, 1), (41, 0)):
        words = [program("dd", "coreutils"), f"if={disc[1].resolve()}", "of=/dev/null", "bs=2048", "count=1",
                 f"skip={sector}"]  # fmt: skip
        assert scratched_process(tmp_path, disc[1], [40], *words).returncode == code


def test_a_scratched_file_in_a_mounted_folder(disc: tuple[Record, Path], tmp_path: Path) -> None:
    """The file's bad sectors are told as sectors of the disc."""
    folder = mounted(disc[1], tmp_path / "m")
    picture = disc[0].files[3]
    target = folder / "PICTURES" / "BIG.PIC"
    ran = scratched_process(tmp_path, target, [7], sys.executable, "-m", "discprep", "readback", disc[1].parent, folder,
                            "--json", "--quiet")  # fmt: skip
    files = json.loads(ran.stdout)["files"]
    assert ran.returncode == 1 and [(f["name"], f["sectors"]) for f in files] == [
        ("PICTURES/BIG.PIC", [[picture.extent + 7] * 2])
    ]

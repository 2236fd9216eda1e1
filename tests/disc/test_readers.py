"""Six general-purpose readers see on our images the names and bytes that were meant. tests/bench/readers_500.py has
500 such trees."""

import shutil
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from support.disc_readers import check_readers, expected, extracted, isoinfo, run
from support.programs import program
from support.trees import EPOCH, RULES, Shelf, folder, hard_tree, name, options, wide_tree, write

from discprep.disc.image import write_image
from discprep.disc.names import with_second_copies
from discprep.model import Content, Staged


@pytest.mark.parametrize("rules", RULES)
def test_random_trees(tmp_path: Path, rules: str) -> None:
    """Deep, long, clashing, non-ASCII, empty and equal files, names of devices, each rule."""
    written = write(hard_tree(list(RULES).index(rules), Shelf(tmp_path), 40), tmp_path / "x.iso", rules)
    check_readers(written, RULES[rules], tmp_path)


def test_a_tree_as_deep_and_as_long_as_it_may_be(tmp_path: Path) -> None:
    """Seven levels below the root, and Rock Ridge names of 100 bytes in every folder and file of them."""
    shelf = Shelf(tmp_path)
    deep = shelf.file("/".join("abcdef") + "/g.txt", b"deep")
    long = [shelf.file(f"{'x' * 150}/{n:02d}{'y' * 150}.text", bytes([n])) for n in range(40)]
    written = write([deep, *long], tmp_path / "x.iso", "3r")
    check_readers(written, RULES["3r"], tmp_path)
    assert {len(part) for placed in written.placed[1:] for part in placed.named.rock_ridge} == {100}


def test_joliet_names_as_long_as_they_may_be(tmp_path: Path) -> None:
    """64 characters of 16 bits (Joliet specification, 1995), whatever they take in UTF-8; a longer name is cut."""
    shelf = Shelf(tmp_path)
    full, longer = "目" * 60 + ".txt", "録" * 90 + ".txt"
    written = write([shelf.file(full, b"full"), shelf.file(longer, b"cut")], tmp_path / "x.iso", "1j")
    check_readers(written, RULES["1j"], tmp_path)
    assert [placed.named.joliet[-1] for placed in written.placed] == [full, "録" * 60 + ".txt"]


@pytest.mark.slow
def test_ten_thousand_files_in_one_folder(tmp_path: Path) -> None:
    """228 sectors of directory; the readers that extract have their turn in tests/bench/readers_500.py."""
    written = write(wide_tree(Shelf(tmp_path)), tmp_path / "x.iso", "1")
    check_readers(written, RULES["1"], tmp_path, ("isoinfo", "iso-info", "xorriso"))


@pytest.fixture
def holes(tmp_path: Path) -> Iterator[Path]:
    """A folder where reading a hole costs nothing: in memory, if there is room by the numbers; 8 GiB through the disk's
    cache take 20 seconds."""
    memory = Path("/dev/shm")
    if not memory.is_dir() or shutil.disk_usage(memory).free < 5 << 30:
        yield tmp_path
        return
    with TemporaryDirectory(dir=memory) as place:
        yield Path(place)


@pytest.mark.slow
def test_a_file_beyond_four_gib(holes: Path) -> None:
    """4,294,967,295 bytes at level 3: two extents of 4,294,965,248 and 2,047 bytes (ECMA-119 §9.1.4, measured).

    The input and the image are sparse; xorriso reports both extents, and the last bytes are read at their place.
    """
    big = holes / "big"
    with big.open("wb") as file:
        file.seek(4_294_967_295 - 3)
        file.write(b"end")
    # The hash is what sha256sum (coreutils) prints for this file.
    content = Content(big, 0, 4_294_967_295, "d07cac75794b923604ca18c14b62e4156fcad6099997c7bc3ac95a61ab041a13")
    staged = [Staged(("BIG.DAT",), "i", content), *Shelf(holes).tree({"AFTER": b"after"})]
    written = write(staged, holes / "x.iso", "3")
    words = [program("xorriso"), "-indev", f"stdio:{written.path}", "-find", "/", "-type", "f", "-exec", "report_lba"]
    lines = run(*words).split("\n")
    extents = [[int(word) for word in line.split(":")[1].split(",")[1:4]] for line in lines if "/BIG.DAT" in line]
    first = written.placed[0].extent
    assert sum(size for _, _, size in extents) == 4_294_967_295 or extents[0][2] == 4_294_967_295
    assert extents[0][0] == first
    assert written.path.stat().st_blocks * 512 < 64 << 20
    with written.path.open("rb") as image:
        image.seek(first * 2048 + 4_294_967_295 - 3)
        assert image.read(3) == b"end"
    assert [path for path, _ in isoinfo_names(written.path)] == ["AFTER", "BIG.DAT", "BIG.DAT"]


def isoinfo_names(image: Path) -> list[tuple[str, int]]:
    """genisoimage's reader lists each extent of a file as a line of its own."""
    lines = run(program("isoinfo", "genisoimage"), "-l", "-i", image).split("\n")
    return sorted((line.split()[-1].removesuffix(";1").removesuffix("."), 0) for line in lines if line.startswith("-"))


def test_a_mounted_reader_finds_second_copies(tmp_path: Path) -> None:
    """The second copies stand in a folder of their own in every tree, at other sectors."""
    shelf = Shelf(tmp_path)
    staged = [shelf.file("Start Here.txt", b"start" * 500), *shelf.tree({"Other.bin": b"o" * 9000})]
    named = with_second_copies(name(staged, "2jr"), lambda n: n.iso[0].startswith("START"))
    written = write_image(named, tmp_path / "x.iso", options("2jr"))
    check_readers(written, RULES["2jr"], tmp_path)
    first, second = written.placed[0].extent, written.placed[0].second_extent
    assert second is not None and second > first + 5


def test_empty_folders_and_dates_show(tmp_path: Path) -> None:
    """xorriso lists an empty folder; a file's own date is shown, one later than the volume's is the volume's."""
    shelf = Shelf(tmp_path)
    staged = [folder("Empty"), shelf.file("old", time_s=315_532_800), shelf.file("new", time_s=EPOCH + 86_400)]
    written = write(staged, tmp_path / "x.iso", "3r")
    lines = run(program("xorriso"), "-indev", written.path, "-find", "/", "-exec", "lsdl")
    text = "\n".join(sorted(line.split("'")[1] + " " + line for line in lines.split("\n") if "'" in line))
    assert "Jan  1  1980 '/old'" in text and "Nov 14  2023 '/new'" in text and "Nov 14  2023 '/Empty'" in text


def test_names_in_the_machines_charset(tmp_path: Path) -> None:
    """Rock Ridge names are bytes of the profile's charset: a latin-1 machine reads one byte for an accented letter."""
    from discprep.disc.layout.check import check_image

    staged = [Shelf(tmp_path).file("Prüfung")]
    written = write_image(name(staged, "1r", "latin-1"), tmp_path / "x.iso", options("1r", charset="latin-1"))
    listing = run(program("isoinfo", "genisoimage"), "-R", "-f", "-i", written.path, charset="latin-1")
    assert listing.strip() == "/Prüfung"
    assert not check_image(written.path).faults


def test_the_expected_names_are_those_of_an_extraction(tmp_path: Path) -> None:
    """The comparison itself can fail: one changed byte in the image is seen."""
    written = write([Shelf(tmp_path).file("A.TXT", b"right")], tmp_path / "x.iso", "1")
    with written.path.open("r+b") as image:
        image.seek(written.placed[0].extent * 2048)
        image.write(b"w")
    assert isoinfo(written.path, "iso", tmp_path) != expected(written, "isoinfo", "iso")
    assert extracted(tmp_path / "none") == []

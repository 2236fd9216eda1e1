"""El Torito: images start in an emulated PC, whose firmware is another reader of the catalogue."""

import re
from pathlib import Path

import pytest
from support.disc_readers import run
from support.programs import program
from support.starting import assembled, started
from support.trees import Shelf, name, options

from discprep.disc.image import BootImage, write_image
from discprep.disc.layout.fields import SECTOR
from discprep.disc.names import map_names
from discprep.manifest.media import FLOPPY_BYTES
from discprep.model import Profile

# Reads the second sector of the emulated floppy over the end of the first one's words.
FLOPPY_READ = """
    mov ax, 0x0201
    mov cx, 0x0002
    mov dh, 0
    mov dl, [drive]
    mov bx, 0x7e00
    xor di, di
    mov es, di
    int 0x13
    jc halt
    mov si, 0x7e00
    jmp next
"""


def written(tmp_path: Path, data: bytes, boot: BootImage, rules: str = "1", **more: object) -> Path:
    shelf = Shelf(tmp_path)
    staged = [*shelf.tree({"README.1ST": b"first", "DOCS/A.TXT": b"a" * 5000}), shelf.file("BOOT.IMG", data)]
    write_image(name(staged, rules), tmp_path / "x.iso", options(rules, boot=boot, **more))
    return tmp_path / "x.iso"


@pytest.mark.parametrize("rules", ["1", "3jr"])
def test_an_image_without_emulation_starts(tmp_path: Path, rules: str) -> None:
    """The firmware finds the boot record in sector 17, its catalogue and the program, with every extension too."""
    image = written(tmp_path, assembled(tmp_path), BootImage(("BOOT.IMG",)), rules)
    assert "STARTED" in started(image)


def test_a_long_program_is_loaded_whole(tmp_path: Path) -> None:
    """`load_sectors` counts sectors of 512 bytes: the word lies in the fourth."""
    body = "    mov si, 0x7c00 + 1536\n    jmp next\n"
    data = (assembled(tmp_path, body).ljust(1536, b"\0") + b"FOURTH\0").ljust(2048, b"\0")
    assert "FOURTH" in started(written(tmp_path, data, BootImage(("BOOT.IMG",), load_sectors=4)))


@pytest.mark.parametrize("media", ["1.2M", "1.44M", "2.88M"])
def test_a_floppy_starts_and_is_read_as_a_drive(tmp_path: Path, media: str) -> None:
    """Floppy emulation: the first sector starts, and reads the second through the firmware."""
    first = assembled(tmp_path, FLOPPY_READ)
    data = (first + b"FLOPPY\0").ljust(FLOPPY_BYTES[media], b"\0")
    boot = BootImage(("BOOT.IMG",), media)  # type: ignore[arg-type]
    assert "FLOPPY" in started(written(tmp_path, data, boot))


def test_a_disc_without_a_catalogue_does_not_start(tmp_path: Path) -> None:
    """The check can fail."""
    shelf = Shelf(tmp_path)
    write_image(name([shelf.file("BOOT.IMG", assembled(tmp_path))]), tmp_path / "x.iso", options())
    assert "STARTED" not in started(tmp_path / "x.iso", most_s=4)


def test_another_reader_sees_the_catalogue(tmp_path: Path) -> None:
    """xorriso's report: platform, emulation, load size and the sector of the image, which is the file's own."""
    image = written(tmp_path, bytes(2048), BootImage(("BOOT.IMG",), load_segment=0x1000))
    report = run(program("xorriso"), "-indev", image, "-report_el_torito", "plain")
    line = next(line for line in report.split("\n") if line.startswith("El Torito boot img"))
    match = re.search(r"BIOS +y +none +0x1000 +0x00 +4 +(\d+)", line)
    assert match, report
    data = image.read_bytes()
    assert data[17 * SECTOR + 7 : 17 * SECTOR + 30] == b"EL TORITO SPECIFICATION"
    lba = run(program("xorriso"), "-indev", image, "-find", "/BOOT.IMG", "-exec", "report_lba")
    assert f", {match[1]:>8} ," in lba


def test_the_system_area_starts_another_kind_of_machine(tmp_path: Path) -> None:
    """The user's first sixteen sectors are what a machine that starts from sector 0 reads: here as a hard disk."""
    image = written(tmp_path, bytes(2048), BootImage(("BOOT.IMG",)), system_area=assembled(tmp_path, word="SECTOR0"))
    drive = f"file={image},format=raw,if=ide,snapshot=on"
    assert "SECTOR0" in started(image, "-boot", "c", "-drive", drive)


def test_boot_files_stand_where_the_profile_says(tmp_path: Path) -> None:
    """A machine that starts from a file of a given path finds exactly that path: fixed names choose first."""
    shelf = Shelf(tmp_path)
    staged = [shelf.file("SYSTEM/START"), shelf.file("System/start", fixed_name=True)]
    named, errors = map_names(staged, Profile("p"))
    assert not errors
    assert [n.iso for n in named] == [("SYSTEM1", "START."), ("SYSTEM", "START.")]

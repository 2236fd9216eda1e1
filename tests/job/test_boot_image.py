"""A disc that starts a machine, as a user makes it: the manifest's keys, the build's name, what the firmware loads."""

import re
from pathlib import Path

import pytest
from support.bench_set import BenchSet, usual
from support.command import run
from support.disc_readers import run as program_run
from support.programs import program
from support.starting import assembled, started


@pytest.fixture
def bench(tmp_path: Path) -> BenchSet:
    return usual(tmp_path)


def boots(bench: BenchSet, data: bytes, *lines: str) -> None:
    """Makes the manifest's disc start this image."""
    (bench.manifest.parent / "boot.img").write_bytes(data)
    text = re.sub("(?m)^boot_.*\n", "", bench.manifest.read_text())
    added = "\n".join(['boot_image = "boot.img"', *lines])
    bench.manifest.write_text(text.replace("[medium]\n", f"[medium]\n{added}\n"))


def built(bench: BenchSet) -> tuple[str, str]:
    """The build id, and what was said besides."""
    ran = run("prepare", bench.manifest, "--out", bench.out, *bench.words, "--json")
    assert ran.code == 0, ran.out
    return ran.document["discs"][0]["build_id"], " ".join(notice["message"] for notice in ran.document["notices"])


def report(bench: BenchSet) -> tuple[int, int]:
    """Sectors of 512 bytes that are loaded, and the first sector of the image: as xorriso reads the catalogue."""
    text = program_run(program("xorriso"), "-indev", bench.image(), "-report_el_torito", "plain")
    match = re.search(r"El Torito boot img : +1 +BIOS +y +none +0x0000 +0x00 +(\d+) +(\d+)", text)
    assert match, text
    return int(match[1]), int(match[2])


def test_two_boot_images_make_two_builds(bench: BenchSet) -> None:
    """The build id covers their bytes; the same bytes again give the same id."""
    ids = []
    for data in (b"one" * 700, b"two" * 700, b"one" * 700):
        boots(bench, data)
        ids.append(built(bench)[0])
    assert ids[0] == ids[2] != ids[1]


def test_a_program_of_several_sectors_starts_whole(bench: BenchSet, tmp_path: Path) -> None:
    """Without the key all of it is loaded, and that is told: the word lies in the last of its sectors."""
    body = "    mov si, 0x7c00 + 5000\n    jmp next\n"
    boots(bench, assembled(tmp_path, body).ljust(5000, b"\0") + b"WHOLE\0")
    said = built(bench)[1]
    assert "asked to load all of the boot image's 5,006 bytes: 12 sectors of 512" in said
    assert report(bench)[0] == 12
    assert "WHOLE" in started(bench.image())


def test_as_many_sectors_as_the_key_says(bench: BenchSet) -> None:
    """For a program that loads the rest of itself; nothing needs to be told then."""
    boots(bench, bytes(9000), "boot_load_sectors = 4")
    assert "asked to load" not in built(bench)[1]
    assert report(bench)[0] == 4


@pytest.mark.parametrize("size_bytes", [1, 700, 2048, 2049, 40_000_000])
def test_a_short_image_never_runs_on_into_the_next_file(bench: BenchSet, size_bytes: int) -> None:
    """What is loaded ends with the image's own last sector of 2,048 bytes, or with the catalogue's 16 bits."""
    bench.manifest.write_text(bench.manifest.read_text().replace("sectors = 2000", "sectors = 30_000"))
    boots(bench, b"\1" * size_bytes)
    built(bench)
    loaded, first = report(bench)
    own_sectors = -(-size_bytes // 2048)
    assert loaded == min(own_sectors * 4, 65_535)
    after = bench.image().read_bytes()[first * 2048 + size_bytes :][: max(0, loaded * 512 - size_bytes)]
    assert not any(after)


@pytest.mark.parametrize(
    ("size_bytes", "lines", "said", "mended"),
    [
        (700, ("boot_load_sectors = 5",), "has 4 sectors of 512 bytes; boot_load_sectors asks for 5",
         ("boot_load_sectors = 4",)),
        (1_474_560, ('boot_media = "1.44M"', "boot_load_sectors = 4"), "boot_load_sectors is for none",
         ('boot_media = "1.44M"',)),
        (1_474_561, ('boot_media = "1.44M"',), "has 1,474,561 bytes, and a floppy of 1.44M has 1,474,560",
         ('boot_media = "none"',)),
    ],
)  # fmt: skip
def test_check_refuses_what_firmware_would_misread(
    bench: BenchSet, size_bytes: int, lines: tuple[str, ...], said: str, mended: tuple[str, ...]
) -> None:
    """At the key's line, with both numbers; who does what the hint says has no fault left."""
    boots(bench, bytes(size_bytes), *lines)
    ran = run("check", bench.manifest, "--json")
    assert ran.code == 2 and [error for error in ran.document["errors"] if said in error["message"]], ran.out
    boots(bench, bytes(size_bytes), *mended)
    assert run("check", bench.manifest, "--json").code == 0

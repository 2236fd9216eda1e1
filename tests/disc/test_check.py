"""The checker against what was meant to be there, and against images that other writers made beyond the limits."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from support.disc_readers import run
from support.programs import program
from support.trees import Shelf, name, options

from discprep.disc.image import BootImage, expected_files, write_image
from discprep.disc.layout.check import Expected, check_image
from discprep.disc.layout.fields import SECTOR, both32
from discprep.disc.layout.records import Descriptor, split_directory
from discprep.disc.layout.sizes import lay_out

Change = Callable[[bytearray, list[Expected]], None]


def written(tmp_path: Path) -> tuple[bytearray, list[Expected]]:
    """A bootable disc's bytes, and what must be found on it."""
    named = name(Shelf(tmp_path).tree({"A": b"a" * 3000, "B": b"b" * 3000, "BOOT.IMG": b"x" * 2048, "E": b""}), "1j")
    settings = options("1j", boot=BootImage(("BOOT.IMG",)))
    write_image(named, tmp_path / "x.iso", settings)
    return bytearray((tmp_path / "x.iso").read_bytes()), list(expected_files(lay_out(named, settings)))


def found(tmp_path: Path, data: bytes, expected: list[Expected] | None) -> set[str]:
    (tmp_path / "y.iso").write_bytes(data)
    return {fault.rule for fault in check_image(tmp_path / "y.iso", expected).faults}


def place(data: bytearray, descriptor: int, index: int) -> int:
    """First byte of a record of the root."""
    root = Descriptor(descriptor, bytes(data[descriptor * SECTOR :][:SECTOR])).root
    start = root.extent * SECTOR
    return start + split_directory(bytes(data[start : start + root.size_bytes]))[0][2 + index].offset


def a_file_too_many(data: bytearray, expected: list[Expected]) -> None:
    del expected[0]


def a_file_too_few(data: bytearray, expected: list[Expected]) -> None:
    expected.append(replace(expected[0], path=("C.",)))


def another_place(data: bytearray, expected: list[Expected]) -> None:
    at = place(data, 16, 0)
    data[at + 2 : at + 10] = both32(expected[1].extent)


def another_size(data: bytearray, expected: list[Expected]) -> None:
    at = place(data, 16, 0)
    data[at + 10 : at + 18] = both32(2999)


def another_byte(data: bytearray, expected: list[Expected]) -> None:
    data[expected[1].extent * SECTOR + 2999] ^= 1


def another_tree(data: bytearray, expected: list[Expected]) -> None:
    at = place(data, 17 + 1, 0)
    data[at + 10 : at + 18] = both32(2999)


@pytest.mark.parametrize(
    ("change", "rule"),
    [
        (a_file_too_many, "missing"), (a_file_too_few, "missing"), (another_place, "place"), (another_size, "place"),
        (another_byte, "bytes"), (another_tree, "trees"),
    ],
)  # fmt: skip
def test_what_is_there_is_what_was_meant(tmp_path: Path, change: Change, rule: str) -> None:
    """Names, places (ECMA-119 §9.1.3), sizes (§9.1.4) and bytes, in every tree; each difference has its own rule."""
    data, expected = written(tmp_path)
    assert found(tmp_path, data, expected) == set()
    change(data, expected)
    assert rule in found(tmp_path, data, expected)


@pytest.mark.parametrize(
    ("at", "value"),
    [
        (17 * SECTOR + 71, (1_000_000).to_bytes(4, "little")),  # the catalogue's sector (El Torito, figure 7)
        (17 * SECTOR + 71, (16).to_bytes(4, "little")),  # no catalogue there
    ],
)
def test_a_boot_record_that_leads_nowhere(tmp_path: Path, at: int, value: bytes) -> None:
    """Firmware finds the catalogue by the boot record alone."""
    data, _ = written(tmp_path)
    data[at : at + len(value)] = value
    assert found(tmp_path, data, None) == {"boot"}


def test_a_boot_record_is_in_sector_17(tmp_path: Path) -> None:
    """El Torito §2.0: firmware looks nowhere else."""
    data, _ = written(tmp_path)
    one, other = slice(17 * SECTOR, 18 * SECTOR), slice(18 * SECTOR, 19 * SECTOR)
    data[one], data[other] = data[other], data[one]
    assert "boot" in found(tmp_path, data, None)


@pytest.mark.parametrize(
    ("folders", "rules"),
    [(["D" * 8] * 7, set()), (["D" * 8] * 8, {"depth"}), (["D" * 31] * 8, {"depth", "path"})],
)
def test_the_limits_of_paths_in_another_writers_images(tmp_path: Path, folders: list[str], rules: set[str]) -> None:
    """Eight levels, the root the first, and paths of 255 (ECMA-119 §6.8.2.1); genisoimage -D goes beyond them."""
    (tmp_path / "tree").joinpath(*folders).mkdir(parents=True)
    (tmp_path / "tree").joinpath(*folders, "F.TXT").write_bytes(b"x")
    words = ["-quiet", "-D", "-iso-level", "3", "-o", tmp_path / "x.iso", tmp_path / "tree"]
    run(program("genisoimage"), *words)
    assert {fault.rule for fault in check_image(tmp_path / "x.iso").faults} == rules

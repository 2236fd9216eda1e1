"""The checker against what was meant to be there, and against images that other writers made beyond the limits."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from support.disc_readers import run
from support.programs import program
from support.trees import Shelf, name, options

from discprep.disc.image import BootImage, expected_files, write_image
from discprep.disc.layout.check import Expected, check_image, file_spans, identifier_faults
from discprep.disc.layout.fields import SECTOR, both32
from discprep.disc.layout.records import Descriptor, split_directory
from discprep.disc.layout.sizes import lay_out
from discprep.disc.layout.susp import NOTHING
from discprep.disc.layout.volume import Found

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


def test_the_primary_descriptor_comes_first(tmp_path: Path) -> None:
    """Sector 16 has it: machines that read no other descriptor look nowhere else (common practice, no source)."""
    data, _ = written(tmp_path)
    one, other = slice(16 * SECTOR, 17 * SECTOR), slice(18 * SECTOR, 19 * SECTOR)
    data[one], data[other] = data[other], data[one]
    assert "descriptors" in found(tmp_path, data, None)


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


@pytest.mark.parametrize(("length", "rules"), [(64, set()), (65, {"names"}), (80, {"names"})])
def test_joliet_names_beyond_64_characters(tmp_path: Path, length: int, rules: set[str]) -> None:
    """The Joliet specification's limit; genisoimage -joliet-long goes beyond it."""
    (tmp_path / "tree").mkdir()
    (tmp_path / "tree" / ("x" * length)).write_bytes(b"x")
    run(program("genisoimage"), "-quiet", "-J", "-joliet-long", "-o", tmp_path / "x.iso", tmp_path / "tree")
    assert {fault.rule for fault in check_image(tmp_path / "x.iso").faults} == rules


@pytest.mark.parametrize(
    ("identifier", "folder", "faults"),
    [
        (b"A.;1", False, 0), (b".EXT;1", False, 0), (b".;1", False, 1), (b"A;1", False, 1), (b"a.B;1", False, 1),
        (b"A.B;32767", False, 0), (b"A.B;32768", False, 1), (b"A.B;0", False, 1),
        (b"A" * 20 + b"." + b"B" * 10 + b";1", False, 0), (b"A" * 20 + b"." + b"B" * 11 + b";1", False, 1),
        (b"D" * 31, True, 0), (b"D" * 32, True, 1), (b"A.B", True, 1),
    ],
)  # fmt: skip
def test_what_an_identifier_may_be(identifier: bytes, folder: bool, faults: int) -> None:
    """ECMA-119 §7.5.1 and §7.6: stem or extension may be empty, not both; 30 in all; a version of 1 to 32767; 31."""
    assert len(list(identifier_faults(identifier, folder))) == faults


def test_extents_that_follow_each_other_are_one_span(tmp_path: Path) -> None:
    """A file's sections in their order (ECMA-119 §6.5.1), as offsets and bytes."""
    extents = ((10, 2 * SECTOR), (12, SECTOR), (13, 100), (20, 5))
    assert file_spans(Found(("A",), b"A.;1", False, bytes(7), extents, NOTHING)) == [
        (10 * SECTOR, 3 * SECTOR + 100),
        (20 * SECTOR, 5),
    ]

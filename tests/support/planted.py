"""Faults planted in a copy of a disc, and what a reading back must say of them.

The truth comes from outside: genisoimage's reader tells where every file and second copy lies; a copy is hurt exactly
where the bytes at its place are other ones.
"""

import random
from collections.abc import Callable
from pathlib import Path

from discprep.disc.image import BootImage, write_image
from discprep.disc.names import with_second_copies
from discprep.disc.record import build_id, make_record, save_record
from discprep.job.readback import readback
from support.disc_readers import isoinfo_places, run
from support.programs import program
from support.trees import Shelf, hard_tree, name, options

SECTOR = 2048


class Disc:
    """A build with second copies, Joliet, Rock Ridge and a boot image, and the places that another reader sees."""

    def __init__(self, folder: Path, seed: int) -> None:
        shelf = Shelf(folder)
        staged = [shelf.file("BOOT.IMG", b"boot" * 900), *hard_tree(seed, shelf, 25)]
        named = with_second_copies(name(staged, "2jr"), lambda n: ord(n.iso[-1][0]) % 3 == 0 or n.iso[0] == "BOOT.IMG")
        settings = options("2jr", boot=BootImage(("BOOT.IMG",)))
        identity = build_id(named, settings)
        self.folder = folder
        self.image = folder / f"TESTDISC-{identity}.iso"
        written = write_image(named, self.image, settings)
        self.record = make_record(written, settings, identity)
        save_record(self.record, folder / "record.json")
        self.data = self.image.read_bytes()
        self.places = {path: (at * SECTOR, size) for path, at, size in isoinfo_places(self.image, "iso")}
        self.head_bytes = written.head_sectors * SECTOR
        self.data_end = max(-(-(at + size) // SECTOR) * SECTOR for at, size in self.places.values() if size)

    def hurt(self, damaged: bytes) -> set[str]:
        """The files, second copies among them, whose bytes are not at their place."""
        spans = {path: slice(at, at + size) for path, (at, size) in self.places.items()}
        return {path for path, span in spans.items() if damaged[span] != self.data[span]}


Plant = Callable[[Disc, random.Random], bytes]


def flipped(disc: Disc, at: int, rng: random.Random) -> bytes:
    data = bytearray(disc.data)
    data[at] ^= rng.randrange(1, 256)
    return bytes(data)


def in_a_file(disc: Disc, rng: random.Random) -> bytes:
    at, size = rng.choice([place for path, place in disc.places.items() if place[1] and path != "BOOT.CAT"])
    return flipped(disc, at + rng.randrange(size), rng)


def in_a_second_copy(disc: Disc, rng: random.Random) -> bytes:
    seconds = [place for path, place in disc.places.items() if path.startswith("SECOND/") and place[1]]
    at, size = rng.choice(seconds)
    return flipped(disc, at + rng.randrange(size), rng)


def in_the_structures(disc: Disc, rng: random.Random) -> bytes:
    """A byte of descriptors, path tables, records of either tree, boot catalogue: all that is not zero there."""
    return flipped(disc, rng.choice([at for at in range(16 * SECTOR, disc.head_bytes) if disc.data[at]]), rng)


def in_a_descriptor(disc: Disc, rng: random.Random) -> bytes:
    return flipped(disc, rng.randrange(16, 20) * SECTOR + rng.randrange(190), rng)


def after_a_file(disc: Disc, rng: random.Random) -> bytes:
    taken = bytearray(disc.data_end)
    for at, size in disc.places.values():
        taken[at : at + size] = b"\1" * size
    return flipped(disc, rng.choice([at for at in range(disc.head_bytes, disc.data_end) if not taken[at]]), rng)


def in_the_padding(disc: Disc, rng: random.Random) -> bytes:
    return flipped(disc, rng.randrange(disc.data_end, len(disc.data)), rng)


def cut(disc: Disc, rng: random.Random) -> bytes:
    """A disc that ends early, with a whole sector: among the files, in the padding, or before the first file."""
    return disc.data[: rng.randrange(17, len(disc.data) // SECTOR) * SECTOR]


def shifted(disc: Disc, rng: random.Random) -> bytes:
    """Sectors repeated: all that follows lies too far on."""
    at = rng.randrange(disc.head_bytes // SECTOR, disc.data_end // SECTOR) * SECTOR
    return disc.data[:at] + disc.data[at - SECTOR * rng.randrange(1, 4) : -SECTOR]


def swapped(disc: Disc, rng: random.Random) -> bytes:
    one, other = sorted(rng.sample(range(16, disc.data_end // SECTOR), 2))
    sectors = [disc.data[at : at + SECTOR] for at in range(0, len(disc.data), SECTOR)]
    sectors[one], sectors[other] = sectors[other], sectors[one]
    return b"".join(sectors)


PLANTS: tuple[Plant, ...] = (
    in_a_file, in_a_second_copy, in_the_structures, in_a_descriptor, after_a_file, in_the_padding, cut, shifted,
    swapped,
)  # fmt: skip


def check(disc: Disc, seed: int) -> str:
    """Plants one fault; the name of its kind.

    Raises:
        AssertionError: the reading back does not say exactly what is hurt
    """
    rng = random.Random(seed)
    plant = PLANTS[seed % len(PLANTS)]
    damaged = plant(disc, rng)
    target = disc.folder / "burned"
    target.write_bytes(damaged)
    result = readback(disc.folder / "record.json", target)
    found, where = result.found, (plant.__name__, seed)
    told = {"/".join(state.file.iso).removesuffix(".") for state in found.files if state.state != "whole"}
    told |= {"/".join(state.file.second).removesuffix(".") for state in found.files if state.second == "hurt"}
    # The boot catalogue is a file to other readers; here it is one of the structures.
    assert told == disc.hurt(damaged) - {"BOOT.CAT"}, where
    assert found.structures_whole == (damaged[: disc.head_bytes] == disc.data[: disc.head_bytes]), where
    assert found.identical == (damaged[: len(disc.data)] == disc.data), where
    before_padding = damaged[: disc.data_end] == disc.data[: disc.data_end]
    assert bool(result.errors) == (not before_padding), where
    if not before_padding and not told and found.structures_whole:
        assert found.spaces and "unused space after the end of" in str(result.errors[0]), where
    if not result.another:
        messages = " ".join(str(error) for error in result.errors)
        assert all(path in messages for path in told), where
    if plant in (in_the_structures, in_a_descriptor):
        sector = next(at for at in range(len(damaged)) if damaged[at] != disc.data[at]) // SECTOR
        assert found.structure_runs == ((sector, sector),), where
    if plant in (in_a_file, in_a_second_copy):
        sector = next(at for at in range(len(damaged)) if damaged[at] != disc.data[at]) // SECTOR
        runs = {run for state in found.hurt for run in (*state.runs, *state.second_runs)}
        assert runs == {(sector, sector)}, where
    return plant.__name__


def check_burned_as_a_file(disc: Disc) -> None:
    """The image as a file on a disc that genisoimage made: one error, which names it."""
    source = disc.folder / "source"
    source.mkdir()
    (source / "first.iso").write_bytes(disc.data)
    run(program("genisoimage"), "-quiet", "-V", "OTHER", "-J", "-R", "-o", disc.folder / "burned", source)
    result = readback(disc.folder / "record.json", disc.folder / "burned")
    assert result.found.burned_as_file.upper() == "FIRST.ISO" and len(result.errors) == 1

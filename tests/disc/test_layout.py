"""Sizes before writing, and the bytes of the standard's structures."""

import hashlib
import random
from pathlib import Path

import pytest
from support.disc_readers import check_readers
from support.trees import RULES, Shelf, folder, name, options, random_tree, write

from discprep.disc.layout import boot, fields, susp
from discprep.disc.layout.check import hash_image
from discprep.disc.layout.options import BootImage
from discprep.disc.layout.records import iso_order, record_bytes, split_directory, split_path_table
from discprep.disc.layout.sizes import constant_sectors, image_sectors, item_sectors, lay_out, packed_sectors
from discprep.disc.layout.structures import head_bytes
from discprep.disc.names import with_second_copies
from discprep.errors import CapacityError, NameRuleError
from discprep.model import Content, Named, Staged

# ------------------------------------------------------------------------------------------ bytes of the standard


def test_numbers_in_both_byte_orders() -> None:
    """ECMA-119 §7.2.3 and §7.3.3."""
    assert fields.both32(0x12345678) == bytes.fromhex("7856341212345678")
    assert fields.both16(2048) == bytes.fromhex("00080800")
    assert fields.agree(fields.both32(7), 0, 4) and not fields.agree(b"\1\0\0\0\0\0\0\2", 0, 4)


@pytest.mark.parametrize(
    ("time_s", "quarters", "data"),
    [
        (1_700_000_000, 0, "7B0B0E160D1400"),
        (946_702_799, -20, "630C1F173B3BEC"),
        (1_700_000_000, 23, "7B0B0F033A1417"),
        (0, -20, "450C1F130000EC"),
    ],
)
def test_short_dates(time_s: int, quarters: int, data: str) -> None:
    """ECMA-119 §9.1.5; values measured against a writer, and by hand. Ours are in UTC, others read as stored."""
    assert quarters or fields.short_date(time_s).hex().upper() == data
    assert fields.read_short_date(bytes.fromhex(data)) == time_s + quarters * 900


def test_short_dates_end_in_2155() -> None:
    """One byte counts the years from 1900."""
    assert fields.short_date(2**40)[0] == 255
    assert fields.short_date(-(2**40))[:3] == bytes([0, 1, 1])


def test_long_dates() -> None:
    """ECMA-119 §8.4.26.1."""
    assert fields.long_date(1_700_000_000) == b"2023111422132000\0"
    assert fields.long_date(None) == b"0" * 16 + b"\0"
    local = 951_827_696  # 2000-02-29 12:34:56 read as if it were UTC
    assert fields.read_long_date(b"2000022912345678\x04") == local
    assert [fields.read_long_date(x) for x in (b"0" * 17, b"20001332123456780", b"x" * 17, b"")] == [None] * 4


def test_record_lengths() -> None:
    """ECMA-119 §9.1: 33 + identifier + pad."""
    assert [record_bytes(n) for n in (1, 12, 14)] == [34, 46, 48]


def test_order_of_a_directory() -> None:
    """ECMA-119 §9.3: not the byte order of the whole identifier."""
    right = [b"A.;1", b"A.1;1", b"A.B;1", b"A.B1;1", b"A1.;1", b"AA.;1", b"A_.;1", b"X.;2", b"X.;1"]
    shuffled = random.Random(1).sample(right, len(right))
    assert sorted(shuffled, key=iso_order) == right
    assert sorted(right) != right


def test_root_path_table_record() -> None:
    """ECMA-119 §9.4, root in sector 23."""
    for data, order in (("01001700000001000000", "little"), ("01000000001700010000", "big")):
        table = split_path_table(bytes.fromhex(data), order)
        assert table and (table[0].identifier, table[0].extent, table[0].parent) == (b"\0", 23, 1)


def test_boot_validation_entry() -> None:
    """El Torito §2.1: sixteen words sum to zero."""
    assert boot.validation_entry()[28:] == bytes.fromhex("AA5555AA")
    assert boot.validation_entry(0, b"DISCPREP")[28:30] == bytes.fromhex("7E26")
    entries, faults = boot.read_catalogue(boot.validation_entry() + bytes(2016))
    assert not faults and not entries[0].bootable


def entries(data: str) -> susp.RockRidge:
    return susp.rock_ridge(susp.entries(bytes.fromhex(data), lambda sector: bytes(2048)))


def test_attributes_and_comments() -> None:
    """The AS entry: a decoder's vector, a continued comment, protection alone."""
    one = entries("4153150103000000400C426F6F7420736372697074")
    assert (one.attributes, one.comment) == (0x40, b"Boot script")
    two = entries("41530D0107000000100461626341530D010208646566676869 6A")
    assert (two.attributes, two.comment) == (0x10, b"abcdefghij")
    assert entries("415309010100000000").attributes == 0


def test_names_of_rock_ridge() -> None:
    """RRIP §4.1.4, and SP with no skip (SUSP §5.3)."""
    assert entries("4E4D0E0100656D7074792E646174").name == b"empty.dat"
    found = list(susp.entries(bytes.fromhex("53500701BEEF00"), lambda sector: b""))
    assert [signature for signature, _ in found] == [b"SP"]


@pytest.mark.parametrize("data", ["4E4D0301", "4E4DFF0100", "43451C01" + "00" * 24])
def test_broken_system_use_entries_end(data: str) -> None:
    """Lengths that lie, and continuation areas that point at themselves."""
    area = bytes.fromhex(data)
    with pytest.raises(susp.BrokenEntries):
        list(susp.entries(area, lambda sector: area.ljust(2048, b"\0"))) if data[:4] != "4345" else list(
            susp.entries(_circle(), lambda sector: _circle().ljust(2048, b"\0"))
        )


def _circle() -> bytes:
    return b"CE\x1c\x01" + fields.both32(5) + fields.both32(0) + fields.both32(28)


def test_no_record_crosses_a_sector() -> None:
    """ECMA-119 §6.8.1.1: 43 records of 46 bytes beside the dots, then 44 a sector: 228 sectors for 10,000."""
    assert packed_sectors([34, 34] + [46] * 43) == 1
    assert packed_sectors([34, 34] + [46] * 44) == 2
    assert packed_sectors([34, 34] + [46] * 10_000) == 228


def test_a_directory_of_nonsense_is_bounded() -> None:
    """Lengths below 34 or past the sector end the reading of that sector, with a fault."""
    records, faults = split_directory(b"\x05" + b"\xff" * 2047 + bytes(2048))
    assert not records and any("5 bytes" in fault for fault in faults)


# ------------------------------------------------------------------------------------------------------ sizes


def many(shelf: Shelf, folders: int, each: int, size: int = 4096) -> list[Staged]:
    content = [shelf.content(n.to_bytes(8, "big") * (size // 8)) for n in range(folders * each)]
    paths = [(f"D{f:03d}", f"F{n:05d}.DAT") if folders > 1 else (f"F{n:05d}.DAT",)
             for f in range(folders) for n in range(each)]  # fmt: skip
    return [Staged(path, "i", data) for path, data in zip(paths, content, strict=True)]


@pytest.mark.parametrize(("folders", "each", "sectors"), [(1, 10_000, 20_251), (100, 100, 20_325)])
def test_sizes_measured_with_the_library(tmp_path: Path, folders: int, each: int, sectors: int) -> None:
    """10,000 files of 4,096 bytes: predicted and written sector counts, measured."""
    named = name(many(Shelf(tmp_path), folders, each))
    assert image_sectors(named, options(pad_sectors=0)) == sectors
    assert image_sectors(named, options()) == sectors + 150


def test_the_smallest_images(tmp_path: Path) -> None:
    """Empty 24 sectors, one byte 25 (measured); with padding a track has 300 sectors at least (libcdio)."""
    assert image_sectors((), options(pad_sectors=0)) == 24
    one = name([Shelf(tmp_path).file("A")])
    assert image_sectors(one, options(pad_sectors=0)) == 25
    assert image_sectors(one, options()) == 300


@pytest.mark.parametrize("rules", RULES)
def test_sizes_are_exact(tmp_path: Path, rules: str) -> None:
    """Random trees: the file has the foretold size, and the library's data begins where foretold (or writing fails)."""
    for seed in range(6):
        shelf = Shelf(tmp_path)
        named = name(random_tree(1000 + seed, shelf), rules)
        path = tmp_path / "x.iso"
        written = write([n.staged for n in named], path, rules)
        assert path.stat().st_size == image_sectors(named, options(rules)) * 2048 == written.size_bytes


@pytest.mark.parametrize("rules", ["1", "2", "3jr"])
def test_items_add_up(tmp_path: Path, rules: str) -> None:
    """For any set of items: exact sectors <= the constant + the sum of the items' own, and not by much more."""
    rng = random.Random(5)
    for seed in range(25):
        shelf = Shelf(tmp_path)
        items = {f"item{n}": as_item(random_tree(2000 + 10 * seed + n, shelf, 30), f"item{n}", rng) for n in range(4)}
        own = [shelf.file(f"LISTS/L{n}.TXT", b"list" * 900, item="") for n in range(3)]
        whole = name([*own, *(entry for entries in items.values() for entry in entries)], rules)
        settings = options(rules, pad_sectors=300)  # so that the shortest track does not hide the difference
        constant = constant_sectors(whole, settings)
        costs = {item: item_sectors(name(staged, rules), settings) for item, staged in items.items()}
        for chosen in (set(), {"item0"}, {"item1", "item3"}, set(items)):
            part = [entry for item in sorted(chosen) for entry in items[item]]
            exact = image_sectors(name([*own, *part], rules), settings)
            bound = constant + sum(costs[item] for item in chosen)
            assert exact <= bound
        folders = len({n.iso[:d] for n in whole for d in range(1, len(n.iso))})
        assert bound - exact <= 40 + 6 * folders + duplicate_sectors(whole)


def as_item(staged: list[Staged], item: str, rng: random.Random) -> list[Staged]:
    """The tree as an item's, half of the time in a folder that other items use too."""
    top = rng.choice(((), ("shared",), (item,), ("shared", item)))
    found = [Staged((*top, *(p[:12] for p in entry.name)), item, entry.content) for entry in staged]
    seen: dict[tuple[str, ...], Staged] = {}
    for entry in found:
        parts = tuple(part if part.strip(".") else "x" for part in entry.name)
        named = (*parts[:-1], f"{item}{len(seen)}{parts[-1]}") if entry.content else parts
        if len(named) < 7 and entry.content:
            seen[named] = Staged(named, item, entry.content)
    return list(seen.values())


def duplicate_sectors(named: tuple[Named, ...]) -> int:
    """Sectors that only whole discs save: contents that several items have."""
    owners: dict[str, set[str]] = {}
    sizes: dict[str, int] = {}
    for entry in named:
        if entry.staged.content:
            owners.setdefault(entry.staged.content.sha256, set()).add(entry.staged.item)
            sizes[entry.staged.content.sha256] = -(-entry.staged.content.size_bytes // 2048)
    return sum((len(o) - 1) * sizes[sha] for sha, o in owners.items())


def test_equal_content_lies_once_and_second_copies_far_away(tmp_path: Path) -> None:
    """Two names, one extent; the second copy of chosen files after all else."""
    shelf = Shelf(tmp_path)
    named = name(shelf.tree({"A": b"same" * 1000, "B": b"same" * 1000, "C": b"other" * 1000, "EMPTY": b""}))
    both = with_second_copies(named, lambda n: n.iso[0] in ("A.", "EMPTY."))
    layout = lay_out(both, options(second_from_sector=5000))
    a, b, c, empty = layout.placed
    assert a.extent == b.extent and c.extent == a.extent + 2 and empty.extent == 0
    assert a.second_extent == 5000 and c.second_extent is None and empty.second_extent is None
    assert layout.sectors == 5002 + 150


def test_order_that_needs_a_sector_more_has_it(tmp_path: Path) -> None:
    """Records that fit two sectors in the byte order of their names, and three in §9.3's, which is the one written.

    40 records fill the first sector but for one of 48 bytes, 42 fill the next but for one of 44; the pair's two are
    in the other order by §9.3, and the last record needs a third sector.
    """
    before = [f"A{n:07d}.TXT" for n in range(40)]
    after = [f"C{n:07d}" for n in range(3)] + [f"D{n:07d}.TXT" for n in range(39)]
    files = dict.fromkeys([*before, "BBBBBBBB.1ST", "BBBBBBBB", *after], b"")
    staged = Shelf(tmp_path).tree(files)
    written = write(staged, tmp_path / "x.iso", pad_sectors=0)
    assert written.head_sectors == 26 and image_sectors(name(staged[:-1]), options(pad_sectors=0)) == 25
    check_readers(written, RULES["1"], tmp_path)


def test_a_directory_has_no_sector_too_many_or_too_few(tmp_path: Path) -> None:
    """Its records as written fill its last sector at least in part, whatever their lengths; too few is refused.

    The root's own record is longer with Rock Ridge (SP and CE, SUSP §5.1 and §5.3), so a sub-folder is looked at too.
    """
    shelf = Shelf(tmp_path)
    for files in range(13, 17):
        for length in range(1, 101, 2):
            paths = [f"{top}{n:02d}" for top in ("", "SUB/") for n in range(files)]
            staged = [shelf.file(path, b"") for path in (*paths, "X" * length, "SUB/" + "X" * length)]
            settings = options("3r")
            layout = lay_out(name(staged, "3r"), settings)
            head = head_bytes(layout, settings)
            ends = [folder.sector + folder.sectors for folder in layout.trees[0].folders]
            assert all(any(head[(end - 1) * 2048 : end * 2048]) for end in ends)


@pytest.mark.slow
def test_more_folders_than_their_numbers_can_count() -> None:
    """16 bits number the parents in a path table (§9.4): 65,535 with the root."""
    folders = tuple(Named(folder(f"D{n}"), (f"D{n}",)) for n in range(65_535))
    assert image_sectors(folders[1:], options(pad_sectors=0)) > 65_535
    with pytest.raises(CapacityError, match="65536 folders"):
        image_sectors(folders, options())


def test_an_image_is_hashed_as_far_as_it_is_ready(tmp_path: Path) -> None:
    """The bytes appear in the file only when they are asked for, and no sooner is one of them read."""
    data = random.Random(7).randbytes(3_000_320)
    path = tmp_path / "x.iso"
    path.write_bytes(bytes(len(data)))
    asked: list[int] = []

    def ready(end: int) -> None:
        with path.open("r+b") as image:
            image.seek(asked[-1] if asked else 0)
            image.write(data[asked[-1] if asked else 0 : end])
        asked.append(end)

    spans = {(0, 100), (2048, 2_500_000), (2_998_272, 2048)}
    hashed = hash_image(path, spans, ready)
    assert hashed.whole == hashlib.sha256(data).hexdigest() and asked[-1] == len(data)
    assert hashed.spans == {(s, n): hashlib.sha256(data[s : s + n]).hexdigest() for s, n in spans}


def test_too_large_a_file_for_one_extent(tmp_path: Path) -> None:
    """Level 1 and 2: one extent, whose length has 32 bits (§9.1.4, §10); level 3 takes several."""
    content = Content(tmp_path / "none", 0, 4_294_967_295, "0" * 64)
    staged = [Staged(("BIG",), "i", content)]
    with pytest.raises(CapacityError, match="one extent"):
        image_sectors(name(staged), options())
    assert image_sectors(name(staged, "3"), options("3", pad_sectors=0)) == 24 + 2_097_152
    whole = Staged(("BIG",), "i", Content(tmp_path / "none", 0, 2_097_151 * 2048, "0" * 64))
    assert image_sectors(name([whole]), options(pad_sectors=0)) == 24 + 2_097_151


def test_two_files_of_one_disc_name_are_refused(tmp_path: Path) -> None:
    """The library would silently join them into one file."""
    shelf = Shelf(tmp_path)
    one, two = shelf.file("A"), shelf.file("B", b"yy")
    with pytest.raises(NameRuleError, match=r"two files have the name A\."):
        lay_out((Named(one, ("A.",)), Named(two, ("A.",))), options())


def test_the_catalogue_takes_a_free_name(tmp_path: Path) -> None:
    """A user's own BOOT.CAT keeps its name."""
    named = name([*Shelf(tmp_path).tree({"BOOT.IMG": b"x" * 600, "boot.cat": b"mine"}), folder("BOOT1.CAT")])
    nodes = lay_out(named, options(boot=BootImage(("BOOT.IMG",)))).nodes
    assert [node.iso for node in nodes if node.catalogue] == [("BOOT1.CAT",)]

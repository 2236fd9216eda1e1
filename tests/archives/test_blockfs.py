"""The 880 KiB block file system: images built from the published structure (FAQ 1.11), and each damage it can have."""

import bz2
import gzip
import lzma
import random
import struct
from collections.abc import Callable
from pathlib import Path

import pytest
from support.floppies import BLOCK, BlockDisk, balanced, boot_sum, hash_slot
from support.readers import Seen, format_of, look

from discprep.archives.blockfs import moment, slot_of, sum_is_right
from discprep.errors import ArchiveError
from discprep.model import Limits

HELLO = b"hello world\n"
VARIANTS = range(6)


def noise(size: int, seed: int = 1) -> bytes:
    return random.Random(seed).randbytes(size)


def small(flag: int = 0, total: int = 1760) -> BlockDisk:
    """A folder with a file of three blocks, and two files beside it."""
    disk = BlockDisk(flag, total)
    disk.file(b"first", HELLO)
    tools = disk.folder(b"Tools")
    disk.file(b"editor", noise(1300), tools)
    disk.file(b"last", HELLO)
    return disk


def read(disk: BlockDisk, tmp_path: Path) -> Seen:
    return look(b"".join(disk.blocks), tmp_path)


# ---------------------------------------------------------------------------- the published values themselves


@pytest.mark.parametrize(
    ("name", "plain", "international"),
    [
        (b"file_1a", 56, 56), (b"file_24", 56, 56), (b"file_5u", 56, 56), (b"README", 4, 4), (b"readme", 4, 4),
        (b"c", 8, 8), (b"s", 24, 24), ("français".encode("latin-1"), 71, 47), ("FRANÇAIS".encode("latin-1"), 47, 47),
    ],
)  # fmt: skip
def test_slots(name: bytes, plain: int, international: int) -> None:
    """Names of FAQ 4.2.1, their slots computed outside this project; the reader's and the tests' own writer's."""
    assert (slot_of(name, False), slot_of(name, True)) == (plain, international)
    assert (hash_slot(name, False), hash_slot(name, True)) == (plain, international)


def test_every_byte_in_both_hashes() -> None:
    """Two formulations of the capitals agree on all 256 bytes."""
    for byte in range(256):
        for international in (False, True):
            assert slot_of(bytes([byte]) * 3, international) == hash_slot(bytes([byte]) * 3, international)


def test_the_writer_s_sums() -> None:
    """Values computed outside this project from FAQ 4.1 and 4.2.3."""
    for flag, root, expected in ((0, 0, 0xBBB0ACFF), (0, 880, 0xBBB0A98F), (1, 880, 0xBBB0A98E)):
        assert boot_sum(b"DOS" + bytes([flag]) + bytes(4) + struct.pack(">L", root) + bytes(1012)) == expected
    block = bytearray(BLOCK)
    for at, value in {0: 2, 12: 72, 312: 0xFFFFFFFF, 316: 881, 508: 1}.items():
        struct.pack_into(">L", block, at, value)
    whole = balanced(bytes(block))
    assert struct.unpack_from(">L", whole, 20)[0] == 0xFFFFFC45
    assert sum_is_right(whole) and not sum_is_right(bytes(block))


def test_dates() -> None:
    """FAQ 4.2: days since 1978, minutes, ticks of 1/50 s."""
    assert moment(struct.pack(">3L", 17_594, 306, 400), 0) == 1772600768  # 2026-03-04 05:06:08
    assert moment(struct.pack(">3L", 8_035, 0, 0), 0) == 946684800  # 2000-01-01
    assert moment(struct.pack(">3L", 0, 0, 0), 0) is None
    assert moment(struct.pack(">3L", 1, 1440, 0), 0) is None
    assert moment(struct.pack(">3L", 1, 0, 3000), 0) is None


@pytest.mark.parametrize(
    ("size", "plain", "fast"), [(0, 0, 0), (488, 1, 1), (489, 2, 1), (512, 2, 1), (513, 2, 2), (35_136, 72, 69)]
)
def test_blocks_for_bytes(size: int, plain: int, fast: int) -> None:
    """FAQ 4.4, in the tests' writer: data blocks that a file takes."""
    for flag, expected in ((0, plain), (1, fast)):
        disk = BlockDisk(flag)
        before = len(disk.free)
        disk.file(b"x", bytes(size))
        assert before - len(disk.free) - 1 == expected


# -------------------------------------------------------------------------------------------- whole disks


@pytest.mark.parametrize("total", [1760, 3520], ids=["double density", "high density"])
@pytest.mark.parametrize("flag", VARIANTS)
def test_everything_comes_back(flag: int, total: int, tmp_path: Path) -> None:
    """Sizes about every limit of the structure, folders in folders, chains of equal slots, all in each variant."""
    disk = BlockDisk(flag, total)
    contents: dict[str, bytes] = {}
    for n, size in enumerate((0, 1, 487, 488, 489, 511, 512, 513, 35_136, 35_137, 36_864, 36_865, 75_000)):
        contents[f"size_{size}"] = noise(size, n)
        disk.file(f"size_{size}".encode(), contents[f"size_{size}"])
    for name in ("file_1a", "file_24", "file_5u", "café", "CAF\u00c9 noir"):
        contents[name] = noise(600, 99)
        disk.file(name.encode("latin-1"), contents[name])
    outer = disk.folder(b"Outer")
    inner = disk.folder(b"Inner", outer)
    contents["Outer/Inner/deep"] = HELLO
    disk.file(b"deep", HELLO, inner)
    image = disk.image()
    assert format_of(image) == "blockfs"
    seen = look(image, tmp_path)
    assert seen.contents == contents and seen.whole
    assert {m.name for m in seen.members if m.kind == "folder"} == {"Outer", "Outer/Inner"}
    assert list(seen.notices) == ["the disk's label: Reading Room"]


def test_what_a_header_says(tmp_path: Path) -> None:
    """Protection bits, comment and date come through, of files and of folders."""
    disk = BlockDisk()
    disk.file(b"startup", HELLO, protection=0x40, comment="für alle".encode("latin-1"))
    disk.folder(b"Tools", comment=b"small ones")
    disk.file(b"dateless", HELLO, date=(0, 0, 0))
    seen = look(disk.image(), tmp_path)
    member = seen.member("startup")
    assert (member.attributes, member.attribute_system, member.comment) == (0x40, "68k", "für alle")
    assert (member.time_s, member.raw_name, member.size_bytes) == (1772600768, b"startup", 12)
    assert seen.member("Tools").comment == "small ones"
    assert seen.member("dateless").time_s is None


def test_links(tmp_path: Path) -> None:
    """A hard link of a file is a file; links of folders and soft links are told, not followed."""
    disk = BlockDisk()
    target = disk.file(b"original", noise(900), protection=2)
    tools = disk.folder(b"Tools")
    disk.hard_link(b"again", target, tools)
    disk.hard_link(b"Toolbox", tools, folder=True)
    disk.soft_link(b"elsewhere", b"Tools/again")
    seen = look(disk.image(), tmp_path)
    assert seen.whole
    assert seen.contents == {"original": noise(900), "Tools/again": noise(900)}
    assert seen.member("Tools/again").attributes == 2
    assert {m.name: m.target for m in seen.members if m.kind == "link"} == {"Toolbox": "", "elsewhere": "Tools/again"}


def test_names_in_another_charset(tmp_path: Path) -> None:
    """Latin-1 unless the user says otherwise."""
    disk = BlockDisk()
    disk.file(b"\xef\xf0\xe8", HELLO)
    assert look(disk.image(), tmp_path, charset="cp1251").names == ["при"]


def test_a_boot_block_without_code_or_sum(tmp_path: Path) -> None:
    """Disks that do not boot hold any sum, and 880 or 0 as root; neither is looked at."""
    disk = small(total=3520)
    disk.long(0, 4, 0x12345678)
    disk.long(0, 8, 0)
    assert look(disk.image(), tmp_path).whole


# ------------------------------------------------------------------------------------------------ damage


def test_a_damaged_data_block_hurts_its_file_alone(tmp_path: Path) -> None:
    """The plain variant carries a sum in each data block; the message names block and place."""
    disk = small()
    disk.image()
    header = disk.read_long(disk.root, 24 + 4 * hash_slot(b"Tools", False))
    editor = disk.read_long(header, 24 + 4 * hash_slot(b"editor", False))
    second = disk.read_long(editor, 24 + 4 * 70)
    disk.put(second, 100, b"\xff\xfe\xfd")
    seen = read(disk, tmp_path)
    assert f"data block 2 (block {second}) is damaged" in seen.faults["Tools/editor"]
    assert seen.contents == {"first": HELLO, "last": HELLO} and not seen.problems


@pytest.mark.parametrize(
    ("at", "value", "said"),
    [(4, 900, "belongs to another file"), (8, 3, "belongs to another file"), (12, 400, "belongs to another file"),
     (0, 16, "belongs to another file")],
    ids=["header", "sequence", "size", "type"],
)  # fmt: skip
def test_a_data_block_of_another_file(at: int, value: int, said: str, tmp_path: Path) -> None:
    """A block whose sum is right but that says it is elsewhere."""
    disk = small()
    disk.image()
    first = disk.read_long(disk.root, 24 + 4 * hash_slot(b"first", False))
    data = disk.read_long(first, 16)
    disk.long(data, at, value)
    disk.rebalance(data)
    seen = read(disk, tmp_path)
    assert said in seen.faults["first"] and set(seen.contents) == {"Tools/editor", "last"}


@pytest.mark.parametrize(
    ("at", "value", "said"),
    [
        (24 + 4 * 71, 5000, "holds the number 5000, where 2 to 1759 exist"),
        (24 + 4 * 71, 0, "holds the number 0"),
        (324, 5000, "takes 11 blocks, and has 1"),
        (324, 0xFFFFFFFF, "more than the disk holds"),
        (8, 73, "counts 73 blocks where 72"),
        (504, 880, "its list of blocks goes on in block 880, which is of type 2"),
        (500, 1234, "names block 1234 as its folder"),
    ],
    ids=["pointer too high", "pointer 0", "size too great", "size absurd", "count", "extension", "parent"],
)
def test_a_header_that_cannot_be_right(at: int, value: int, said: str, tmp_path: Path) -> None:
    """Its sum is right, so the structure itself is checked; the neighbours read."""
    disk = small()
    disk.image()
    first = disk.read_long(disk.root, 24 + 4 * hash_slot(b"first", False))
    disk.long(first, at, value)
    disk.rebalance(first)
    seen = read(disk, tmp_path)
    assert said in seen.faults["first"]
    assert set(seen.contents) == {"Tools/editor", "last"}


def test_a_header_with_a_wrong_sum(tmp_path: Path) -> None:
    """The file is named, as far as its header still says; its neighbours are not blamed for what it claims."""
    disk = small()
    disk.image()
    first = disk.read_long(disk.root, 24 + 4 * hash_slot(b"first", False))
    last = disk.read_long(disk.root, 24 + 4 * hash_slot(b"last", False))
    disk.long(first, 24 + 4 * 71, disk.read_long(last, 16))
    seen = read(disk, tmp_path)
    assert "whose sum is wrong" in seen.faults["first"]
    assert set(seen.contents) == {"Tools/editor", "last"}


def test_blocks_of_two_files(tmp_path: Path) -> None:
    """Two files that claim one block are both hurt (fast variant: no back pointer tells whose it is)."""
    disk = small(1)
    disk.image()
    first, last = (disk.read_long(disk.root, 24 + 4 * hash_slot(name, False)) for name in (b"first", b"last"))
    disk.long(first, 24 + 4 * 71, disk.read_long(last, 24 + 4 * 71))
    disk.rebalance(first)
    seen = read(disk, tmp_path)
    assert "shares blocks" in seen.faults["first"] and "shares blocks" in seen.faults["last"]
    assert set(seen.contents) == {"Tools/editor"}


def test_a_block_twice_in_one_file(tmp_path: Path) -> None:
    """Within one list, too."""
    disk = small(1)
    disk.image()
    tools = disk.read_long(disk.root, 24 + 4 * hash_slot(b"Tools", False))
    editor = disk.read_long(tools, 24 + 4 * hash_slot(b"editor", False))
    disk.long(editor, 24 + 4 * 70, disk.read_long(editor, 24 + 4 * 71))
    disk.rebalance(editor)
    assert "a block twice" in read(disk, tmp_path).faults["Tools/editor"]


def test_a_hash_chain_that_loops(tmp_path: Path) -> None:
    """A chain leads back to its own start: the walk ends, and says where."""
    disk = BlockDisk()
    one, two = disk.file(b"file_1a", HELLO), disk.file(b"file_24", HELLO)
    disk.long(two, 496, one)
    seen = look(disk.image(), tmp_path)
    assert seen.contents == {"file_1a": HELLO, "file_24": HELLO}
    assert any(f"slot 56 leads to block {one} again" in problem for problem in seen.problems)


def test_a_folder_inside_itself(tmp_path: Path) -> None:
    """A folder's chain leads to the folder: no endless walk."""
    disk = BlockDisk()
    tools = disk.folder(b"Tools")
    disk.long(tools, 24, tools)
    seen = look(disk.image(), tmp_path)
    assert seen.names == ["Tools"] and len(seen.problems) == 1


def test_what_hangs_behind_a_damaged_header_is_found(tmp_path: Path) -> None:
    """A header is overwritten: its name is gone, but what is chained behind it is found by a search."""
    disk = BlockDisk()
    one = disk.file(b"file_1a", HELLO)
    disk.file(b"file_24", noise(700))
    disk.image()
    disk.put(one, 0, bytes(BLOCK))
    seen = read(disk, tmp_path)
    assert seen.contents == {"file_24": noise(700)}
    assert any(f"slot 56 leads to block {one}" in problem for problem in seen.problems)
    assert "1 files and folders were found by a search of all blocks only" in seen.notices


def test_a_lost_folder_s_files_are_found(tmp_path: Path) -> None:
    """A folder's header is overwritten: what it held comes back under a made-up name; deleted files do not."""
    disk = small()
    gone = disk.file(b"gone", HELLO)
    disk.long(disk.root, 24 + 4 * hash_slot(b"gone", False), 0)  # deleted: out of its chain, blocks free
    disk.free += [gone, disk.read_long(gone, 16)]
    disk.image()
    disk.rebalance(gone)
    tools = disk.read_long(disk.root, 24 + 4 * hash_slot(b"Tools", False))
    disk.put(tools, 0, noise(BLOCK))
    seen = read(disk, tmp_path)
    assert seen.contents == {"first": HELLO, "last": HELLO, f"lost-{tools}/editor": noise(1300)}


def test_a_lost_root(tmp_path: Path) -> None:
    """The root block is overwritten: everything is found by the search, folders in their places."""
    disk = small()
    disk.image()
    disk.put(disk.root, 0, bytes(BLOCK))
    seen = read(disk, tmp_path)
    assert seen.contents == {"first": HELLO, "last": HELLO, "Tools/editor": noise(1300)}
    assert list(seen.problems) == ["the root block 880 is damaged"]


def test_a_short_image(tmp_path: Path) -> None:
    """Files beyond the end are hurt, the others read; the length is a problem of the whole."""
    disk = BlockDisk()
    disk.file(b"first", HELLO)
    disk.free = [n for n in disk.free if n > 1700]
    disk.file(b"far", noise(2000))
    image = disk.image()[: 1703 * BLOCK]
    seen = look(image, tmp_path)
    assert "the image ends inside it" in seen.faults["far"]
    assert seen.contents == {"first": HELLO}
    assert list(seen.problems) == [f"the image is short: {1703 * BLOCK} bytes of 901120"]


@pytest.mark.parametrize("pack", [gzip.compress, bz2.compress, lzma.compress], ids=["gz", "bz2", "xz"])
def test_compressed_images(pack: Callable[[bytes], bytes], tmp_path: Path) -> None:
    """An image inside a compressed file is a folder of files, too."""
    seen = look(pack(small().image()), tmp_path)
    assert seen.format.startswith("blockfs.") and seen.whole
    assert seen.contents == {"first": HELLO, "last": HELLO, "Tools/editor": noise(1300)}


def test_bytes_after_the_disk(tmp_path: Path) -> None:
    """A longer file is read, and said."""
    seen = look(small().image() + b"junk", tmp_path)
    assert seen.whole and "4 bytes after the end of the disk" in seen.notices


@pytest.mark.parametrize("flag", [6, 7, 0x4F, 0xFF])
def test_an_unknown_variant(flag: int, tmp_path: Path) -> None:
    """Refused by name, not misread."""
    disk = small()
    disk.put(0, 3, bytes([flag]))
    image = disk.image()
    assert format_of(image) == "blockfs"
    with pytest.raises(ArchiveError, match=f"variant of the block file system that is not read \\(flag {flag}\\)"):
        look(image, tmp_path)


def test_text_that_begins_like_a_disk() -> None:
    """No image: a text file about DOS, a short file."""
    assert format_of(b"DOS is short for disk operating system. " * 100) == ""
    assert format_of(b"DOS\0" + bytes(100)) == ""


def test_names_that_no_disk_can_hold(tmp_path: Path) -> None:
    """`/` and `:` separate parts of paths: a name with one is refused, not split."""
    disk = BlockDisk()
    disk.file(b"a/b", HELLO)
    disk.file(b"good", HELLO)
    seen = look(disk.image(), tmp_path)
    assert "holds / or :" in seen.faults["a/b"] and seen.contents == {"good": HELLO}


def test_a_name_in_a_slot_of_another(tmp_path: Path) -> None:
    """The machine would not find it; it is read, and said."""
    disk = BlockDisk()
    number = disk.file(b"good", HELLO)
    disk.long(disk.root, 24 + 4 * hash_slot(b"good", False), 0)
    disk.long(disk.root, 24, number)
    seen = look(disk.image(), tmp_path)
    assert seen.contents == {"good": HELLO}
    assert any("good hangs in slot 0" in notice for notice in seen.notices)


def test_a_hard_disk_s_image(tmp_path: Path) -> None:
    """Beyond any floppy: refused before it is walked."""
    with pytest.raises(ArchiveError, match="no floppy has more than"):
        look(b"DOS\0" + bytes(10_000 * BLOCK), tmp_path)


def test_a_link_to_nothing(tmp_path: Path) -> None:
    """A hard link that leads to no file's header, or to another link."""
    disk = BlockDisk()
    disk.hard_link(b"nowhere", 5000)
    folder = disk.folder(b"Tools")
    disk.hard_link(b"folder", folder)
    seen = look(disk.image(), tmp_path)
    assert "a link to the block number 5000" in seen.faults["nowhere"]
    assert "is no file's header" in seen.faults["folder"]


@pytest.mark.slow
def test_thousands_of_damaged_disks(tmp_path: Path) -> None:
    """Random damage anywhere in headers: no crash, and what reads of a plain disk is what was written (sums)."""
    disk = small()
    image = disk.image()
    used = sorted(set(range(2, 1760)) - set(disk.free))
    good = look(image, tmp_path).contents
    rng = random.Random(20)
    for _ in range(1500):
        data = bytearray(image)
        for _ in range(rng.choice((1, 1, 2, 8))):
            first = rng.choice((0, 0, 308))
            at = rng.choice(used) * BLOCK + rng.randrange(first, rng.choice((32, BLOCK)) if first == 0 else BLOCK)
            data[at] = rng.choice((0, 255, data[at] ^ 1 << rng.randrange(8), rng.randrange(256)))
        seen = look(bytes(data), tmp_path, limits=Limits(members=3000))
        for name, content in seen.contents.items():
            assert content in good.values(), name
        if bytes(data) != image and not seen.problems and not seen.faults:
            assert seen.contents == good

"""FAT12 floppy images: those that mkfs.fat and mformat make and mtools fills, and hand-made ones for each damage."""

import gzip
import random
import subprocess
from pathlib import Path

import pytest
from support.floppies import Fat12, entry12, packed12, small_disk
from support.programs import program
from support.readers import format_of, look, source

from discprep.archives.fat12 import entries12, geometry, name_sum
from discprep.model import Limits

HELLO = b"hello world\n"
T_2026 = 1772600768  # 2026-03-04 05:06:08, as DOS date 5C64 and time 28C4 (ECMA-107 11.2)


def noise(size: int, seed: int = 1) -> bytes:
    return random.Random(seed).randbytes(size)


# ---------------------------------------------------------------------------------- other programs' images

MFORMAT_KIB = (160, 180, 320, 360, 720, 1200, 1440, 2880)
# Tracks, heads, sectors of a track: double-density disks of machines that format them tighter.
MFORMAT_SHAPES = {"800K": (80, 2, 10), "880K": (80, 2, 11), "820K": (82, 2, 10), "400K": (80, 1, 10)}


def fill(image: Path, folder: Path) -> dict[str, bytes]:
    """Copies a tree with long, short and small names into the image by mtools."""
    contents = {
        "HELLO.TXT": HELLO,
        "lower.txt": HELLO * 3,
        "Mixed Case and long.text": noise(5000, 2),
        "EMPTY": b"",
        "SUB/ONE.BIN": noise(3000, 3),
        "SUB/Another folder/deep.file": noise(1025, 4),
    }
    for name, data in contents.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(data)
    for name in sorted({name.split("/")[0] for name in contents}):
        subprocess.run([program("mcopy", "mtools"), "-s", "-i", image, folder / name, "::"], check=True)
    return contents


@pytest.mark.parametrize("kib", MFORMAT_KIB)
def test_images_of_mformat(kib: int, tmp_path: Path) -> None:
    """All sizes that mformat knows by name, read back as mtools wrote them."""
    image = tmp_path / "disk.img"
    subprocess.run([program("mformat", "mtools"), "-C", "-f", str(kib), "-v", "ROOM", "-i", image, "::"], check=True)
    contents = fill(image, tmp_path / "tree")
    seen = look(image.read_bytes(), tmp_path)
    assert seen.format == "fat12" and seen.whole
    assert seen.contents == contents
    assert list(seen.notices) == ["the disk's label: ROOM"]


@pytest.mark.parametrize("shape", MFORMAT_SHAPES)
def test_double_density_variants(shape: str, tmp_path: Path) -> None:
    """More sectors or tracks than usual."""
    tracks, heads, sectors = MFORMAT_SHAPES[shape]
    image = tmp_path / "disk.img"
    numbers = ["-t", str(tracks), "-h", str(heads), "-s", str(sectors)]
    subprocess.run([program("mformat", "mtools"), "-C", *numbers, "-i", image, "::"], check=True)
    contents = fill(image, tmp_path / "tree")
    seen = look(image.read_bytes(), tmp_path)
    assert seen.contents == contents and seen.whole


@pytest.mark.parametrize("sectors", [720, 1440, 1760, 2400, 2880, 5760])
def test_images_of_mkfs_fat(sectors: int, tmp_path: Path) -> None:
    """mkfs.fat chooses other fields than mformat for the same size."""
    image = tmp_path / "disk.img"
    image.write_bytes(bytes(sectors * 512))
    subprocess.run([program("mkfs.fat", "dosfstools"), "-F", "12", image], check=True, capture_output=True)
    contents = fill(image, tmp_path / "tree")
    seen = look(image.read_bytes(), tmp_path)
    assert seen.contents == contents and seen.whole


@pytest.mark.parametrize(
    ("make", "clusters"),
    [(("-f", "720"), 713), (("-f", "1440"), 2847), (("-t", "80", "-h", "2", "-s", "11"), 869)],
    ids=["720K", "1.44M", "880K"],
)
def test_cluster_counts(make: tuple[str, ...], clusters: int, tmp_path: Path) -> None:
    """Counts published for these disks as mformat makes them."""
    image = tmp_path / "disk.img"
    subprocess.run([program("mformat", "mtools"), "-C", *make, "-i", image, "::"], check=True)
    shape = geometry(source(image.read_bytes()))
    assert shape and shape.clusters == clusters


def test_attributes_and_times_as_mtools_sets_them(tmp_path: Path) -> None:
    """mattrib sets bits; the time is that of the copied file (mcopy -m), to two seconds."""
    import os

    image, file = tmp_path / "disk.img", tmp_path / "HELLO.TXT"
    file.write_bytes(HELLO)
    os.utime(file, (T_2026, T_2026))
    zone = {**os.environ, "TZ": "UTC"}
    subprocess.run([program("mformat", "mtools"), "-C", "-f", "720", "-i", image, "::"], check=True)
    subprocess.run([program("mcopy", "mtools"), "-m", "-i", image, file, "::"], check=True, env=zone)
    subprocess.run([program("mattrib", "mtools"), "+r", "+h", "+s", "-i", image, "::HELLO.TXT"], check=True)
    member = look(image.read_bytes(), tmp_path).members[0]
    assert (member.attributes, member.attribute_system, member.time_s) == (0x27, "dos", T_2026)


def test_deleted_files_are_passed_over(tmp_path: Path) -> None:
    """What mdel deleted does not come back, its long name neither."""
    image = tmp_path / "disk.img"
    subprocess.run([program("mformat", "mtools"), "-C", "-f", "720", "-i", image, "::"], check=True)
    contents = fill(image, tmp_path / "tree")
    subprocess.run([program("mdel", "mtools"), "-i", image, "::Mixed Case and long.text"], check=True)
    del contents["Mixed Case and long.text"]
    assert look(image.read_bytes(), tmp_path).contents == contents


# ------------------------------------------------------------------------------------- without any program


def test_entries_of_the_table() -> None:
    """ECMA-107 8.4: two entries of 12 bits in three bytes."""
    assert entries12(bytes.fromhex("236145")) == [0x123, 0x456]
    assert packed12([0x123, 0x456]) == bytes.fromhex("236145")


@pytest.mark.parametrize(
    "boot", [bytes(11), b"\x60\x1c" + b"Loader" + bytes(3), b"\xe9\x00\x00READROOM"], ids=["none", "68k branch", "E9"]
)
def test_boot_sectors_of_other_machines(boot: bytes, tmp_path: Path) -> None:
    """No jump at the start, no mark at 510: only the fields and the table count."""
    disk, root = small_disk({b"HELLO   TXT": HELLO}, boot=boot)
    image = disk.image(root)
    assert format_of(image) == "fat12"
    assert look(image, tmp_path).contents == {"HELLO.TXT": HELLO}


def test_a_compressed_image(tmp_path: Path) -> None:
    """An image inside a gz file is a folder of files, too."""
    disk, root = small_disk({b"HELLO   TXT": HELLO})
    seen = look(gzip.compress(disk.image(root)), tmp_path)
    assert seen.format == "fat12.gz" and seen.contents == {"HELLO.TXT": HELLO}


@pytest.mark.parametrize("media", [0xFE, 0xFC, 0xFF, 0xFD])
def test_disks_older_than_the_fields(media: int, tmp_path: Path) -> None:
    """The first 160 to 360 KiB disks: no fields in the boot sector, the table's first byte tells the geometry."""
    shapes = {0xFE: (1, 64, 1, 320), 0xFC: (1, 64, 2, 360), 0xFF: (2, 112, 1, 640), 0xFD: (2, 112, 2, 720)}
    per_cluster, root_entries, per_fat, sectors = shapes[media]
    disk, root = small_disk(
        {b"HELLO   TXT": HELLO, b"BIG     BIN": noise(9000)},
        per_cluster=per_cluster, root_entries=root_entries, per_fat=per_fat, sectors=sectors, media=media,
    )  # fmt: skip
    image = disk.image(root)
    image = image[:11] + bytes(25) + image[36:]
    seen = look(image, tmp_path)
    assert seen.contents == {"HELLO.TXT": HELLO, "BIG.BIN": noise(9000)} and seen.whole


@pytest.mark.parametrize("sector", [128, 256, 1024, 2048])
def test_other_sector_sizes(sector: int, tmp_path: Path) -> None:
    """ECMA-107 9.2 leaves the sector's size open."""
    contents = {b"HELLO   TXT": HELLO, b"BIG     BIN": noise(90_000)}
    disk, root = small_disk(
        contents, sector=sector, sectors=2**19 // sector, per_fat=-(-3072 // sector), per_cluster=max(1024 // sector, 1)
    )
    assert look(disk.image(root), tmp_path).contents == {"HELLO.TXT": HELLO, "BIG.BIN": noise(90_000)}


def test_names(tmp_path: Path) -> None:
    """05 for E5, no extension, cp437 unless the user says otherwise, small letters by the flags."""
    disk = Fat12()
    names = (b"\x05AB     C  ", b"CAF\x90       ", b"README     ", b"SMALL   TXT")
    root = b"".join(entry12(name, disk.store(HELLO), 12) for name in names)
    root = root[: 3 * 32 + 12] + b"\x18" + root[3 * 32 + 13 :]
    assert look(disk.image(root), tmp_path).names == ["\u03c3AB.C", "CAF\u00c9", "README", "small.txt"]
    assert look(disk.image(root), tmp_path, charset="cp850").names[0] == "\u00d5AB.C"


def long_pieces(name: str, short: bytes, wrong_sum: bool = False) -> bytes:
    """The entries of a long name (Microsoft 1.03), last piece first."""
    units = name.encode("utf-16-le") + b"\0\0"
    units = units.ljust(-(-len(units) // 26) * 26, b"\xff")
    count = len(units) // 26
    pieces = []
    for n in range(count, 0, -1):
        part = units[(n - 1) * 26 : n * 26]
        order = n | (0x40 if n == count else 0)
        total = name_sum(short) ^ wrong_sum
        pieces.append(bytes([order]) + part[:10] + b"\x0f\0" + bytes([total]) + part[10:22] + b"\0\0" + part[22:])
    return b"".join(pieces)


@pytest.mark.parametrize(
    ("pieces", "expected"),
    [
        (long_pieces("A long name of some length.text", b"ALONGN~1TEX"), "A long name of some length.text"),
        (long_pieces("other", b"ALONGN~1TEX", wrong_sum=True), "ALONGN~1.TEX"),
        (long_pieces("A long name of some length.text", b"ALONGN~1TEX")[32:], "ALONGN~1.TEX"),
        (long_pieces("A long name of some length.text", b"ALONGN~1TEX")[:32], "ALONGN~1.TEX"),
    ],
    ids=["whole", "of another file", "first piece missing", "last piece missing"],
)
def test_long_names(pieces: bytes, expected: str, tmp_path: Path) -> None:
    """A long name counts only when all its pieces are there and belong to the short one."""
    disk = Fat12()
    root = pieces + entry12(b"ALONGN~1TEX", disk.store(HELLO), 12)
    assert look(disk.image(root), tmp_path).names == [expected]


# ------------------------------------------------------------------------------------------------- damage


def hurt(disk: Fat12, root: bytes, tmp_path: Path) -> dict[str, str]:
    """What is wrong, with the neighbour GOOD read in any case."""
    root += entry12(b"GOOD       ", disk.store(noise(2500, 7), [500, 501, 502]), 2500)
    seen = look(disk.image(root), tmp_path)
    assert seen.contents["GOOD"] == noise(2500, 7)
    return seen.faults


@pytest.mark.parametrize(
    ("chain_end", "said"),
    [(0, "runs into a free one (0)"), (0xFF7, "runs into a bad one (4087)"), (1, "runs into an impossible one (1)"),
     (0xABC, "runs into an impossible one (2748)"), (2, "loops at cluster 2")],
)  # fmt: skip
def test_broken_chains(chain_end: int, said: str, tmp_path: Path) -> None:
    """The file of five clusters breaks after its third."""
    disk = Fat12()
    first = disk.store(noise(5000))
    disk.entries[4] = chain_end
    assert said in hurt(disk, entry12(b"HURT       ", first, 5000), tmp_path)["HURT"]


def test_a_size_beyond_the_chain(tmp_path: Path) -> None:
    """More bytes than its clusters hold, and none at all."""
    disk = Fat12()
    root = entry12(b"LONG       ", disk.store(noise(1000)), 1025) + entry12(b"NONE       ", 0, 5)
    faults = hurt(disk, root, tmp_path)
    assert "1025 bytes long, but its chain holds only 1024" in faults["LONG"]
    assert "5 bytes long" in faults["NONE"]


def test_a_chain_beyond_the_size(tmp_path: Path) -> None:
    """The bytes are all there, so the file is read; the rest is said."""
    disk = Fat12()
    seen = look(disk.image(entry12(b"SHORT      ", disk.store(noise(5000)), 100)), tmp_path)
    assert seen.contents == {"SHORT": noise(5000)[:100]} and seen.whole
    assert list(seen.notices) == ["SHORT: its chain of clusters goes on behind its end"]


def test_cross_links(tmp_path: Path) -> None:
    """Two files that meet in one cluster are both hurt."""
    disk = Fat12()
    one, two = disk.store(noise(3000, 1)), disk.store(noise(3000, 2))
    disk.entries[one + 1] = two + 1
    faults = hurt(disk, entry12(b"ONE        ", one, 3000) + entry12(b"TWO        ", two, 3000), tmp_path)
    assert all("shares clusters" in faults[name] for name in ("ONE", "TWO")) and len(faults) == 2


def test_folders(tmp_path: Path) -> None:
    """A folder below a folder, one that is its own child, two over the same clusters."""
    disk = Fat12()
    inner = disk.store(entry12(b"DEEP       ", disk.store(HELLO), 12))
    outer = disk.store(entry12(b".          ", 0, 0, 0x10) + entry12(b"INNER      ", inner, 0, 0x10))
    loop = disk.store(bytes(1024))
    at = (loop - 2) * disk.cluster
    disk.data[at : at + 32] = entry12(b"AGAIN      ", loop, 0, 0x10)
    root = entry12(b"OUTER      ", outer, 0, 0x10) + entry12(b"LOOP       ", loop, 0, 0x10)
    seen = look(disk.image(root), tmp_path)
    assert seen.contents == {"OUTER/INNER/DEEP": HELLO}
    assert seen.faults.keys() == {"LOOP", "LOOP/AGAIN"}


def test_copies_of_the_table_that_differ(tmp_path: Path) -> None:
    """The first counts; the difference is said."""
    disk, root = small_disk({b"HELLO   TXT": HELLO})
    image = bytearray(disk.image(root))
    image[512 * 4 + 10] ^= 1
    seen = look(bytes(image), tmp_path)
    assert seen.whole and any("copies of the file allocation table differ" in notice for notice in seen.notices)


def test_a_short_image(tmp_path: Path) -> None:
    """Files beyond the end are hurt, the others read."""
    disk = Fat12()
    root = entry12(b"NEAR       ", disk.store(HELLO), 12)
    root += entry12(b"FAR        ", disk.store(noise(4000), [600, 601, 602, 603]), 4000)
    seen = look(disk.image(root)[: disk.data_start + 600 * 1024], tmp_path)
    assert seen.contents == {"NEAR": HELLO}
    assert "the image ends inside it" in seen.faults["FAR"]
    assert list(seen.problems) == [f"the image is short: {disk.data_start + 600 * 1024} bytes of 737280"]


def test_a_name_with_a_separator(tmp_path: Path) -> None:
    """A `/` in a name is refused, not split."""
    disk = Fat12()
    assert "holds a /" in hurt(disk, entry12(b"A/B        ", disk.store(HELLO), 12), tmp_path)["A/B"]


def test_what_is_no_image() -> None:
    """Zeros, a FAT16 disk's count of clusters, fields without a table."""
    disk, root = small_disk({b"HELLO   TXT": HELLO})
    image = bytearray(disk.image(root))
    assert format_of(bytes(737_280)) == ""
    image[512:515] = bytes(3)
    assert format_of(bytes(image)) == ""
    large = Fat12(per_cluster=1, sectors=20_000, per_fat=80)
    assert large.clusters >= 4085
    assert format_of(large.image(b"")) == ""


def test_a_disk_that_multiplies_itself(tmp_path: Path) -> None:
    """Thousands of entries over one chain: refused in bounded time and memory, not read thousands of times."""
    disk = Fat12(root_entries=4096, sectors=5760, per_cluster=2, per_fat=9, media=0xF0)
    first = disk.store(bytes(1_000_000))
    root = b"".join(entry12(b"%08d   " % n, first, 1_000_000) for n in range(4000))
    seen = look(disk.image(root), tmp_path)
    assert len(seen.faults) == 4000 and not seen.contents


def test_thousands_of_damaged_disks(tmp_path: Path) -> None:
    """Random damage in boot sector, table and folders: no crash, no endless walk."""
    disk = Fat12()
    inner = disk.store(entry12(b"DEEP       ", disk.store(HELLO), 12))
    root = entry12(b"OUTER      ", inner, 0, 0x10) + entry12(b"FILE       ", disk.store(noise(20_000)), 20_000)
    image = disk.image(root)
    rng = random.Random(12)
    for _ in range(1500):
        data = bytearray(image)
        for _ in range(rng.choice((1, 1, 2, 8))):
            start, length = rng.choice(((11, 29), (512, 64), (7 * 512, 64), (disk.data_start, 1100)))
            at = start + rng.randrange(length)
            data[at] = rng.choice((0, 255, data[at] ^ 1 << rng.randrange(8), rng.randrange(256)))
        if format_of(bytes(data)) == "fat12":
            look(bytes(data), tmp_path, limits=Limits(members=5000))

"""A disc that is one tar archive (POSIX ustar): two general tar programs, GNU tar and bsdtar (libarchive), take every
file off the raw image; the scripts run from what they took; a hurt disc is told apart file by file."""

import hashlib
import os
import posixpath
import subprocess
import tarfile
from dataclasses import replace
from pathlib import Path

import pytest
from support.bench_set import BenchSet, zip_bytes
from support.command import run
from support.programs import program
from support.staging import manifest_of, opened_of, prepared

from discprep.disc.contents import read_content
from discprep.disc.image import write_image
from discprep.disc.layout.options import ImageOptions
from discprep.disc.layout.tape import lay_out_tar, tar_constant_sectors, tar_item_sectors, tar_path
from discprep.disc.readback import read_back
from discprep.disc.record import load_record, make_record, save_record
from discprep.disc.stage import stage
from discprep.errors import IntegrityError, NameRuleError
from discprep.job.readback import readback
from discprep.manifest.load import load_profile
from discprep.model import Item, Medium

PROFILE = load_profile(Path(__file__).parents[2] / "manifests/machines/print-room.toml")
OPTIONS = ImageOptions("FIRSTDISC", 946_684_800, PROFILE.name_rules, charset=PROFILE.charset, tar=True)
FILES = {
    "Read Me First": b"read me\n",
    "bin/dial": os.urandom(5000),
    "empty": b"",
    "none": None,
    "same": b"read me\n",
    "exact": b"x" * 2048,
    "maps/attic/long name of a map with many letters in it": b"m" * 70_000,
}
LINKS = {"bin/call": "dial", "bin/read me": "../Read Me First", "attic": "./maps/attic/", "maps/ring": "../bin/call"}
REFUSED = {"abs": "/etc/motd", "out": "../../x", "gone": "nothing", "one": "two", "two": "one", "self": "self",
           "bent": "attic/../empty", "root": "."}  # fmt: skip
MODES = {"attributes": {"bin/dial": 0o755}, "attribute_system": {"bin/dial": "unix"},
         "kind": dict.fromkeys([*LINKS, *REFUSED], "link"), "target": LINKS | REFUSED}  # fmt: skip


def made(tmp_path: Path, files=FILES, second_copies=False, profile=PROFILE):
    """The named files of one disc, and its image."""
    manifest = manifest_of([Item("net", to="Net", gives=("ip-stack",))], profile,
                           medium=Medium("cd-74", 333_000, layout="tar"))  # fmt: skip
    result = prepared(manifest, {"net": opened_of(files, tmp_path, **MODES)}, tmp_path, second_copies=second_copies)
    written = write_image(result.named, tmp_path / "own.tar", OPTIONS)
    return result, written


@pytest.mark.parametrize(("name", "package"), [("tar", "tar"), ("bsdtar", "libarchive-tools")])
def test_two_programs_take_every_file_off_it(tmp_path: Path, name: str, package: str) -> None:
    """From the raw image as it stands on the disc: names, bytes, modes and folders; second copies too."""
    result, written = made(tmp_path, second_copies=True)
    (tmp_path / "out").mkdir()
    done = subprocess.run([program(name, package), "-xpf", str(written.path), "-C", str(tmp_path / "out")],
                          check=True, capture_output=True, text=True)  # fmt: skip
    assert done.stderr == ""
    taken = {str(p.relative_to(tmp_path / "out")): p for p in (tmp_path / "out").rglob("*")}
    files = {key: path.read_bytes() for key, path in taken.items() if path.is_file()}
    wanted = {"/".join(tar_path(n)): read_content(n.staged.content) for n in result.named if n.staged.content}
    seconds = {"/".join(n.second): read_content(n.staged.content) for n in result.named if n.second}
    assert seconds and files == wanted | seconds
    assert {f"Net/{key}": data for key, data in FILES.items() if data is not None}.items() <= files.items()
    assert taken["Net/none"].is_dir() and taken["Net/bin/dial"].stat().st_mode & 0o777 == 0o755


def with_links(tmp_path: Path, **options):
    return made(tmp_path, FILES | dict.fromkeys([*LINKS, *REFUSED], b""), **options)


@pytest.mark.parametrize(("name", "package"), [("tar", "tar"), ("bsdtar", "libarchive-tools")])
def test_links_stay_links(tmp_path: Path, name: str, package: str) -> None:
    """Those that lead to what the item brings, each from its own folder; on the disc, in its record, and in a folder
    that is read back."""
    _, written = with_links(tmp_path)
    (tmp_path / "out").mkdir()
    subprocess.run([program(name, package), "-xpf", str(written.path), "-C", str(tmp_path / "out")], check=True)
    net = tmp_path / "out/Net"
    found = {str(p.relative_to(net)): str(p.readlink()) for p in net.rglob("*") if p.is_symlink()}
    assert found == LINKS | {"attic": "maps/attic"}
    assert (net / "maps/ring").read_bytes() == FILES["bin/dial"] and (net / "attic").is_dir()
    record = make_record(written, OPTIONS, "c0ffee1234")
    save_record(record, tmp_path / "record.json")
    assert {file.member: file.target_link for file in load_record(tmp_path / "record.json").files if file.link} == found
    assert read_back(record, tmp_path / "out").identical and read_back(record, written.path).identical
    (net / "bin/call").unlink()
    (net / "bin/call").symlink_to("other")
    hurt = read_back(record, tmp_path / "out")
    assert [state.file.member for state in hurt.hurt] == ["bin/call"]


def test_links_on_the_machine(tmp_path: Path) -> None:
    """dash makes them, in every run; in place of a file, which undo brings back; what else has the name stays, and
    nothing is said to be done."""
    disc, volume = tmp_path / "cdrom", tmp_path / "volume"
    volume.mkdir()
    profile = replace(PROFILE, disc_path=str(disc), volumes=(replace(PROFILE.volumes[0], path=str(volume)),))
    result, written = with_links(tmp_path, profile=profile)
    disc.mkdir()
    subprocess.run([program("tar"), "-xf", str(written.path), "-C", str(disc)], check=True)

    def start(script: Path) -> str:
        done = subprocess.run([program("dash"), str(script)], stdin=subprocess.DEVNULL, check=False,
                              capture_output=True, text=True)  # fmt: skip
        return " ".join(done.stdout.split())

    def links() -> dict[str, str]:
        return {n.staged.member: str(path.readlink()) for n in result.named
                if n.link and (path := volume.joinpath(*n.target)).is_symlink()}  # fmt: skip

    wanted = {n.staged.member: n.target_link for n in result.named if n.link}
    assert wanted.keys() == LINKS.keys()
    (volume / "Net").mkdir()
    (volume / "Net/attic").write_bytes(b"the owner's")
    for _ in range(2):
        assert "Part 1 is done." in start(disc / "setup/part1.sh") and links() == wanted
    assert (volume / "Net/maps/ring").read_bytes() == FILES["bin/dial"]
    start(volume / "saved/undo.sh")
    assert (volume / "Net/attic").read_bytes() == b"the owner's"
    for taken in ("folder", "link to a folder", "link to nothing"):
        (volume / "Net/attic").unlink()
        if taken == "folder":
            (volume / "Net/attic").mkdir()
        else:
            (volume / "Net/attic").symlink_to("bin" if taken.endswith("folder") else "nothing")
        before = sorted(volume.rglob("*"))
        said = start(disc / "setup/part1.sh")
        assert "is done." not in said and "Net/attic -> maps/attic" in said
        assert sorted(path for path in volume.rglob("*") if not path.is_relative_to(volume / "saved")) == sorted(
            path for path in before if not path.is_relative_to(volume / "saved")
        )
        (volume / "Net/attic").rmdir() if taken == "folder" else (volume / "Net/attic").unlink()
        (volume / "Net/attic").write_bytes(b"")
    assert "Part 1 is done." in start(disc / "setup/part1.sh") and links() == wanted


def test_links_under_names_of_the_primary_tree(tmp_path: Path) -> None:
    """Without a richer tree: a link names what it points to as the archive does, without the dot of no extension."""
    profile = replace(PROFILE, name_rules=("iso-level-2",))
    _, written = with_links(tmp_path, profile=profile)
    with tarfile.open(written.path) as archive:
        links = {one.name: one.linkname for one in archive if one.issym()}
        names = {one.name for one in archive}
    assert len(links) == len(LINKS)
    assert all(posixpath.normpath(f"{posixpath.dirname(name)}/{to}") in names for name, to in links.items()), links


@pytest.mark.parametrize("holds", [True, False])
def test_links_that_are_left_out(tmp_path: Path, holds: bool) -> None:
    """What leads out, nowhere or round in a circle; all of them in a language that makes none. Each is said."""
    profile = PROFILE if holds else replace(PROFILE, shell=replace(PROFILE.shell, link=(), compare_link=()))
    opened = {"net": opened_of(FILES | dict.fromkeys([*LINKS, *REFUSED], b""), tmp_path, **MODES)}
    manifest = manifest_of([Item("net")], profile, medium=Medium("cd-74", 333_000, layout="tar"))
    result = stage(manifest, opened, {"net": "unpacked"}, None, tmp_path / "work")
    kept = LINKS.keys() if holds else set()
    assert {entry.member for entry in result.staged if entry.link} == kept
    told = {notice.where for notice in result.notices if "left out" in notice.message}
    assert told == (LINKS | REFUSED).keys() - kept


def test_it_is_ustar(tmp_path: Path) -> None:
    """Magic and version of POSIX ustar in each header, no extension of a later standard; a file's bytes begin with a
    sector; what a reader reads at once is whole sectors (a blocking factor of 20: POSIX pax, -b)."""
    _, written = made(tmp_path)
    data = written.path.read_bytes()
    assert len(data) == written.sectors * 2048 and (20 * 512) % 2048 == 0
    with tarfile.open(written.path) as archive:
        for one in archive:
            header = data[one.offset : one.offset + 512]
            assert (header[257:263], header[263:265]) == (b"ustar\0", b"00") and one.type in (b"0", b"5")
            assert not one.size or one.offset_data % 2048 == 0
        starts = {one.offset_data for one in archive if one.size}
    assert starts == {placed.extent * 2048 for placed in written.placed if placed.extent}


def test_a_hurt_archive_is_told_apart(tmp_path: Path) -> None:
    """A byte of a file names the file, a byte of a header the structures; padding is neither."""
    _, written = made(tmp_path)
    record = make_record(written, OPTIONS, "c0ffee1234")
    save_record(record, tmp_path / "record.json")
    assert load_record(tmp_path / "record.json") == record
    assert read_back(record, written.path).identical
    data = bytearray(written.path.read_bytes())
    (dial,) = [file for file in record.files if file.member == "bin/dial"]

    def hurt(at: int) -> tuple[list[str], bool | None]:
        copy = tmp_path / "hurt.tar"
        copy.write_bytes(data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :])
        found = read_back(record, copy)
        assert not found.identical
        errors = readback(tmp_path / "record.json", copy).errors
        assert bool(errors) == (bool(found.hurt) or not found.structures_whole)
        return [state.file.member for state in found.hurt], found.structures_whole

    assert hurt(dial.extent * 2048 + 17) == (["bin/dial"], True)
    assert hurt(dial.extent * 2048 - 500) == ([], False)
    assert hurt(len(data) - 100) == ([], True)


def test_from_the_manifest_to_the_machine(tmp_path: Path) -> None:
    """Built as such a disc, read back, taken off by GNU tar, installed by dash: what stands there is the record's."""
    machine = tmp_path / "machine.toml"
    text = (Path(__file__).parents[2] / "manifests/machines/print-room.toml").read_text()
    disc, volume = tmp_path / "cdrom", tmp_path / "volume"
    machine.write_text(text.replace('"/cdrom"', f'"{disc}"').replace('"/usr/local"', f'"{volume}"'))
    bench = BenchSet(tmp_path)
    files = {"bin/dial": b"#!/bin/sh\n", "Read Me.text": b"r" * 3000}
    item = bench.item("net", "net.zip", zip_bytes(files), 'place = "burn"\nform = "unpacked"\n')
    bench.write(item, medium='sectors = 2000\nlayout = "tar"', profile=str(machine))
    ran = run("prepare", bench.manifest, "--out", bench.out, *bench.words, "--json")
    assert ran.code == 0, ran.out
    image = bench.out / f"FIRSTDISC-{ran.document['discs'][0]['build_id']}.tar"
    assert run("readback", bench.out / "record.json", image).code == 0
    stamp = image.stat().st_mtime_ns
    assert run("prepare", bench.manifest, "--out", bench.out, *bench.words).code == 0
    assert image.stat().st_mtime_ns == stamp
    assert "tar xf DEVICE" in (bench.out / "bench-sheet.txt").read_text()
    for folder in (disc, volume):
        folder.mkdir()
    subprocess.run([program("tar"), "-xf", str(image), "-C", str(disc)], check=True)
    done = subprocess.run([program("dash"), str(disc / "setup/part1.sh")], stdin=subprocess.DEVNULL, check=True,
                          capture_output=True, text=True)  # fmt: skip
    assert "Part 1 is done." in done.stdout
    for file in load_record(bench.out / "record.json").files:
        if file.copied and file.sha256:
            assert hashlib.sha256(volume.joinpath(*file.target).read_bytes()).hexdigest() == file.sha256


@pytest.mark.parametrize("count", [0, 1, 7, 60])
def test_sectors_are_bounded_item_by_item(tmp_path: Path, count: int) -> None:
    """What the plan reckons with is never less than what is written, padding or none."""
    files = {f"d{n % 5}/f{n}": bytes(n * 97 % 5000) for n in range(count)}
    result, written = made(tmp_path, files)
    own = [n for n in result.named if n.staged.item]
    assert written.sectors == lay_out_tar(result.named, OPTIONS).sectors
    assert written.sectors <= tar_constant_sectors(result.named, OPTIONS) + tar_item_sectors(own, OPTIONS)


def test_what_the_format_cannot_hold(tmp_path: Path) -> None:
    """More than 155 bytes of folders (ustar: prefix[155]) is a fault; a source that changed leaves nothing."""
    result, _ = made(tmp_path)
    long = [n for n in result.named if n.staged.member == "same"]
    with pytest.raises(NameRuleError, match="cannot hold its name"):
        made(tmp_path, {"/".join(("n" * 90, "m" * 90, "o" * 90)): b"x"})
    long[0].staged.content.path.write_bytes(b"changed\n")
    with pytest.raises(IntegrityError):
        write_image(result.named, tmp_path / "again.tar", OPTIONS)
    assert not (tmp_path / "again.tar").exists()

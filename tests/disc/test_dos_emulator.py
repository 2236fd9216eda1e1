"""The generated scripts on a DOS-class machine: a general DOS emulator (Debian) mounts the image and runs them.

What must be there is computed from the archives' members, not from the scripts.
"""

import re
import subprocess
from dataclasses import replace

import pytest
from support.dos import (
    differences,
    dos_profile,
    files_below,
    install_all,
    own_image,
    plain_image,
    protect,
    protected,
    run_dos,
)
from support.programs import program
from support.staging import manifest_of, opened_of, prepared

from discprep.disc.contents import read_content
from discprep.disc.image import write_image
from discprep.disc.layout.options import ImageOptions
from discprep.disc.record import make_record
from discprep.disc.setup.script import copied
from discprep.disc.setup.site import BYTES_ALONE, UNSEEN
from discprep.manifest.substitute import RATE_MARKER
from discprep.model import Edit, Item, Step, Volume

SETTINGS = b"[line]\nrate=9600\nname=100% desk\n"
NET = {
    "line.cfg": SETTINGS,
    "Read Me First.txt": b"read me\n",
    "tools": None,
    "tools/dial.exe": bytes(range(256)) * 40,
    "tools/empty.dat": b"",
    "con.txt": b"a device has this name\n",
    "averylongname_one.text": b"1",
    "averylongname_two.text": b"2",
}
DEEP = "rooms/floor_01/shelf_02/drawer03/folder04/volume.txt"
EDIT = Edit("line.cfg", "9600", "57600", 1, "m:1", template=RATE_MARKER)
ITEMS = [
    Item("net", to="NET", gives=("ip-stack",), edits=(EDIT,)),
    Item("docs", to="CATALOG1"),
    Item("pictures", to="PICT", use="disc"),
]
STEPS = (
    Step("machine", "Run the installer (use its defaults).", ("net",)),
    Step("machine", "Restart.", ("docs",), ("OLD.INI",)),
)
EDITED = SETTINGS.replace(b"9600", b"57600")
OWNERS = b"the owner's own settings\r\n"


def disc(tmp_path, profile=None, image=own_image, second_copies=False, items=ITEMS, build_id="c0ffee12", **fields):
    """The prepared disc, and its image."""
    fields.setdefault("steps", STEPS)
    manifest = manifest_of(items, profile or dos_profile(), **fields)
    bits = {"attributes": {"tools/dial.exe": 0x27}, "attribute_system": {"tools/dial.exe": "dos"}}
    opened = {
        "net": opened_of(NET, tmp_path, **bits),
        "docs": opened_of({DEEP: b"deep\n", "index.txt": b"index\n"}, tmp_path),
        "pictures": opened_of({"hall.pic": b"picture"}, tmp_path),
        "maps": opened_of({"hall.txt": b"hall", "attic.txt": b"attic"}, tmp_path),
    }
    here = {item.id: opened[item.id] for item in items}
    result = prepared(
        manifest, here, tmp_path, rates=(19200, 57600), second_copies=second_copies, build_id=build_id
    )  # fmt: skip
    assert result.errors == ()
    return result, image(result.named, tmp_path)


def proven(result, said, files):
    """Whether each part that said it is done has all that is needed on the machine, as the record has it."""
    for part in result.parts:
        if f"Part {part.number} is done." in " ".join(said):
            for entry in copied(result.named, part.items):
                if entry.staged.important and entry.staged.content:
                    assert files["/".join(entry.target).upper()] == read_content(entry.staged.content)
    return True


def wanted(result):
    """Path on the machine in capitals -> bytes of the member, edits done by hand."""
    members = {
        **{("net", k): v for k, v in NET.items() if v is not None},
        ("docs", DEEP): b"deep\n",
        ("docs", "index.txt"): b"index\n",
    }
    members["net", "line.cfg"] = EDITED
    members |= {("maps", "hall.txt"): b"hall", ("maps", "attic.txt"): b"attic"}
    paths = {(n.staged.item, n.staged.member): "/".join(n.target).upper() for n in result.named if n.target}
    return {paths[key]: data for key, data in members.items() if key in paths}


def without_saved(files):
    return {name: data for name, data in files.items() if not name.startswith("SAVED/")}


def test_whole_tree_twice_and_back(tmp_path):
    """Over old files that are write-protected, hidden and system, and with no room in the environment, both parts leave
    the edited tree byte-identical; a second run, over files that the first has protected itself, keeps the owner's
    first ones; with the disc out, a rate is set, and undo brings the old ones back."""
    result, image = disc(tmp_path)
    target = tmp_path / "c"
    owners = {"NET/LINE.CFG": OWNERS, "NET/TOOLS/DIAL.EXE": b"an older dial", "OLD.INI": b"wiped by the installer\r\n"}
    for name, data in owners.items():
        (target / name).parent.mkdir(parents=True, exist_ok=True)
        (target / name).write_bytes(data)
        protect(target / name, hide=name != "NET/TOOLS/DIAL.EXE")
    crowd = [f"set V{number}={'x' * 90}" for number in range(40)]
    runs = [rf"call d:\SETUP\{name}.BAT" for name in ("UNDO", "PART2", "PART1", "PART2")]

    said = run_dos(image, target, [*crowd, *runs])
    assert said.index("Nothing was saved on this machine.") < said.index("first: part 2 of 2")
    assert "Part 1 of this disc is not done on this machine yet." in " ".join(said[: said.index("first: part 1 of 2")])
    told = {"Now, by hand: Run the installer (use its defaults).", r"Then start part 2: D:\SETUP\PART2.BAT"}
    assert {*told, "Part 1 is done.", "Part 2 is done.", "This was the last part."} <= set(said)
    assert r"Should the drive not be seen afterwards: C:\SAVED\UNDO.BAT puts the old" in " ".join(said)
    assert proven(result, said, files_below(target))
    expected = {**wanted(result), "OLD.INI": owners["OLD.INI"]}
    assert without_saved(files_below(target)) == expected
    assert {"NET/LINE.CFG", "NET/TOOLS/DIAL.EXE", "NET/TOOLS/EMPTY.DAT"} <= set(expected)
    assert protected(target) == {"NET/TOOLS/DIAL.EXE"}
    saved = {n: d for n, d in files_below(target).items() if re.fullmatch(r"SAVED/[0-9A-F]{8}\.[0-9A-F]{3}", n)}
    assert sorted(saved.values()) == sorted(owners.values())
    assert rb" WAS C:\NET\LINE.CFG" in files_below(target)["SAVED/LIST.TXT"].upper()

    (target / "OLD.INI").unlink()  # the installer at work
    (index,) = [path for path in target.rglob("*") if path.name.upper() == "INDEX.TXT"]
    protect(index, hide=True)  # one that is only wanted
    said = run_dos(image, target, runs[2:])
    again = files_below(target)
    assert "Part 1 is done." in said and "Part 2 is done." in said and proven(result, said, again)
    assert {name: again[name] for name in saved} == saved
    assert without_saved(again) == wanted(result)

    lines = [r"call c:\SAVED\R19200.BAT", r"copy c:\NET\LINE.CFG c:\RATE.TXT", r"call c:\SAVED\UNDO.BAT"]
    said = run_dos(None, target, lines)
    assert "The files that were there before are back. Restart the machine to use them." in said
    assert BYTES_ALONE in " ".join(said)
    rate = {"RATE.TXT": SETTINGS.replace(b"9600", b"19200")}
    assert without_saved(files_below(target)) == {**wanted(result), **owners, **rate}


def test_undo_over_two_discs(tmp_path):
    """Any disc's puts back what both have replaced, and says which it could not."""
    target = tmp_path / "c"
    for name in ("NET/LINE.CFG", "CATALOG1/INDEX.TXT"):
        (target / name).parent.mkdir(parents=True, exist_ok=True)
        (target / name).write_bytes(OWNERS)
    (tmp_path / "one").mkdir()
    _, first = disc(tmp_path / "one", items=ITEMS[:1], steps=())
    _, second = disc(tmp_path, items=ITEMS[1:2], steps=(), build_id="beef0001")
    run_dos(first, target, [r"call d:\SETUP\PART1.BAT"])
    in_the_way = [r"del c:\CATALOG1\INDEX.TXT", r"md c:\CATALOG1\INDEX.TXT"]
    said = run_dos(second, target, [r"call d:\SETUP\PART1.BAT", *in_the_way, r"call d:\SETUP\UNDO.BAT"])
    assert "Part 1 is done." in said and r"Could not be put back: C:\CATALOG1\index.txt" in said
    assert not any("are back. Restart" in line for line in said)
    assert files_below(target)["NET/LINE.CFG"] == OWNERS
    assert files_below(target)["SAVED/LOST.TXT"].upper().endswith(b" WAS C:\\CATALOG1\\INDEX.TXT\r\n")
    assert OWNERS in {d for n, d in files_below(target).items() if n.startswith("SAVED/")}


def test_what_cannot_be_replaced(tmp_path):
    """Where nothing frees an old file, or a file has a folder's name: what is only wanted is left out and listed, the
    rest comes; a file that is needed stops the part, and nothing says that it is done."""
    profile = dos_profile()
    profile = replace(profile, shell=replace(profile.shell, unprotect=()))
    result, image = disc(tmp_path, profile, items=[*ITEMS[:2], Item("maps", to="MAPS")], steps=())
    target = tmp_path / "c"
    (target / "MAPS").mkdir(parents=True)
    (target / "MAPS/HALL.TXT").write_bytes(b"old")
    (target / "CATALOG1").write_bytes(b"a file")
    protect(target / "MAPS/HALL.TXT")
    part = r"call d:\SETUP\PART1.BAT"
    said = run_dos(image, target, [part])
    files = files_below(target)
    assert "Part 1 is done." in said and proven(result, said, files)
    assert UNSEEN in " ".join(said)
    listed = files["SAVED/C0FFEH1.TXT"].decode().split("\r\n")
    deep = DEEP.rpartition("/")[0].replace("/", "\\")
    folders = {rf"C:\CATALOG1{below} could not be made; what belongs there is left out" for below in ("", f"\\{deep}")}
    assert {*listed} == {*folders, r"D:\MAPS\HALL.TXT", ""}
    assert (files["MAPS/HALL.TXT"], files["MAPS/ATTIC.TXT"], files["CATALOG1"]) == (b"old", b"attic", b"a file")
    assert not any(name.endswith("COPYING.TMP") for name in files)
    assert protected(target) == {"NET/TOOLS/DIAL.EXE"}
    said = run_dos(image, target, [part])  # the part's own attributes protect what stands there now
    assert "Part 1 is done." not in said and r"C:\NET\tools\dial.exe" in " ".join(said).split("in use)")[1]


@pytest.mark.parametrize("importance", ["needed", "wanted"])
def test_a_folder_that_cannot_be_made(tmp_path, importance):
    """A file has its name: importance decides whether the part ends there, or goes on and lists it."""
    items = [replace(ITEMS[1], importance=importance), Item("maps", to="MAPS")]
    result, image = disc(tmp_path, items=items, steps=())
    target = tmp_path / "c"
    target.mkdir()
    (target / "CATALOG1").write_bytes(b"a file")
    said = run_dos(image, target, [r"call d:\SETUP\PART1.BAT"])
    files = files_below(target)
    assert ("Part 1 is done." in said) == (importance == "wanted") and proven(result, said, files)
    assert ("SAVED/C0FFEH1.TXT" in files) == ("MAPS/HALL.TXT" in files) == (importance == "wanted")
    assert r"C:\CATALOG1 could not be made" in " ".join(said)


def test_a_wrong_drive_letter_is_said(tmp_path):
    """Where the disc has another name than the profile says, nothing is changed."""
    profile = replace(dos_profile(), disc_path="E:")
    _, image = disc(tmp_path, profile)
    said = " ".join(run_dos(image, tmp_path / "c", [r"call d:\SETUP\PART1.BAT"]))
    assert "This script expects it as E:. Nothing was changed." in said
    assert files_below(tmp_path / "c") == {}


@pytest.mark.parametrize("size_kb", [280, 380])
def test_a_full_target_stops_with_its_message(tmp_path, size_kb):
    """A floppy of 360 KB (mkfs.fat) as the target: what fits is copied, what does not stops the part."""
    floppy = tmp_path / "target.img"
    subprocess.run([program("mkfs.fat", "dosfstools"), "-C", str(floppy), "360"], check=True, stdout=subprocess.DEVNULL)
    profile = replace(dos_profile(), volumes=(replace(dos_profile().volumes[0], path="A:"),))
    files = {f"part{n:02d}.dat": bytes([n]) * 20_000 for n in range(size_kb // 20)}
    manifest = manifest_of([Item("big", to="BIG")], profile)
    result = prepared(manifest, {"big": opened_of(files, tmp_path)}, tmp_path)
    image = own_image(result.named, tmp_path)
    mount = f"imgmount a {floppy} -t floppy"
    said = " ".join(run_dos(image, tmp_path / "c", [r"call d:\SETUP\PART1.BAT"], mounts=[mount]))
    assert ("The volume A: is full" in said) == (size_kb > 360)
    assert ("Part 1 is done." in said) == (size_kb < 360)
    if size_kb < 360:
        (tmp_path / "back").mkdir()
        copy = [program("mcopy", "mtools"), "-i", str(floppy), "-s", "::BIG", str(tmp_path / "back")]
        subprocess.run(copy, check=True)
        assert files_below(tmp_path / "back/BIG") == {name.upper(): data for name, data in files.items()}


def test_lines_are_never_longer_than_the_language_takes(tmp_path):
    """127 characters (a DOS command line: common practice, no source), in every script."""
    result, _ = disc(tmp_path)
    scripts = [n for n in result.named if not n.staged.item]
    lines = [line for n in scripts for line in n.staged.content.path.read_bytes().split(b"\r\n")]
    assert 100 < max(map(len, lines)) <= 127


def test_another_volume(tmp_path):
    """An item for a second volume goes there."""
    profile = dos_profile()
    second = tmp_path / "e"
    second.mkdir()
    profile = replace(profile, volumes=(*profile.volumes, Volume("E:", stem_max=8, extension_max=3)))
    manifest = manifest_of([Item("docs", to="DOCS", volume="E:")], profile)
    result = prepared(manifest, {"docs": opened_of({"a.txt": b"a"}, tmp_path)}, tmp_path)
    run_dos(
        own_image(result.named, tmp_path), tmp_path / "c", [r"call d:\SETUP\PART1.BAT"], mounts=[f"mount e {second}"]
    )
    assert files_below(second) == {"DOCS/A.TXT": b"a"}


@pytest.mark.parametrize("second_copies", [False, True])
def test_a_lost_file_that_is_needed(tmp_path, second_copies):
    """It is taken from its second copy, else the part stops, names it and is not done."""

    def image(named, folder):
        return plain_image(named, folder, without=["NET/TOOLS/DIAL.EXE"])

    result, scratched = disc(tmp_path, image=image, second_copies=second_copies)
    target = tmp_path / "c"
    said = " ".join(run_dos(scratched, target, [r"call d:\SETUP\PART1.BAT", r"call d:\SETUP\PART2.BAT"]))
    if second_copies:
        assert without_saved(files_below(target)) == wanted(result)
    else:
        assert r"Could not be copied: C:\NET\tools\dial.exe It is needed." in said
        assert "is done" not in said
        assert not any(name.startswith("CATALOG1/") for name in files_below(target))


def test_a_lost_file_that_nothing_needs(tmp_path):
    """It is listed and passed over."""

    def image(named, folder):
        return plain_image(named, folder, without=["CATALOG1/INDEX.TXT"])

    result, scratched = disc(tmp_path, image=image)
    target = tmp_path / "c"
    said = " ".join(run_dos(scratched, target, [r"call d:\SETUP\PART1.BAT", r"call d:\SETUP\PART2.BAT"]))
    assert "This was the last part." in said
    assert r"Left out: D:\CATALOG1\INDEX.TXT" in said
    files = files_below(target)
    assert files["SAVED/C0FFEH2.TXT"] == b"D:\\CATALOG1\\INDEX.TXT\r\n"
    assert without_saved(files) == {k: v for k, v in wanted(result).items() if k != "CATALOG1/INDEX.TXT"}


def test_a_record_tells_what_is_installed(tmp_path):
    """All parts in order leave what the record promises, to the byte."""
    result, _ = disc(tmp_path)
    options = ImageOptions("FIRSTDISC", epoch_s=946_684_800)
    written = write_image(result.named, tmp_path / "own.iso", options)
    record = make_record(written, options, "c0ffee1234")
    files = install_all(written.path, tmp_path / "c")
    assert len([f for f in record.files if f.target and f.sha256]) == len(wanted(result))
    assert differences(record, files) == []
    assert differences(record, {**files, "NET/TOOLS/DIAL.EXE": b"other"}) == ["NET/TOOLS/DIAL.EXE"]

"""The generated scripts on a DOS-class machine: a general DOS emulator (Debian) mounts the image and runs them.

What must be there is computed from the archives' members, not from the scripts.
"""

import re
import subprocess
from dataclasses import replace

import pytest
from support.dos import differences, dos_profile, files_below, install_all, own_image, plain_image, run_dos
from support.programs import program
from support.staging import manifest_of, opened_of, prepared

from discprep.disc.image import write_image
from discprep.disc.layout.options import ImageOptions
from discprep.disc.record import make_record
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
ITEMS = [
    Item(
        "net", to="NET", gives=("ip-stack",), edits=(Edit("line.cfg", "9600", "57600", 1, "m:1", template=RATE_MARKER),)
    ),
    Item("docs", to="CATALOG1"),
    Item("pictures", to="PICT", use="disc"),
]
EDITED = SETTINGS.replace(b"9600", b"57600")
OWNERS = b"the owner's own settings\r\n"


def disc(tmp_path, profile=None, image=own_image, second_copies=False, **fields):
    """The prepared disc, and its image."""
    fields.setdefault(
        "steps", (Step("machine", "Run the installer (use its defaults).", ("net",), ("NET/LINE.CFG", "OLD.INI")),)
    )
    manifest = manifest_of(ITEMS, profile or dos_profile(), **fields)
    opened = {
        "net": opened_of(NET, tmp_path),
        "docs": opened_of({DEEP: b"deep\n", "index.txt": b"index\n"}, tmp_path),
        "pictures": opened_of({"hall.pic": b"picture"}, tmp_path),
    }
    result = prepared(manifest, opened, tmp_path, rates=(19200, 57600), second_copies=second_copies)
    assert result.errors == ()
    return result, image(result.named, tmp_path)


def wanted(result):
    """Path on the machine in capitals -> bytes of the member, edits done by hand."""
    members = {
        **{("net", k): v for k, v in NET.items() if v is not None},
        ("docs", DEEP): b"deep\n",
        ("docs", "index.txt"): b"index\n",
    }
    members["net", "line.cfg"] = EDITED
    paths = {(n.staged.item, n.staged.member): "/".join(n.target).upper() for n in result.named if n.target}
    return {paths[key]: data for key, data in members.items()}


def without_saved(files):
    return {name: data for name, data in files.items() if not name.startswith("SAVED/")}


def test_whole_tree_twice_and_back(tmp_path):
    """Both parts leave the edited tree byte-identical; a second run keeps the owner's first settings; undo brings
    them back; each rate's script sets its rate."""
    result, image = disc(tmp_path)
    target = tmp_path / "c"
    (target / "NET").mkdir(parents=True)
    (target / "NET/LINE.CFG").write_bytes(OWNERS)
    (target / "OLD.INI").write_bytes(b"wiped by the installer\r\n")

    said = run_dos(image, target, [r"call d:\SETUP\PART1.BAT"])
    assert "Part 1 is done." in said
    assert "Now, by hand: Run the installer (use its defaults)." in said
    assert r"Then start part 2: D:\SETUP\PART2.BAT" in said
    assert "NET/LINE.CFG" in files_below(target) and "CATALOG1/INDEX.TXT" not in files_below(target)
    said = run_dos(image, target, [r"call d:\SETUP\PART2.BAT"])
    assert "This was the last part." in said
    expected = {**wanted(result), "OLD.INI": b"wiped by the installer\r\n"}
    assert without_saved(files_below(target)) == expected
    saved = {n: d for n, d in files_below(target).items() if re.fullmatch(r"SAVED/[0-9A-F]{8}\.[0-9A-F]{3}", n)}
    assert sorted(saved.values()) == sorted([OWNERS, b"wiped by the installer\r\n"])

    (target / "OLD.INI").unlink()  # the installer at work
    run_dos(image, target, [r"call d:\SETUP\PART1.BAT", r"call d:\SETUP\PART2.BAT"])
    again = files_below(target)
    assert {name: again[name] for name in saved} == saved
    assert without_saved(again) == wanted(result)

    run_dos(image, target, [r"call d:\SETUP\R19200.BAT"])
    assert files_below(target)["NET/LINE.CFG"] == SETTINGS.replace(b"9600", b"19200")
    said = run_dos(image, target, [r"call d:\SETUP\UNDO.BAT"])
    assert "The files that were there before are back. Restart the machine to use them." in said
    assert without_saved(files_below(target)) == {**expected, "NET/LINE.CFG": OWNERS}


def test_names_and_lists(tmp_path):
    """Original names stand where they fit 8.3; the list of saved files says what each was."""
    result, image = disc(tmp_path)
    target = tmp_path / "c"
    (target / "NET").mkdir(parents=True)
    (target / "NET/LINE.CFG").write_bytes(OWNERS)
    run_dos(image, target, [r"call d:\SETUP\PART1.BAT"])
    files = files_below(target)
    assert {"NET/LINE.CFG", "NET/TOOLS/DIAL.EXE", "NET/TOOLS/EMPTY.DAT"} <= set(files)
    assert files["SAVED/LIST.TXT"].upper().rstrip().endswith(rb" WAS C:\NET\LINE.CFG")
    assert len(wanted(result)) == len(set(wanted(result)))


def test_parts_in_order_only(tmp_path):
    """The second part before the first changes nothing and says so."""
    _, image = disc(tmp_path)
    said = " ".join(run_dos(image, tmp_path / "c", [r"call d:\SETUP\PART2.BAT"]))
    assert "Part 1 of this disc is not done on this machine yet." in said
    assert files_below(tmp_path / "c") == {}


def test_nothing_saved_nothing_undone(tmp_path):
    """Undo on a machine without saved files says so."""
    _, image = disc(tmp_path)
    assert "Nothing was saved on this machine." in run_dos(image, tmp_path / "c", [r"call d:\SETUP\UNDO.BAT"])


def test_a_wrong_drive_letter_is_said(tmp_path):
    """Where the disc has another name than the profile says, nothing is changed."""
    profile = replace(dos_profile(), disc_path="E:")
    _, image = disc(tmp_path, profile)
    said = " ".join(run_dos(image, tmp_path / "c", [r"call d:\SETUP\PART1.BAT"]))
    assert "This script expects it as E:. Nothing was changed." in said
    assert files_below(tmp_path / "c") == {}


@pytest.mark.parametrize("size_kb", [300, 380])
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
    assert ("The volume A: is full." in said) == (size_kb > 360)
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
    assert r"Could not be copied: D:\CATALOG1\INDEX.TXT" in said
    files = files_below(target)
    assert files["SAVED/HURT.TXT"] == b"D:\\CATALOG1\\INDEX.TXT\r\n"
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

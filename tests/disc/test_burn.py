"""Burning with a stand-in burner on a stand-in drive, and with xorriso (Debian) writing to a plain file as its drive.
The layouts of a drive's answers come from <linux/cdrom.h>."""

import json
import os
import shlex
import stat
import struct
import sys
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest
from support.programs import program
from support.staging import manifest_of, opened_of, prepared

from discprep.cli import main
from discprep.disc.burn import USUAL_BURNERS, burner_command, remarks
from discprep.disc.drive import Host, Medium, find_drive, read_answers
from discprep.disc.image import write_image
from discprep.disc.layout.options import ImageOptions
from discprep.disc.record import make_record, save_record
from discprep.errors import CapacityError, DiscError, IntegrityError, MissingError, ToolError, UsageError
from discprep.job.burn import burn
from discprep.model import Item
from discprep.report.burn import document, question, text

BLANK = Medium("CD-R", "blank", False, 359_849)
COPY = "import shutil,sys; shutil.copyfile(sys.argv[2], sys.argv[1])"


@pytest.fixture
def build(tmp_path):
    """A small build: its image and its record."""
    manifest = manifest_of([Item("net", to="NET")])
    members = {"a.txt": b"a" * 5000, "b.txt": b"b"}
    named = prepared(manifest, {"net": opened_of(members, tmp_path)}, tmp_path).named
    options = ImageOptions("FIRSTDISC", epoch_s=946_684_800)
    folder = tmp_path / "build"
    folder.mkdir()
    written = write_image(named, folder / "FIRSTDISC-c0ffee1234.iso", options)
    save_record(make_record(written, options, "c0ffee1234"), folder / "record.json")
    return folder


@pytest.fixture
def drive(tmp_path):
    """A plain file that the system calls an optical drive, block device 11:0; `medium` may be changed."""
    device = tmp_path / "sr0"
    device.write_bytes(b"")
    kind = tmp_path / "sys/dev/block/11:0/device/type"
    kind.parent.mkdir(parents=True)
    kind.write_text("5\n")
    (kind.parent / "model").write_text("READER 52 \n")
    mounts = tmp_path / "mounts"
    mounts.write_text("proc /proc proc rw 0 0\n/dev/vda1 / ext4 rw 0 0\n")
    block = SimpleNamespace(st_mode=stat.S_IFBLK | 0o660, st_rdev=os.makedev(11, 0))
    found = SimpleNamespace(name=str(device), kind=kind, mounts=mounts, medium=BLANK)

    def stat_of(path):
        return block if str(path) in (str(device), "/dev/alias") else Path(path).stat()

    found.host = Host("linux", tmp_path / "sys", mounts, stat_of, lambda path: found.medium)
    return found


def stand_in(script=COPY):
    """A burner's command: a Python script with the device and the image as its arguments."""
    return f"{shlex.quote(sys.executable)} -c {shlex.quote(script)} {{device}} {{image}} {{speed}}"


def run(build, drive, **options):
    options.setdefault("burner", stand_in())
    options.setdefault("confirm", lambda plan: drive.name)
    return burn(build / "record.json", drive.name, host=drive.host, environment={}, **options)


def test_burned_and_read_back(build, drive):
    """The user sees the plan, names the device, the burner runs, every sector is compared."""
    shown = []
    done = run(build, drive, confirm=lambda plan: shown.append(plan) or drive.name)
    assert done.errors == ()
    assert done.readback.identical
    (plan,) = shown
    assert (plan.drive.model, plan.drive.medium, plan.build_id) == ("READER 52", BLANK, "c0ffee1234")
    assert Path(drive.name).read_bytes() == next(build.glob("*.iso")).read_bytes()
    asked, said = question(plan), text(done)
    for words in (drive.name, "READER 52", "CD-R blank", "359,849 sectors", plan.image, shlex.join(plan.command)):
        assert words in asked, words
    assert "Burned FIRSTDISC, build c0ffee1234" in said and "every sector is as it was built" in said
    told = document(done)
    assert told["readback"]["identical"] and told["readback"]["hurt"] == [] and told["command"] == list(plan.command)
    unread = replace(done, readback=None)
    assert "It was not read back." in text(unread) and document(unread)["readback"] is None
    assert told["cautions"] and all(caution in " ".join(asked.split()) for caution in told["cautions"])


def test_a_disc_that_differs_is_found(build, drive):
    """A burner that changes one byte and says nothing: the read-back names the file."""
    changed = (
        "import sys; d = bytearray(open(sys.argv[2], 'rb').read()); d[d.index(b'aaaa')] = 66; "
        "open(sys.argv[1], 'wb').write(d)"
    )
    done = run(build, drive, burner=stand_in(changed))
    assert isinstance(done.errors[0], DiscError)
    assert [state.file.iso for state in done.readback.hurt] == [("NET", "A.TXT")]
    assert "1 file hurt" in text(done) and "  NET/A.TXT" in text(done)
    assert document(done)["readback"]["hurt"] == ["NET/A.TXT"]


@pytest.mark.parametrize("typed", ["", "/dev/sr1", "yes", "y"])
def test_another_name_typed(build, drive, typed):
    """Only the device's own name starts the burner."""
    with pytest.raises(UsageError, match="nothing was written"):
        run(build, drive, confirm=lambda plan: typed)
    assert Path(drive.name).read_bytes() == b""


def test_a_failing_burner(build, drive):
    """Its exit code and its last words."""
    script = "import sys; print('no blank in the drive'); sys.exit(7)"
    with pytest.raises(ToolError, match=r"ended with 7; do not use this disc\nno blank in the drive"):
        run(build, drive, burner=stand_in(script))


def test_a_burner_that_is_not_there(build, drive):
    """Said before anything happens to the disc."""
    with pytest.raises(ToolError, match="cannot be started"):
        run(build, drive, burner="no-such-burner-here {device} {image}")


@pytest.mark.parametrize("mounted", ["{device} /media/disc iso9660 ro 0 0", "/dev/alias /media/disc iso9660 ro 0 0"])
def test_a_mounted_device_is_never_touched(build, drive, mounted):
    """Under its own name or another one of the same device."""
    drive.mounts.write_text(mounted.format(device=drive.name) + "\n")
    with pytest.raises(ToolError, match="mounted at /media/disc; nothing was written"):
        run(build, drive)


@pytest.mark.parametrize("kind", ["0", "7", ""])
def test_only_optical_drives(build, drive, kind):
    """A hard disk (SCSI peripheral type 0) and others are refused."""
    drive.kind.write_text(kind)
    with pytest.raises(UsageError, match="not an optical drive; nothing was written"):
        run(build, drive)


@pytest.mark.parametrize("name", ["/dev/null", "/no/such/device", "."])
def test_no_device(build, drive, name):
    """A character device, nothing, a folder."""
    with pytest.raises(UsageError):
        find_drive(name, drive.host)


def test_a_plain_file_is_not_written_over(tmp_path, drive):
    """A file is no drive; as a stand-in only a new one is taken."""
    file = tmp_path / "thesis.txt"
    file.write_text("precious")
    for name in (str(file), f"stdio:{file}", f"stdio:{tmp_path}"):
        with pytest.raises(UsageError, match="nothing was written"):
            find_drive(name, drive.host)


def test_other_systems_refuse_with_words(build, drive):
    """Where a device cannot be looked at, nothing is burned."""
    drive.host = replace(drive.host, system="darwin")
    with pytest.raises(ToolError, match="cannot make sure that a device is an optical drive") as caught:
        run(build, drive)
    assert "--dry-run" in caught.value.hint


@pytest.mark.parametrize(
    ("medium", "error", "message"),
    [
        (Medium("CD-R", "blank", False, 100), CapacityError, "the medium has room for 100"),
        (Medium("CD-R", "finished", False, None), DiscError, r"not blank \(finished\)"),
        (Medium("CD-RW", "unfinished", True, None), DiscError, r"not blank \(unfinished\)"),
    ],
)
def test_an_unfit_medium(build, drive, medium, error, message):
    """Too small or not blank: said before the question."""
    drive.medium = medium
    with pytest.raises(error, match=message):
        run(build, drive, confirm=lambda plan: pytest.fail("asked all the same"))


def test_a_medium_exchanged_meanwhile(build, drive):
    """Another medium than the one shown is not burned."""

    def exchange(plan):
        drive.medium = Medium("CD-RW", "blank", True, 333_000)
        return drive.name

    with pytest.raises(ToolError, match="changed meanwhile"):
        run(build, drive, confirm=exchange)


def test_remarks_about_the_medium(build, drive):
    """A rewritable medium and an unknown capacity are called out."""
    drive.medium = Medium("CD-RW", "blank", True, None)
    done = run(build, drive)
    assert [notice.message.split(":")[0] for notice in done.notices] == [
        "the medium is a CD-RW",
        "the drive does not tell how much the medium holds",
    ]
    assert remarks(replace(done.plan, drive=replace(done.plan.drive, medium=BLANK))) == []


def test_a_changed_image_is_not_burned(build, drive):
    """The image is hashed first."""
    image = next(build.glob("*.iso"))
    data = bytearray(image.read_bytes())
    data[-1] ^= 1
    image.write_bytes(data)
    with pytest.raises(IntegrityError, match="nothing was written"):
        run(build, drive)
    image.unlink()
    with pytest.raises(MissingError, match="found none"):
        run(build, drive)


def test_dry_run_touches_nothing(build, drive):
    """Only the command; the device is not even looked at."""
    done = run(build, drive, dry_run=True, speed=4, burner="burn dev={device} speed={speed} {image}")
    assert done.plan.command == ("burn", f"dev={drive.name}", "speed=4", str(next(build.glob("*.iso"))))
    assert burn(build / "record.json", "/no/such", confirm=str, burner=stand_in(), dry_run=True).dry_run


def test_words_are_never_read_by_a_shell(build, drive, tmp_path):
    """What a shell would run, in the device's name or the template, is one word here."""
    command = burner_command("burn '{device}' \"{image}\" ; true", device="$(x); rm -rf y", image="a b", speed=1)
    assert command == ("burn", "$(x); rm -rf y", "a b", ";", "true")


@pytest.mark.parametrize(
    ("template", "message"),
    [
        ("", "no burner is configured"),
        ("burn {image}", "has no {device}"),
        ("burn {device}", "has no {image}"),
        ("burn {device} {image} {sped}", "nothing is called {sped}"),
        ("burn '{device} {image}", "cannot be read"),
        ("burn {device.__class__} {image}", "nothing is called {device.__class__}"),
    ],
)
def test_templates_with_faults(template, message):
    """A closed list of names, both needed ones present."""
    with pytest.raises(UsageError) as caught:
        burner_command(template, device="d", image="i", speed=1)
    assert message in caught.value.message


@pytest.mark.parametrize("line", [line for _, line in USUAL_BURNERS], ids=[name for name, _ in USUAL_BURNERS])
def test_the_usual_lines_are_templates(line):
    """Each takes device and image."""
    command = burner_command(line, device="/dev/sr0", image="/b/x.iso", speed=4)
    assert any("/dev/sr0" in word for word in command) and any("/b/x.iso" in word for word in command)


def disc_answer(status, erasable):
    """READ DISC INFORMATION: byte 2 has the disc's status (bits 0 and 1) and the erasable bit (4)."""
    return struct.pack(">HB31x", 32, status | erasable << 4)


@pytest.mark.parametrize(
    ("profile", "status", "erasable", "free", "medium"),
    [
        (0x09, 0, 0, 359_846, Medium("CD-R", "blank", False, 359_846)),
        (0x0A, 2, 1, 0, Medium("CD-RW", "finished", True, None)),
        (0x1B, 0, 0, 2_295_104, Medium("DVD+R", "blank", False, 2_295_104)),
        (0x11, 1, 0, 1000, Medium("DVD-R", "unfinished", False, None)),
        (0x7777, 3, 0, 0, Medium("", "of another kind", False, None)),
    ],
)
def test_what_a_drive_answers(profile, status, erasable, free, medium):
    """The three answers, laid out as in <linux/cdrom.h>: feature_header, disc_information, track_information."""
    configuration = struct.pack(">IBBH", 4, 0, 0, profile)
    track = struct.pack(">HBBBBBBIIIIII", 34, 1, 1, 0, 4, 0x40, 1, 0, 0, free, 0, free, 0)
    assert read_answers(configuration, disc_answer(status, erasable), track) == medium


def test_a_drive_that_answers_nothing():
    """Empty or short answers: nothing is known, nothing breaks."""
    assert read_answers(b"", b"", b"") == Medium()
    assert read_answers(b"\0" * 7, b"\0", b"\0" * 19) == Medium()


def command_line(capsys, *arguments):
    with pytest.raises(SystemExit) as ended:
        main([*map(str, arguments)])
    return ended.value.code, capsys.readouterr()


def test_xorriso_on_a_plain_file(build, tmp_path, capsys):
    """A real burner with a plain file as its drive: burned, read back, one JSON document."""
    program("xorriso")
    device = f"stdio:{tmp_path}/drive.img"
    line = dict(USUAL_BURNERS)["xorriso (CD, DVD)"]
    arguments = (
        "burn",
        build / "record.json",
        "--device",
        device,
        "--yes-device",
        device,
        "--burner",
        line,
        "--json",
        "-q",
    )
    code, said = command_line(capsys, *arguments)
    document = json.loads(said.out)
    assert code == 0, said.out
    assert document["readback"]["identical"] is True
    image = next(build.glob("*.iso")).read_bytes()
    assert (tmp_path / "drive.img").read_bytes()[: len(image)] == image


def test_the_command_needs_somebody(build, tmp_path, capsys, monkeypatch):
    """Without a terminal and without --yes-device nothing is burned; the environment names the burner."""
    monkeypatch.setenv("DISCPREP_BURNER", stand_in())
    device = f"stdio:{tmp_path}/drive.img"
    code, said = command_line(capsys, "burn", build / "record.json", "--device", device)
    assert code == 2
    assert "--yes-device" in said.err
    code, said = command_line(capsys, "burn", build / "record.json", "--device", device, "--dry-run")
    assert code == 0
    assert "Nothing was written." in said.out and "CD-R, not a CD-RW" in said.out
    assert not (tmp_path / "drive.img").exists()

"""The probe disc on two machines, and its answers into the profile. What a DOS-class machine must show comes from a
general DOS emulator; the other from the independent interpreter of its profile's words."""

import shutil
import subprocess
import tomllib
from dataclasses import replace
from pathlib import Path

import pytest
from support.dos import dos_profile, files_below, plain_image, run_dos
from support.programs import program
from support.shell68k import MapTable

from discprep.cli import main
from discprep.disc.contents import read_content
from discprep.disc.probe import CHARSETS, SHOWN, answer_sheet, probe_tree, questions, settle
from discprep.errors import UsageError
from discprep.job.probe import answer, probe, read_answers
from discprep.manifest.load import load_profile

MACHINES = Path(__file__).parents[2] / "manifests/machines"
DOS_FILE, TABLE_FILE = MACHINES / "catalogue-desk.toml", MACHINES / "map-table.toml"


def settled(profile, **answers):
    return settle(profile, answers)


def test_every_reader_finds_its_own_name(tmp_path):
    """Each tree has the odd file under another name: isoinfo (genisoimage) lists all three."""
    made = probe(DOS_FILE, tmp_path)
    for options, name in [
        ([], "/NAMES/LONGPRIMARYNAME.TXT;1"),
        (["-J"], "Seen through Joliet"),
        (["-R"], "seen through rock"),
    ]:
        command = [program("isoinfo", "genisoimage"), "-f", *options, "-i", str(made.image)]
        assert name in subprocess.run(command, check=True, capture_output=True, text=True).stdout


def test_plain_has_short_names_only(tmp_path):
    """With --plain the disc is level 1, without other trees."""
    made = probe(TABLE_FILE, tmp_path, plain=True)
    command = [program("isoinfo", "genisoimage"), "-d", "-i", str(made.image)]
    about = subprocess.run(command, check=True, capture_output=True, text=True).stdout
    assert "NO Joliet present" in about and "NO Rock Ridge present" in about


@pytest.mark.parametrize("profile", sorted(MACHINES.glob("*.toml")), ids=lambda path: path.stem)
def test_every_ready_machine_gets_its_disc(tmp_path, profile):
    """Also one whose scripts end in small letters, which the primary tree does not hold (ECMA-119 7.4.1)."""
    made = probe(profile, tmp_path)
    asked = next(question.do for question in made.questions if question.id == "lines")
    command = [program("isoinfo", "genisoimage"), "-f", "-R", "-i", str(made.image)]
    listed = subprocess.run(command, check=True, capture_output=True, text=True).stdout
    assert any(path.rpartition("/")[2] in asked for path in listed.split() if "/LINES" in path)


def test_the_same_disc_every_time(tmp_path):
    """Two runs give the same bytes; answers filled in meanwhile are kept."""
    first = probe(DOS_FILE, tmp_path)
    first.answers.write_text('drive = "E:"\n')
    second = probe(DOS_FILE, tmp_path)
    assert first.sha256 == second.sha256
    assert first.answers.read_text() == 'drive = "E:"\n'
    assert "not written over" in second.notices[0].message


def test_on_a_dos_class_machine(tmp_path):
    """The emulator shows the short name, runs the command test without a fault, and cuts names to 8.3."""
    profile = dos_profile()
    named = probe_tree(profile, tmp_path / "work")
    short = [replace(n, iso=(n.iso[0], "LONGPRIM.TXT")) if n.iso[-1].startswith("LONG") else n for n in named]
    image = plain_image(short, tmp_path)
    target = tmp_path / "c"
    said = run_dos(image, target, [r"call d:\PROBE\TRY.BAT", r"call d:\PROBE\NAMES.BAT"])
    right = ["make_folder", "copy", "rename", "delete", "create_empty", "append"]
    assert said == [*(f"{key}: right" for key in right), "Done."]
    names = [name for name in files_below(target) if name.startswith("PROBE/") and name.endswith("CDEF.TXT")]
    assert max(len(name.removeprefix("PROBE/")) for name in names) == 12


def test_on_a_machine_with_blocks(tmp_path):
    """The interpreter of the profile's words finds every command right; one that does not work is called wrong."""
    profile = load_profile(TABLE_FILE)
    named = probe_tree(profile, tmp_path)
    machine = MapTable({"/".join(n.rock_ridge): read_content(n.staged.content) for n in named})
    assert machine.perform("DISC0:PROBE/TRY") == 0
    assert [line for line in machine.said if line.endswith(": right")] == [
        f"{key}: right" for key in ("make_folder", "copy", "rename", "delete", "append", "if_failed")
    ]
    broken = MapTable(machine.disc)
    broken._retitle = lambda *words: False
    broken.perform("DISC0:PROBE/TRY")
    assert "rename: WRONG" in broken.said


def test_line_lengths_end_in_their_length(tmp_path):
    """Each line of the test script is as long as the number it shows, command and all."""
    profile = load_profile(TABLE_FILE)
    (script,) = (n for n in probe_tree(profile, tmp_path) if n.iso[-1] == "LINES.")
    lines = [line for line in read_content(script.staged.content).decode().split("\n") if line.startswith("show")]
    assert len(lines) > 10
    assert all(str(len(line)) == line.rstrip('"').split(".")[-1].split('"')[-1] for line in lines)


def test_the_sample_tells_charsets_apart():
    """Two bytes that no two of the charsets show alike (Python's codecs)."""
    assert len({SHOWN.decode(charset) for charset in CHARSETS}) == len(CHARSETS)


@pytest.mark.parametrize(
    ("answers", "values"),
    [
        ({"drive": "E:"}, {"disc.path": "E:"}),
        ({"names": "rock-ridge"}, {"disc.name_rules": ["iso-level-1", "rock-ridge"]}),
        ({"names": "LONGPRIMARYNAME.TXT"}, {"disc.name_rules": ["iso-level-2"]}),
        ({"charset": "├Σ"}, {"text.charset": "cp437"}),
        ({"newline": "cr"}, {"text.newline": "cr"}),
        ({"speed": "40"}, {"disc.drive_speed": 1.0}),  # 6,144,000 B / 153,600 B/s = 40 s at single speed
        ({"speed": 10.0}, {"disc.drive_speed": 4.0}),
        ({"free": "80,000,000"}, {"volume.free": 80_000_000}),
        ({"lines": 127}, {"shell.line_max": 127}),
        ({"length": "12"}, {"volume.name_max": 12}),
        ({"drive": ""}, {}),
    ],
)
def test_answers_fill_keys(answers, values):
    """Each answer has its key; an empty one says nothing."""
    findings = settle(dos_profile(), answers)
    assert findings.errors == ()
    assert findings.values == values
    assert set(findings.tried) == set(values)


def test_commands_tried_and_wrong():
    """Commands not called wrong are tried; the others stay assumed."""
    findings = settled(dos_profile(), commands="rename, shell.append")
    assert findings.doubtful == ("shell.rename", "shell.append")
    assert "shell.copy" in findings.tried and "shell.rename" not in findings.tried
    assert settled(dos_profile(), commands="none").doubtful == ()


@pytest.mark.parametrize(
    ("answers", "message"),
    [
        ({"speed": "fast"}, "speed: expected a number above 0, got 'fast'"),
        ({"speed": "0"}, "above 0"),
        ({"speed": "42,5"}, "write 1.5, not 1,5"),  # 42.5 s, and no drive of a tenth of its speed
        ({"names": "maybe"}, "names: expected one of short, long"),
        ({"commands": "juggle"}, "commands: expected names of make_folder"),
        ({"drive": "D: or E:"}, "drive: expected a name without spaces"),
        ({"nmaes": "short"}, "no question is called 'nmaes'"),
    ],
)
def test_wrong_answers(answers, message):
    """All at once, each named; nothing is taken from them."""
    findings = settle(dos_profile(), {**answers, "free": "x"})
    assert len(findings.errors) == 2
    assert any(message in str(error) for error in findings.errors)


def test_a_shallow_machine_is_a_remark():
    """How deep it reads fills no key; a low number is said."""
    assert "level 4" in settled(dos_profile(), depth=4).notices[0].message
    assert settled(dos_profile(), depth=7).notices == ()


def test_the_profile_keeps_its_comments(tmp_path):
    """Values are changed in place, tried keys leave `assumed`, everything else stays byte for byte."""
    copy = tmp_path / "desk.toml"
    shutil.copy(DOS_FILE, copy)
    done = answer(copy, {"drive": "E:", "speed": "20", "free": 50_000_000, "commands": "append"})
    old, new = DOS_FILE.read_text().splitlines(), copy.read_text().splitlines()
    changed = [line for line in new if line not in old]
    assert [line.split("=")[0].strip() for line in changed if "=" in line and "assumed" not in line] == ["path", "free"]
    assert done.changes["disc.drive_speed"] == (2, 2)
    data = tomllib.loads(copy.read_text())
    assert data["disc"]["path"] == "E:" and data["volume"][0]["free"] == 50_000_000
    before = set(tomllib.loads(DOS_FILE.read_text())["assumed"])
    gone = {"disc.path", "disc.drive_speed", "volume.free", "shell.create_empty"}
    assert set(data["assumed"]) == (before - gone) | {"shell.append"}
    assert load_profile(copy).disc_path == "E:"


def test_a_fault_among_the_answers_writes_nothing(tmp_path):
    """The profile stays as it was."""
    copy = tmp_path / "desk.toml"
    shutil.copy(DOS_FILE, copy)
    assert answer(copy, {"drive": "E:", "speed": "x"}).errors
    assert copy.read_bytes() == DOS_FILE.read_bytes()


def test_the_answer_sheet_reads_back(tmp_path):
    """As it is written, empty, it says nothing and is no fault; tables in it are."""
    path = tmp_path / "answers.toml"
    path.write_text(answer_sheet(questions(dos_profile())))
    assert settle(dos_profile(), read_answers(path)).values == {}
    path.write_text("[drive]\na = 1\n")
    with pytest.raises(UsageError, match="expected texts or numbers"):
        read_answers(path)


def run(capsys, *arguments):
    with pytest.raises(SystemExit) as ended:
        main([*map(str, arguments)])
    return ended.value.code, capsys.readouterr()


def test_the_command(tmp_path, capsys):
    """From the manifest to the profile, by way of the disc; --json is one document."""
    import json

    shutil.copy(DOS_FILE, tmp_path / "desk.toml")
    manifest = tmp_path / "m.toml"
    manifest.write_text('format = 1\n[machine]\nprofile = "desk.toml"\n')
    code, said = run(capsys, "probe", manifest, "--out", tmp_path / "p", "--json", "--quiet")
    document = json.loads(said.out)
    assert (code, document["command"], document["errors"]) == (0, "probe", [])
    assert Path(document["image"]).stat().st_size == document["sectors"] * 2048
    (tmp_path / "p/answers.toml").write_text('drive = "F:"\n')
    code, said = run(capsys, "probe", manifest, "--answers", tmp_path / "p/answers.toml")
    assert code == 0
    assert "disc.path: D: -> F:" in said.out
    assert load_profile(tmp_path / "desk.toml").disc_path == "F:"
    assert run(capsys, "probe", manifest)[0] == 2


def test_the_command_asks(tmp_path, capsys, monkeypatch):
    """--ask puts the questions on stderr and takes the answers from stdin; --to leaves the old profile."""
    import io

    shutil.copy(DOS_FILE, tmp_path / "desk.toml")
    monkeypatch.setattr("sys.stdin", io.StringIO("G:\n" + "\n" * 20))
    code, said = run(capsys, "probe", tmp_path / "desk.toml", "--ask", "--to", tmp_path / "new.toml")
    assert code == 0
    assert "What does the machine call the drive" in said.err
    assert load_profile(tmp_path / "new.toml").disc_path == "G:"
    assert load_profile(tmp_path / "desk.toml").disc_path == "D:"

"""What somebody sees who has never used it: each line true, each next step one that can be copied and works.

Sources: `sh` takes the lines apart as a shell would (POSIX, XCU 2.2 Quoting); the rest is read off by eye.
"""

from __future__ import annotations

import os
import shlex
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest
import typer
from support.command import Ran, run
from support.terminal import answering

from discprep.cli.frame import command
from discprep.errors import DiscError, Faults, FetchError

PROFILE = 'format = 1\nname = "signal desk"\n'


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder whose name a shell would take apart, with a collection of two archives in it."""
    home = tmp_path / "Öl und Wachs"
    home.mkdir()
    for name in ("foghorn", "barograph"):
        with zipfile.ZipFile(home / f"{name}.zip", "w") as archive:
            archive.writestr(f"{name}/READ.ME", f"{name}\n" * 500)
    return home


def built(folder: Path, *, rate: bool = False) -> tuple[Path, Path]:
    """A manifest of the collection, and its build."""
    baud = ("--baud", 9600) if rate else ()
    assert run("new", folder / "hut.toml", "--from", folder, "--title", "Signal hut", *baud).code == 0
    out = folder / "first disc"
    ran = run("prepare", folder / "hut.toml", "--out", out, "--cache", folder / "cache", "-q")
    assert ran.code == 0, ran.err
    return folder / "hut.toml", out


def next_words(ran: Ran) -> list[str]:
    """The command that the last line names, as a shell takes it apart."""
    line = next(line for line in reversed(ran.out.splitlines()) if "discprep " in line)
    return shlex.split(line[line.index("discprep ") :])[1:]


def test_the_next_step_can_be_copied(folder: Path) -> None:
    """Spaces and umlauts in a path: the line that is printed names the file that is meant."""
    started = run("new", folder / "hut.toml", "--title", "Signal hut")
    assert next_words(started) == ["check", str(folder / "hut.toml")]
    added = run("add", folder / "hut.toml", folder / "foghorn.zip", "--cache", folder / "cache")
    assert next_words(added) == ["check", str(folder / "hut.toml")]
    made = run("prepare", folder / "hut.toml", "--out", folder / "first disc", "--cache", folder / "cache")
    words = next_words(made)
    assert words == ["readback", str(folder / "first disc/record.json"), "DEVICE"]
    image = next((folder / "first disc").glob("*.iso"))
    assert run(*words[:-1], image).code == 0


def test_the_probe_disc_says_how_to_go_on(folder: Path) -> None:
    """The very manifest or profile that was named, not a letter in its place."""
    (folder / "desk.toml").write_text(PROFILE)
    words = next_words(run("probe", folder / "desk.toml", "--out", folder / "pro be"))
    assert words == ["probe", str(folder / "desk.toml"), "--answers", str(folder / "pro be/answers.toml")]
    assert run(*words, "--to", folder / "other.toml").code == 0


def test_a_checksum_list_says_how_it_is_used(folder: Path) -> None:
    _, out = built(folder)
    told = run("readback", out, "--sums", folder / "my sums.txt").out.splitlines()[-1]
    assert told.startswith("next: ") and shlex.split(told)[-3:] == ["sha256sum", "-c", str(folder / "my sums.txt")]


def test_burn_takes_a_builds_folder_as_readback_does(folder: Path) -> None:
    _, out = built(folder)
    given = ("--device", f"stdio:{folder}/burned.img", "--burner", "cp {image} {device}", "--dry-run")
    assert run("burn", out, *given).out == run("burn", out / "record.json", *given).out
    missing = run("burn", folder / "none.json", *given)
    assert missing.code == 2 and "there is no record here" in missing.err
    assert missing.err == run("readback", folder / "none.json", out).err


def test_what_follows_from_several_faults_is_said_once(capsys: pytest.CaptureFixture[str]) -> None:
    """Fifty hurt files had fifty times the same next step between them; with --json each keeps its own."""
    hurt = [DiscError(f"FILE{n} is hurt", hint="Burn another disc.") for n in range(3)]
    with pytest.raises(typer.Exit), command("readback", False):
        raise Faults([*hurt, FetchError("gone"), FetchError("away", hint="Look elsewhere.")])
    assert capsys.readouterr().err.splitlines() == [
        "error: FILE0 is hurt", "error: FILE1 is hurt", "error: FILE2 is hurt", "  next: Burn another disc.",
        "error: gone", "error: away", "  next: Look elsewhere.",
    ]  # fmt: skip


def test_without_a_link_no_saving_is_claimed(folder: Path) -> None:
    """ "Burning saves -4.77 s" was the old drive's time, compared with nothing."""
    manifest, _ = built(folder)
    assert "saves" not in run("plan", manifest, "--cache", folder / "cache").out


def test_each_key_of_a_comparison_has_its_table(folder: Path) -> None:
    """Two keys stood in one table under the first one's name."""
    manifest, _ = built(folder, rate=True)
    manifest.write_text(manifest.read_text().replace('kind   = "cd-74"', "sectors = 600"))
    ran = run("plan", manifest, "--cache", folder / "cache",
              "--over", "link.rate=9600,19200", "--over", "medium.sectors=100,600")  # fmt: skip
    lines = ran.out.splitlines()
    heads = [number for number, line in enumerate(lines) if line.endswith("moves (+ to disc, - to link)")]
    assert [lines[number].split()[0] for number in heads] == ["link.rate", "medium.sectors"]
    assert [line.split()[0] for line in lines[heads[0] + 1 : heads[0] + 3]] == ["9600", "19200"]
    assert lines[heads[1] + 1].startswith("100 ") and "no plan: " in lines[heads[1] + 1]


def test_an_edit_that_fits_nothing_is_not_said_of_the_archive(folder: Path) -> None:
    """The archive is whole: what is wrong is the manifest's edit, and the item is counted as such."""
    manifest, _ = built(folder)
    edit = '\n[[item.edit]]\nfile = "foghorn/read.me"\nfind = "a"\nreplace = "b"\n'
    manifest.write_text(manifest.read_text() + edit)
    ran = run("verify", manifest, "--cache", folder / "cache")
    assert ran.code == 1 and "1 of 2 items in order" in ran.out and "archives read" not in ran.out


def test_names_that_change_are_all_told_or_said_not_to_be(folder: Path) -> None:
    for count, more in ((12, False), (13, True)):
        with zipfile.ZipFile(folder / "foghorn.zip", "w") as archive:
            for number in range(count):
                archive.writestr(f"a long name, number {number}.text", b"x")
        for old in [*folder.glob("hut.*"), *folder.glob("barograph.zip")]:
            old.unlink()
        run("new", folder / "hut.toml", "--from", folder, "--title", "Signal hut")
        run("fetch", folder / "hut.toml", "--cache", folder / "cache")
        assert ("--json lists all" in run("verify", folder / "hut.toml", "--cache", folder / "cache").out) is more


def test_files_that_are_written_anew_are_told_together(folder: Path) -> None:
    """Twenty scripts differ whenever anything does: the one change that matters stood among them."""
    manifest, out = built(folder)
    again = folder / "second"
    manifest.write_text(manifest.read_text().replace("Signal hut", "Signal hut, again"))
    (folder / "cache2").mkdir()
    assert run("prepare", manifest, "--out", again, "--cache", folder / "cache2", "-q").code == 0
    shown = run("differ", out, again).out
    assert shown.count("written by discprep from the rest of the build") == 1
    assert "-> files" not in shown and ": - ->" not in shown


@pytest.mark.slow
def test_an_estimate_has_units(folder: Path) -> None:
    """A bare 115200, slip beside SLIP, 84.2% beside 12.3 %: one form each (SI Brochure 9th ed. 5.4.7 for the space)."""
    shown = run("estimate", "--size-bytes", 100_000, "--baud", 9600, "--mtu", 576).out
    assert "115,200 bit/s" in shown and "1,500 bytes" in shown and "CSLIP" in shown
    assert "8N1, SLIP" in shown and " %" in shown and not any(f"{digit}%" in shown for digit in range(10))


def test_a_table_has_no_empty_columns(folder: Path) -> None:
    """A tar stores no method and no packed size: the name has their room."""
    import tarfile

    with tarfile.open(folder / "log.tar.gz", "w:gz") as archive:
        archive.add(folder / "foghorn.zip", "log/a name of forty characters, no more.bin")
    shown = run("inspect", folder / "log.tar.gz").out
    assert "method" not in shown and "packed" not in shown
    assert any(line.startswith("ok ") and line.endswith("no more.bin") for line in shown.splitlines())


def test_what_is_no_archive_gets_no_table(folder: Path) -> None:
    (folder / "NEWS.TXT").write_text("fog\n")
    shown = run("inspect", folder / "NEWS.TXT").out
    assert "0 of 0" not in shown and "attributes" not in shown


def test_check_says_what_gives_what(folder: Path) -> None:
    (folder / "p.toml").write_text(PROFILE + 'provides = ["editor"]\n')
    (folder / "m.toml").write_text('format = 1\ntitle = "t"\n[machine]\nprofile = "p.toml"\n[medium]\nsectors = 900\n'
                                   "[link]\nrate = 9600\n")  # fmt: skip
    shown = run("check", folder / "m.toml").out
    assert "  gives     editor" in shown and "900 sectors" in shown and "custom" not in shown
    assert "9,600 bit/s" in shown and "baud" not in shown


def test_a_wrong_answer_is_asked_for_again(folder: Path) -> None:
    """A medium, a rate and a folder that are none: what was answered before is kept."""
    answers = f"Hut\n\ndvd\ncd-80\nfast\n5\n9600\nnowhere\n{folder}\n"
    answering([sys.executable, "-m", "discprep", "new", "first.toml"], answers, folder)
    made = tomllib.loads((folder / "first.toml").read_text())
    assert (made["title"], made["medium"]["kind"], made["link"]["rate"]) == ("Hut", "cd-80", 9600)
    assert {item["id"] for item in made["item"]} == {"barograph", "foghorn"}


@pytest.mark.parametrize(
    ("given", "said"),
    [(("--medium", "dvd"), "--medium: no medium is called 'dvd'"), (("--profile", "no.toml"), "--profile no.toml")],
)
def test_a_wrong_flag_is_told_as_such(folder: Path, given: tuple[str, str], said: str) -> None:
    """It was told as a fault of a line in a manifest that nobody had."""
    ran = run("new", folder / "first.toml", *given)
    assert ran.code == 2 and said in ran.err and "first.toml" not in ran.err


def test_status_names_a_disc_as_its_label_does(folder: Path) -> None:
    """The whole build id: that is what is on sheet, disc and image name."""
    manifest, out = built(folder)
    image = next(out.glob("*.iso"))
    told = run("status", manifest, "--cache", folder / "cache").out
    assert image.stem.rpartition("-")[2] in told.split()


def test_each_of_several_discs_is_read_back(folder: Path) -> None:
    """The next step named the first disc alone, and one sheet of three."""
    for name in ("foghorn", "barograph"):
        with zipfile.ZipFile(folder / f"{name}.zip", "w") as archive:
            archive.writestr(f"{name}.bin", os.urandom(200_000))
    manifest = folder / "hut.toml"
    run("new", manifest, "--from", folder, "--title", "Signal hut")
    manifest.write_text(manifest.read_text().replace('kind   = "cd-74"', "sectors = 340\ndiscs = 2"))
    ran = run("prepare", manifest, "--out", folder / "both discs", "--cache", folder / "cache", "-q")
    records = sorted(folder.glob("both discs/*/record.json"))
    named = [shlex.split(line)[2] for line in ran.out.splitlines() if line.strip().startswith("discprep readback")]
    assert len(records) == 2 and named == [str(record) for record in records], ran.err


def test_the_receiver_of_a_recipe_can_copy_its_commands(folder: Path) -> None:
    manifest, _ = built(folder)
    renamed = manifest.rename(folder / "my hut.toml")
    (folder / "hut.pins.toml").rename(folder / "my hut.pins.toml")
    assert run("hand-over", renamed, folder / "for you").code == 0
    (listed,) = (folder / "for you").glob("*.txt")
    lines = [shlex.split(line) for line in listed.read_text().splitlines() if line.startswith("  discprep ")]
    assert len(lines) == 3 and all(words[2] == "my hut.toml" for words in lines)


def test_one_is_not_said_to_be_several(folder: Path) -> None:
    (folder / "barograph.zip").unlink()
    _, out = built(folder)
    image = next(out.glob("*.iso"))
    told = run("prepare", folder / "hut.toml", "--out", out, "--cache", folder / "cache").out
    told += run("fetch", folder / "hut.toml", "--cache", folder / "cache").out + run("readback", out, image).out
    assert "1 item in " in told and "1 of 1 item at hand" in told and "1 items" not in told and "1 files" not in told

"""The demonstration runs, and a DOS emulator from Debian installs from its image (recipe: the emulator's manual)."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from support.disc_readers import all_accept
from support.dos import differences, install_all
from support.programs import program

from discprep.disc.record import load_record

ROOT = Path(__file__).resolve().parent.parent


@pytest.fixture(scope="module")
def shown(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, Path]:
    """What the demonstration printed, and where its discs stand. It runs into a new folder."""
    out = tmp_path_factory.mktemp("demo") / "new"
    words, environment = [sys.executable, "demo/show.py", out], {**os.environ, "PYTHONHASHSEED": "5"}
    ran = subprocess.run(words, cwd=ROOT, env=environment, capture_output=True, text=True, timeout=300)
    assert ran.returncode == 0, ran.stdout + ran.stderr
    return ran.stdout + ran.stderr, out / "disc"


def test_the_run_shows_the_tool_at_work(shown: tuple[str, Path]) -> None:
    """A dead and a truncated mirror are passed over, a file is taken from a folder, some items burn and some wait."""
    text, disc = shown
    assert "another source gave it" in text and "it broke off after" in text
    assert "taken from" in text and "over the link" in text and "identical" in text
    assert "Traceback" not in text
    names = {path.suffix or path.name for path in disc.iterdir()}
    assert names == {".iso", ".json", ".txt", ".html", "SHA256SUMS"}


def test_the_readme_shows_what_it_prints(shown: tuple[str, Path]) -> None:
    """The plan as README.md has it, line by line."""
    page = (ROOT / "README.md").read_text(encoding="utf-8")
    plan = page[page.index("on the disc  form") : page.index("Proven by HiGHS")]
    assert plan in shown[0]


def test_a_place_that_cannot_be_used_is_said(tmp_path: Path) -> None:
    """As in a checkout that somebody else owns: the cause and the remedy, which the tests above followed. Nothing that
    stands there is touched."""
    (tmp_path / "kept").write_text("kept")
    for taken in (tmp_path / "kept", tmp_path / "kept" / "new"):
        ran = subprocess.run([sys.executable, "demo/show.py", taken], cwd=ROOT, capture_output=True, text=True)
        assert (ran.returncode, ran.stdout) == (3, "") and "Traceback" not in ran.stderr
        assert f"{taken} cannot be made: " in ran.stderr and "demo/run FOLDER" in ran.stderr
    assert (tmp_path / "kept").read_text() == "kept"


def test_some_items_burn_and_some_wait(shown: tuple[str, Path]) -> None:
    record = load_record(shown[1] / "record.json")
    places = {item.place for item in record.items}
    assert places == {"burn", "later"}
    assert any(edit.replace == "rate=9600" for file in record.files for edit in file.edits)


def test_the_image_is_accepted_by_other_readers(shown: tuple[str, Path]) -> None:
    """xorriso, iso-info (libcdio), bsdtar (libarchive) and 7z read it whole."""
    (image,) = shown[1].glob("*.iso")
    all_accept(image)


def test_the_machine_installs_from_it(shown: tuple[str, Path], tmp_path: Path) -> None:
    """Every part run in the emulator, in order: each file on the machine is the record's, byte for byte."""
    program("dosbox")
    (image,) = shown[1].glob("*.iso")
    machine = tmp_path / "machine"
    machine.mkdir()
    files = install_all(image, machine)
    record = load_record(shown[1] / "record.json")
    assert sum(file.copied and bool(file.sha256) for file in record.files) >= 15
    assert differences(record, files) == []


def test_the_same_image_without_compiled_decoders(shown: tuple[str, Path], tmp_path: Path) -> None:
    """Where neither library of LHA decoders has a wheel: our own decode, and the image is the same byte for byte."""
    for name in ("lzhlib", "lhafile", "pylhasa"):
        (tmp_path / f"{name}.py").write_text('raise ImportError("hidden")\n')
    env = {**os.environ, "PYTHONPATH": os.pathsep.join(map(str, (tmp_path, ROOT)))}
    ask = "from discprep.archives import lha_decode; print(lha_decode.compiled())"
    said = subprocess.run([sys.executable, "-c", ask], env=env, capture_output=True, text=True, check=True)
    assert said.stdout == "False\n"
    out = shown[1].parent
    shutil.copytree(out / "cache", tmp_path / "cache", ignore=shutil.ignore_patterns("unpacked"))
    words = ["prepare", out / "reading-room.toml", "--out", tmp_path / "disc", "--cache", tmp_path / "cache"]
    ran = subprocess.run([sys.executable, "-m", "discprep", *map(str, words)], env=env, capture_output=True, text=True)
    assert ran.returncode == 0, ran.stderr
    ((image,), (other,)) = (folder.glob("*.iso") for folder in (shown[1], tmp_path / "disc"))
    assert image.name == other.name and image.read_bytes() == other.read_bytes()

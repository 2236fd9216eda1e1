"""Output anywhere: consoles that lack letters, streams that are closed, gone or full, terminals of 40 columns."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from support.terminal import shown

from discprep.report.tables import columns, fitted, table

TITLE = "Büro – 日本"
PROFILE = 'format = 1\nname = "Reading-room machine"\n[disc]\nname_rules = "iso-level-1"\n'


@pytest.fixture
def manifest(tmp_path: Path) -> Path:
    (tmp_path / "machine.toml").write_text(PROFILE)
    (tmp_path / "tools.bin").write_bytes(b"tools" * 400)
    item = '[[item]]\nid = "tools"\nsources = ["tools.bin"]\nsize = 2000\nplace = "burn"\n'
    head = f'format = 1\ntitle = "{TITLE}"\n[machine]\nprofile = "machine.toml"\n[medium]\nkind = "cd-74"\n'
    path = tmp_path / "manifest.toml"
    path.write_text(head + item, encoding="utf-8")
    return path


def words(*asked: object) -> list[str]:
    return [sys.executable, "-m", "discprep", *map(str, asked)]


@pytest.mark.parametrize("encoding", ["cp1252", "ascii"])
def test_a_console_that_lacks_letters(manifest: Path, encoding: str) -> None:
    """Text has others in their place, JSON is the whole document in UTF-8 (RFC 8259 section 8.1)."""
    env = os.environ | {"PYTHONIOENCODING": encoding, "PYTHONUTF8": "0"}
    said = subprocess.run(words("check", manifest), env=env, capture_output=True, check=False)
    assert said.returncode == 0, said.stderr
    assert TITLE.encode(encoding, "replace") in said.stdout
    told = subprocess.run(words("plan", manifest, "--json", "--cache", manifest.parent / "cache"), env=env,
                          capture_output=True, check=False)  # fmt: skip
    assert json.loads(told.stdout.decode("utf-8"))["command"] == "plan"
    wrong = subprocess.run(words("check", manifest.with_name("日本.toml"), "--json"), env=env, capture_output=True,
                           check=False)  # fmt: skip
    assert wrong.returncode in (2, 3)
    assert "日本" in str(json.loads(wrong.stdout.decode("utf-8"))["errors"][0])


@pytest.mark.skipif(os.name != "posix", reason="file names of bytes are POSIX's")
def test_a_name_that_is_no_text_is_whole_json(tmp_path: Path) -> None:
    """A byte of no encoding in a file's name is an escape of JSON's (RFC 8259 section 7), and a "?" in text."""
    name = os.fsdecode(b"b\xffd.toml")
    told = subprocess.run(words("check", tmp_path / name, "--json"), capture_output=True, check=False)
    assert told.returncode in (2, 3)
    assert json.loads(told.stdout.decode("utf-8"))["errors"]
    said = subprocess.run(words("check", tmp_path / name), capture_output=True, check=False)
    assert said.returncode == told.returncode and b"b?d.toml" in said.stderr


@pytest.mark.skipif(os.name != "posix", reason="closed by a POSIX shell")
@pytest.mark.parametrize("closing", ["<&-", ">&-", "2>&-", "<&- >&- 2>&-"])
@pytest.mark.parametrize("command", ["check", "prepare"])
def test_closed_streams(manifest: Path, closing: str, command: str) -> None:
    """Nothing meant for a person gets into a file that took the closed stream's number."""
    out = manifest.parent / "out"
    more = f"--out '{out}' --cache '{manifest.parent / 'cache'}'" if command == "prepare" else ""
    line = f"'{sys.executable}' -m discprep {command} '{manifest}' {more} {closing}"
    ran = subprocess.run(["sh", "-c", line], capture_output=True, check=False, text=True)
    assert ran.returncode == 0, ran.stderr
    assert "Traceback" not in ran.stderr
    if more:
        (record,) = out.glob("record.json")
        assert json.loads(record.read_text(encoding="utf-8"))["build_id"]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
@pytest.mark.parametrize("asked", [("check",), ("check", "--json"), ("schema",), ("--help",)], ids=" ".join)
def test_a_full_disk_is_said(manifest: Path, asked: tuple[str, ...]) -> None:
    """Exit 3 and the host's words on stderr; nothing of the interpreter's."""
    place = [manifest] if asked[0] == "check" else []
    with Path("/dev/full").open("w") as full:
        ran = subprocess.run(words(*asked, *place), stdout=full, stderr=subprocess.PIPE, check=False, text=True)
    assert ran.returncode == 3, ran.stderr
    assert os.strerror(28) in ran.stderr and "next: " in ran.stderr
    assert "Traceback" not in ran.stderr and "Exception ignored" not in ran.stderr


def test_a_terminal_of_forty_columns(manifest: Path) -> None:
    """No row of a table is longer than the terminal, and no cell is lost."""
    env = {key: value for key, value in os.environ.items() if key not in ("COLUMNS", "LINES")}
    asked = words("plan", manifest, "--quiet", "--cache", manifest.parent / "cache")
    code, read = shown(asked, 40, "stdout", env)
    assert code == 0, read
    lines = read.replace("\r", "").split("\n")
    rows = [line for line in lines if "  " in line.strip()]
    assert rows and max(map(columns, rows)) <= 40, rows
    assert "asked to burn" in " ".join(" ".join(lines).split())


@pytest.mark.parametrize("width", [20, 40, 60])
def test_rows_are_broken_and_nothing_is_lost(width: int) -> None:
    """Every cell's words are still there, in order; a line that fits, or is prose, is as it was."""
    rows = [("ip-tools", "113 KB", "gives ip-stack, needed to get online"), ("日本" * 9, "9 B", "x" * 70)]
    text = "\n".join(["a sentence of several words that is longer than any of these terminals, as it is", "",
                      *table(("item", ">size", "why"), rows, width=200)])  # fmt: skip
    broken = fitted(text, width)
    assert "".join(broken.split()) == "".join(text.split())
    assert broken.split("\n")[0] == text.split("\n")[0]
    assert all(columns(line) <= width for line in broken.split("\n")[1:])
    assert fitted(text, 200) == text

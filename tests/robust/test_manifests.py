"""Manifests from somebody who means harm: each is refused in words, in bounded time and memory, and starts nothing."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from support.bench_set import BenchSet, zip_bytes
from support.command import run

from discprep.disc.matching import TooSlow, values_by_line
from discprep.errors import DiscprepError
from discprep.manifest import load_manifest

HEAD = 'format = 1\ntitle = "t"\n[machine]\nprofile = "machine.toml"\n'
ITEM = '[[item]]\nid = "a"\nsources = ["http://files.example/a"]\n'
VALUE = HEAD + '[values]\nx = "y"\n' + ITEM
FILLED = '[[item.edit]]\nfile = "f"\nfind = "x"\nreplace = "{}"\n'
PROFILE = 'format = 1\nname = "Reading-room machine"\n[disc]\nname_rules = "iso-level-1"\n'


def _expect(pattern: str) -> str:
    return HEAD + ITEM + f'[[expect]]\nitem = "a"\nfile = "f"\npattern = {json.dumps(pattern)}\nequals = "1"\n'


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (HEAD + ITEM + f"size = '{'9' * 5000}'\n", "larger than any file"),
        (HEAD + "[plan]\nlink_budget = inf\n" + ITEM, "got inf"),
        (HEAD + "[plan]\nlink_budget = nan\n" + ITEM, "got nan"),
        (HEAD + f"[medium]\nsectors = {2**63 - 1}\n" + ITEM, "medium.sectors"),
        (HEAD + "[medium]\nkind = 'cd-74'\ndiscs = 1000000000\n" + ITEM, "medium.discs"),
        (HEAD + "".join(f'[[item]]\nid="i{n}"\npage="p"\n' for n in range(100_000)), "a manifest may have 20,000"),
        ("a." * 3000 + "b = 1\n", "nested more than 12 deep"),
        ("x = " + "{a = " * 3000 + "1" + "}" * 3000, "nested"),
        (HEAD.replace('"t"', '"' + "\u0301" * 100_000 + '"') + ITEM, "at most 4096 characters"),
        (HEAD.replace('"t"', '"\\ud800"') + ITEM, "TOML syntax"),
        (HEAD + ITEM.replace('"a"', '"\u0430"'), "id: expected a text of the form"),
        ('format = 1\ninclude = ["/dev/zero"]\n' + HEAD[11:], "expected a plain file"),
        (HEAD.replace("machine.toml", "/dev/zero"), "expected a plain file"),
        ('format = 1\ninclude = ["pipe"]\n' + HEAD[11:], "expected a plain file"),
        (HEAD + "[[item]]\nid = 'a'\nsources = ['/dev/zero']\n", "outside the manifest's folder"),
        (HEAD + ITEM + 'to = "a/../../b"\n', "must not climb"),
        (HEAD + ITEM + 'to = "/b"\n', "must be relative"),
        (HEAD + ITEM + 'rename = { x = "../y" }\n', "must not climb"),
        (HEAD + ITEM + 'rename = { x = "/y" }\n', "must be relative"),
        (HEAD + '[medium]\nkind = "cd-74"\nboot_image = "../x"\n' + ITEM, "must not climb"),
        (VALUE + FILLED.format("{0.__class__}"), "nothing is called {0.__class__}"),
        (VALUE + FILLED.format("{x.__class__.__mro__}"), "nothing is called {x.__class__.__mro__}"),
        (VALUE + FILLED.format("{x!r}"), "nothing is called {x!r}"),
        (VALUE + FILLED.format("{x[0]}"), "nothing is called {x[0]}"),
        (VALUE + FILLED.format("{x:>99999999}"), "nothing is called {x:>99999999}"),
        (HEAD + '[secrets]\nk = { env = "A B=$(x)" }\n' + ITEM, "secrets.k.env"),
        (_expect("(a{99999999999999})"), "no regular expression"),
        (_expect("(?<=a*)(b)"), "no regular expression"),
        (_expect("(" * 600 + "a" + ")" * 600), "expect[1].pattern"),
    ],
)  # fmt: skip
def test_refused_in_words(text: str, expected: str, tmp_path: Path) -> None:
    """Of the families of errors, with the words for it."""
    (tmp_path / "machine.toml").write_text(PROFILE)
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "first.toml").write_text(text)
    with pytest.raises(DiscprepError) as caught:
        load_manifest(tmp_path / "first.toml")
    assert expected in str(caught.value)


def test_needs_as_long_as_the_list(tmp_path: Path) -> None:
    """20,000 items, each needing the next: loaded by `check` within 60 s of processor time and 2 GiB (setrlimit(2))."""
    (tmp_path / "machine.toml").write_text(PROFILE)
    rows = (f'[[item]]\nid = "i{n}"\npage = "p"\nneeds = ["i{n + 1}"]\n' for n in range(19_999))
    (tmp_path / "first.toml").write_text(HEAD + "".join(rows) + '[[item]]\nid = "i19999"\npage = "p"\n')
    words = "import resource as r, sys; from pathlib import Path; from discprep.manifest import load_manifest as l;"
    bounds = "r.setrlimit(r.RLIMIT_CPU, (60, 60)); r.setrlimit(r.RLIMIT_AS, (2**31, 2**31));"
    done = subprocess.run(
        [sys.executable, "-c", words + bounds + "print(len(l(Path(sys.argv[1])).items))", tmp_path / "first.toml"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.stdout == "20000\n", done.stderr


@pytest.mark.parametrize("pattern", ["(a+)+$", "((?:a|a)*)b", "(a*a*a*a*a*a*a*a*a*)b"])
def test_a_pattern_without_end_is_stopped(pattern: str) -> None:
    """Exponential and polynomial backtracking (known from CWE-1333)."""
    with pytest.raises(TooSlow):
        values_by_line(pattern, "a" * 5000 + "!", limit_s=0.5)


def test_an_expect_without_end_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The file, the pattern and the remedy; exit 2, and no disc."""
    monkeypatch.setattr("discprep.disc.matching.values_by_line.__defaults__", (0.5,))
    bench = BenchSet(tmp_path)
    archive = zip_bytes({"F.TXT": b"a" * 5000 + b"!"})
    bench.write(bench.item("a", "a.zip", archive, 'place = "burn"\nform = "unpacked"\n'))
    with bench.manifest.open("a") as file:
        file.write('[[expect]]\nitem = "a"\nfile = "F.TXT"\npattern = "(a+)+$"\nequals = "1"\n')
    ran = run("prepare", bench.manifest, "--out", bench.out, *bench.words)
    assert ran.code == 2 and "was not through with F.TXT" in ran.err, ran.err
    assert not bench.out.exists() or not list(bench.out.iterdir())


def test_values_are_bounded() -> None:
    """A pattern that matches everywhere gives few values and few lines."""
    found = values_by_line("(.)", "".join(map(chr, range(0x4E00, 0x5E00))) + "\n\u4e00" * 1000)
    assert len(found) == 50 and all(len(lines) <= 20 for lines in found.values())

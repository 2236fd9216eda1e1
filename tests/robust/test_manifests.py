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
DESK = '[[step]]\nwhere = "desk"\ntext = '
PROFILE = 'format = 1\nname = "Reading-room machine"\n[disc]\nname_rules = "iso-level-1"\n'


def _expect(pattern: str) -> str:
    return HEAD + ITEM + f'[[expect]]\nitem = "a"\nfile = "f"\npattern = {json.dumps(pattern)}\nequals = "1"\n'


def _wipes(path: str) -> str:
    return HEAD + ITEM + f'[[step]]\nwhere = "machine"\ntext = "t"\nwipes = [{json.dumps(path)}]\n'


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (HEAD + ITEM + f"size = '{'9' * 5000}'\n", "larger than any file"),
        (HEAD + "[plan]\nlink_budget = inf\n" + ITEM, "got inf"),
        (HEAD + "[plan]\nlink_budget = nan\n" + ITEM, "got nan"),
        (HEAD + f"[medium]\nsectors = {2**63 - 1}\n" + ITEM, "medium.sectors"),
        (HEAD + "[medium]\nkind = 'cd-74'\ndiscs = 1000000000\n" + ITEM, "medium.discs"),
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
        (HEAD + '[secrets]\n"A B" = { env = "K" }\n' + ITEM, "secrets.A B"),
        (HEAD + '[secrets]\n"A=B" = { env = "K" }\n' + ITEM, "secrets.A=B"),
        (HEAD + '[secrets]\n"a\\u0000" = { env = "K" }\n' + ITEM, "expected a text of the form"),
        (HEAD + ITEM + FILLED.format("x").replace('"f"', '"../../etc/passwd"'), "must be a member's stored path"),
        (HEAD + ITEM + FILLED.format("x").replace('"f"', '"/etc/passwd"'), "must be a member's stored path"),
        (_expect("(a)").replace('"f"', '"../../etc/passwd"'), "must be a member's stored path"),
        (_wipes("../../S"), "must not climb"),
        (_wipes("S\\..\\..\\X"), "must not climb"),
        (_wipes("S\nformat c:"), "has a control character"),
        (_wipes(" "), "is empty"),
        (_wipes("Q:/S"), "names a volume that is not in the profile"),
        (HEAD + ITEM + "size = 0x" + "f" * 100_000, "a whole number of more than 4,096 bits"),
        (HEAD + "[values]\nx = 0x" + "f" * 4000 + "\n" + ITEM, "a whole number of more than 4,096 bits"),
        (HEAD + "[values]\nx = 0x" + "f" * 40 + "\n" + ITEM, "values.x: a whole number of more than 64 bits"),
        (HEAD + ITEM + f"size = {10**1000}\n", "item[1].size"),
        (HEAD + ITEM + f"size = {'9' * 5000}\n", "a value cannot be read"),
        (HEAD + ITEM + "size = 1e400\n", "item[1].size"),
        (HEAD + ITEM + "renewed_every_days = nan\n", "got nan"),
        (HEAD + f"[link]\nrate = 9600\ncap_bytes_s = {10**1000}\n" + ITEM, "link.cap_bytes_s"),
        (HEAD + ITEM + "only = [" + "1," * 200_000 + "]\n", "a list or table of more than 100,000 entries"),
        (HEAD.replace('"t"', '"a\u202egpj.exe"') + ITEM, "turn the direction of writing"),
        (HEAD.replace('"t"', '"a\u2066b"') + ITEM, "turn the direction of writing"),
        (HEAD.replace('"t"', '"a\\u0000"') + ITEM, "has control characters"),
        (HEAD.replace('"t"', '"a\u009b2J"') + ITEM, "has control characters"),
        (HEAD.replace('"t"', '"' + "a" * 1_000_000 + '"') + ITEM, "at most 4096 characters"),
        (HEAD + ITEM + '[[step]]\nwhere = "desk"\ntext = "\\u001b[2J"\n', "step[1].text: has control characters"),
        (HEAD + ITEM + '[[step]]\nwhere = "desk"\ntext = "x"\ncaution = "\\u0007"\n', "has control characters"),
        (HEAD + '[values]\nx = "\\u001b[2J"\n' + ITEM, "values.x: has control characters"),
        (HEAD.replace("machine.toml", "a\\u0000b") + ITEM, "profile has a NUL character"),
        (HEAD + ITEM.replace("http://files.example/a", "http://[::1"), "is no URL"),
        ('format = 1\ninclude = ["/proc/self/environ"]\n' + HEAD[11:], "include '/proc/self/environ'"),
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


@pytest.mark.parametrize(
    ("boot_files", "expected"),
    [
        ('"../x" = "boot.bin"', "must not climb"),
        ('"/x" = "boot.bin"', "must be relative"),
        ('"" = "boot.bin"', "is empty"),
        ('"X" = "../../etc/passwd"', "must not climb"),
        ('"X" = "/etc/passwd"', "must be relative"),
        ('"X" = "/dev/zero"', "must be relative"),
        ('"X" = "zero"', "leads outside the folder"),
        ('"X" = "pipe"', "there is no file"),
    ],
)
def test_boot_files_of_a_profile(boot_files: str, expected: str, tmp_path: Path) -> None:
    """Neither a place outside the disc nor a file outside the profile's folder, also by a link; no device is opened."""
    (tmp_path / "boot.bin").write_bytes(b"boot")
    (tmp_path / "zero").symlink_to("/dev/zero")
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "machine.toml").write_text(PROFILE + f"boot_files = {{ {boot_files} }}\n")
    (tmp_path / "first.toml").write_text(HEAD + ITEM)
    with pytest.raises(DiscprepError) as caught:
        load_manifest(tmp_path / "first.toml")
    assert expected in str(caught.value)


LOAD = """
import resource, sys
from pathlib import Path
from discprep.errors import DiscprepError
from discprep.manifest import load_manifest
resource.setrlimit(resource.RLIMIT_CPU, (60, 60))
resource.setrlimit(resource.RLIMIT_AS, (2**31, 2**31))
try:
    print(len(load_manifest(Path(sys.argv[1])).items))
except DiscprepError as error:
    print(error)
"""


def _bounded(folder: Path, text: str) -> str:
    """What `check` finds, within 60 s of processor time and 2 GiB (setrlimit(2)): the items, or the faults."""
    (folder / "machine.toml").write_text(PROFILE)
    (folder / "first.toml").write_text(text)
    done = subprocess.run(
        [sys.executable, "-c", LOAD, folder / "first.toml"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr[-2000:]
    return done.stdout


def _items(needs: str = "") -> str:
    """20,000 items; `needs` may speak of N, the number of the item, and of M, the next."""
    rows = (
        f'[[item]]\nid = "i{n}"\npage = "p"\n{needs.replace("N", str(n)).replace("M", str(n + 1))}'
        for n in range(20_000)
    )
    return HEAD + "".join(rows)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (_items('needs = ["iM"]\n').replace('needs = ["i20000"]', ""), "20000\n"),
        (_items('needs = ["xN", "yN"]\n'), "39,900 more faults"),
        (_items('needs = ["iM", "i0"]\n'), "needs go in a circle"),
        (HEAD + "".join(f'[[item]]\nid="i{n}"\nbad{n}="p"\n' for n in range(5000)), "more faults are not listed"),
        (HEAD + "".join(f'[[item]]\nid="i{n}"\npage="p"\n' for n in range(100_000)), "a manifest may have 20,000"),
        ("a." * 1_000_000 + "b = 1\n", "nested more than 12 deep"),
        ("".join(f"[t{n}.{'a.' * 5000}b]\n" for n in range(500)), "nested more than 12 deep"),
        ("x = {" + "a." * 1_000_000 + "b = 1}\n", "nested more than 12 deep"),
        ("x = " + "[" * 1_000_000, "nested too deeply"),
        (HEAD.replace('"t"', f'"{"t" * 4000}"') + (DESK + f'"{"{title}" * 9000}"\n') * 100, "would fill in"),
        (HEAD + f'[values]\nx = "{"x" * 60_000}"\n' + ITEM + FILLED.format("{values.x}" * 6000) * 20, "would fill in"),
        (HEAD + ITEM.replace('"a"', f'"{"a" * 1_000_000}"'), "item[1].id: expected"),
        (HEAD + ITEM + f'needs = ["{"a" * 1_000_000}"]\n', "neither an item nor a role"),
        (HEAD + "a" * 1_000_000 + " = 1\n" + ITEM, "unknown key"),
        (HEAD + "x = [" + "1," * 1_000_000 + "]\n", "a list or table of more than 100,000 entries"),
        (HEAD + "#" * 17_000_000, "the file is larger than"),
    ],
    ids=[
        "long chain", "unknown needs", "circles", "bad items", "100,000 items", "dotted key", "deep tables",
        "inline key", "brackets", "titles in texts", "values in edits", "long id", "long need", "long key",
        "long list", "long file",
    ],
)  # fmt: skip
def test_bounded_in_time_and_memory(text: str, expected: str, tmp_path: Path) -> None:
    """What is large or deep on purpose is loaded or refused within bounds, and told in less than 64 KiB."""
    said = _bounded(tmp_path, text)
    assert expected in said and len(said) < 65_536, said[:500]


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

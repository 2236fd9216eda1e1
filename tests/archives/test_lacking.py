"""What this computer lacks is no fault of an archive: said once, with status 3, never "get another copy"; and whoever
does what the hint says gets the archive, though it was tried before."""

import subprocess
from pathlib import Path

import pytest
from support.bench_set import BenchSet
from support.command import run
from support.programs import program
from support.zips import Put, archive, shrunk

from discprep.archives import OpenTask, open_all, pool
from discprep.model import Limits

WITHOUT = (
    "import sys; sys.path[:] = sys.argv[2:]; sys.modules['{}'] = None\n"
    "from discprep.archives.worker import main; main()"
)
TEXTS = {b"a.txt": b"one " * 50, b"b.txt": b"two " * 50, b"c.txt": b"three " * 50}


def old_zip(folder: Path) -> Path:
    """Three members packed by shrink, which only outside programs decode."""
    path = folder / "old.zip"
    path.write_bytes(
        archive(*[Put(name, data, 1, shrunk(data)) for name, data in TEXTS.items()], Put(b"d.txt", b"plain"))
    )
    return path


def test_members_that_need_a_program(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """inspect and unpack name the program once for all members, show what is whole, and end with 3."""
    path = old_zip(tmp_path)
    monkeypatch.setenv("PATH", str(tmp_path))
    for words in (["inspect", path], ["unpack", path, tmp_path / "out"]):
        ran = run(*words, "--json")
        errors = ran.document["errors"]
        assert (ran.code, [error["family"] for error in errors]) == (3, ["tool"])
        assert "unzip or 7z" in errors[0]["message"] and "apt-get install" in errors[0]["hint"]
        assert "another copy" not in ran.out
    assert (tmp_path / "out" / "d.txt").read_bytes() == b"plain"


def test_the_hint_is_followed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An archive that could not be read for want of a program is read once that is there: nothing was kept of it."""
    program("unzip")
    path = old_zip(tmp_path)

    def whole() -> bool:
        (opened,) = open_all([OpenTask(path)], store=tmp_path / "store", limits=Limits(), workers=1)
        return opened.whole

    with monkeypatch.context() as lacking:
        lacking.setenv("PATH", str(tmp_path))
        assert not whole()
    assert whole()


def test_a_format_that_needs_a_library(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A 7z archive as an item: prepare and verify say what to install, once, and end with 3; then it is read."""
    pytest.importorskip("py7zr")
    (tmp_path / "a.txt").write_bytes(b"hello\n")
    subprocess.run([program("7z", "7zip"), "a", "-bd", "x.7z", "a.txt"], cwd=tmp_path, check=True, capture_output=True)
    bench = BenchSet(tmp_path)
    bench.write(bench.item("x", "x.7z", (tmp_path / "x.7z").read_bytes()))
    with monkeypatch.context() as lacking:
        lacking.setattr(pool, "_START", WITHOUT.format("py7zr"))
        ran = run("prepare", bench.manifest, "--out", bench.out, *bench.words, "--json")
        errors = ran.document["errors"]
        assert (ran.code, [error["family"] for error in errors]) == (3, ["tool"])
        assert "pip install 'discprep[sevenzip]'" in errors[0]["hint"]
        assert run("inspect", tmp_path / "x.7z").code == 3
    assert run("prepare", bench.manifest, "--out", bench.out, *bench.words).code == 0


def test_check_says_that_lha_is_slow(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without a compiled decoder there is a remark for LHA archives; with one, or without such archives, none."""
    from discprep.archives import lha_decode

    bench = BenchSet(tmp_path)
    bench.write(bench.item("tools", "tools.lzh", b"x"))
    told = [notice["message"] for notice in run("check", bench.manifest, "--json").document["notices"]]
    assert not any("read slowly" in words for words in told)
    monkeypatch.setattr(lha_decode, "_installed", lambda library: False)
    told = [notice["message"] for notice in run("check", bench.manifest, "--json").document["notices"]]
    assert any("tools" in words and "read slowly" in words for words in told)
    bench.write(bench.item("tools", "tools.zip", b"x"))
    told = [notice["message"] for notice in run("check", bench.manifest, "--json").document["notices"]]
    assert not any("read slowly" in words for words in told)

"""The log of what was done with discs: `status` finds builds wherever they are, without a walk, and tells of them."""

from __future__ import annotations

import json
import shlex
import shutil
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from support.bench_set import BenchSet, usual
from support.command import run

from discprep.fetch.lines import append, lines_of


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> BenchSet:
    (tmp_path / "recipes").mkdir()
    monkeypatch.chdir(tmp_path / "recipes")
    monkeypatch.delenv("DISCPREP_BURNER", raising=False)
    bench = usual(tmp_path / "recipes")
    assert run("prepare", bench.manifest, "--out", tmp_path / "discs", *bench.words).code == 0
    return bench


def status(bench: BenchSet) -> dict[str, Any]:
    return run("status", bench.manifest, *bench.words, "--json").document


def test_a_build_elsewhere_is_found(bench: BenchSet, tmp_path: Path) -> None:
    """It was made beside no manifest; a record that lies deep below the manifest and was never noted is not looked
    for, and one that is read back is known from then on."""
    (disc,) = status(bench)["discs"]
    assert disc["folder"] == str(tmp_path / "discs") and disc["last"] == ""
    assert {tuple(item["discs"]) for item in status(bench)["items"]} == {(disc["build_id"],)}
    deep = tmp_path / "recipes" / "a" / "b" / "c"
    shutil.copytree(tmp_path / "discs", deep)
    assert [one["folder"] for one in status(bench)["discs"]] == [str(tmp_path / "discs")]
    shutil.rmtree(tmp_path / "discs")
    assert status(bench)["discs"] == []
    assert run("readback", deep, next(deep.glob("*.iso"))).code == 0
    assert [one["folder"] for one in status(bench)["discs"]] == [str(deep)]


def test_manifest_and_builds_moved_together(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Folders below the manifest's are noted as seen from there."""
    (tmp_path / "one").mkdir()
    bench = usual(tmp_path / "one")
    assert run("prepare", bench.manifest, "--out", bench.out, *bench.words).code == 0
    assert str(tmp_path) not in (tmp_path / "one" / "m.discs.jsonl").read_text()
    (tmp_path / "one").rename(tmp_path / "two")
    assert [one["folder"] for one in status(BenchSet(tmp_path / "two"))["discs"]] == [str(tmp_path / "two" / "out")]


def test_what_was_burned_and_read_back_is_told(bench: BenchSet, tmp_path: Path) -> None:
    """The next step goes on from there: burn, read back, nothing; hurt: burn again. An image read back is no disc."""
    discs, image = tmp_path / "discs", next((tmp_path / "discs").glob("*.iso"))
    before = status(bench)
    steps = [before["next"], *before["then"]]
    assert [("burn " in step, "readback" in step) for step in steps[:2]] == [(True, False), (False, True)]
    assert run("readback", discs, image).code == 0 and status(bench)["next"] == before["next"]
    mounted = tmp_path / "mounted"
    mounted.mkdir()
    ran = run("readback", discs, mounted)
    assert ran.code == 1
    (disc,) = status(bench)["discs"]
    assert (disc["last"], disc["result"]) == ("readback", "hurt") and status(bench)["next"] == before["next"]
    events = [json.loads(line) for line in (bench.folder / "m.discs.jsonl").read_text().splitlines()]
    assert [(one["what"], one["kind"], one["result"]) for one in events] == [
        ("build", "", ""), ("readback", "file", "whole"), ("readback", "folder", "hurt")
    ]  # fmt: skip
    whole = {**events[-1], "what": "burn", "kind": "drive", "result": "unread"}
    append(bench.folder / "m.discs.jsonl", whole)
    assert "readback" in status(bench)["next"]
    append(bench.folder / "m.discs.jsonl", whole | {"result": "whole"})
    assert status(bench)["discs"][0]["result"] == "whole" and not status(bench)["next"]


def test_a_disc_of_a_manifest_that_lies_elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Neither the build nor the working folder lies below the manifest's: the usual cache remembers it, once."""
    monkeypatch.setattr("discprep.fetch.cache.default_root", lambda: tmp_path / "cache")
    monkeypatch.setattr("discprep.job.history.default_root", lambda: tmp_path / "cache")
    (tmp_path / "recipes").mkdir()
    (tmp_path / "desk").mkdir()
    monkeypatch.chdir(tmp_path / "desk")
    bench, discs = usual(tmp_path / "recipes"), tmp_path / "discs"
    for n in range(2):
        bench.manifest.write_text(bench.manifest.read_text().replace("A test disc", f"Disc {n}"))
        assert run("prepare", bench.manifest, "--out", discs).code == 0
    assert run("readback", discs, tmp_path / "desk").code == 1
    (disc,) = run("status", bench.manifest, "--json").document["discs"]
    assert (disc["last"], disc["result"]) == ("readback", "hurt")
    assert len(lines_of(tmp_path / "cache" / "elsewhere.jsonl")) == 1


def test_burn_is_noted(bench: BenchSet, tmp_path: Path) -> None:
    """A burner that writes to a plain file: noted as one."""
    copy = "import shutil,sys; shutil.copyfile(sys.argv[2], sys.argv[1].removeprefix('stdio:'))"
    burner = f"{shlex.quote(sys.executable)} -c {shlex.quote(copy)} {{device}} {{image}}"
    device = f"stdio:{tmp_path / 'blank'}"
    ran = run("burn", tmp_path / "discs", "--device", device, "--burner", burner, "--yes-device", device)
    assert ran.code == 0, ran.err
    last = json.loads((bench.folder / "m.discs.jsonl").read_text().splitlines()[-1])
    assert (last["what"], last["target"], last["kind"], last["result"]) == ("burn", device, "file", "whole")


def test_a_torn_line_and_strange_ones(bench: BenchSet) -> None:
    """A kill tears the last line: it is said, the rest counts, and the next line stands apart from it."""
    log = bench.folder / "m.discs.jsonl"
    with log.open("a") as file:
        file.write('[]\n{"disc": 1, "what": "build", "at_s": "soon", "build_id": 1, "folder": "x\\u0000"}\n{"disc": 1')
    document = status(bench)
    assert len(document["discs"]) == 1 and "3 of 4 lines" in document["notices"][0]["message"]
    log.write_text(log.read_text())
    append(log, json.loads(lines_of(log)[0][1]))
    assert log.read_text().endswith("}\n") and "\n{" in log.read_text()[-len(lines_of(log)[0][1]) - 3 :]
    assert "3 of 5 lines" in status(bench)["notices"][0]["message"]


def test_lines_of_many_at_once(tmp_path: Path) -> None:
    """POSIX.1-2017, write(): with O_APPEND no line lands in another."""
    log = tmp_path / "log"
    with ThreadPoolExecutor(8) as pool:
        list(pool.map(lambda n: append(log, {"n": n, "text": "x" * n * 50}), range(100)))
    assert sorted(json.loads(line)["n"] for _, line in lines_of(log)) == list(range(100))


def test_a_log_that_cannot_be_written(bench: BenchSet, tmp_path: Path) -> None:
    """The disc stands and is right; that it could not be noted is said, with the way out."""
    log = bench.folder / "m.discs.jsonl"
    log.unlink()
    log.mkdir()
    ran = run("build", bench.manifest, "--out", tmp_path / "other", *bench.words, "--json")
    assert ran.code == 0 and any("could not be noted" in one["message"] for one in ran.document["notices"])
    found = run("status", bench.manifest, *bench.words, "--built", tmp_path / "other", "--json").document
    assert [one["folder"] for one in found["discs"]] == [str(tmp_path / "other")]
    assert not (tmp_path / "other" / "m.discs.jsonl").exists()

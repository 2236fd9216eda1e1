"""`prepare` and `build` as a user runs them. Outside judges: bsdtar extracts the image, sha256sum checks the sums."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from support.bench_set import SETTINGS, BenchSet, usual, zip_bytes
from support.command import run
from support.programs import program


@pytest.fixture
def bench(tmp_path: Path) -> BenchSet:
    return usual(tmp_path)


def prepare(bench: BenchSet, *more: object) -> dict[str, Any]:
    ran = run("prepare", bench.manifest, "--out", bench.out, *bench.words, "--json", *more)
    assert ran.code == 0, ran.out
    return ran.document


def test_prepare_leaves_what_it_says(bench: BenchSet) -> None:
    """Image, record, both sheets and sums; the sums hold (sha256sum), the record loads, no part is left."""
    document = prepare(bench)
    disc = document["discs"][0]
    names = sorted(path.name for path in bench.out.iterdir())
    assert names == sorted(
        [f"FIRSTDISC-{disc['build_id']}.iso", "SHA256SUMS", "bench-sheet.html", "bench-sheet.txt", "record.json"]
    )
    subprocess.run([program("sha256sum", "coreutils"), "--quiet", "-c", "SHA256SUMS"], cwd=bench.out, check=True)
    assert bench.image().stat().st_size == disc["sectors"] * 2048
    assert run("readback", bench.out / "record.json", bench.image()).code == 0


def test_the_image_holds_the_edited_and_converted_files(bench: BenchSet, tmp_path: Path) -> None:
    """bsdtar (libarchive) extracts what was meant: the edit done, the text with CR LF, all else untouched."""
    prepare(bench)
    target = tmp_path / "x"
    target.mkdir()
    subprocess.run([program("bsdtar", "libarchive-tools"), "-xf", bench.image(), "-C", target], check=True)
    assert (target / "TOOLS/LINE.CFG").read_bytes() == SETTINGS.replace(b"19200", b"9600")
    # The profile's end mark (a DOS-class machine's 1A) may follow the text.
    assert (target / "TOOLS/A_LONG_N.TEX").read_bytes().rstrip(b"\x1a") == b"one\r\ntwo\r\n"
    assert (target / "TOOLS/BIN/RUN.EXE").read_bytes() == bytes(range(256)) * 40
    assert (target / "DOCS/DOCS/ONE.TXT").read_bytes() == b"1" * 5000
    assert (target / "MISC/PLAIN.BIN").read_bytes() == b"\0\1\2" * 700


def test_a_second_run_changes_nothing(bench: BenchSet) -> None:
    """Nothing is fetched or written again; a change of one setting replaces the image."""
    first = prepare(bench)["discs"][0]
    stamp = bench.image().stat().st_mtime_ns
    again = prepare(bench)["discs"][0]
    assert again["unchanged"] and again["sha256"] == first["sha256"] and bench.image().stat().st_mtime_ns == stamp
    text = bench.manifest.read_text()
    bench.manifest.write_text(text.replace("rate = 9600", "rate = 19200"))
    changed = prepare(bench)["discs"][0]
    assert not changed["unchanged"] and changed["build_id"] != first["build_id"]
    assert bench.image().name == f"FIRSTDISC-{changed['build_id']}.iso"


@pytest.mark.parametrize("name", ["record.json", "bench-sheet.txt", "image", "SHA256SUMS"])
def test_damage_in_the_output_is_noticed(bench: BenchSet, name: str) -> None:
    """One changed byte in what stands there: the next run does not believe it and builds anew, to the same bytes."""
    prepare(bench)
    path = bench.image() if name == "image" else bench.out / name
    whole = path.read_bytes()
    path.write_bytes(whole[:-20] + bytes([whole[-20] ^ 1]) + whole[-19:])
    assert not prepare(bench)["discs"][0]["unchanged"]
    assert path.read_bytes() == whole


def test_dry_run_shows_each_edit_and_writes_nothing(bench: BenchSet) -> None:
    """Before and after, in words and in JSON."""
    assert run("fetch", bench.manifest, *bench.words).code == 0
    ran = run("build", bench.manifest, "--out", bench.out, *bench.words, "--dry-run")
    assert ran.code == 0 and "before  rate=19200" in ran.out and "after   rate=9600" in ran.out
    assert not bench.out.exists()
    document = run("build", bench.manifest, "--out", bench.out, *bench.words, "--dry-run", "--json").document
    assert [edit["file"] for edit in document["edits"]] == ["line.cfg"]


def test_build_before_fetch(bench: BenchSet) -> None:
    """What is not fetched is listed together; exit 1."""
    ran = run("build", bench.manifest, "--out", bench.out, *bench.words, "--json")
    assert ran.code == 1 and {e["item"] for e in ran.document["errors"]} == {"tools", "docs", "plain"}


@pytest.mark.parametrize(
    ("change", "code", "words"),
    [
        (('19200"', '57600"'), 1, "rate=57600"),
        (("times", "tmes"), 2, "tmes"),
        (("sectors = 2000", "sectors = 250"), 1, "sectors"),
    ],
    ids=["an edit that never matches", "an unknown key", "a medium too small"],
)
def test_what_bad_input_gets(bench: BenchSet, change: tuple[str, str], code: int, words: str) -> None:
    """A clear error, and nothing under a final name."""
    text = bench.manifest.read_text().replace('find = "rate=19200"', 'find = "rate=19200"\ntimes = 1')
    bench.manifest.write_text(text.replace(*change))
    ran = run("prepare", bench.manifest, "--out", bench.out, *bench.words)
    assert ran.code == code and words in ran.err and "Traceback" not in ran.err, ran.err
    assert not bench.out.exists() or not list(bench.out.iterdir())


def test_a_text_that_the_charset_cannot_hold(tmp_path: Path) -> None:
    """The character, its line and its file are named."""
    bench = BenchSet(tmp_path)
    archive = zip_bytes({"note.txt": "fine\nŁódź\n".encode()})
    bench.write(bench.item("note", "note.zip", archive, 'text = ["*"]\nplace = "burn"\nform = "unpacked"\n'))
    ran = run("prepare", bench.manifest, "--out", bench.out, *bench.words)
    assert ran.code == 1 and "note.txt" in ran.err and "Ł" in ran.err, ran.err


def test_two_names_that_map_to_one(tmp_path: Path) -> None:
    """Two items that put a file at one place: both are named, nothing is overwritten."""
    bench = BenchSet(tmp_path)
    more = 'to = "X"\nplace = "burn"\nform = "unpacked"\n'
    bench.write(
        bench.item("one", "one.zip", zip_bytes({"A.TXT": b"1"}), more),
        bench.item("two", "two.zip", zip_bytes({"A.TXT": b"2"}), more),
    )
    ran = run("prepare", bench.manifest, "--out", bench.out, *bench.words)
    assert ran.code == 1 and "A.TXT" in ran.err and "one" in ran.err and "two" in ran.err, ran.err


def test_an_output_folder_that_cannot_be_written(bench: BenchSet, tmp_path: Path) -> None:
    """The host's fault, exit 3, with the path."""
    (tmp_path / "file").write_text("in the way")
    ran = run("prepare", bench.manifest, "--out", tmp_path / "file" / "out", *bench.words)
    assert ran.code == 3 and "file" in ran.err, ran.err


def test_settings_that_must_agree(bench: BenchSet) -> None:
    """An `[[expect]]` is read from the finished stage; a difference shows both values."""
    with bench.manifest.open("a") as file:
        file.write('[[expect]]\nitem="tools"\nfile="line.cfg"\npattern="rate=([0-9]+)"\nequals="{bridge.rate}"\n')
    prepare(bench)
    text = bench.manifest.read_text()
    bench.manifest.write_text(text.replace('replace = "rate={link.rate}"', 'replace = "rate=1200"'))
    ran = run("prepare", bench.manifest, "--out", bench.out, *bench.words)
    assert ran.code in (1, 2) and "1200" in ran.err and "9600" in ran.err, ran.err


def test_a_secret_stays_away_from_the_disc_without_the_flag(bench: BenchSet, monkeypatch: pytest.MonkeyPatch) -> None:
    """Refused without the flag; with it, on the disc and nowhere else."""
    value = b"quietly-turning-pages"
    monkeypatch.setenv("ROOM_KEY", value.decode())
    with bench.manifest.open("a") as file:
        file.write('[secrets]\nkey = { env = "ROOM_KEY" }\n')
    text = bench.manifest.read_text()
    edit = '[[item.edit]]\nfile = "line.cfg"\nfind = "key=none"\nreplace = "key={secrets.key}"\n'
    bench.manifest.write_text(text.replace('[[item]]\nid = "docs"', edit + '[[item]]\nid = "docs"'))
    ran = run("prepare", bench.manifest, "--out", bench.out, *bench.words)
    assert ran.code == 2 and "--secrets-on-disc" in ran.err and value.decode() not in ran.err
    ran = run("prepare", bench.manifest, "--out", bench.out, *bench.words, "--secrets-on-disc")
    assert ran.code == 0, ran.err
    assert value.decode() not in ran.out + ran.err
    holders = [p for p in bench.folder.rglob("*") if p.is_file() and value in p.read_bytes()]
    assert holders == [bench.image()]


def test_source_date_epoch(bench: BenchSet, monkeypatch: pytest.MonkeyPatch) -> None:
    """SOURCE_DATE_EPOCH (reproducible-builds.org specification 1.1) dates the volume; nonsense is refused."""
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1234567890")
    prepare(bench)
    with bench.image().open("rb") as image:
        image.seek(16 * 2048 + 813)
        assert image.read(16) == b"2009021323313000"


@pytest.mark.parametrize("given", ["soon", "", "-1", "1.5", "²", "٣", "9" * 5000])
def test_a_source_date_that_is_none(given: str, bench: BenchSet, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same specification: an integer in decimal ASCII digits; anything else is refused in words, with 2."""
    assert run("fetch", bench.manifest, *bench.words).code == 0
    monkeypatch.setenv("SOURCE_DATE_EPOCH", given)
    ran = run("build", bench.manifest, "--out", bench.out, *bench.words)
    assert ran.code == 2 and "SOURCE_DATE_EPOCH" in ran.err and len(ran.err) < 400, ran.err


def test_the_same_bytes_on_any_day_in_any_zone_and_folder(bench: BenchSet, tmp_path: Path) -> None:
    """Another folder, zone, locale and hash seed: image and record are the same bytes."""
    prepare(bench)
    other = tmp_path / "another place"
    other.mkdir()
    for path in [*tmp_path.glob("*.zip"), *tmp_path.glob("*.gz"), *tmp_path.glob("*.BIN"), *tmp_path.glob("*.toml")]:
        (other / path.name).write_bytes(path.read_bytes())
    environment = {**os.environ, "TZ": "Asia/Kathmandu", "PYTHONHASHSEED": "77", "LC_ALL": "C"}
    words = ["prepare", "m.toml", "--out", "there", "--cache", "c", "--json"]
    ran = subprocess.run(
        [sys.executable, "-m", "discprep", *words],
        cwd=other,
        env=environment,
        capture_output=True,
        text=True,
        check=True,
    )
    made = json.loads(ran.stdout)["discs"][0]
    assert Path(other / made["image"]).read_bytes() == bench.image().read_bytes()
    assert (other / "there/record.json").read_bytes() == (bench.out / "record.json").read_bytes()
    assert (other / "there/bench-sheet.html").read_bytes() == (bench.out / "bench-sheet.html").read_bytes()


def test_several_discs(tmp_path: Path) -> None:
    """Each disc has its folder, its image, its record and its sheet; the second run leaves them alone."""
    bench = BenchSet(tmp_path)
    noise = [bytes([n]) * 700_000 for n in range(3)]
    items = [bench.item(f"i{n}", f"i{n}.bin", data, f'to = "I{n}"\nplace = "either"\n') for n, data in enumerate(noise)]
    link = "[link]\nrate = 9600\nmtu = 296\n[bridge]\nrate = 9600"
    bench.write(*items, medium=f"sectors = 900\ndiscs = 2\n{link}")
    document = prepare(bench)
    assert [Path(d["folder"]).name for d in document["discs"]] == ["disc-1", "disc-2"]
    for disc in document["discs"]:
        assert run("readback", disc["record"], disc["image"]).code == 0
    assert all(disc["unchanged"] for disc in prepare(bench)["discs"])

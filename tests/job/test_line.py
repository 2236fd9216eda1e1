"""What makes a link impossible stops the work before anything is fetched; what costs time is said in every place."""

import re
from pathlib import Path

import pytest
from support.command import run

from discprep.errors import ManifestError, flatten
from discprep.job.check import check
from discprep.job.prepare import prepare

PROFILE = """format = 1
name = "Desk"
[[volume]]
path = "C:"
[serial]
"""
MANIFEST = """format = 1
title = "Room"
bring_up = []
[machine]
profile = "machine.toml"
[link]
rate = {rate}
protocol = "{protocol}"
[bridge]
rate = {rate}
{bridge}
[[item]]
id = "a"
sources = ["a.bin"]
place = "burn"
"""


def manifest(folder: Path, *, rate: int = 9600, protocol: str = "slip", serial: str = "", bridge: str = "") -> Path:
    folder.mkdir(exist_ok=True)
    (folder / "machine.toml").write_text(PROFILE + serial)
    (folder / "a.bin").write_bytes(b"a" * 900)
    (folder / "m.toml").write_text(MANIFEST.format(rate=rate, protocol=protocol, bridge=bridge))
    return folder / "m.toml"


# 76,800 from 1.8432 MHz by 16n: divisor 1.5, so 115,200 or 57,600 (arithmetic; the data sheets of such parts leave it
# out). A V.24 circuit 106 that nobody raises (ITU-T V.24).
IMPOSSIBLE = {
    "a rate that the clock cannot make": (
        {"rate": 76_800, "serial": 'clock_hz = 1_843_200\ndivider = "16n"\n'}, "disagree by 33.3 %",
        {"rate": 38_400, "serial": 'clock_hz = 1_843_200\ndivider = "16n"\n'},
    ),
    "an end that waits for ever": (
        {"serial": 'flow = "rts-cts"\n', "bridge": 'flow = "none"'}, "the machine waits for a signal",
        {"serial": 'flow = "rts-cts"\n', "bridge": 'flow = "rts-cts"'},
    ),
    "XON/XOFF under SLIP": (
        {"serial": 'flow = "xon-xoff"\n', "bridge": 'flow = "xon-xoff"'}, "the line will hang",
        {"serial": 'flow = "none"\n', "bridge": 'flow = "none"'},
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", IMPOSSIBLE)
def test_an_impossible_link_stops_and_even_so_builds(name: str, tmp_path: Path) -> None:
    """Exit 2 before anything is fetched; `--even-so` builds and page 1 says it; who does what the hint says is rid of
    it."""
    settings, words, mended = IMPOSSIBLE[name]
    path, out, cache = manifest(tmp_path / "m", **settings), tmp_path / "out", tmp_path / "cache"
    ran = run("prepare", path, "--out", out, "--cache", cache, "--json")
    assert ran.code == 2 and not out.exists() and not cache.exists()
    (told,) = ran.document["errors"]
    assert words in told["message"] and "--even-so" in told["hint"]
    with pytest.raises(ManifestError, match=words):
        check(path)
    built = run("prepare", path, "--out", out, "--cache", cache, "--even-so", "--json")
    assert built.code == 0
    assert any(words in notice["message"] for notice in built.document["notices"])
    sheet = (out / "bench-sheet.txt").read_text()
    assert words in " ".join(sheet[: sheet.index("\n2. ")].split())
    assert run("build", path, "--out", out, "--cache", cache).code == 2
    fine = prepare(manifest(tmp_path / "m", **mended), out, cache_root=cache)
    assert not any("the link" in notice.message for notice in fine.notices)


def test_the_hint_names_a_rate_that_works(tmp_path: Path) -> None:
    serial = 'clock_hz = 1_843_200\ndivider = "16n"\n'
    with pytest.raises(ManifestError) as caught:
        check(manifest(tmp_path, rate=76_800, serial=serial))
    (fault,) = flatten([caught.value])
    found = re.search(r"Set both to ([0-9,]+)", fault.hint)
    assert found
    assert check(manifest(tmp_path, rate=int(found[1].replace(",", "")), serial=serial)).manifest.link


def test_what_costs_characters_is_said_by_check_prepare_and_sheet(tmp_path: Path) -> None:
    """A port without FIFO, served after 300 us, at 57,600 bit/s: 174 us a character [by hand]."""
    path = manifest(tmp_path / "m", rate=57_600, serial="service_us = 300\n")
    words = "characters will be lost"
    assert any(words in notice.message for notice in check(path).notices)
    built = prepare(path, tmp_path / "out", cache_root=tmp_path / "cache")
    again = prepare(path, tmp_path / "out", cache_root=tmp_path / "cache")
    assert again.discs[0].unchanged
    for one in (built, again):
        assert any(words in notice.message for notice in one.notices)
    for face in ("bench-sheet.txt", "bench-sheet.html"):
        assert words in " ".join((tmp_path / "out" / face).read_text().split())

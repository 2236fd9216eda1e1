"""Names of a series: the number that tells them apart outlives shortening; endings and letters as a person reads them.

Lengths and characters: ECMA-119 7.5.1 (level 1), 10.1; `.tgz` for `.tar.gz` where an ending has three letters is common
practice. Letters without accents: Unicode Standard Annex 15 (NFKD)."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from support.command import run
from support.zips import Put, archive

from discprep.disc.folder_names import Entry, name_folder
from discprep.disc.name_rules import IsoRule, Rule, VolumeRule, joliet_rule
from discprep.model import Volume

DOS = VolumeRule(Volume("C:", stem_max=8, extension_max=3, forbidden='"*+,/:;<=>?[\\]| ä'), "cp437")


def names(rule: Rule, *wanted: str, folder: bool = False) -> dict[str, str]:
    found = name_folder([Entry(one, folder) for one in wanted], rule)
    return {key: one.name.removesuffix(".") for key, one in found.items()}


@pytest.mark.parametrize("rule", [IsoRule(1), DOS], ids=["level 1", "8.3"])
def test_a_series_keeps_its_numbers(rule: Rule) -> None:
    """Whatever else goes, each name ends in its own number, and no other has that."""
    wanted = [f"Streckenplan part {n}.txt" for n in range(1, 13)]
    for name, found in names(rule, *wanted).items():
        number = re.findall(r"\d+", name)[0]
        assert re.search(rf"[^0-9]{number}\.txt$", found, re.IGNORECASE), (name, found)


@pytest.mark.parametrize("rule", [IsoRule(1), IsoRule(2), DOS], ids=["level 1", "level 2", "8.3"])
def test_what_tells_a_clash_apart_is_no_other_number(rule: Rule) -> None:
    """`Linie 1` beside `Linie-1`: the second does not become what `Linie 11` would be."""
    found = names(rule, "Linie 1", "Linie-1", "Linie+1", "Linie 11", "Linie 12")
    assert len({name.casefold() for name in found.values()}) == 5
    for name, chosen in found.items():
        last = re.findall(r"\d+", chosen)
        assert last[0] == re.findall(r"\d+", name)[0], found


def test_long_names_in_joliet() -> None:
    """Sixty-four characters there: the number at the end of seventy stays."""
    found = names(joliet_rule(), *(f"{'Verzeichnis ' * 6}Teil {n}.txt" for n in (1, 2)))
    assert [name[-6:] for name in found.values()] == ["1.txt", "2.txt"] or [
        re.search(r"(\d)\.txt$", name)[1] for name in found.values()  # type: ignore[index]
    ] == ["1", "2"]


@pytest.mark.parametrize(
    ("rule", "wanted", "found"),
    [
        (IsoRule(1), "tools.tar.gz", "TOOLS.TGZ"),
        (DOS, "tools.tar.gz", "tools.tgz"),
        (DOS, "tools.TAR.BZ2", "tools.TBZ"),
        (IsoRule(2), "tools.tar.gz", "TOOLS_TAR.GZ"),
        (DOS, "Fahrplän.txt", "Fahrplan.txt"),
        (IsoRule(1), "Fahrplän.txt", "FAHRPLAN.TXT"),
        (VolumeRule(Volume("C:"), "cp437"), "Fahrplän.txt", "Fahrplän.txt"),
        (VolumeRule(Volume("C:"), "ascii"), "Straße.txt", "Strasse.txt"),
        (IsoRule(2), "Straße.txt", "STRASSE.TXT"),
        (VolumeRule(Volume("C:"), "ascii"), "Łódź", "Lodz"),
        (IsoRule(1), "Łódź", "LODZ"),
    ],
)
def test_endings_and_letters(rule: Rule, wanted: str, found: str) -> None:
    assert names(rule, wanted) == {wanted: found}


def test_strip_takes_leading_folders_off(tmp_path: Path) -> None:
    """`BELLS/BELLS` becomes `BELLS`; a file above the folder keeps its name; edits go by the stored path."""
    (tmp_path / "desk.toml").write_text('format = 1\nname = "desk"\n')
    (tmp_path / "bells.zip").write_bytes(
        archive(
            Put(b"BELLS/"), Put(b"BELLS/SOUND/RING.TXT", b"ring\n"), Put(b"BELLS/BELL.CFG", b"loud\n"), Put(b"READ.ME")
        )
    )
    path = tmp_path / "first.toml"
    path.write_text(
        'format = 1\nbring_up = []\nform = "unpacked"\n[machine]\nprofile = "desk.toml"\n[medium]\nkind = "cd-74"\n'
        '[[item]]\nid = "bells"\nsources = ["bells.zip"]\nto = "BELLS"\nstrip = 1\n'
        '[[item.edit]]\nfile = "BELLS/BELL.CFG"\nfind = "loud"\nreplace = "soft"\n'
        '[[item.edit]]\nfor = ["another"]\nfile = "BELLS/BELL.CFG"\nfind = "nowhere"\nreplace = "x"\n'
        '[[step]]\nfor = ["another"]\nwhere = "machine"\ntext = "Ring it."\n'
    )
    ran = run("prepare", path, "--out", tmp_path / "out", "--cache", tmp_path / "cache", "--json")
    assert ran.code == 0, ran.err
    record = json.loads((tmp_path / "out" / "record.json").read_text())
    places = {"/".join(file["name"]) for file in record["files"] if file["item"]}
    assert places == {"BELLS/SOUND/RING.TXT", "BELLS/BELL.CFG", "BELLS/READ.ME"}
    assert not [file for file in (tmp_path / "out").iterdir() if b"Ring it." in file.read_bytes()]

"""What was decided when the machine's disc was built is obeyed afterwards: the record of the newest disc says what
waits, in which shape and order; where the manifest has changed since, what that disc carries still is there."""

from __future__ import annotations

import random
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from support.bench_set import BenchSet, zip_bytes
from support.command import run
from support.shelf import served

from discprep.disc.record import Record, RecordItem, load_record, save_record
from discprep.errors import DiscError, UsageError
from discprep.job import decided
from discprep.job.builds import Build

LINK = "sectors = {}\ndiscs = {}\n[link]\nrate = 9600\nmtu = 576\n[bridge]\nrate = 9600"
BIG = random.Random(3).randbytes(180_000)
ITEMS = {
    "tool": ({"OPEN.EXE": b"tool" * 50}, 'gives = ["unpack-zip"]'),
    "big": ({"BIG.DAT": BIG}, 'needs = ["tool"]\nplace = "burn"'),
    "maps": ({"MAP.TXT": b"all alike " * 500, "KEY.TXT": b"keys"}, 'place = "later"'),
    "list": ({"LIST.TXT": b"list"}, 'place = "later"'),
}


def bench(folder: Path, *more: str, without: str = "", medium: str = LINK.format(2000, 1)) -> BenchSet:
    made = BenchSet(folder)
    items = [made.item(key, f"{key}.zip", zip_bytes(files), words) for key, (files, words) in ITEMS.items()
             if key != without]  # fmt: skip
    made.write(*items, *more, medium=medium)
    return made


def ran(made: BenchSet, command: str, *words: object) -> dict[str, Any]:
    found = run(command, made.manifest, *words, *made.words, "--json")
    assert found.code == 0, found.out
    return dict(found.document)


def offered(made: BenchSet, **wish: Any) -> dict[str, str]:
    """Id to shape, in the order of the shelf."""
    with served(made.manifest, made.folder / "cache", **wish) as shelf:
        return {one["id"]: one["shape"] for one in shelf.listening["items"]}


def told(made: BenchSet) -> list[str]:
    with served(made.manifest, made.folder / "cache") as shelf:
        return [notice["message"] for notice in shelf.listening["notices"]]


def changed(made: BenchSet, change: Callable[[RecordItem], RecordItem]) -> None:
    """The record with other items, sealed as a build would."""
    path = made.out / "record.json"
    record = load_record(path)
    save_record(replace(record, items=tuple(map(change, record.items))), path)


def test_the_shelf_obeys_the_record(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Shape and order are the record's, whatever a plan would say now: none is made. `--as` overrules the shape."""
    made = bench(tmp_path)
    ran(made, "prepare", "--out", made.out)
    before = offered(made)
    assert before == dict.fromkeys(before, "archive") and set(before) == {"maps", "list"}

    def other(item: RecordItem) -> RecordItem:
        return replace(item, shape="unpacked" if item.id == "maps" else item.shape, turn=3 - item.turn)

    changed(made, lambda item: other(item) if item.turn else item)
    monkeypatch.setattr(decided, "planned", lambda *_: pytest.fail("planned again"))
    after = offered(made)
    assert list(after) == [*before][::-1] and after == {"maps": "unpacked", "list": "archive"}
    assert offered(made, shapes=("maps=zip-stored",))["maps"] == "zip-stored"


def test_what_the_record_tells_of_items_not_here(tmp_path: Path) -> None:
    """An item that is gone from the cache is listed with the bytes and files that the disc was planned with."""
    made = bench(tmp_path)
    ran(made, "prepare", "--out", made.out)
    with served(made.manifest, tmp_path / "cache", shapes=("unpacked",)) as shelf:
        exact = {one["id"]: (one["size_bytes"], one["file_count"]) for one in shelf.listening["items"]}
    changed(made, lambda item: replace(item, shape="unpacked", pulled_bytes=5004, pulled_files=2)
            if item.id == "maps" else item)  # fmt: skip
    shutil.rmtree(tmp_path / "cache")
    with served(made.manifest, tmp_path / "cache") as shelf:
        (maps,) = (one for one in shelf.listening["items"] if one["id"] == "maps")
    assert maps["state"] == "wanted" and (maps["size_bytes"], maps["file_count"]) == exact["maps"] == (5004, 2)


def test_a_disc_built_before_the_manifest_changed(tmp_path: Path) -> None:
    """A medium that would take all of it now, and two more items: what the disc carries is there, so it is not offered
    and opens archives; what it has not waits; what is to burn is for another disc. It is said."""
    made = bench(tmp_path)
    ran(made, "prepare", "--out", made.out)
    more = made.item("notes", "notes.zip", zip_bytes({"NOTES.TXT": b"notes"}))
    atlas = made.item("atlas", "atlas.zip", zip_bytes({"ATLAS.TXT": b"atlas"}), 'place = "burn"')
    bench(tmp_path, more, atlas)
    ran(made, "fetch")
    assert {one["id"]: one["place"] for one in ran(made, "plan")["items"]}["notes"] == "burn"
    found = offered(made)
    assert set(found) == {"maps", "list", "notes"} and set(found.values()) == {"archive"}
    assert {"big", "atlas"} <= offered(made, whole=True).keys()
    assert any("other inputs" in words for words in told(made))
    ran(made, "prepare", "--out", made.out)
    assert set(offered(made)) == {"maps", "list"} and not any("other inputs" in words for words in told(made))


def test_what_opens_archives_is_not_on_that_disc(tmp_path: Path) -> None:
    """The disc was built without the unpacker, which the manifest has since: it comes over the line, and first."""
    made = bench(tmp_path, without="tool")
    made.manifest.write_text(made.manifest.read_text().replace('needs = ["tool"]\n', ""))
    ran(made, "prepare", "--out", made.out)
    assert set(offered(made).values()) == {"unpacked"}
    bench(tmp_path)
    ran(made, "fetch")
    found = offered(made)
    assert next(iter(found)) == "tool" and found["tool"] == "unpacked" and found["maps"] == "archive"


def test_what_was_renewed_waits(tmp_path: Path) -> None:
    """The machine has the version of its disc; the new one of an item that may go either way is offered."""
    made = bench(tmp_path)
    ran(made, "prepare", "--out", made.out)
    tool = ITEMS["tool"][1]
    old = made.item("tool", "tool.zip", zip_bytes(ITEMS["tool"][0]), tool)
    new = made.item("tool", "tool.zip", zip_bytes({"OPEN.EXE": b"newer" * 50}), tool)
    made.manifest.write_text(made.manifest.read_text().replace(old, new))
    ran(made, "fetch", "--renew", "tool")
    assert offered(made)["tool"] == "unpacked"


def test_each_machine_has_its_own_disc(tmp_path: Path) -> None:
    """The newest disc is another machine's, on which an item waits that this one's disc carries: each shelf and each
    status goes by its own machine's disc."""
    made = bench(tmp_path)
    (tmp_path / "small.toml").write_text('format = 1\nname = "small"\n[[volume]]\npath = "C:"\nfree = "150 KB"\n')
    text = made.manifest.read_text().replace('needs = ["tool"]\nplace = "burn"', 'needs = ["tool"]')
    made.manifest.write_text(text)
    ran(made, "prepare", "--out", made.out)
    ran(made, "prepare", "--out", tmp_path / "other", "--machine", tmp_path / "small.toml")
    assert "big" not in offered(made)
    with served(made.manifest, tmp_path / "cache", machine=tmp_path / "small.toml") as shelf:
        assert {one["id"] for one in shelf.listening["items"]} >= {"big", "maps", "list"}
        assert not any("other inputs" in notice["message"] for notice in shelf.listening["notices"])
    assert not any("other inputs" in words for words in told(made))
    for words, first in (((), made.out), (("--machine", tmp_path / "small.toml"), tmp_path / "other")):
        status = ran(made, "status", *words)
        assert not any("other inputs" in notice["message"] for notice in status["notices"])
        assert status["discs"][0]["folder"] == str(first)


def test_two_discs(tmp_path: Path) -> None:
    """What either of them carries is there."""
    made = bench(tmp_path, medium=LINK.format(330, 2))
    extra = made.item("extra", "extra.zip", zip_bytes({"EXTRA.DAT": BIG[::-1]}), 'place = "burn"')
    bench(tmp_path, extra, medium=LINK.format(330, 2))
    built = ran(made, "prepare", "--out", made.out)
    assert len(built["discs"]) == 2
    assert set(offered(made)) == {"maps", "list"}
    bench(tmp_path, extra, medium=LINK.format(2000, 1))
    assert set(offered(made)) == {"maps", "list"}


def test_a_record_that_does_not_say_it(tmp_path: Path) -> None:
    """One of an older version: what waits is planned, beside what the disc carries."""
    made = bench(tmp_path)
    ran(made, "prepare", "--out", made.out)
    before = offered(made)
    changed(made, lambda item: replace(item, turn=0, shape="", pulled_files=0))
    assert offered(made) == before
    record = load_record(made.out / "record.json")
    for words, number in (("2", 2), ("second", 1), ("²", 1), ("9" * 5000, 1)):  # a setting is any text
        assert Build(made.out, replace(record, settings=(("build.disc", words),))).number == number
    bench(tmp_path, without="maps")
    assert set(offered(made)) == {"list"}


@pytest.mark.parametrize("change", [{"pulled_files": 0}, {"pulled_files": 10**9}, {"pulled_bytes": -1}, {"shape": "x"}])
def test_a_record_beyond_all_bounds(change: dict[str, Any], tmp_path: Path) -> None:
    item = RecordItem("maps", place="later", shape="zip", pulled_bytes=5, pulled_files=1, turn=1)
    record = Record("0" * 10, "1", "t", "V", ("iso-level-1",), 0, "", "", 0, "", 0, 0, (), (item,), (), ())
    save_record(record, tmp_path / "good.json")
    assert load_record(tmp_path / "good.json").items == (item,)
    save_record(replace(record, items=(replace(item, **change),)), tmp_path / "record.json")
    with pytest.raises(DiscError, match="does not say what a record says"):
        load_record(tmp_path / "record.json")


def test_nothing_waits(tmp_path: Path) -> None:
    made = bench(tmp_path)
    made.manifest.write_text(made.manifest.read_text().replace('place = "later"', 'place = "burn"'))
    ran(made, "prepare", "--out", made.out)
    with pytest.raises(UsageError, match="no item waits"):
        offered(made)

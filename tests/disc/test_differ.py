"""What changed between two builds, and why."""

from dataclasses import replace
from pathlib import Path

import pytest
from support.command import run
from support.trees import Shelf, name, options

from discprep.disc.differ import Change, differ
from discprep.disc.image import write_image
from discprep.disc.record import Record, RecordItem, build_id, make_record, save_record
from discprep.model import AppliedEdit, Pin, Staged

ITEMS = (RecordItem("net", "Net", "1.2", "burn", "unpacked", "a" * 64), RecordItem("pics", place="later"))


def staged(shelf: Shelf, rate: str = "57600") -> list[Staged]:
    edit = AppliedEdit("net", "conf", "rate=19200", f"rate={rate}", 1)
    return [
        shelf.file("NET/conf", f"rate={rate}".encode(), item="net", member="conf", edits=(edit,)),
        shelf.file("NET/tool.text", b"tool" * 700, item="net", member="tool.text"),
        shelf.file("CONTENTS.TXT", f"list for {rate}".encode(), item=""),
    ]


def record(
    place: Path,
    entries: list[Staged],
    rules: str = "1",
    pins: str = "a",
    items: tuple[RecordItem, ...] = ITEMS,
    rate: str = "57600",
) -> Record:
    settings = options(rules)
    named = name(entries, rules)
    written = write_image(named, place / "x.iso", settings)
    return make_record(written, settings, build_id(named, settings, {"net": pins * 64}), title="t", items=items,
                       pins=[Pin("net", 5, pins * 64, 1)], settings={"link.rate": rate})  # fmt: skip


def kinds(before: Record, after: Record) -> dict[str, list[Change]]:
    found: dict[str, list[Change]] = {}
    for change in differ(before, after).changes:
        found.setdefault(change.kind, []).append(change)
    return found


def test_the_same_build_has_no_differences(tmp_path: Path) -> None:
    """Built twice: nothing changed, and the images are the same."""
    shelf = Shelf(tmp_path)
    one, two = record(tmp_path, staged(shelf)), record(tmp_path, staged(shelf))
    assert differ(one, two).changes == () and differ(one, two).same_image


def test_an_edit_is_traced_to_its_setting(tmp_path: Path) -> None:
    """Another rate: the setting, the edited file with the reason, and the tool's own list."""
    shelf = Shelf(tmp_path)
    found = kinds(record(tmp_path, staged(shelf)), record(tmp_path, staged(shelf, "38400"), rate="38400"))
    assert found.keys() == {"setting", "file"}
    assert [(c.what, c.before, c.after) for c in found["setting"]] == [("link.rate", "57600", "38400")]
    whys = {change.what: change.why for change in found["file"]}
    assert whys == {
        "[net] NET/conf: bytes": "1 edits went, 1 came, since link.rate changed",
        "CONTENTS.TXT: bytes": "written by discprep from the rest of the build",
    }


def test_a_moved_pin_is_the_cause_of_new_bytes(tmp_path: Path) -> None:
    """Another archive: the pin, the changed member, and one that came with it."""
    shelf = Shelf(tmp_path)
    before = record(tmp_path, staged(shelf))
    entries = staged(shelf)
    entries[1] = replace(entries[1], content=shelf.content(b"newer tool"))
    entries.append(shelf.file("NET/extra", b"e", item="net", member="extra"))
    found = kinds(before, record(tmp_path, entries, pins="b"))
    assert [(c.what, c.before[0], c.after[0]) for c in found["pin"]] == [("net", "a", "b")]
    assert {c.what: c.why for c in found["file"]} == {
        "[net] NET/tool.text: bytes": "the archive of net changed",
        "[net] NET/extra": "the archive of net changed",
    }


def test_an_item_that_waits_takes_its_files_along(tmp_path: Path) -> None:
    """Its place is the reason."""
    shelf = Shelf(tmp_path)
    entries = [*staged(shelf), shelf.file("PICS/a", b"a", item="pics", member="a")]
    burned = (ITEMS[0], RecordItem("pics", place="burn", form="packed"))
    found = kinds(record(tmp_path, entries, items=burned), record(tmp_path, staged(shelf)))
    assert [(c.what, c.before, c.after) for c in found["item"]] == [("pics", "burn, packed", "later")]
    assert found["file"][0].why == "pics: burn, packed before, later now"
    assert [(c.what, c.after) for c in found["layout"]] == [("files that lie at another sector", "3")]


def test_other_name_rules_are_the_cause_of_other_names(tmp_path: Path) -> None:
    """Level 2 instead of 1."""
    shelf = Shelf(tmp_path)
    found = kinds(record(tmp_path, staged(shelf)), record(tmp_path, staged(shelf), "2"))
    assert [(c.what, c.after) for c in found["setting"]] == [("disc.name_rules", "iso-level-2")]
    assert [(c.what, c.before, c.after, c.why) for c in found["file"]] == [
        ("[net] NET/tool.text: name on the disc", "NET/TOOL.TEX", "NET/TOOL.TEXT", "disc.name_rules changed")
    ]


def test_a_new_version_of_discprep_is_named(tmp_path: Path) -> None:
    """The tool's version stands among the causes."""
    one = record(tmp_path, staged(Shelf(tmp_path)))
    found = kinds(replace(one, tool_version="0.0.9"), replace(one, image_sha256="f" * 64))
    assert [(c.before, c.after) for c in found["tool"]] == [("0.0.9", one.tool_version)]
    assert found["layout"][0].what == "bytes outside the files"


@pytest.mark.parametrize("json", [True, False])
def test_the_command(tmp_path: Path, json: bool) -> None:
    """Two folders of builds; exit 0 whether they differ or not."""
    shelf = Shelf(tmp_path)
    for folder, rate in (("one", "57600"), ("two", "38400")):
        (tmp_path / folder).mkdir()
        save_record(record(tmp_path, staged(shelf, rate), rate=rate), tmp_path / folder / "record.json")
    ran = run("differ", tmp_path / "one", tmp_path / "two" / "record.json", *(["--json"] if json else []))
    assert ran.code == 0
    if json:
        assert ran.document["same_image"] is False
        assert {change["kind"] for change in ran.document["changes"]} == {"setting", "file"}
    else:
        assert "link.rate: 57600 -> 38400" in ran.out
        assert max(map(len, ran.out.split("\n"))) <= 80


def test_a_file_and_its_settings_for_other_rates_are_told_apart(tmp_path: Path) -> None:
    """They come from one member: what changed in the file itself is said, though the last of them is as it was."""
    builds = []
    for rate in ("57600", "9600"):
        place = tmp_path / rate
        place.mkdir()
        shelf = Shelf(place)
        variant = shelf.file("SETUP/300/conf", b"rate=300", item="net", member="conf")
        builds.append(record(place, [*staged(shelf, rate), variant], rate=rate))
    (change,) = [change for change in kinds(*builds)["file"] if change.what.startswith("[net]")]
    assert change.what == "[net] NET/conf: bytes"

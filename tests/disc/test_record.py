"""The record: the same bytes for the same build, no path of this computer, and no damaged one is believed."""

import hashlib
import json
import random
from dataclasses import replace
from pathlib import Path

import pytest
from support.trees import Shelf, name, options, write

from discprep.disc import record
from discprep.disc.image import ImageOptions, write_image
from discprep.disc.names import with_second_copies
from discprep.disc.record import Record, RecordItem, build_id, load_record, make_record, record_bytes, save_record
from discprep.errors import DiscError, StorageError
from discprep.model import AppliedEdit, Pin, Staged


def build(folder: Path, edit: str = "57600", tool_text: bytes = b"list") -> tuple[Record, list[Staged]]:
    folder.mkdir(exist_ok=True)
    shelf = Shelf(folder)
    edits = (AppliedEdit("a", "conf", "rate=19200", f"rate={edit}", 1, ("rate=19200",), (f"rate={edit}",)),)
    staged = [
        shelf.file("A/conf", f"rate={edit}".encode(), item="a", member="conf", edits=edits),
        shelf.file("A/data", b"d" * 5000, item="a", member="data", important=True),
        shelf.file("CONTENTS.TXT", tool_text, item=""),
    ]
    named = with_second_copies(name(staged), lambda n: n.staged.important)
    settings = options()
    written = write_image(named, folder / "x.iso", settings)
    pins = [Pin("a", 999, "f" * 64, 5, "/home/somebody/archive.lha")]
    items = [RecordItem("b", place="later"), RecordItem("a", "Tools", "1.2", "burn", "unpacked", "f" * 64, 999)]
    identity = build_id(named, settings, {"a": "f" * 64})
    built = make_record(written, settings, identity, title="t", items=items, pins=pins,
                         settings={"link.rate": edit}, inputs_sha256="0" * 64)  # fmt: skip
    return built, staged


def test_a_record_comes_back_as_it_was_saved(tmp_path: Path) -> None:
    """Every field survives, and saving leaves no part file."""
    built, _ = build(tmp_path / "b")
    save_record(built, tmp_path / "record.json")
    assert load_record(tmp_path / "record.json") == built
    assert not list(tmp_path.glob("*.part"))
    assert [item.id for item in built.items] == ["a", "b"]


def test_it_says_where_every_byte_lies(tmp_path: Path) -> None:
    """Extents, second extents, members and edits of each file."""
    built, _ = build(tmp_path / "b")
    conf, data, contents = built.files
    image = (tmp_path / "b" / "x.iso").read_bytes()
    for extent in (data.extent, data.second_extent):
        assert extent and image[extent * 2048 : extent * 2048 + 5000] == b"d" * 5000
    assert (conf.item, conf.member, conf.edits[0].replace, contents.item) == ("a", "conf", "rate=57600", "")
    assert len(built.expected) == 4
    assert built.image_sectors * 2048 == len(image)


def test_no_path_of_this_computer_is_in_it(tmp_path: Path) -> None:
    """Neither the shelf's, nor the image's, nor the pin's local source."""
    built, _ = build(tmp_path / "b")
    text = record_bytes(built).decode()
    assert str(tmp_path) not in text and "somebody" not in text and "shelf.bin" not in text


def test_the_same_build_elsewhere_gives_the_same_bytes(tmp_path: Path) -> None:
    """The folder leaves no trace."""
    assert record_bytes(build(tmp_path / "one")[0]) == record_bytes(build(tmp_path / "two")[0])


def test_the_build_id_is_of_what_goes_on_the_disc(tmp_path: Path) -> None:
    """The tool's own files carry the id, so they do not change it; an edit, a name or an archive does."""
    first = build(tmp_path / "one")[0].build_id
    assert build(tmp_path / "two", tool_text=b"another list")[0].build_id == first
    assert build(tmp_path / "three", edit="38400")[0].build_id != first
    named = name(build(tmp_path / "four")[1])
    plain = options()
    ids = {
        build_id(named, plain, {"a": "f" * 64}),
        build_id(named, plain, {"a": "e" * 64}),
        build_id(named[1:], plain, {"a": "f" * 64}),
        build_id(named, replace(plain, volume="OTHER"), {"a": "f" * 64}),
        build_id([replace(n, target=("x",)) for n in named], plain, {"a": "f" * 64}),
    }
    assert len(ids) == 5 and all(len(found) == 10 for found in ids)


def test_no_changed_byte_is_believed(tmp_path: Path) -> None:
    """Every byte of the file is under the seal, white space too."""
    built, _ = build(tmp_path / "b")
    path = tmp_path / "record.json"
    good = record_bytes(built)
    rng = random.Random(7)
    for at in [*rng.sample(range(len(good)), 300), 0, len(good) - 1]:
        data = bytearray(good)
        data[at] ^= rng.randrange(1, 256)
        path.write_bytes(data)
        with pytest.raises(DiscError, match="this record cannot be used"):
            load_record(path)


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "not JSON"),
        (b"[]", "no record"),
        (b"[" * 100_000, "not JSON"),
        (b'{"discprep_record": 2}', "its format is 2"),
        (b'{\n"discprep_record": 1\n}\n', "its seal"),
    ],
)
def test_what_is_no_record(tmp_path: Path, data: bytes, message: str) -> None:
    """Each says what it is instead."""
    path = tmp_path / "record.json"
    path.write_bytes(data)
    with pytest.raises(DiscError, match=message):
        load_record(path)


@pytest.mark.parametrize(
    "change",
    [
        lambda d: d["files"][0].update(iso=["..", "x"]),
        lambda d: d["files"][0].update(iso=["a/b"]),
        lambda d: d["files"][0].update(extent=-1),
        lambda d: d["files"][0].update(size_bytes=True),
        lambda d: d["files"][0].update(sha256="zz"),
        lambda d: d["files"][0].update(surprise=1),
        lambda d: d["files"][0].pop("iso"),
        lambda d: d.update(settings=[["a"]]),
        lambda d: d.update(items=[{"id": "x", "place": "nowhere"}]),
        lambda d: d.update(image_sectors=10**30),
        lambda d: d.update(image_sectors=-1),
        lambda d: d["files"].append(5),
        lambda d: d["files"][0].update(iso=[]),
    ],
)  # fmt: skip
def test_a_sealed_record_that_lies_is_refused(tmp_path: Path, change) -> None:  # type: ignore[no-untyped-def]
    """A hostile record with a right seal: no path out of the mounted folder, no wrong type, no odd number."""
    document = json.loads(record_bytes(build(tmp_path / "b")[0]))
    del document["seal"]
    change(document)
    path = tmp_path / "record.json"
    body = b"".join(record._written(document))
    path.write_bytes(body + record._seal(hashlib.sha256(body).hexdigest()))
    with pytest.raises(DiscError, match="does not say what a record says"):
        load_record(path)


def test_a_record_that_cannot_be_saved_is_said(tmp_path: Path) -> None:
    """rename(2): no file takes the place of a folder. Nothing half-written stays beside it."""
    (tmp_path / "r").mkdir()
    with pytest.raises(StorageError):
        save_record(build(tmp_path / "b")[0], tmp_path / "r")
    assert not (tmp_path / "r.part").exists()


def test_empty_options_are_enough(tmp_path: Path) -> None:
    """A record of a disc without a file."""
    written = write([], tmp_path / "x.iso")
    built = make_record(written, ImageOptions("X", 0), build_id((), ImageOptions("X", 0)))
    save_record(built, tmp_path / "r")
    assert load_record(tmp_path / "r").files == ()

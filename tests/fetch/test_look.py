"""Files got by hand: known by their hash whatever their name, asked about where there is no hash."""

from __future__ import annotations

import gzip
import hashlib
from pathlib import Path

import pytest
from support.fetching import DATA, fetch, item, objects, remarks, said, sha256

from discprep.errors import StorageError
from discprep.fetch.download import Wanted
from discprep.fetch.look import LookIn
from discprep.model import Hashes, Item, Silent

PAGE = "http://192.0.2.1:9/net/tools.lha"


@pytest.fixture
def downloads(tmp_path: Path) -> Path:
    folder = tmp_path / "downloads"
    (folder / "deep" / "er").mkdir(parents=True)
    return folder


def test_any_name_will_do(downloads: Path, tmp_path: Path) -> None:
    """By SHA-256, and by a weak hash with a size (MD5 from Python's hashlib); the file itself stays."""
    (downloads / "deep" / "er" / "unnamed(3)").write_bytes(DATA)
    other = DATA[:777]
    (downloads / "x").write_bytes(other)
    md5 = Hashes(md5=hashlib.md5(other, usedforsecurity=False).hexdigest())
    report = fetch(
        tmp_path,
        item("strong", data=DATA),
        item("weak", hashes=md5, size_bytes=len(other)),
        look_in=LookIn(downloads),
    )
    assert said(report) == ""
    assert [entry.state for entry in report.items] == ["adopted", "adopted"]
    assert objects(tmp_path) == {sha256(DATA): DATA, sha256(other): other}
    assert (downloads / "x").read_bytes() == other


def test_a_pinned_item_is_known_by_its_pin(downloads: Path, tmp_path: Path) -> None:
    """The manifest has no hash, but it was pinned once; the cache is empty again."""
    source = tmp_path / "tools.lha"
    source.write_bytes(DATA)
    wanted = item("tools", str(source))
    fetch(tmp_path, wanted)
    for path in (tmp_path / "cache" / "objects").rglob("*"):
        if path.is_file():
            path.unlink()
    source.unlink()
    (downloads / "whatever").write_bytes(DATA)
    assert said(fetch(tmp_path, wanted, look_in=LookIn(downloads))) == ""


@pytest.mark.parametrize("answer", [True, False, None], ids=["yes", "no", "nobody to ask"])
def test_without_a_hash_the_person_decides(answer: bool | None, downloads: Path, tmp_path: Path) -> None:
    """A file of the right name, numbered by the browser: asked about, with its hash; else listed with the way out."""
    (downloads / "Tools (1).lha").write_bytes(DATA)
    asked: list[str] = []

    def ask(_item: object, path: Path, digest: str) -> bool:
        asked.append(f"{path.name} {digest}")
        return bool(answer)

    wanted = item("tools", PAGE)
    report = fetch(tmp_path, wanted, look_in=LookIn(downloads, None if answer is None else ask))
    assert (report.path("tools") is not None) == bool(answer)
    if answer is not None:
        assert asked == [f"Tools (1).lha {sha256(DATA)}"]
    if not answer:
        assert f'give the item sha256 = "{sha256(DATA)}"' in remarks(report)


@pytest.mark.parametrize(
    ("published", "saved"),
    [
        ("rules.tar.gz", "rules.tar"),
        ("rules.tgz", "rules.tar"),
        ("rules.txt.gz", "rules.txt"),
        ("rules.gz", "rules.gz"),
    ],
)
def test_a_file_that_the_browser_unpacked_is_said(published: str, saved: str, downloads: Path, tmp_path: Path) -> None:
    """Its hash can match no more; the remark says what happened and how to save it whole."""
    packed = gzip.compress(DATA[:5000], mtime=0)
    (downloads / saved).write_bytes(DATA[:5000])
    wanted = item("rules", f"http://192.0.2.1:9/{published}", data=packed)
    report = fetch(tmp_path, wanted, look_in=LookIn(downloads), change={"connect_timeout_s": 0.2})
    assert "the browser has already unpacked it while saving" in remarks(report)
    assert report.path("rules") is None


def test_a_changed_file_of_the_right_name_is_not_taken(downloads: Path, tmp_path: Path) -> None:
    """The name says nothing where a hash is known."""
    (downloads / "tools.lha").write_bytes(DATA[:-1] + b"x")
    report = fetch(tmp_path, item("tools", data=DATA), look_in=LookIn(downloads))
    assert report.path("tools") is None
    assert objects(tmp_path) == {}


def test_items_are_not_compared_with_each_other(downloads: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Twenty thousand of them would cost minutes."""

    def compared(one: Item, other: object) -> bool:
        raise AssertionError("an item was compared with another")

    items = [item("a", data=b"a"), item("b", data=b"b"), item("c", data=DATA)]
    wanted = {one.id: Wanted(one.hashes, one.size_bytes) for one in items}
    (downloads / "x").write_bytes(DATA)
    monkeypatch.setattr(Item, "__eq__", compared)
    assert LookIn(downloads).find(items, wanted, Silent()).matches == {"c": downloads / "x"}


def test_a_folder_that_is_none(tmp_path: Path) -> None:
    """Said with its path."""
    with pytest.raises(StorageError, match="expected a folder to look in"):
        fetch(tmp_path, item("tools", data=DATA), look_in=LookIn(tmp_path / "nowhere"))


def test_links_in_a_circle_and_files_that_cannot_be_read(downloads: Path, tmp_path: Path) -> None:
    """A link to its own folder and one to nothing: passed over, the rest is found."""
    (downloads / "round").symlink_to(downloads)
    (downloads / "nothing").symlink_to("gone")
    (downloads / "tools").write_bytes(DATA)
    assert said(fetch(tmp_path, item("tools", data=DATA), look_in=LookIn(downloads))) == ""

"""All items together: missing listed at once, pins kept and moved, nothing verified fetched twice."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from pathlib import Path

import pytest
from support.fault_server import Exchange, FaultServer, good
from support.fetching import DATA, QUICK, assert_whole, fetch, item, litter, objects, remarks, said, sha256

from discprep.errors import DiscprepError, EditError, exit_code
from discprep.fetch.cache import Cache
from discprep.fetch.fetch import fetch_items
from discprep.fetch.pins import load_pins
from discprep.model import Hashes, Item

NEW = DATA[::-1]


@pytest.fixture
def server():
    with FaultServer(files={"/tools": DATA, "/other": NEW}) as server:
        yield server


def test_it_goes_on_past_what_is_missing(server: FaultServer, tmp_path: Path) -> None:
    """Two of four are missing: both are said, with page and hint; the others come."""
    by_hand = {"page": "http://files.example/net/", "hint": "the second link"}
    report = fetch(
        tmp_path,
        item("gone", server.url("/gone"), **by_hand),
        item("one", server.url("/tools")),
        item("nowhere", **by_hand),
        item("two", server.url("/other")),
    )
    assert [entry.state for entry in report.items] == ["failed", "fetched", "missing", "fetched"]
    assert said(report).count("Get it by hand from http://files.example/net/ (the second link)") == 2
    assert [error.item for error in report.errors] == ["gone", "nowhere"]
    assert [error.exit_code for error in report.errors] == [3, 1]
    assert set(load_pins(tmp_path / "first.pins.toml")) == {"one", "two"}


def test_nothing_verified_is_fetched_twice(server: FaultServer, tmp_path: Path) -> None:
    """The second run asks no server; two items with the same hash are fetched once."""
    items = [item("one", server.url("/tools"), data=DATA), item("same", server.url("/tools"), data=DATA)]
    assert said(fetch(tmp_path, *items)) == ""
    assert len(server.asked) == 1
    report = fetch(tmp_path, *items)
    assert [entry.state for entry in report.items] == ["cached", "cached"]
    assert report.moved_bytes == 0
    assert len(server.asked) == 1


def test_the_same_item_in_two_manifests_at_once(server: FaultServer, tmp_path: Path) -> None:
    """Two runs, two pins files, one cache: fetched once, pinned in both."""

    def slowly(exchange: Exchange) -> None:
        exchange.server.wait(0.2)
        good(exchange)

    server.faults["/tools"] = slowly
    wanted = item("tools", server.url("/tools"), data=DATA)
    reports = []

    def run(name: str) -> None:
        pins = tmp_path / name
        reports.append(fetch_items([wanted], {}, Cache(tmp_path / "cache"), QUICK, pins_path=pins))

    threads = [threading.Thread(target=run, args=(f"{n}.pins.toml",)) for n in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    assert sorted(report.items[0].state for report in reports) == ["cached", "fetched"]
    assert len(server.requests("/tools")) == 1
    assert load_pins(tmp_path / "0.pins.toml") == load_pins(tmp_path / "1.pins.toml")
    assert litter(tmp_path) == []


def test_a_change_against_the_pin_stops_with_both_hashes(server: FaultServer, tmp_path: Path) -> None:
    """The cache was emptied and the source has something else by now."""
    wanted = item("tools", server.url("/tools"))
    fetch(tmp_path, wanted)
    Cache(tmp_path / "cache").path_of(sha256(DATA)).unlink()
    server.files["/tools"] = NEW
    before = (tmp_path / "first.pins.toml").read_bytes()
    report = fetch(tmp_path, wanted)
    assert report.items[0].state == "changed"
    for words in (sha256(DATA), sha256(NEW), "it was not kept", "accept it with --renew tools"):
        assert words in said(report)
    assert exit_code(report.errors) == 1
    assert objects(tmp_path) == {}
    assert (tmp_path / "first.pins.toml").read_bytes() == before


def test_a_mirror_that_has_the_pinned_bytes_is_taken(server: FaultServer, tmp_path: Path) -> None:
    """The first source changed, the second has what was pinned."""
    wanted = item("tools", server.url("/tools"), server.url("/mirror"))
    fetch(tmp_path, wanted)
    Cache(tmp_path / "cache").path_of(sha256(DATA)).unlink()
    server.files |= {"/tools": NEW, "/mirror": DATA}
    report = fetch(tmp_path, wanted)
    assert said(report) == ""
    assert objects(tmp_path) == {sha256(DATA): DATA}
    assert f"pinned SHA-256 {sha256(DATA)}, got {sha256(NEW)}; another source gave it" in remarks(report)


def test_renewing_moves_the_pin_and_keeps_the_old_bytes(server: FaultServer, tmp_path: Path) -> None:
    """Old and new are shown; the new bytes were tried before."""
    wanted = item("tools", server.url("/tools"))
    fetch(tmp_path, wanted)
    server.files["/tools"] = NEW
    tried: list[Path] = []

    def try_new(_: Item, path: Path) -> Sequence[DiscprepError]:
        tried.append(path)
        return ()

    report = fetch(tmp_path, wanted, renew=["tools"], try_new=try_new)
    assert said(report) == ""
    assert [path.read_bytes() for path in tried] == [NEW]
    assert f"pinned SHA-256 {sha256(DATA)} (400,000 bytes), now {sha256(NEW)} (400,000 bytes)" in remarks(report)
    assert load_pins(tmp_path / "first.pins.toml")["tools"].sha256 == sha256(NEW)
    assert set(objects(tmp_path)) == {sha256(DATA), sha256(NEW)}


def test_renewing_to_what_the_edits_do_not_fit_leaves_the_pin(server: FaultServer, tmp_path: Path) -> None:
    """The trial's faults are said; pin and usable bytes are the old ones."""
    wanted = item("tools", server.url("/tools"))
    fetch(tmp_path, wanted)
    server.files["/tools"] = NEW
    fault = EditError("the text is there no more", item="tools")
    report = fetch(tmp_path, wanted, renew=["tools"], try_new=lambda _item, _path: [fault])
    assert "the text is there no more" in said(report)
    assert "the pin stays where it was" in said(report)
    assert report.path("tools") == Cache(tmp_path / "cache").path_of(sha256(DATA))
    assert load_pins(tmp_path / "first.pins.toml")["tools"].sha256 == sha256(DATA)


def test_renewing_what_has_not_changed(server: FaultServer, tmp_path: Path) -> None:
    """Said so; the pin stays as it is, to the byte."""
    wanted = item("tools", server.url("/tools"))
    fetch(tmp_path, wanted)
    before = (tmp_path / "first.pins.toml").read_bytes()
    assert "unchanged at its source" in remarks(fetch(tmp_path, wanted, renew=["tools"]))
    assert (tmp_path / "first.pins.toml").read_bytes() == before


def test_manifest_and_pin_that_contradict_each_other(server: FaultServer, tmp_path: Path) -> None:
    """Both hashes and the way out; --renew then goes by the manifest."""
    fetch(tmp_path, item("tools", server.url("/tools")))
    server.files["/tools"] = NEW
    wanted = item("tools", server.url("/tools"), data=NEW)
    report = fetch(tmp_path, wanted)
    assert sha256(DATA) in said(report)
    assert sha256(NEW) in said(report)
    assert exit_code(report.errors) == 2
    assert said(fetch(tmp_path, wanted, renew=["tools"])) == ""
    assert load_pins(tmp_path / "first.pins.toml")["tools"].sha256 == sha256(NEW)


def test_a_damaged_object_is_fetched_again(server: FaultServer, tmp_path: Path) -> None:
    """Noticed at its next use, replaced by the right bytes."""
    wanted = item("tools", server.url("/tools"), data=DATA)
    fetch(tmp_path, wanted)
    path = Cache(tmp_path / "cache").path_of(sha256(DATA))
    path.chmod(0o644)
    path.write_bytes(NEW)
    report = fetch(tmp_path, wanted)
    assert [entry.state for entry in report.items] == ["fetched"]
    assert objects(tmp_path) == {sha256(DATA): DATA}


def test_a_local_file_is_a_source(tmp_path: Path) -> None:
    """Copied and pinned under its file's name alone; a folder or a pipe is none."""
    import os

    path = tmp_path / "tools.lha"
    path.write_bytes(DATA)
    os.mkfifo(tmp_path / "pipe")
    report = fetch(
        tmp_path, item("tools", str(path)), item("folder", str(tmp_path)), item("pipe", str(tmp_path / "pipe"))
    )
    assert report.items[0].pin is not None
    assert report.items[0].pin.source == "tools.lha"
    assert report.moved_bytes == 0
    assert said(report).count("expected a plain file, found a folder, a device or a pipe") == 2


def test_a_declared_size_bounds_what_is_taken(server: FaultServer, tmp_path: Path) -> None:
    """Size alone, no hash: a longer or shorter file is refused before a byte of it is taken."""
    report = fetch(tmp_path, item("tools", server.url("/tools"), size_bytes=5))
    assert "expected 5 bytes, its source has 400,000; nothing was taken" in said(report)
    assert report.moved_bytes == 0


def test_an_item_without_a_hash_survives_a_run_that_was_cut_off(server: FaultServer, tmp_path: Path) -> None:
    """It came and was kept, but the run ended before it could pin: the next run pins it without asking again."""
    wanted = item("tools", server.url("/tools"))
    fetch(tmp_path, wanted)
    (tmp_path / "first.pins.toml").unlink()
    report = fetch(tmp_path, wanted)
    assert [entry.state for entry in report.items] == ["cached"]
    assert load_pins(tmp_path / "first.pins.toml")["tools"].sha256 == sha256(DATA)
    assert len(server.asked) == 1


def test_a_weak_hash_of_what_lies_in_the_cache_is_compared(server: FaultServer, tmp_path: Path) -> None:
    """The same cut-off run, with a weak hash in the manifest by now that it contradicts: not taken from the cache."""
    fetch(tmp_path, item("tools", server.url("/tools")))
    (tmp_path / "first.pins.toml").unlink()
    report = fetch(tmp_path, item("tools", server.url("/tools"), hashes=Hashes(crc32="00000000")))
    assert "expected CRC-32 00000000" in said(report)


def test_ctrl_c_keeps_what_came(server: FaultServer, tmp_path: Path) -> None:
    """Interrupted from the thread that waits: one item is whole and pinned, the other goes on where it was."""
    stopper = _Interrupting()
    items = [item("tools", server.url("/tools"), data=DATA), item("slow", server.url("/slow"), data=NEW)]

    def stall(exchange: Exchange) -> None:
        exchange.head(content_length=len(NEW), etag='"x"')
        exchange.send(NEW[:150_000])
        stopper.now.set()
        exchange.server.wait(20)

    server.faults["/slow"] = stall
    with pytest.raises(KeyboardInterrupt):
        stopper.run(lambda: fetch(tmp_path, *items, change={"stall_timeout_s": 20.0}))
    assert objects(tmp_path) == {sha256(DATA): DATA}
    assert set(load_pins(tmp_path / "first.pins.toml")) == {"tools"}
    server.faults["/slow"] = lambda exchange: exchange.reply(
        NEW[exchange.first :], "206 Partial Content", content_range=f"bytes {exchange.first}-399999/400000", etag='"x"'
    )
    report = fetch(tmp_path, *items)
    assert said(report) == ""
    assert report.moved_bytes == len(NEW) - 150_000
    assert_whole(tmp_path)


class _Interrupting:
    """Sends this process an interrupt, as Ctrl-C does, a moment after `now` is set."""

    def __init__(self) -> None:
        self.now = threading.Event()

    def run(self, work: object) -> None:
        import signal
        import time

        def interrupt() -> None:
            self.now.wait(20)
            time.sleep(0.3)
            signal.raise_signal(signal.SIGINT)

        thread = threading.Thread(target=interrupt)
        thread.start()
        try:
            work()  # type: ignore[operator]
        finally:
            thread.join(30)

"""What is said once on a terminal, however many items it is about; the JSON document has each."""

from pathlib import Path

from support.command import run

from discprep.cli.frame import MOST_TOLD
from discprep.model import Notice
from discprep.report.remarks import folded


def test_alike_are_one_others_stay() -> None:
    """The first place of each in the order of what was said; what differs in message or next step stays apart."""
    said = [Notice("no hash", "a.toml:3", "maps", "pin it"), Notice("odd"),
            Notice("no hash", "a.toml:9", "x", "pin it"), Notice("no hash", "a.toml:12", "y", "find it")]  # fmt: skip
    assert [(str(one), one.hint) for one in folded(said)] == [
        ("[maps, x] no hash", "pin it"), ("odd", ""), ("a.toml:12: [y] no hash", "find it"),
    ]  # fmt: skip


def collection(folder: Path, count: int, source: str) -> Path:
    (folder / "machine.toml").write_text('name = "desk"\n')
    items = "".join(f'[[item]]\nid = "i{n}"\nsources = ["{source.format(n)}"]\n' for n in range(count))
    manifest = folder / "first.toml"
    manifest.write_text(
        'format = 1\nbring_up = []\n[machine]\nprofile = "machine.toml"\n[medium]\nkind = "cd-74"\n' + items
    )
    return manifest


def test_a_remark_on_every_item_is_one_line(tmp_path: Path) -> None:
    """Two hundred items without a hash: a line that names a few, not two hundred."""
    manifest = collection(tmp_path, 200, "a{}.bin")
    for n in range(200):
        (tmp_path / f"a{n}.bin").write_bytes(b"%d" % n)
    each = run("check", manifest, "--json").document["notices"]
    assert sum("no hash in the manifest" in notice["message"] for notice in each) == 200
    fetched = run("fetch", manifest, "--cache", tmp_path / "cache")
    lines = [line for line in fetched.err.splitlines() if "pinned as first fetched" in line]
    assert lines == ["note: [i0, i1, i2, i3, i4, i5 and 194 more] no hash in the manifest: pinned as first fetched."]


def test_no_endless_list_of_faults(tmp_path: Path) -> None:
    """Files that are not there: so many are told, the others counted; the document has them all."""
    manifest = collection(tmp_path, MOST_TOLD + 50, "nowhere{}.bin")
    failed = run("fetch", manifest, "--cache", tmp_path / "cache")
    told = [line for line in failed.err.splitlines() if line.startswith("error: ")]
    assert len(told) == MOST_TOLD + 1 and told[-1] == "error: 50 more are not shown"
    whole = run("fetch", manifest, "--cache", tmp_path / "cache", "--json")
    assert len(whole.document["errors"]) == MOST_TOLD + 50

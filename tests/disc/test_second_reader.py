"""The second reader stops a build whose image another library reads otherwise, where the own check sees nothing.

Each sabotage changes what the writer puts down, in a way that the check does not look for or would read as wrongly.
"""

import hashlib
import io
import json
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from pycdlib import PyCdlib
from pycdlib.isohybrid import IsoHybrid
from pycdlib.pycdlibexception import PyCdlibInvalidISO
from support.trees import Shelf, folder, name, options

from discprep.disc import image as writing
from discprep.disc.image import BootImage, expected_files, write_image
from discprep.disc.layout import boot, sizes, structures, susp
from discprep.disc.layout.check import check_image
from discprep.disc.record import make_record
from discprep.disc.second_reader import process, reader
from discprep.errors import DiscError, Faults, ToolError
from discprep.model import Named

Patch = pytest.MonkeyPatch
RULES = "2jr"
SETTINGS = options(RULES, boot=BootImage(("BOOT.IMG",)))


def disc(tmp_path: Path) -> tuple[Named, ...]:
    """Two files of one size, an empty one, an empty folder and one that is not, and a program to start from."""
    shelf = Shelf(tmp_path)
    files = {"Long name one": b"1" * 3000, "Long name two": b"2" * 3000, "In/nothing": b"", "BOOT.IMG": b"x" * 2048}
    return name([*shelf.tree(files), folder("Empty")], RULES)


def joliet_of_the_other_byte_order(patch: Patch) -> None:
    other_identifier(patch, lambda node, joliet, data: data.decode("utf-16-be").encode("utf-16-le") if joliet else data)


def joliet_cut_short(patch: Patch) -> None:
    other_identifier(patch, lambda node, joliet, data: data[:-2] if joliet else data)


def an_empty_folder_of_another_name(patch: Patch) -> None:
    other_identifier(patch, lambda node, joliet, data: b"OTHER" if data == b"EMPTY" else data)


def other_identifier(patch: Patch, other: Callable[[sizes.Node, bool, bytes], bytes]) -> None:
    right = sizes.Node.identifier
    patch.setattr(sizes.Node, "identifier", lambda node, joliet: other(node, joliet, right(node, joliet)))


def joliet_files_change_places(patch: Patch) -> None:
    """The check compares the places that the trees show, not which name has which."""
    right, names = structures._Directories._file_records, ["LONG_NAME_ONE.", "LONG_NAME_TWO."]

    def wrong(self: Any, node: sizes.Node) -> Iterator[bytes]:
        if self.tree.joliet and node.iso[-1] in names:
            extents = self.layout.extents
            own, other = node.iso, (names[node.iso[-1] == names[0]],)
            layout = replace(self.layout, extents=extents | {own: extents[other]})
            return right(structures._Directories(self.tree, layout, self.options), node)
        return right(self, node)

    patch.setattr(structures._Directories, "_file_records", wrong)


def rock_ridge_in_capitals(patch: Patch) -> None:
    right = susp.name_entry
    patch.setattr(susp, "name_entry", lambda name: right(name.upper()))


def rock_ridge_folders_are_files(patch: Patch) -> None:
    patch.setattr(structures, "FOLDER_MODE", structures.FILE_MODE)


def rock_ridge_not_declared(patch: Patch) -> None:
    """No ER: careful readers then take no notice of Rock Ridge (SUSP §5.5)."""
    patch.setattr(susp, "RRIP_1991A", b"ST\x04\x01" + bytes(200))


def files_are_hidden(patch: Patch) -> None:
    """Bit 0 of the file flags (ECMA-119 §9.1.6)."""
    right = structures._record
    patch.setattr(structures, "_record", lambda i, s, n, d, flags, *u: right(i, s, n, d, flags or 1, *u))


def another_volume(patch: Patch) -> None:
    right = structures._volume_descriptor
    patch.setattr(structures, "_volume_descriptor", lambda t, lay, o: right(t, lay, replace(o, volume="ANOTHER")))


def the_firmware_starts_another_file(patch: Patch) -> None:
    right = boot.initial_entry
    patch.setattr(boot, "initial_entry", lambda entry: right(replace(entry, extent=entry.extent - 1)))


def the_firmware_loads_nothing(patch: Patch) -> None:
    right = boot.initial_entry
    patch.setattr(boot, "initial_entry", lambda entry: right(replace(entry, load_sectors=0)))


SABOTAGES = [
    joliet_of_the_other_byte_order, joliet_cut_short, an_empty_folder_of_another_name, joliet_files_change_places,
    rock_ridge_in_capitals, rock_ridge_folders_are_files, rock_ridge_not_declared, files_are_hidden, another_volume,
    the_firmware_starts_another_file, the_firmware_loads_nothing,
]  # fmt: skip


@pytest.mark.parametrize("sabotage", SABOTAGES, ids=lambda s: s.__name__)
def test_a_sabotaged_writer_is_stopped(tmp_path: Path, monkeypatch: Patch, sabotage: Callable[[Patch], None]) -> None:
    """The own check finds nothing wrong with these images; with the second reader none is left."""
    named, path = disc(tmp_path), tmp_path / "x.iso"
    expected = expected_files(sizes.lay_out(named, SETTINGS))
    sabotage(monkeypatch)
    with monkeypatch.context() as blind:
        blind.setattr(writing, "compare", lambda *_: "")
        write_image(named, path, SETTINGS)
    assert check_image(path, expected).faults == ()
    with pytest.raises((DiscError, Faults), match="second reader"):
        write_image(named, path, SETTINGS)
    assert not path.exists()


def test_what_is_seen_is_named(tmp_path: Path, monkeypatch: Patch) -> None:
    """File and tree, and what was expected."""
    rock_ridge_in_capitals(monkeypatch)
    with pytest.raises(Faults) as raised:
        write_image(disc(tmp_path), tmp_path / "x.iso", SETTINGS)
    told = [str(error) for error in raised.value.errors]
    assert "Long name one: a second reader does not find it in the Rock Ridge tree" in told
    assert "LONG NAME ONE: a second reader finds it in the Rock Ridge tree, where it should not be" in told


def test_the_record_says_who_agreed(tmp_path: Path) -> None:
    """Two readers, with their versions."""
    written = write_image(disc(tmp_path), tmp_path / "x.iso", SETTINGS)
    readers = make_record(written, SETTINGS, "0123456789").readers
    assert [reader.split()[0] for reader in readers] == ["discprep", "pycdlib"]


def test_structures_that_change_after_they_were_read(tmp_path: Path, monkeypatch: Patch) -> None:
    """The second reader reads while data is written, which must leave alone what it has read."""
    right = writing._write_data

    def wrong(target: int, *rest: Any) -> None:
        writing._write_at(target, b"changed", 2048)
        right(target, *rest)

    monkeypatch.setattr(writing, "_write_data", wrong)
    with pytest.raises(DiscError, match="structures changed after"):
        write_image(disc(tmp_path), tmp_path / "x.iso", SETTINGS)
    assert not (tmp_path / "x.iso").exists()


def test_the_system_area_is_no_trees_affair(tmp_path: Path) -> None:
    """One that begins as a hybrid disc's, without the partitions that pycdlib then wants."""
    area = IsoHybrid.ORIG_HEADER.ljust(512, b"\1")
    with pytest.raises(PyCdlibInvalidISO):
        IsoHybrid().parse(area)
    write_image(disc(tmp_path), tmp_path / "x.iso", replace(SETTINGS, system_area=area))
    assert (tmp_path / "x.iso").read_bytes().startswith(area)


@pytest.mark.parametrize("start", ["raise SystemExit(3)", "import no_such_module", "pass"])
def test_without_a_second_reader_no_image(tmp_path: Path, monkeypatch: Patch, start: str) -> None:
    """A process that ends early, cannot import or says nothing is an error outside, with the way to mend it."""
    monkeypatch.setattr(reader, "_START", start)
    with pytest.raises(ToolError, match="second reader of images ended"):
        write_image(disc(tmp_path), tmp_path / "x.iso", SETTINGS)
    assert not (tmp_path / "x.iso").exists()


def told_here(patch: Patch, *orders: str) -> list[Any]:
    """What the process says to these orders, run in this one, which keeps its limits."""
    out = io.TextIOWrapper(io.BytesIO(), "utf-8")
    patch.setattr(process, "_limit", lambda: None)
    patch.setattr("sys.stdin", io.StringIO("".join(f"{order}\n" for order in orders)))
    patch.setattr("sys.stdout", out)
    process.main()
    out.seek(0)
    return [json.loads(line) for line in out]


def test_it_tells_every_tree_as_it_was_written(tmp_path: Path, monkeypatch: Patch) -> None:
    """By names, places and sizes that were put down, and by the hash of each tree's line."""
    named = disc(tmp_path)
    written = write_image(named, tmp_path / "x.iso", SETTINGS)
    order = json.dumps({"path": str(written.path), "udf": False})
    (facts,) = told_here(monkeypatch, order)
    again, *trees = told_here(monkeypatch, order, "trees")
    assert again == facts and facts["trees"] == ["iso", "joliet", "rock-ridge"]
    assert facts["sha256"] == [hashlib.sha256(json.dumps(tree).encode()).hexdigest() for tree in trees]
    sizes_ = [(one, one.named.staged.content.size_bytes) for one in written.placed if one.named.staged.content]
    placed = sorted([one.extent if size else 0, size] for one, size in sizes_)
    for tree in trees:
        (catalogue,) = ([at, size] for _, at, size, kind in tree if kind == "file" and [at, size] not in placed)
        assert sorted([at, size] for _, at, size, kind in tree if kind == "file") == sorted([*placed, catalogue])
        assert len([path for path, *_, kind in tree if kind == "folder"]) == len(["", "In", "Empty"])
    assert [path for path, *_ in trees[1] if path.startswith("Long")] == ["Long name one", "Long name two"]
    assert [path for path, *_ in trees[2] if path.startswith("Long")] == ["Long name one", "Long name two"]


def test_it_tells_a_udf_tree_and_what_it_cannot_read(tmp_path: Path, monkeypatch: Patch) -> None:
    """A disc by pycdlib's own writer; then its first half alone."""
    iso = PyCdlib()
    iso.new(udf="2.60")
    iso.add_directory(udf_path="/folder")
    iso.add_fp(io.BytesIO(b"in it"), 5, udf_path="/folder/file")
    path = tmp_path / "x.iso"
    iso.write(str(path))
    order = json.dumps({"path": str(path), "udf": True})
    *_, tree = told_here(monkeypatch, order, "trees")
    (folder_, (name_, at, size, kind)) = tree
    assert folder_ == ["folder", 0, 0, "folder"] and (name_, size, kind) == ("folder/file", 5, "file")
    assert path.read_bytes()[at : at + 5] == b"in it"
    path.write_bytes(path.read_bytes()[: 17 * 2048])
    (facts,) = told_here(monkeypatch, order)
    assert facts.keys() == {"fault"} and facts["fault"]
    assert told_here(monkeypatch) == []

"""The list of what the setup left out, read back: lines as scripts leave them, as a person types them, and others."""

from pathlib import Path

import pytest
from support.staging import manifest_of, opened_of, prepared

from discprep.disc.image import write_image
from discprep.disc.layout.options import ImageOptions
from discprep.disc.record import make_record
from discprep.errors import StorageError
from discprep.job.builds import Build
from discprep.job.left_out import left_out
from discprep.model import Item

FILES = {"index.txt": b"i", "rooms/long name.text": b"r", "readme": b"m"}


@pytest.fixture
def build(tmp_path: Path) -> Build:
    items = [Item("docs", to="CATALOG1"), Item("maps", to="MAPS")]
    opened = {"docs": opened_of(FILES, tmp_path), "maps": opened_of({"hall.txt": b"h"}, tmp_path)}
    result = prepared(manifest_of(items), opened, tmp_path)
    options = ImageOptions("FIRSTDISC", epoch_s=0)
    written = write_image(result.named, tmp_path / "own.iso", options)
    return Build(tmp_path, make_record(written, options, "c0ffee1234"))


@pytest.mark.parametrize(
    ("line", "item", "files"),
    [
        (r"D:\MAPS\HALL.TXT", "maps", 1),
        ("d:\\maps\\hall.txt\x1a", "maps", 1),
        ("DISC0:MAPS/HALL.TXT", "maps", 1),
        ("/cdrom/maps/hall.txt;1", "maps", 1),
        ("MAPS/HALL.TXT", "maps", 1),
        (r"D:\CATALOG1\README.", "docs", 1),
        (r"C:\CATALOG1\rooms could not be made; what belongs there is left out", "docs", 1),
        (r"C:\CATALOG1 could not be made; what belongs there is left out", "docs", 3),
    ],
)
def test_a_line_names_files(build: Build, tmp_path: Path, line: str, item: str, files: int) -> None:
    """Whatever the machine calls its drive, whatever the capitals."""
    listed = tmp_path / "LEFT.TXT"
    listed.write_bytes(f"{line}\r\n\r\n".encode("cp437"))
    found, odd = left_out(listed, [build])
    assert odd == () and [*found] == [item] and len(found[item]) == files


def test_a_line_that_no_disc_explains(build: Build, tmp_path: Path) -> None:
    """It is told with its number; a folder alone names no file; a list that is not there is a fault."""
    listed = tmp_path / "LEFT.TXT"
    listed.write_text("D:\\MAPS\\HALL.TXT\nD:\\NEW\\GAME.EXE\nD:\\MAPS\n")
    found, odd = left_out(listed, [build])
    assert [*found] == ["maps"] and [notice.where for notice in odd] == ["LEFT.TXT:2", "LEFT.TXT:3"]
    with pytest.raises(StorageError, match="cannot be read"):
        left_out(tmp_path / "none", [build])

"""Runs the second reader beside the project's own check, and compares what it sees with what was laid out.

In every tree it must see the same names, places, sizes and kinds; and the volumes' names and sizes, and the boot entry.
"""

from __future__ import annotations

import hashlib
import json
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from discprep.disc.layout.boot import MEDIA
from discprep.disc.layout.faults import Faults
from discprep.disc.layout.fields import SECTOR
from discprep.disc.layout.options import ImageOptions
from discprep.disc.layout.sizes import Layout, Node
from discprep.errors import ToolError

MOST_S = 900.0  # far beyond any image that a disc can hold
TREES = {"iso": "primary", "joliet": "Joliet", "rock-ridge": "Rock Ridge"}
_PACKAGES = str(Path(__file__).resolve().parents[3])
_START = (
    "import gc, sys; gc.disable(); sys.path[:] = sys.argv[1:]; "
    "from discprep.disc.second_reader.process import main; main()"
)
Entry = tuple[str, int, int, str]  # as `process` tells it: path, first sector, bytes, kind


class SecondReader:
    """The process. It starts while the image is being written, and reads once its structures stand. A context manager.

    Raises, from `facts` and `trees`:
        ToolError: it did not start, or came to no end
    """

    def __init__(self) -> None:
        paths = [_PACKAGES, *[path for path in sys.path if path]]
        self._process = subprocess.Popen(
            [sys.executable, "-I", "-S", "-c", _START, *paths],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, encoding="ascii", errors="replace",
        )  # fmt: skip
        self._timer = threading.Timer(MOST_S, self._process.kill)
        self._timer.daemon = True

    def __enter__(self) -> SecondReader:
        self._timer.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._timer.cancel()
        self._process.kill()
        with self._process:
            return

    def read(self, path: Path, udf: bool = False) -> None:
        """Tells it to open the image, whose structures stand and whose length is final; with `udf` its UDF tree too."""
        self._tell(json.dumps({"path": str(path.absolute()), "udf": udf}))

    def _tell(self, order: str) -> None:
        assert self._process.stdin
        try:
            self._process.stdin.write(order + "\n")
            self._process.stdin.flush()
        except OSError:
            return  # it is gone: `answer` says so

    @property
    def broke_down(self) -> bool:
        """Whether a signal ended it: a limit of time or memory, or a fault of its own."""
        return (self._process.returncode or 0) < 0

    def facts(self) -> dict[str, Any]:
        """Waits for what it saw; there is one key, "fault", where it cannot read the image."""
        assert self._process.stdout
        return dict(json.loads(self._process.stdout.readline() or self._ended()))

    def trees(self, facts: dict[str, Any]) -> dict[str, list[Entry]]:
        """Every tree's entries. The process has told `facts`, and ends with this."""
        told, _ = self._process.communicate("trees\n")
        lines = told.splitlines()
        if len(lines) != len(facts["trees"]):
            self._ended()
        entries = ([tuple(entry) for entry in json.loads(line)] for line in lines)
        return dict(zip(facts["trees"], entries, strict=True))

    def _ended(self) -> str:
        _, said = self._process.communicate()
        last = (said.strip().splitlines() or ["it said nothing"])[-1]
        raise ToolError(
            f"the second reader of images ended with code {self._process.returncode}: {last}",
            hint="Install discprep's own packages anew (pip install --force-reinstall pycdlib), and build again.",
        )


def udf_entries(path: Path) -> tuple[list[Entry], str, str]:
    """A disc's UDF tree, its volume's name, and what is wrong in words, "" where nothing is.

    A place is a first byte here, -1 where a file's bytes do not lie together.

    Raises:
        ToolError: the process did not run
    """
    with SecondReader() as reader:
        reader.read(path, udf=True)
        try:
            facts = reader.facts()
            if "fault" in facts:
                return [], "", str(facts["fault"])
            return reader.trees(facts)["udf"], str(facts["udf_volume"]), ""
        except ToolError:
            if reader.broke_down:
                return [], "", "the reader broke down over it"
            raise


# ------------------------------------------------------------------------------------------------ comparing


def compare(second: SecondReader, layout: Layout, options: ImageOptions, faults: Faults) -> str:
    """Adds a fault for every difference between what was laid out and what is seen; gives the reader's name.

    Args:
        second: has been told to read the image
        layout, options: what the image was meant to hold

    Raises:
        ToolError: the process did not run
    """
    facts = second.facts()
    if "fault" in facts:
        faults.add("second-reader", f"a second reader cannot open the image: {facts['fault']}")
        return ""
    for what, wanted, got in _facts(facts, layout, options):
        if wanted != got:
            faults.add("second-reader", f"a second reader sees {what} {got}, expected {wanted}")
    if [_sha256(tree, layout, options) for tree in facts["trees"]] != facts["sha256"]:
        told = faults.counts.total()
        for tree, entries in second.trees(facts).items():
            _differences(TREES[tree], sorted(_entries(tree, layout, options)), entries, faults)
        if faults.counts.total() == told:
            faults.add("second-reader", "a second reader tells the trees in another way")
    return str(facts["reader"])


def _sha256(tree: str, layout: Layout, options: ImageOptions) -> str:
    """Of the line that tells a tree as it was laid out."""
    return hashlib.sha256(json.dumps(sorted(_entries(tree, layout, options))).encode()).hexdigest()


def _facts(facts: dict[str, Any], layout: Layout, options: ImageOptions) -> Iterator[tuple[str, object, object]]:
    """What is seen, expected, found."""
    yield "the trees", [t for t in TREES if t == "iso" or t in options.rules], facts["trees"]
    volume = [options.volume, layout.sectors]
    yield "the volumes (name, sectors)", [volume] * len(options.trees), facts["volumes"]
    yield "the boot entry", _boot_entry(layout, options), facts["boot"]


def _boot_entry(layout: Layout, options: ImageOptions) -> list[int] | None:
    if options.boot is None:
        return None
    image = options.boot
    return [0x88, MEDIA.index(image.media), image.load_segment, image.loaded_sectors, layout.extents[image.path]]


def _entries(tree: str, layout: Layout, options: ImageOptions) -> Iterator[Entry]:
    """The entries that a tree must have."""
    joliet = tree == "joliet"
    folders = {folder.path: folder for folder in layout.trees[joliet].folders}
    root = folders[()]
    yield "", root.sector, root.sectors * SECTOR, "folder"
    for node in layout.nodes:
        path = _path(node, tree, options)
        if node.folder:
            folder = folders[node.path(joliet)]
            yield path, folder.sector, folder.sectors * SECTOR, "folder"
        elif node.catalogue:
            yield path, layout.data_sector - 1, SECTOR, "file"
        else:
            link = node.link.encode(options.charset).decode("latin-1") if tree == "rock-ridge" else ""
            yield path, layout.extents.get(node.iso, 0), node.size_bytes, f"link to {link}" if link else "file"


def _path(node: Node, tree: str, options: ImageOptions) -> str:
    """As the tree stores it: a primary file has its version; Rock Ridge's bytes are shown as Latin-1."""
    if tree == "joliet":
        return "/".join(node.joliet)
    if tree == "iso":
        return "/".join(node.iso) + ("" if node.folder else ";1")
    return "/".join(node.rock_ridge).encode(options.charset).decode("latin-1")


def _differences(tree: str, wanted: list[Entry], got: list[Entry], faults: Faults) -> None:
    found, expected = {entry[0]: entry for entry in got}, {entry[0]: entry for entry in wanted}
    if len(got) != len(found):
        faults.add("second-reader", f"a second reader finds {len(got) - len(found)} names twice in the {tree} tree")
    for path, entry in expected.items():
        other = found.pop(path, None)
        if other is None:
            faults.add("second-reader", f"a second reader does not find it in the {tree} tree", path)
        elif other != entry:
            faults.add("second-reader", f"a second reader sees it in the {tree} tree as {_words(other)}, "
                       f"expected {_words(entry)}", path)  # fmt: skip
    for path in found:
        faults.add("second-reader", f"a second reader finds it in the {tree} tree, where it should not be", path)


def _words(entry: Entry) -> str:
    _, sector, size_bytes, kind = entry
    return f"a {kind} of {size_bytes} bytes at sector {sector}"

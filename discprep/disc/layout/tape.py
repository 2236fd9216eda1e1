"""A disc without a file system: one tar archive (POSIX.1-1988 "ustar", IEEE Std 1003.1, pax: ustar Interchange Format)
from its first sector on, which any tar reads from the raw device. Pure.

The bytes of each file begin with a sector, so that a disc is read back file by file: where a header would not end with
a sector, the header of the file's folder stands before it, once or up to three times more. A folder that is named
again changes nothing.
"""

from __future__ import annotations

import tarfile
from collections.abc import Iterator, Sequence

from discprep.disc.layout.fields import SECTOR, sectors_of
from discprep.disc.layout.options import MIN_TRACK_SECTORS, ImageOptions
from discprep.disc.layout.sizes import Chunk, Layout, Path
from discprep.errors import CapacityError, NameRuleError, raise_all
from discprep.model import Content, Named, Placed

BLOCK = 512
MOST_FILE_BYTES = 8**11 - 1  # eleven octal digits


def tar_path(named: Named) -> Path:
    """A file's path in the archive: its name in the richest tree; a primary one without the dot of no extension."""
    return named.rock_ridge or named.joliet or (*named.iso[:-1], named.iso[-1].removesuffix("."))


def lay_out_tar(named: Sequence[Named], options: ImageOptions) -> Layout:
    """Where every byte will lie: all files in the order given, then the second copies.

    Raises:
        NameRuleError, CapacityError: what the format cannot hold
    """
    made = _Tape(options)
    for entry in named:
        made.add(tar_path(entry), entry)
    for entry in named:
        if entry.second and entry.staged.content:
            made.add(entry.second, entry, second=True)
    raise_all(made.faults)
    used = sectors_of(made.at + 2 * BLOCK)  # two blocks of zeros end it
    sectors = max(used + options.pad_sectors, MIN_TRACK_SECTORS) if options.pad_sectors else used
    head = min((chunk.extent for chunk in made.chunks), default=used)
    placed = tuple(_placed(entry, made) for entry in named)
    return Layout((), (), head, tuple(made.chunks), made.extents, sectors, placed, {}, tuple(made.headers))


class _Tape:
    """What is laid out so far."""

    def __init__(self, options: ImageOptions) -> None:
        self.options = options
        self.at = 0  # bytes
        self.headers: list[tuple[int, bytes]] = []
        self.chunks: list[Chunk] = []
        self.extents: dict[Path, int] = {}
        self.faults: list[NameRuleError | CapacityError] = []
        self.folders: set[Path] = set()

    def add(self, path: Path, entry: Named, second: bool = False) -> None:
        content = entry.staged.content
        for depth in range(1, len(path) + (content is None)):
            if path[:depth] not in self.folders:
                self.folders.add(path[:depth])
                whole = content is None and depth == len(path)
                self._header(path[:depth], None, entry if whole else None)
        if content is None:
            return
        if content.size_bytes > MOST_FILE_BYTES:
            text = f"it has {content.size_bytes:,} bytes; a file of this format has at most {MOST_FILE_BYTES:,}"
            self.faults.append(CapacityError(text, where="/".join(path), item=entry.staged.item))
            return
        while content.size_bytes and (self.at + BLOCK) % SECTOR:
            self._header(path[:-1], None, None)
        self._header(path, content, entry)
        if content.size_bytes:
            self.extents[entry.second if second else entry.iso] = self.at // SECTOR
            self.chunks.append(Chunk(self.at // SECTOR, content, entry))
            self.at += -(-content.size_bytes // BLOCK) * BLOCK

    def _header(self, path: Path, content: Content | None, entry: Named | None) -> None:
        info = tarfile.TarInfo("/".join(path) or ".")
        info.type = tarfile.REGTYPE if content else tarfile.DIRTYPE
        info.size = content.size_bytes if content else 0
        staged = entry.staged if entry else None
        if entry and entry.link:
            info.type, info.linkname = tarfile.SYMTYPE, entry.link
        times = (staged.time_s if staged and staged.time_s is not None else self.options.epoch_s, self.options.epoch_s)
        info.mtime = max(0, min(times))
        bits = staged.attributes if staged and staged.attribute_system == "unix" else None
        info.mode = bits & 0o777 if bits else 0o777 if info.linkname else 0o644 if content else 0o755
        try:
            header = info.tobuf(tarfile.USTAR_FORMAT, self.options.charset, "strict")
        except (ValueError, UnicodeEncodeError) as error:
            hint = "`rename` it or a folder, or give the item a shorter `to`: 100 bytes, after 155 of folders."
            name = f"its name, or its link to {info.linkname!r}" if info.linkname else "its name"
            fault = NameRuleError(f"a tar archive cannot hold {name}: {error}", where="/".join(path), hint=hint)
            self.faults.append(fault)
            header = bytes(BLOCK)
        self.headers.append((self.at, header))
        self.at += BLOCK


def _placed(entry: Named, made: _Tape) -> Placed:
    content = entry.staged.content
    if content is None or not content.size_bytes or entry.iso not in made.extents:
        return Placed(entry, 0, 0)
    return Placed(entry, made.extents[entry.iso], sectors_of(content.size_bytes), made.extents.get(entry.second))


def tar_item_sectors(named: Sequence[Named], options: ImageOptions) -> int:
    """Sectors that an item adds at most: a sector of headers for each file and its bytes, a block for each folder."""
    files = [entry.staged.content for entry in named if entry.staged.content]
    folders = {tar_path(entry)[:depth] for entry in named for depth in range(1, len(tar_path(entry)) + 1)}
    return sum(1 + sectors_of(content.size_bytes) for content in files) + sectors_of(BLOCK * len(folders))


def tar_constant_sectors(everything: Sequence[Named], options: ImageOptions) -> int:
    """Sectors that stand whatever is burned: the tool's own files (those of no item), the end, padding."""
    own = [entry for entry in everything if not entry.staged.item]
    return max(tar_item_sectors(own, options) + sectors_of(2 * BLOCK) + options.pad_sectors, MIN_TRACK_SECTORS)


def members(layout: Layout) -> Iterator[tuple[Path, Content, str]]:
    """Every file and link of the archive, in order: its path, its content, a link's text."""
    for placed in layout.placed:
        if content := placed.named.staged.content:
            yield tar_path(placed.named), content, placed.named.link
    for placed in layout.placed:
        if placed.named.second and (content := placed.named.staged.content):
            yield placed.named.second, content, ""


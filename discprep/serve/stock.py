"""Fills the shelf: an item's verified bytes as they are, taken apart, or packed anew; kept between runs by content."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from discprep.disc.stage import archive_name, stage
from discprep.errors import ArchiveError, DiscprepError, flatten, raise_all
from discprep.fetch.files import scratch
from discprep.model import Content, Fetched, Item, Manifest, Opened, Role, Shape, Staged
from discprep.serve import repack
from discprep.serve.repack import Entry
from discprep.serve.shapes import ENDINGS, choose_shape, opening_roles, root_names, tree_names, volume_of
from discprep.serve.shelf import LIST_NAME, Offer, Shelf, ShelfFile

LinkSeconds = Callable[[int, tuple[int, int] | None], float | None]
"""Bytes and their counted escapes (slip, ppp) to expected seconds at the link."""

LAST_S = 253_402_300_799  # 9999-12-31 23:59:59 UTC: an archive may claim any time, HTTP's dates have four figures


@dataclass(frozen=True, slots=True)
class Order:
    """What is to be offered: ids in the order of the plan, who is on the machine before, shapes the user asked for."""

    items: tuple[str, ...]
    present: frozenset[str] = frozenset()
    shapes: tuple[tuple[str, Shape], ...] = ()
    default: Shape | None = None  # None: what the machine opens

    def shape(self, item: str) -> Shape | None:
        return dict(self.shapes).get(item, self.default)


@dataclass(frozen=True, slots=True)
class Stock:
    """Makes entries of the shelf for one manifest.

    Attributes:
        open_archive: decodes a fetched item, or finds it decoded
        seconds: the time of so many bytes at the link
        work: a folder for packed and edited files, named by content, kept between runs
    """

    manifest: Manifest
    order: Order
    open_archive: Callable[[Item, Fetched], Opened]
    seconds: LinkSeconds
    work: Path
    _opens: dict[str, frozenset[Role]] = field(default_factory=dict)  # by item: the roles there before it comes

    def __post_init__(self) -> None:
        giving = {item.id: item.gives for item in self.manifest.items}
        roles = opening_roles(self.manifest, self.order.present)
        for item in self.order.items:
            self._opens[item] = frozenset(roles)
            roles |= set(giving[item])

    def shelf(self, fetched: Iterable[Fetched], *, build: str = "", link: str = "", script: str = "") -> Shelf:
        """The shelf at the start: items at hand with their files, the others under the name they will have."""
        at_hand = {entry.item: entry for entry in fetched if entry.path}
        opened = {
            item: self.open_archive(self.manifest.item(item), at_hand[item])
            for item in self.order.items
            if item in at_hand
        }
        shapes = {item: self._expected_shape(item, opened.get(item)) for item in self.order.items}
        names = self._names(opened, shapes, script)
        offers = []
        for item in self.order.items:
            waiting = self._waiting(item, names[item], shapes[item])
            offers.append(self._tried(waiting, at_hand[item], opened[item]) if item in opened else waiting)
        return Shelf(
            self.manifest.title,
            tuple(offers),
            charset=self.manifest.profile.charset,
            newline=self.manifest.profile.newline,
            build=build,
            link=link,
            script_name=script,
        )

    def _tried(self, waiting: Offer, fetched: Fetched, opened: Opened) -> Offer:
        """The entry with its files, or with the reason why it has none: one bad item keeps no other back."""
        try:
            return self.filled(waiting, fetched, opened)
        except DiscprepError as error:
            return replace(waiting, state="failed", why=error.message)

    def bring(self, offer: Offer, fetched: Fetched) -> Offer:
        """The entry of an item that has just been fetched and verified."""
        return self.filled(offer, fetched, self.open_archive(self.manifest.item(offer.item), fetched))

    def shape_of(self, item: Item, archive_format: str) -> Shape:
        """The user's shape, else what the machine opens once everything before the item is there."""
        return self.order.shape(item.id) or choose_shape(item, archive_format, self._opens[item.id])

    def _expected_shape(self, item_id: str, opened: Opened | None) -> Shape:
        item = self.manifest.item(item_id)
        return self.shape_of(item, opened.format if opened else _guessed_format(item))

    def _names(self, opened: Mapping[str, Opened], shapes: Mapping[str, Shape], script: str) -> dict[str, str]:
        wanted = {
            item: _wanted_name(self.manifest.item(item), opened.get(item), shapes[item]) for item in self.order.items
        }
        return root_names(wanted, self.manifest.profile, [LIST_NAME, *([script] if script else [])])

    def _waiting(self, item_id: str, name: str, shape: Shape) -> Offer:
        item = self.manifest.item(item_id)
        title = " ".join(part for part in (item.title or item.id, item.version) if part)
        return Offer(
            item_id,
            title,
            (name,),
            shape,
            state="wanted",
            needs=item.needs,
            present=item_id in self.order.present,
            size_bytes=item.size_bytes,
            expected_s=None if item.size_bytes is None else self.seconds(item.size_bytes, None),
            licence=item.licence,
            volume=volume_of(item, self.manifest.profile).path,
            folders=_folders(item),
        )

    def filled(self, offer: Offer, fetched: Fetched, opened: Opened) -> Offer:
        """The entry with its files.

        Raises:
            ArchiveError: the archive is damaged and cannot be taken apart
            DiscprepError: its edits or names do not work out
        """
        item = self.manifest.item(offer.item)
        shape = self.shape_of(item, opened.format)
        if shape == "archive":
            files = [self._whole(item, offer.names[0], fetched, opened)]
        else:
            staged = self._staged(item, opened)
            files = self._files(item, offer.names[0], staged, shape, fetched)
        size = fetched.pin.size_bytes if fetched.pin else None
        return replace(offer, shape=shape, files=tuple(files), state="ready", archive_bytes=size)

    def _whole(self, item: Item, name: str, fetched: Fetched, opened: Opened) -> ShelfFile:
        pin = fetched.pin
        counted = pin is not None and pin.slip_escapes is not None and pin.ppp_escapes is not None
        escapes = (pin.slip_escapes or 0, pin.ppp_escapes or 0) if pin and counted else None
        size = opened.path.stat().st_size
        content = Content(opened.path, 0, size, opened.sha256)
        return self._shelf_file(item, name, (name,), content, _date(fetched), self.seconds(size, escapes))

    def _staged(self, item: Item, opened: Opened) -> list[Staged]:
        """The item's files as they would stand on a disc: chosen, renamed, edited, in the machine's text form."""
        result = stage(self.manifest, {item.id: opened}, {item.id: "unpacked"}, None, self.work)
        # What is expected of other items is of no concern here.
        raise_all([error for error in flatten(result.errors) if error.item in ("", item.id)])
        files = [entry for entry in result.staged if entry.item == item.id and entry.content is not None]
        if not files:
            raise ArchiveError("it holds no file that could be offered", item=item.id)
        return files

    def _files(
        self, item: Item, name: str, staged: Sequence[Staged], shape: Shape, fetched: Fetched
    ) -> list[ShelfFile]:
        prefix = len(_folders(item))
        volume = volume_of(item, self.manifest.profile)
        shelf_volume = replace(volume, case_sensitive=False)
        paths = tree_names([entry.name[prefix:] for entry in staged], shelf_volume, self.manifest.profile)
        if shape == "unpacked":
            return [
                self._inner(item, name, paths[entry.name[prefix:]], entry, fetched, lone=len(staged) == 1)
                for entry in staged
            ]
        entries = [_entry(entry, "/".join(paths[entry.name[prefix:]])) for entry in staged]
        content = self._packed(entries, shape)
        seconds = self.seconds(content.size_bytes, None)
        return [self._shelf_file(item, name, (name,), content, _date(fetched), seconds)]

    def _inner(
        self, item: Item, name: str, path: tuple[str, ...], entry: Staged, fetched: Fetched, *, lone: bool
    ) -> ShelfFile:
        assert entry.content
        shelf_name = name if lone and len(path) == 1 else "/".join((name, *path))
        seconds = self.seconds(entry.content.size_bytes, None)
        time_s = entry.time_s if entry.time_s is not None else _date(fetched)
        return self._shelf_file(item, shelf_name, path, entry.content, time_s, seconds)

    def _shelf_file(
        self, item: Item, name: str, path: tuple[str, ...], content: Content, time_s: int, seconds: float | None
    ) -> ShelfFile:
        within = min(max(0, time_s), LAST_S)
        return ShelfFile(name, item.id, content, within, seconds, target=(*_folders(item), *path))

    def _packed(self, entries: Sequence[Entry], shape: Shape) -> Content:
        """An archive of the entries, from the work folder when the same one was packed before."""
        charset = self.manifest.profile.charset
        system = "68k" if any(entry.attribute_system == "68k" for entry in entries) else "dos"
        path = self.work / f"packed-{_key(entries, shape, charset, system)}{ENDINGS[shape]}"
        if not path.exists():
            self.work.mkdir(parents=True, exist_ok=True)
            with scratch(self.work, "packing-") as folder:
                with (folder / "part").open("w+b") as file:
                    repack.writer(shape, charset, system)(file, entries)
                    file.flush()
                    os.fsync(file.fileno())
                (folder / "part").replace(path)
        with path.open("rb") as file:
            sha256 = hashlib.file_digest(file, "sha256").hexdigest()
        return Content(path, 0, path.stat().st_size, sha256)


def _folders(item: Item) -> tuple[str, ...]:
    return tuple(part for part in item.to.split("/") if part)


def _entry(staged: Staged, name: str) -> Entry:
    assert staged.content
    return Entry(name, staged.content, staged.time_s, staged.attributes, staged.attribute_system)


def _key(entries: Sequence[Entry], shape: Shape, charset: str, system: str) -> str:
    """A hash of all that a packed archive's bytes follow from."""
    digest = hashlib.sha256(f"1 {shape} {charset} {system}\n".encode())
    for entry in entries:
        digest.update(f"{entry.name}\0{entry.content.sha256} {entry.time_s} {entry.attributes}\n".encode())
    return digest.hexdigest()


def _date(fetched: Fetched) -> int:
    return fetched.pin.fetched_s if fetched.pin else 0


def _guessed_format(item: Item) -> str:
    """The container that a name speaks of, until the bytes say it."""
    name = archive_name(item, Opened(Path(), "", "file", ())).lower()
    endings = {".lha": "lha", ".lzh": "lha", ".zip": "zip", ".tar": "tar", ".tgz": "tar.gz", ".tar.gz": "tar.gz"}
    return next((kind for ending, kind in endings.items() if name.endswith(ending)), "file")


def _wanted_name(item: Item, opened: Opened | None, shape: Shape) -> str:
    name = archive_name(item, opened or Opened(Path(), "", "file", ()))
    if shape == "archive" or (shape == "unpacked" and (opened and opened.format == "file")):
        return name
    stem = name.split(".")[0] or item.id
    return stem + ENDINGS.get(shape, "")

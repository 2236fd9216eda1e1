"""Fills the shelf: items at hand with their files in the shape that the plan decided, the others as it reckons them."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from discprep.disc.contents import content_checksum, content_sha256
from discprep.errors import DiscprepError
from discprep.fetch.files import storage
from discprep.link.escapes import count_escapes
from discprep.link.pull import FileTimes, Slice, pulled_seconds
from discprep.machine import checksum_kind, folders_of, full_title, kind_of, published_name, roles_before, volume_of
from discprep.model import Content, Escapes, Fetched, Item, Manifest, Opened, Pin, Pulled, Role, Shape
from discprep.serve.crossing import ENDINGS, Crossing, crossing
from discprep.serve.names import root_names
from discprep.serve.script import join_name
from discprep.serve.shelf import CRC32_NAME, LIST_NAME, Offer, Shelf, ShelfFile
from discprep.shapes import changes, choose_shape, roles_of, usable

SLICES = "SLICES"  # the folder of slices, on the shelf and on the machine
LAST_S = 253_402_300_799  # 9999-12-31 23:59:59 UTC: an archive may claim any time, HTTP's dates have four figures


@dataclass(frozen=True, slots=True)
class Order:
    """What is to be offered.

    Attributes:
        items: ids in the order of the plan
        present: ids of what is on the machine before the first of them
        decided: what crosses the link, by the plan; items that it burns have none
        shapes, default: what the user asked for instead
    """

    items: tuple[str, ...]
    present: frozenset[str] = frozenset()
    shapes: tuple[tuple[str, Shape], ...] = ()
    default: Shape | None = None
    decided: Mapping[str, Pulled] = field(default_factory=dict)

    def asked(self, item: str) -> Shape | None:
        """The shape that the user asked for; None: none."""
        return dict(self.shapes).get(item, self.default)


@dataclass(frozen=True, slots=True)
class Stock:
    """Makes entries of the shelf for one manifest.

    Attributes:
        open_archive: decodes a fetched item, or finds it decoded
        seconds: the time of a file at the link; None: there is no link
        work: a folder for packed and edited files, named by content, kept between runs
    """

    manifest: Manifest
    order: Order
    open_archive: Callable[[Item, Fetched], Opened]
    seconds: FileTimes | None
    work: Path
    _there: dict[str, frozenset[Role]] = field(default_factory=dict)  # by item: roles there before it comes
    _formats: dict[str, str] = field(default_factory=dict)  # by item at hand: what a machine could open it as

    def __post_init__(self) -> None:
        self._there.update(roles_before(self.manifest, self.order.items, self.order.present))

    def shelf(self, fetched: Iterable[Fetched], *, build: str = "", link: str = "", script: str = "") -> Shelf:
        """The shelf at the start: items at hand with their files, the others under the name they will have."""
        at_hand = {entry.item: entry for entry in fetched if entry.path}
        opened = {
            item: self.open_archive(self.manifest.item(item), at_hand[item])
            for item in self.order.items
            if item in at_hand
        }
        self._formats.update({item: one.usable_format for item, one in opened.items()})
        shapes = {item: self._shape_at_start(item, opened.get(item)) for item in self.order.items}
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
            join_name=self._join_name(),
            checksum_kind=checksum_kind(self.manifest.profile),
        )

    def _join_name(self) -> str:
        shell = self.manifest.profile.shell
        return join_name(shell) if shell and self.manifest.link and self.manifest.link.slice_s else ""

    def _tried(self, waiting: Offer, fetched: Fetched, opened: Opened) -> Offer:
        """The entry with its files, or with the reason why it has none: one bad item keeps no other back."""
        try:
            return self.filled(waiting, fetched, opened)
        except DiscprepError as error:
            return replace(waiting, state="failed", why=error.message)

    def bring(self, offer: Offer, fetched: Fetched) -> Offer:
        """The entry of an item that has just been fetched and verified. The plan went by its name: where that spoke
        of another container than it is, the shape is chosen anew."""
        item = self.manifest.item(offer.item)
        opened = self.open_archive(item, fetched)
        if opened.usable_format != _guessed_format(item) and not self.order.asked(item.id):
            offer = replace(offer, shape=choose_shape(item, opened.usable_format, self._there[item.id]))
        return self.filled(offer, fetched, opened)

    def _shape_at_start(self, item_id: str, opened: Opened | None) -> Shape:
        """The user's shape, else the plan's. What the machine opens by then, where the plan burns the item, or what it
        counted on to open it is held back from this shelf."""
        if asked := self.order.asked(item_id):
            return asked
        item, decided, there = self.manifest.item(item_id), self.order.decided.get(item_id), self._there[item_id]
        archive_format = opened.usable_format if opened else _guessed_format(item)
        if decided and usable(decided.shape, archive_format, there):
            return decided.shape
        return choose_shape(item, archive_format, there)

    def why_not_as_it_is(self, item_id: str) -> tuple[str, str]:
        """Why an item does not cross as the archive that it was fetched as, and what would spare that, in words that
        end where another way can be named; both of the first reason that is there."""
        item = self.manifest.item(item_id)
        archive_format = self._formats.get(item_id, _guessed_format(item))
        if keys := changes(item):
            return f"{' and '.join(keys)} reach only what is taken apart", ""
        lacking = [role for role in roles_of("archive", archive_format) if role not in self._there[item_id]]
        if lacking:
            words = f"nothing gives the machine {', '.join(lacking)} before it comes"
            return words, "an unpacker for it on the disc, or one that comes before it, saves that; "
        return "no unpacker is known for what it is, or a part of it is left out as damaged", ""

    def _names(self, opened: Mapping[str, Opened], shapes: Mapping[str, Shape], script: str) -> dict[str, str]:
        wanted = {
            item: _wanted_name(self.manifest.item(item), opened.get(item), shapes[item]) for item in self.order.items
        }
        taken = [LIST_NAME, CRC32_NAME, SLICES, *filter(None, (script, self._join_name()))]
        return root_names(wanted, self.manifest.profile, taken)

    def _waiting(self, item_id: str, name: str, shape: Shape) -> Offer:
        item, expected = self.manifest.item(item_id), self._expected(item_id, shape)
        return Offer(
            item_id,
            full_title(item),
            (name,),
            shape,
            state="wanted",
            needs=item.needs,
            present=item_id in self.order.present,
            size_bytes=expected.size_bytes if expected else None,
            expected_files=expected.files if expected else 1,
            expected_s=pulled_seconds(expected, self.seconds) if expected and self.seconds else None,
            in_slices=bool(expected and self.seconds and self.seconds.in_slices(expected.sizes_bytes)),
            licence=item.licence,
            volume=volume_of(self.manifest.profile, item).path,
            folders=folders_of(item),
        )

    def _expected(self, item_id: str, shape: Shape) -> Pulled | None:
        """What the plan reckons with; the archive's size where it reckons with another shape, or with none."""
        decided = self.order.decided.get(item_id)
        if decided and decided.shape == shape:
            return decided
        size_bytes = self.manifest.item(item_id).size_bytes
        return None if size_bytes is None else Pulled(shape, (size_bytes,))

    def filled(self, offer: Offer, fetched: Fetched, opened: Opened) -> Offer:
        """The entry with its files, in its shape. Raises as `crossing`."""
        item = self.manifest.item(offer.item)
        files = crossing(self.manifest, item, opened, offer.shape, work=self.work, kept=self.work)
        escapes = escapes_of(fetched.pin, opened.path) if offer.shape == "archive" and self.seconds else None
        names = self._shelf_names(offer, files)
        entries: list[ShelfFile] = []
        for name, file in zip(names, files, strict=True):
            whole = self._file(item, name, file, fetched, escapes)
            entries += self._sliced(item, whole, escapes, sum(entry.whole is not None for entry in entries))
        size = fetched.pin.size_bytes if fetched.pin else None
        return replace(offer, files=tuple(entries), state="ready", archive_bytes=size)

    def _sliced(
        self, item: Item, whole: ShelfFile, escapes: Escapes | None, before: int
    ) -> list[ShelfFile]:
        """A file's slices, numbered on from those `before`; the file itself where it takes no longer than one."""
        slices = self.seconds.slices(whole.content.size_bytes, escapes) if self.seconds else ()
        if len(slices) < 2:
            return [whole]
        stem = _slice_stem(whole.name, self.manifest.items.index(item))
        return [self._slice(whole, one, f"{stem}.{before + number:03}") for number, one in enumerate(slices, 1)]

    def _slice(self, whole: ShelfFile, one: Slice, name: str) -> ShelfFile:
        content = replace(whole.content, offset_bytes=whole.content.offset_bytes + one.first_byte,
                          size_bytes=one.size_bytes, sha256="")  # fmt: skip
        with storage("filling the shelf", content.path):
            content = replace(content, sha256=content_sha256(content))
        crc32, own = self._sums(content)
        return replace(
            whole, name=f"{SLICES}/{name}", content=content, expected_s=one.expected_s, target=(SLICES, name),
            crc32=crc32, checksum=own, whole=whole, first_byte=one.first_byte,
        )  # fmt: skip

    @staticmethod
    def _shelf_names(offer: Offer, files: Sequence[Crossing]) -> list[str]:
        """A lone file stands on the shelf's top, several in a folder there."""
        top = offer.names[0]
        lone = len(files) == 1 and len(files[0].path) <= 1
        return [top if lone else "/".join((top, *file.path)) for file in files]

    def _file(
        self, item: Item, name: str, file: Crossing, fetched: Fetched, escapes: Escapes | None
    ) -> ShelfFile:
        stamp = file.time_s if file.time_s is not None else fetched.pin.fetched_s if fetched.pin else 0
        seconds = self.seconds(file.content.size_bytes, escapes) if self.seconds else None
        target = (*folders_of(item), *(file.path or (name,)))
        crc32, own = self._sums(file.content)
        return ShelfFile(
            name, item.id, file.content, min(max(0, stamp), LAST_S), seconds, target=target, crc32=crc32, checksum=own,
            archive_sha256=fetched.pin.sha256 if fetched.pin else "",
        )  # fmt: skip


    def _sums(self, content: Content) -> tuple[str, str]:
        """CRC-32, and the checksum in the form that the machine's own item speaks."""
        with storage("filling the shelf", content.path):
            return content_checksum(content, "crc32"), content_checksum(content, checksum_kind(self.manifest.profile))


def _slice_stem(name: str, number: int) -> str:
    """Six or seven characters that no other item's slices have, the same every evening: the name's first letters and
    the item's place in the manifest."""
    letters = re.sub(r"[^A-Z0-9]", "", name.rpartition("/")[2].upper().partition(".")[0])[:4]
    return f"{letters}{number:03}" if number < 1000 else f"{letters[:2]}{number}"


def escapes_of(pin: Pin | None, path: Path | None) -> Escapes | None:
    """Bytes of an archive as fetched that the link must escape: as noted at the fetch, else counted; None
    where it is not at hand."""
    if pin and pin.escapes:
        return pin.escapes
    return count_escapes(path) if path else None


def _guessed_format(item: Item) -> str:
    """The container that a name speaks of, until the bytes say it."""
    return kind_of(item) or "file"


def _wanted_name(item: Item, opened: Opened | None, shape: Shape) -> str:
    name = published_name(item, opened.format if opened else "")
    if shape == "archive" or (shape == "unpacked" and (opened and opened.format == "file")):
        return name
    stem = name.split(".")[0] or item.id
    return stem + ENDINGS.get(shape, "")

"""What stands on the shelf, under which names, and the pages that say so. Pure: no file is opened here.

The pages keep to HTML 2.0 (RFC 1866) with one 8-bit charset: a heading, a preformatted list, links. A browser of the
1990s shows them, and so does a terminal.
"""

from __future__ import annotations

import contextlib
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from html import escape as html_escape
from textwrap import wrap
from typing import Literal
from urllib.parse import quote

from discprep.disc.textform import approximate
from discprep.machine import CHECKSUM_NAMES
from discprep.model import Content, Shape
from discprep.serve import log
from discprep.units import format_bytes, format_seconds

State = Literal["ready", "wanted", "fetching", "failed"]
LIST_NAME, SHA256_NAME, CRC32_NAME = "LIST.TXT", "SHA256SUMS", "CRC32.TXT"
TYPES = {
    "txt": "text/plain", "doc": "text/plain", "me": "text/plain", "1st": "text/plain", "readme": "text/plain",
    "htm": "text/html", "html": "text/html", "gif": "image/gif", "jpg": "image/jpeg", "jpeg": "image/jpeg",
    "zip": "application/zip", "tar": "application/x-tar", "gz": "application/gzip", "tgz": "application/gzip",
    "lha": "application/x-lha", "lzh": "application/x-lha",
}  # fmt: skip
"""By a name's ending. Closed, because the host's own table differs from host to host; the rest are plain bytes."""


@dataclass(frozen=True, slots=True)
class ShelfFile:
    """One file on the shelf. `name` is its path from the root; `expected_s` its time at this link, None if unknown."""

    name: str
    item: str
    content: Content
    time_s: int
    expected_s: float | None = None
    had_bytes: int = 0  # what the machine already has of it, by the log
    target: tuple[str, ...] = ()  # where the fetching script puts it, below the item's volume
    crc32: str = ""  # hexadecimal
    archive_sha256: str = ""  # of the item as fetched, whatever the shape
    checksum: str = ""  # in the form that the machine's checksum item speaks, hexadecimal
    whole: ShelfFile | None = None  # what this is a slice of, and its first byte there
    first_byte: int = 0

    @property
    def tag(self) -> str:
        """A strong validator: the same bytes, the same tag, on any day."""
        return f'"{self.content.sha256[:32]}"'

    @property
    def media_type(self) -> str:
        return media_type(self.name)

    @property
    def logged(self) -> tuple[str, int]:
        """The SHA-256 and the size [B] under which its transfers are logged: a slice's are its whole file's, so that
        what came counts however it is sliced."""
        content = (self.whole or self).content
        return content.sha256, content.size_bytes

    @property
    def had(self) -> bool:
        """Whether the machine has all its bytes, by the log."""
        return self.had_bytes >= self.content.size_bytes


@dataclass(frozen=True, slots=True)
class Offer:
    """One item on the shelf. Its `files` are empty until its bytes are at hand and verified."""

    item: str
    title: str
    names: tuple[str, ...]  # under which it can be asked for before its files are known: "NETTOOLS.ZIP", "NETTOOLS"
    shape: Shape = "archive"
    files: tuple[ShelfFile, ...] = ()
    state: State = "ready"
    why: str = ""  # of `failed`, for the person at the machine
    needs: tuple[str, ...] = ()
    present: bool = False  # on the machine before this evening
    size_bytes: int | None = None  # expected, while there are no files; so are the next two
    expected_files: int = 1
    expected_s: float | None = None
    in_slices: bool = False  # some of its files will be
    licence: str = ""
    volume: str = ""  # where it goes on the machine: a volume, and folders there
    folders: tuple[str, ...] = ()
    archive_bytes: int | None = None  # of the archive as fetched, whatever the shape

    @property
    def wholes(self) -> tuple[ShelfFile, ...]:
        """The files that are offered in slices, in order. Each can still be asked for whole."""
        return tuple(dict.fromkeys(file.whole for file in self.files if file.whole))

    @property
    def bytes_to_send(self) -> int | None:
        return sum(file.content.size_bytes for file in self.files) if self.files else self.size_bytes

    @property
    def file_count(self) -> int:
        return len(self.files) or self.expected_files

    @property
    def seconds(self) -> float | None:
        """Seconds at this link for all its files, in whole milliseconds; None where one is not known."""
        if not self.files:
            return self.expected_s
        times = [file.expected_s for file in self.files if file.expected_s is not None]
        return round(sum(times), 3) if len(times) == len(self.files) else None

    @property
    def had_bytes(self) -> int:
        return sum(file.had_bytes for file in self.files)

    @property
    def pulled(self) -> bool:
        """Whether the machine has all of it, by the log. A file of no bytes is had with its neighbours."""
        return bool(self.files and self.bytes_to_send) and all(file.had for file in self.files)


@dataclass(frozen=True, slots=True)
class Shelf:
    """All that is offered, in the order of the plan, and how the machine writes text."""

    title: str
    offers: tuple[Offer, ...]
    charset: str = "latin-1"
    newline: str = "\r\n"
    build: str = ""
    link: str = ""  # "57600 8N1, SLIP, MTU 576"
    script_name: str = ""  # empty: the profile has no fetcher's command
    join_name: str = ""  # of the script that joins slices; empty: the profile has no command for that
    checksum_kind: str = "crc32"  # the form that the machine's checksum item speaks
    _files: Mapping[str, ShelfFile] = field(default_factory=dict)
    _offers: Mapping[str, Offer] = field(default_factory=dict)

    def __post_init__(self) -> None:
        table = {file.name.casefold(): file for offer in self.offers for file in (*offer.wholes, *offer.files)}
        object.__setattr__(self, "_files", table)
        # Of two of one name the first is meant. A client that lists a folder asks for each of its names.
        named = {name.casefold(): offer for offer in reversed(self.offers) for name in offer.names}
        object.__setattr__(self, "_offers", named)

    def file(self, path: str) -> ShelfFile | None:
        """The file with this path. A closed list is the only way in: no path is ever built from a request."""
        return self._files.get(path.casefold())

    def offer(self, path: str) -> Offer | None:
        """The item that a path speaks of: one of its names, or a path below one."""
        return self._offers.get(path.casefold().split("/")[0])

    def with_offer(self, changed: Offer) -> Shelf:
        """The shelf with one item's entry exchanged."""
        return replace(self, offers=tuple(changed if o.item == changed.item else o for o in self.offers))

    def with_had(self, had: log.Spans, news: Collection[str]) -> Shelf:
        """The shelf after the log said which bytes of each file the machine has. `news`: of which SHA-256 it tells more
        than before; of twenty thousand files one changes at a time."""

        def told(file: ShelfFile) -> ShelfFile:
            if file.logged[0] not in news:
                return file
            return replace(file, had_bytes=log.covered(had[file.logged[0]], file.first_byte, file.content.size_bytes))

        return replace(self, offers=tuple(
            replace(o, files=tuple(map(told, o.files))) if any(file.logged[0] in news for file in o.files) else o
            for o in self.offers
        ))  # fmt: skip

    def readings(self, path: bytes) -> list[str]:
        """A request's path as text: UTF-8 as newer clients send it, the machine's charset, latin-1."""
        found: dict[str, None] = {}
        for charset in ("utf-8", self.charset, "latin-1"):
            with contextlib.suppress(UnicodeDecodeError):
                found[path.decode(charset)] = None
        return list(found)


def media_type(name: str) -> str:
    """The type by the name's ending; plain bytes for what is not in the list."""
    return TYPES.get(name.rpartition("/")[2].rpartition(".")[2].lower(), "application/octet-stream")


# -------------------------------------------------------------------------------------------------- pages


def state_words(offer: Offer) -> str:
    """What the page says of an item in its last column."""
    if offer.present:
        return "on the machine"
    if offer.pulled:
        return "pulled"
    if offer.had_bytes and offer.bytes_to_send:
        return f"{100 * offer.had_bytes // offer.bytes_to_send} % pulled"
    return {"ready": "ready", "wanted": "when asked", "fetching": "being fetched", "failed": "not to be had"}[
        offer.state
    ]


def front_page(shelf: Shelf) -> str:
    """The list of everything, in the order of the plan."""
    rows = [f"{'':3} {'Name':<28}{'Size':>9} {'Time':>13}  State"]
    for number, offer in enumerate(shelf.offers, 1):
        rows.append(f"{number:>2}. {_linked(offer)}{_size(offer):>9} {_time(offer.seconds):>13}  {state_words(offer)}")
        words = [offer.title, *_proof(shelf, offer), *([f"needs {', '.join(offer.needs)}"] if offer.needs else [])]
        rows += [f"    {escape(line)}" for text in words for line in wrap(text, 76)]
    left = [offer for offer in shelf.offers if not offer.pulled and not offer.present]
    known = [offer.seconds for offer in left if offer.seconds is not None]
    total = f", about {format_seconds(sum(known))} at this link" if known else ""
    script = f"<P>To fetch all in this order: {_link(shelf.script_name)}.\n" if shelf.script_name else ""
    if any(offer.wholes for offer in shelf.offers):
        does = f": {_link(shelf.join_name)} does that on the machine" if shelf.join_name else ""
        script += f"<P>Slices are joined in the order of their numbers{does}.\n"
    return page(
        shelf,
        shelf.title,
        f"<P>{len(left)} of {len(shelf.offers)} still to pull{total}.\n"
        + (f"Line: {escape(shelf.link)}.\n" if shelf.link else "")
        + f"<PRE>\n{chr(10).join(rows)}\n</PRE>\n{script}"
        + f"<P>The same as plain text: {_link(LIST_NAME)}. Checksums of all files: "
        + f"{_link(CRC32_NAME)}, {_link(SHA256_NAME)}.\n",
    )


def _link(name: str) -> str:
    return f'<A HREF="/{quote(name)}">{escape(name)}</A>'


def _proof(shelf: Shelf, offer: Offer) -> list[str]:
    """What an item's one file is compared with on the machine; several have theirs on their own page."""
    if offer.wholes and len(offer.wholes) == 1 == len({file.whole for file in offer.files}):
        whole = offer.wholes[0]
        words = proof_words(whole.content.size_bytes, shelf.checksum_kind, whole.checksum)
        return [f"{words}, in {len(offer.files)} slices"]
    if len(offer.files) != 1:
        return [f"{len(offer.files)} files, {offer.bytes_to_send:,} bytes"] if offer.files else []
    return [proof_words(offer.files[0].content.size_bytes, shelf.checksum_kind, offer.files[0].checksum)]


def proof_words(size_bytes: int, kind: str, checksum: str) -> str:
    """What a file is compared with: `412,331 bytes, CRC-32 1a2b3c4d`. A long sum stands on a line of its own."""
    return f"{size_bytes:,} bytes" + (f", {CHECKSUM_NAMES[kind]} {checksum}" if checksum else "")


def _linked(offer: Offer) -> str:
    name = offer.names[0]
    shown = name if len(name) <= 26 else name[:25] + "+"
    slash = "" if len(offer.files) == 1 and offer.files[0].name == name else "/"  # a page, of files or of slices
    if not offer.files and "." in name:
        slash = ""
    return f'<A HREF="/{quote(name)}{slash}">{escape(shown)}</A>{" " * (28 - len(shown))}'


def _size(offer: Offer) -> str:
    return format_bytes(offer.bytes_to_send) if offer.bytes_to_send is not None else "?"


def _time(seconds: float | None) -> str:
    return format_seconds(seconds) if seconds is not None else ""


def folder_page(shelf: Shelf, offer: Offer) -> str:
    """The files of one item that is offered unpacked."""
    rows = []
    for file in offer.files:
        inner = file.name.partition("/")[2] or file.name
        had = "pulled" if file.had and file.content.size_bytes else ""
        size = f"{format_bytes(file.content.size_bytes):>9}"
        rows.append(
            f'{size} {_time(file.expected_s):>13}  {had:6}  <A HREF="{href(shelf, file.name)}">{escape(inner)}</A>'
        )
        rows.append(f"          {proof_words(file.content.size_bytes, shelf.checksum_kind, file.checksum)}")
    body = f"<P>{escape(offer.title)}\n<PRE>\n{chr(10).join(rows)}\n</PRE>\n<P><A HREF=\"/\">All items</A>\n"
    return page(shelf, offer.names[0], body)


def href(shelf: Shelf, name: str) -> str:
    """A link to a file: its name in the machine's charset, so that the machine saves it so, percent-encoded."""
    return "/" + quote(narrow(name, shelf.charset))


def waiting_page(shelf: Shelf, offer: Offer, again_s: int) -> str:
    """What a browser shows while an item is fetched; it asks again by itself."""
    body = (
        f"<P>{escape(offer.title)} is being fetched and checked on the computer that answers you.\n"
        f"<P>This page asks again in {again_s} seconds. Nothing unchecked is ever handed on.\n"
        '<P><A HREF="/">All items</A>\n'
    )
    return page(shelf, "Please wait", body, refresh_s=again_s)


def failed_page(shelf: Shelf, offer: Offer) -> str:
    """Why an item cannot be had."""
    body = f"<P>{escape(offer.title)} cannot be had just now: {escape(offer.why)}\n<P><A HREF=\"/\">All items</A>\n"
    return page(shelf, "Not to be had", body)


def refusal_page(shelf: Shelf, heading: str, why: str) -> str:
    """A refused request, in words."""
    return page(shelf, heading, f"<P>{escape(why[:1].upper() + why[1:])}.\n<P><A HREF=\"/\">All items</A>\n")


def page(shelf: Shelf, heading: str, body: str, refresh_s: int | None = None) -> str:
    """The frame of every page: HTML 2.0, no script, no style."""
    refresh = f'<META HTTP-EQUIV="Refresh" CONTENT="{refresh_s}">\n' if refresh_s else ""
    build = f"<HR>\n<P>Build {escape(shelf.build)}\n" if shelf.build else ""
    return (
        '<!DOCTYPE HTML PUBLIC "-//IETF//DTD HTML 2.0//EN">\n<HTML>\n<HEAD>\n'
        f"<TITLE>{escape(heading)}</TITLE>\n{refresh}</HEAD>\n<BODY>\n<H1>{escape(heading)}</H1>\n"
        f"{body}{build}</BODY>\n</HTML>\n"
    )


def narrow(text: str, charset: str = "latin-1") -> bytes:
    """Text in an 8-bit charset; what the charset lacks becomes its plainer relative, at worst `?`.

    >>> narrow("caf\u00e9", "latin-1"), narrow("caf\u00e9", "ascii")
    (b'caf\\xe9', b'cafe')
    """
    return approximate(text, charset).encode(charset, "replace")


# --------------------------------------------------------------------------------------------------- list


def plain_list(shelf: Shelf) -> str:
    """One line a file, in the order of the plan, for a person or a program that reads words: bytes, seconds, state,
    checksum, path. An item whose files are not known yet has one line for all of them."""
    name, width = CHECKSUM_NAMES[shelf.checksum_kind], _DIGITS[shelf.checksum_kind]
    lines = [f"# {shelf.title}", f"#    bytes    seconds  state  {name:{width}}  path"]
    for offer in shelf.offers:
        lines.append(f"# {offer.title}: {state_words(offer)}; {_sums(offer)}")
        for whole in offer.wholes:
            words = proof_words(whole.content.size_bytes, shelf.checksum_kind, whole.checksum)
            lines.append(f"# {whole.name}: {words}, in slices")
        lines += [_list_line(file) for file in offer.files]
        if not offer.files:
            size = offer.size_bytes if offer.size_bytes is not None else "?"
            lines.append(f"{size:>10} {_exact(offer.expected_s):>10}  later  {'?':{width}}  {offer.names[0]}")
    return shelf.newline.join([*lines, ""])


_DIGITS = {"crc16": 4, "crc32": 8, "md5": 32, "sha1": 40, "sha256": 64}


def sha256_list(shelf: Shelf) -> str:
    """SHA-256, two spaces and the path of each file that is at hand, as `sha256sum -c` takes it."""
    return "".join(f"{file.content.sha256}  {file.name}\n" for file in _all_files(shelf))


def crc32_list(shelf: Shelf) -> str:
    """The path and CRC-32 of each file that is at hand, as the usual checkers of such lists take it."""
    lines = [f"{file.name} {file.crc32}" for file in _all_files(shelf)]
    return shelf.newline.join([*lines, ""])


def _all_files(shelf: Shelf) -> Iterable[ShelfFile]:
    """Every file at hand, one in slices after those."""
    return (file for offer in shelf.offers for file in (*offer.files, *offer.wholes))


def _sums(offer: Offer) -> str:
    """What an item is in all: `3 files, 81920 bytes, 15.072 s`."""
    count, size = offer.file_count, offer.bytes_to_send
    return f"{count} file{'s' * (count != 1)}, {'?' if size is None else size} bytes, {_exact(offer.seconds)} s"


def _list_line(file: ShelfFile) -> str:
    state = "had" if file.had and file.content.size_bytes else "pull"
    size, checksum = file.content.size_bytes, file.checksum or "?"
    return f"{size:>10} {_exact(file.expected_s):>10}  {state:<5}  {checksum}  {file.name}"


def _exact(seconds: float | None) -> str:
    return "?" if seconds is None else f"{seconds:.3f}"


def still_to_pull(offers: Iterable[Offer]) -> Sequence[Offer]:
    """What the script fetches: everything that the machine does not have yet, in order."""
    return [offer for offer in offers if not offer.present and not offer.pulled]


def escape(text: str) -> str:
    """Text for a page. Quotes stay: HTML 2.0 has no hexadecimal references."""
    return html_escape(text, quote=False)

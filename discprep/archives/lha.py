"""LHA: walks the headers, says what stands in them, and has the members decoded and checked.

Sources: the header document of "LHa for UNIX"; lhasa 0.5.0 for what historical packers wrote. Every departure
from the document that is tolerated here was seen in archives of such packers.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

from discprep.archives import lha_decode, times
from discprep.archives.base import Again, Format, MemberError, Options, Remarking, Source, checksum_text, enforced
from discprep.archives.lha_headers import (
    ANY_METHOD,
    FOLDER,
    HEAD_BYTES,
    STORED,
    STUB_MAX,
    BadHeader,
    Header,
    Search,
    nearly_header,
    read_header,
    starts_archive,
)
from discprep.members import AttributeSystem, Member, MemberKind

COMMENT_MAX = 4096
# Systems whose file names may hold a backslash; elsewhere, and in level 0, it separates folders.
BACKSLASH_IN_NAMES = set("AUJmK9")
CHARSETS = {"A": "latin-1", "H": "cp932", "m": "cp932", "K": "cp932", "w": "cp1252", "W": "cp1252"}
UNIX_IDS = set("UJ")
DOS_IDS = {"", "M", "w", "W", "2", " ", "3", "\0"}
EXTRACTOR_ID = b"-pms-"  # a self-extractor of an 8-bit system marks its program with it where a method would stand


def recognise(source: Source) -> bool:
    """A header at the start, damaged or not."""
    return source.head[2:7] != EXTRACTOR_ID and starts_archive(source.at, source.size_bytes)


def _behind_stub(source: Source) -> int | None:
    """The first header behind a program. A program may carry an archive of its own (its manual, say), with an end
    mark and the real archive behind it: the last one within reach counts."""
    search, reach = Search(source.at, source.size_bytes), min(STUB_MAX, source.size_bytes)
    start = search.next(0, reach)
    while start is not None and (end := _end_mark(source, start)) is not None and end < reach:
        following = search.next(end + 1, reach)
        if following is None:
            break
        start = following
    return start


def _end_mark(source: Source, offset: int) -> int | None:
    """Where the archive at `offset` has its end mark; None where it has none, or a damaged header before it."""
    while offset < source.size_bytes:
        head = source.at(offset, HEAD_BYTES)
        if head[:1] == b"\0":
            return offset
        try:
            offset = read_header(source.at, offset, source.size_bytes, head).end
        except BadHeader:
            return None
    return None


def open_reader(source: Source, options: Options) -> LhaReader:
    """A reader that starts at the first header."""
    start = 0 if recognise(source) else _behind_stub(source) or 0
    return LhaReader(source, options, start)


class LhaReader(Remarking):
    """One LHA archive (`base.Reader`); the member last given out is read."""

    format = "lha"

    def __init__(self, source: Source, options: Options, start: int) -> None:
        super().__init__()
        self._source = source
        self._options = options
        self._start = start
        self._end = source.size_bytes
        self._search = Search(source.at, source.size_bytes)
        self._header: Header | None = None  # of the member last given out
        self._tried = 0  # decoders that failed on it
        self._guessed: set[str] = set()
        self._unnamed: list[str] = []
        self._unchecked = 0  # headers of levels 2 and 3 without a checksum

    def members(self) -> Iterator[Member]:
        if self._start:
            self.notices.append(f"{self._start} bytes stand before the first header (a self-extracting archive)")
        for index, header in enumerate(self._headers()):
            self._header, self._tried = header, 0
            yield self._member(header, index)
        if self._unnamed:
            count, first = len(self._unnamed), self._unnamed[0]
            self.notices.append(f"{count} members have no name; the first is called {first} here")
        if self._unchecked:
            self.notices.append(f"{self._unchecked} headers of level 2 or 3 have no checksum, as old packers wrote")
        for charset in sorted(self._guessed):
            self.notices.append(f"the archive does not say how names are written; read as {charset}, a guess")

    def read(self, member: Member) -> Iterable[bytes]:
        header = self._header
        assert header is not None
        # Collections hold thousands of small members: those are decoded and compared at once.
        if not self._tried and lha_decode.is_small(header):
            data = lha_decode.small(self._source, header)
            if data is not None:
                return (data,)
            # The fast decoder would fail again. Where it is the only one it does, and says why.
            self._tried = len(lha_decode.decoders(header)) - 1
        return self._decoded(member, header)

    def _decoded(self, member: Member, header: Header) -> Iterator[bytes]:
        names = lha_decode.decoders(header)
        try:
            pieces = lha_decode.decode(names[self._tried], self._source, header, self._options.scratch)
            yield from enforced(pieces, member.size_bytes, member.checksum)
        except MemberError:
            self._tried += 1
            if self._tried < len(names):
                raise Again from None
            raise

    # ------------------------------------------------------------------------------------------ headers

    def _headers(self) -> Iterator[Header]:
        offset: int | None = self._start
        while offset is not None and offset < self._end:
            head = self._source.at(offset, HEAD_BYTES)
            if head[:1] == b"\0":
                self._after_end(offset + 1)
                return
            try:
                header = read_header(self._source.at, offset, self._end, head)
            except BadHeader as bad:
                offset = self._resume(offset, str(bad))
                continue
            offset = self._following(header)
            self._unchecked += header.level >= 2 and not header.crc_at
            yield header
        if offset is not None:
            self.notices.append("the mark at the end of the archive is missing")

    def _following(self, header: Header) -> int | None:
        """Where the next header is. After a header whose checksum is wrong its sizes are believed only if they
        lead to a header or to the end."""
        if not header.fault or self._plausible(header.end):
            return header.end
        return self._resume(header.offset, "what follows a damaged header cannot be found by its size")

    def _plausible(self, offset: int) -> bool:
        here = self._source.at(offset, 22)
        if not here or here[0] == 0:
            return offset <= self._end
        return ANY_METHOD.match(here, 2) is not None

    def _resume(self, offset: int, why: str) -> int | None:
        """Past what is no header: to the next verified one. None when there is none; `problems` says so."""
        rest = self._source.at(offset, HEAD_BYTES)
        if offset > self._start and len(set(rest)) == 1 and not nearly_header(rest):
            self.notices.append(f"{self._end - offset} bytes of padding stand where the end mark should be")
            return None
        found = self._search.next(offset + 1, self._end)
        if found is None:
            self.problems.append(
                f"at byte {offset}: {why}; the {self._end - offset} bytes from there hold no further member"
            )
            return None
        self.problems.append(f"at byte {offset}: {why}; {found - offset} bytes were skipped to the next member")
        return found

    def _after_end(self, offset: int) -> None:
        """Says what stands behind the end mark: padding, junk, or a second archive."""
        left = self._end - offset
        if left <= 0:
            return
        found = self._search.next(offset, self._end)
        if found is not None:
            self.notices.append(f"a second archive begins at byte {found}, after the end mark; it was not read")
        else:
            self.notices.append(f"{left} bytes stand after the end mark")

    # ------------------------------------------------------------------------------------------ members

    def _member(self, header: Header, index: int) -> Member:
        raw, comment = _raw_name(header)
        kind = _kind(header, raw)
        name = self._text_name(header, raw)
        target = ""
        if kind == "link":
            name, _, target = name.partition("|")
        if kind == "file" and (not name or name.endswith("/")):
            name = f"{name.strip('/')}/unnamed-{header.offset}".lstrip("/")
            self._unnamed.append(name)
        attributes, system = _attributes(header)
        return Member(
            index, name, raw, kind, header.size_bytes if kind == "file" else 0, header.packed_bytes, header.method,
            _time(header), attributes, system, self._text(header, comment),
            "" if header.crc is None or kind != "file" else checksum_text("crc16", header.crc),
            self._problem(header, kind), target,
        )  # fmt: skip

    def _problem(self, header: Header, kind: MemberKind) -> str:
        if header.fault:
            return f"its header is damaged: {header.fault}"
        if kind != "file":
            return ""
        if header.method not in lha_decode.KNOWN:
            return f"its method {header.method} is one that no decoder here reads"
        if header.end > self._end:
            return (
                f"the file ends inside its packed data: {self._end - header.data_offset} of "
                f"{header.packed_bytes} bytes are there"
            )
        if header.method in STORED and header.packed_bytes != header.size_bytes:
            return f"it is stored, yet takes {header.packed_bytes} bytes for {header.size_bytes}"
        return ""

    def _text_name(self, header: Header, raw: bytes) -> str:
        """The path as text with `/` between its parts."""
        if 0x44 in header.extended:
            return self._wide_name(header)
        if raw.isascii() and b"\\" not in raw:
            return raw.decode("ascii")
        # A double-byte charset may hold 5C inside a character: decode first, split after.
        text = "/".join([self._text(header, part) for part in raw.split(b"\xff")])
        keeps = header.level > 0 and header.os_id in BACKSLASH_IN_NAMES
        return text if keeps else text.replace("\\", "/")

    def _wide_name(self, header: Header) -> str:
        """The UTF-16 name (0x44) and folder (0x45), which go before the byte forms."""
        name = header.extended[0x44].decode("utf-16-le", "replace")
        folder = header.extended.get(0x45, b"").decode("utf-16-le", "replace").replace("\uffff", "/")
        if not folder and 0x02 in header.extended:
            folder = "/".join(self._text(header, part) for part in header.extended[0x02].split(b"\xff"))
        return (folder + ("/" if folder and not folder.endswith("/") else "") + name).replace("\\", "/")

    def _text(self, header: Header, raw: bytes) -> str:
        if not raw:
            return ""
        if raw.isascii():
            return raw.decode("ascii")
        charset = self._options.charset or _code_page(header)
        if charset is None:
            charset = _usual_charset(header, raw)
            self._guessed.add(charset)
        try:
            return raw.decode(charset)
        except (LookupError, UnicodeDecodeError):
            self._guessed.add("latin-1")
            return raw.decode("latin-1")


def _raw_name(header: Header) -> tuple[bytes, bytes]:
    """The path as stored (folder in front, FF between its parts), and the comment.

    Packers of system `A` put the comment into the name field after a NUL, or into extended header 0x71.
    """
    name, _, comment = header.name.partition(b"\0")
    name = header.extended.get(0x01, name)
    folder = header.extended.get(0x02, b"")
    if folder and not folder.endswith(b"\xff"):  # one version of system A's packer leaves it out
        folder += b"\xff"
    comment = header.extended.get(0x71) or header.extended.get(0x3F) or comment
    return folder + name.partition(b"\0")[0], comment.strip(b"\0")[:COMMENT_MAX]


def _kind(header: Header, raw: bytes) -> MemberKind:
    if header.method == FOLDER:
        return "link" if (header.unix_mode or 0) & 0o170000 == 0o120000 else "folder"
    # A packer of system A stored empty folders as empty files without a name.
    empty = header.method == "-lh0-" and not header.size_bytes and not header.packed_bytes
    return "folder" if empty and re.search(rb"[/\\\xff]\Z", raw) else "file"


def _time(header: Header) -> int | None:
    stamps = header.extended.get(0x41, b"")
    if len(stamps) >= 16:
        found = times.filetime(int.from_bytes(stamps[8:16], "little"))
        if found is not None:
            return found
    unix = header.extended.get(0x54, b"")
    if len(unix) >= 4:
        return int.from_bytes(unix[:4], "little") or None
    return (header.stamp or None) if header.level >= 2 else times.dos_time(header.stamp)


def _attributes(header: Header) -> tuple[int | None, AttributeSystem]:
    """Protection bits of system A, DOS attribute bits, or a unix mode; none where the system has others."""
    if header.unix_mode is not None and header.os_id not in "A":
        return header.unix_mode, "unix"
    wide = header.extended.get(0x40, b"")
    bits = int.from_bytes(wide[:2], "little") if len(wide) >= 2 else header.attribute
    if header.os_id == "A":
        return bits & 0xFF, "68k"
    return (bits, "dos") if header.os_id in DOS_IDS else (None, "")


def _code_page(header: Header) -> str | None:
    """The code page the archive declares (0x46, u32)."""
    raw = header.extended.get(0x46, b"")
    page = int.from_bytes(raw[:4], "little") if len(raw) >= 4 else 0
    return {0: None, 65001: "utf-8", 20127: "ascii"}.get(page, f"cp{page}")


def _usual_charset(header: Header, raw: bytes) -> str:
    """What the member's system used; a guess, which the reader states."""
    if header.os_id in UNIX_IDS:
        try:
            raw.decode("utf-8")
        except UnicodeDecodeError:
            return "latin-1"
        return "utf-8"
    return CHARSETS.get(header.os_id, "cp437")


FORMATS = (
    Format("lha", 1, recognise, open_reader),
    Format("lha", 2, lambda source: _behind_stub(source) is not None, open_reader),
)

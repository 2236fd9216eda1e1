"""The 880 KiB block file system of the 68k family, and its high-density variant, as folders of files.

Source: the public block-image format FAQ 1.11 (2005), sections named beside the fields. Blocks of 512 bytes, all
integers big-endian. A damaged block hurts the file it belongs to; what a damaged folder or chain hides is looked for
block by block.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

from discprep.archives.base import Format, MemberError, Options, Source, enforced
from discprep.archives.floppy import PATH_MAX, Found, ImageReader, without_shared
from discprep.errors import ArchiveError
from discprep.members import Member, MemberKind

BLOCK = 512
SLOTS = 72  # of a folder's hash table, and pointers in one header
PLAIN_BYTES = 488  # file bytes in a data block of the plain variant, after its own header
BLOCKS_MAX = 8192  # beyond any floppy: such an image is refused
VARIANTS = 6  # flags 0..5: fast is bit 0, international 2 and up (4.1)
HEADER, DATA, EXTENSION = 2, 8, 16  # a block's type, offset 0
ROOT, FOLDER, SOFT_LINK, FOLDER_LINK = 1, 2, 3, 4  # its second type, offset 508
FILE, FILE_LINK = -3 & 0xFFFFFFFF, -4 & 0xFFFFFFFF
NAMES = {FOLDER, SOFT_LINK, FOLDER_LINK, FILE, FILE_LINK}
EPOCH_S = 252_460_800  # 1978-01-01


def long(block: bytes, at: int) -> int:
    """The 32-bit integer at `at`."""
    return int.from_bytes(block[at : at + 4], "big")


def sum_is_right(block: bytes) -> bool:
    """Whether the block's 128 integers add up to 0 modulo 2^32."""
    return len(block) == BLOCK and sum(struct.unpack(">128L", block)) & 0xFFFFFFFF == 0


def slot_of(name: bytes, international: bool) -> int:
    """The place of a name in a folder's hash table (4.2.1).

    >>> slot_of(b"file_1a", False), slot_of(bytes.fromhex("6672616ee7616973"), True)
    (56, 47)
    """
    value = len(name)
    for byte in name:
        small = 0x61 <= byte <= 0x7A or (international and 0xE0 <= byte <= 0xFE and byte != 0xF7)
        value = (value * 13 + byte - 32 * small) & 0x7FF
    return value % SLOTS


def moment(block: bytes, at: int) -> int | None:
    """Seconds since 1970 from days since 1978, minutes and ticks of 1/50 s (4.2); None for none and the impossible."""
    days, minutes, ticks = (long(block, place) for place in (at, at + 4, at + 8))
    if not (days or minutes or ticks) or days > 100_000 or minutes >= 1440 or ticks >= 3000:
        return None
    return EPOCH_S + days * 86_400 + minutes * 60 + ticks // 50


class BlockReader(ImageReader):
    format = "blockfs"

    def __init__(self, source: Source, options: Options) -> None:
        super().__init__(source, options)
        self._charset = options.charset or "latin-1"
        flag = source.head[3]
        if flag >= VARIANTS:
            raise ArchiveError(f"a variant of the block file system that is not read (flag {flag})")
        self._fast, self._international = bool(flag & 1), flag >= 2
        self._root = root_of(source) or source.size_bytes // BLOCK // 2
        self._total = 2 * self._root
        if self._total > BLOCKS_MAX:
            raise ArchiveError(f"an image of {self._total} blocks; no floppy has more than {BLOCKS_MAX}")
        self._lost = False  # something hid names: look for them block by block
        self._seen = {self._root}  # headers that the walk has been to
        self._folders = {self._root: ""}
        self._lists: dict[int, tuple[tuple[int, ...], tuple[int, ...], str]] = {}  # of blocks, by header
        self._found: list[Found] = []
        self._walk_root()
        if self._lost:
            self._search()
        self._found = without_shared(self._found, "blocks")

    def read(self, member: Member) -> Iterator[bytes]:
        found = self._found[member.index]
        chunks = self._fast_content if self._fast else self._plain_content
        return enforced(chunks(found, member.size_bytes), member.size_bytes)

    # -- blocks

    def _block(self, number: int) -> bytes:
        """The block; shorter than a block, or empty, where the image has none."""
        return self._source.at(number * BLOCK, BLOCK) if 0 < number < self._total else b""

    def _fault(self, block: bytes, number: int, kind: int) -> str:
        """What is wrong with a block that should be of this type and carry its own number; "" when nothing is."""
        if not 2 <= number < self._total:
            return f"the block number {number}, where 2 to {self._total - 1} exist"
        if len(block) < BLOCK:
            return f"block {number}, which the image lacks"
        if long(block, 0) != kind:
            return f"block {number}, which is of type {long(block, 0)} where {kind} should be"
        if long(block, 4) != number:
            return f"block {number}, which says it is block {long(block, 4)}"
        return "" if sum_is_right(block) else f"block {number}, whose sum is wrong"

    # -- the tree

    def _walk_root(self) -> None:
        self._check_length(self._total * BLOCK)
        block = self._block(self._root)
        if not is_root(block):
            self._lose(f"the root block {self._root} is damaged")
            return
        if not sum_is_right(block):
            self._lose(f"the root block {self._root} has a wrong sum")
        self.notices.append(f"the disk's label: {self._name(block)[1]}")
        self._walk(block, self._root)

    def _lose(self, problem: str) -> None:
        self._lost = True
        self.problems.append(problem)

    def _walk(self, block: bytes, number: int) -> None:
        """Notes everything below a folder, a folder before what it holds."""
        stack = [self._listed(block, number)]
        while stack and len(self._found) < self._most:
            found, block = next(stack[-1], (None, b""))
            if found is None:
                stack.pop()
                continue
            self._found.append(found)
            if found.member.kind != "folder":
                continue
            if len(found.member.name) > PATH_MAX:
                self._found[-1] = found.hurt_by("its path is too long; what it holds was not read")
            else:
                self._folders[found.header] = found.member.name + "/"
                stack.append(self._listed(block, found.header))

    def _listed(self, folder: bytes, number: int) -> Iterator[tuple[Found, bytes]]:
        """The entries of a folder with their headers, chain by chain of its hash table."""
        path = self._folders[number]
        for slot in range(SLOTS):
            entry = long(folder, 24 + 4 * slot)
            while entry:
                block = self._block(entry)
                fault = self._fault(block, entry, HEADER)
                if entry in self._seen:
                    self._lose(f"in {path or 'the root folder'} the chain of slot {slot} leads to block {entry} again")
                    break
                if len(block) < BLOCK or long(block, 0) != HEADER or long(block, 508) not in NAMES:
                    what = fault or f"block {entry}, which is no header"
                    self._lose(f"in {path or 'the root folder'} the chain of slot {slot} leads to {what}: names lost")
                    break
                self._seen.add(entry)
                if fault or long(block, 500) != number:
                    self._lost = True
                yield self._entry(block, entry, number, fault), block
                self._check_slot(block, path, slot)
                entry = long(block, 496)

    def _check_slot(self, block: bytes, path: str, slot: int) -> None:
        raw, name = self._name(block)
        if slot_of(raw, self._international) != slot:
            self.notices.append(f"{path}{name} hangs in slot {slot}, where the machine would not look for it")

    def _name(self, block: bytes) -> tuple[bytes, str]:
        raw = block[433 : 433 + min(block[432], 30)]
        return raw, raw.decode(self._charset, "replace")

    def _entry(self, block: bytes, number: int, parent: int, fault: str) -> Found:
        """The file, folder or link that a header describes."""
        raw, name = self._name(block)
        problem = f"its header is {fault}" if fault else ""
        if block[432] > 30 or b"/" in raw or b":" in raw:
            problem = problem or "its name is longer than 30 bytes or holds / or :"
        if parent in self._folders and long(block, 500) != parent:
            problem = problem or f"its header names block {long(block, 500)} as its folder, which is block {parent}"
        found = self._described(block, number, problem)
        path = self._folders.get(parent, f"lost-{parent}/")
        above = path.encode(self._charset, "replace")
        member = replace(found.member, index=len(self._found), name=path + name, raw_name=above + raw)
        return replace(found, member=member)

    def _described(self, block: bytes, number: int, problem: str) -> Found:
        """What a header says, apart from its name."""
        kind, target = long(block, 508), ""
        chain: tuple[int, ...] = ()
        owned: tuple[int, ...] = (number,)
        about = block
        if kind == FILE_LINK:
            about, number, problem = self._followed(block, problem)
        if kind in (FILE, FILE_LINK):
            # Links share their file's list: a hostile disk could have thousands to one long file.
            if number not in self._lists:
                self._lists[number] = self._pointers(about, number)
            chain, further, broken = self._lists[number]
            # What a damaged header says is no ground to call other files damaged.
            owned += () if kind == FILE_LINK or problem else chain + further
            problem = problem or broken
        if kind == SOFT_LINK:
            target = block[24:312].split(b"\0")[0].decode(self._charset, "replace")
        kinds: dict[int, MemberKind] = {FOLDER: "folder", SOFT_LINK: "link", FOLDER_LINK: "link"}
        comment = about[329 : 329 + min(about[328], 79)].decode(self._charset, "replace")
        member = Member(
            0, "", b"", kinds.get(kind, "file"), long(about, 324) if kind in (FILE, FILE_LINK) else 0,
            time_s=moment(about, 420), attributes=long(about, 320) & 0xFF, attribute_system="68k",
            comment=comment, problem=problem, target=target,
        )  # fmt: skip
        return Found(member, chain, owned, header=number)

    def _followed(self, block: bytes, problem: str) -> tuple[bytes, int, str]:
        """The header that a hard link leads to, followed once."""
        number = long(block, 468)
        about = self._block(number)
        fault = self._fault(about, number, HEADER)
        if not fault and long(about, 508) != FILE:
            fault = f"block {number}, which is no file's header"
        if fault:
            return block, number, problem or f"it is a link to {fault}"
        return about, number, problem

    def _pointers(self, block: bytes, number: int) -> tuple[tuple[int, ...], tuple[int, ...], str]:
        """A file's data blocks, its extension blocks, and what is wrong with them (4.4)."""
        size_bytes = long(block, 324)
        needed = -(-size_bytes // (BLOCK if self._fast else PLAIN_BYTES))
        if needed > self._total:
            return (), (), f"it is said to be {size_bytes} bytes long, more than the disk holds"
        data: list[int] = []
        further: dict[int, None] = {}
        while True:
            count = long(block, 8)
            if count > SLOTS:
                return tuple(data), tuple(further), f"its header counts {count} blocks where {SLOTS} are possible"
            data += reversed(struct.unpack(">72L", block[24:312])[SLOTS - count :])
            number_next = long(block, 504)
            if not number_next or len(data) > needed:
                break
            block = self._block(number_next)
            fault = self._fault(block, number_next, EXTENSION)
            if not fault and (long(block, 500) != number or number_next in further):
                fault = f"block {number_next}, which belongs to another file"
            if fault:
                return tuple(data), tuple(further), f"its list of blocks goes on in {fault}"
            further[number_next] = None
        return tuple(data), tuple(further), self._chain_fault(data, needed, size_bytes)

    def _chain_fault(self, data: Sequence[int], needed: int, size_bytes: int) -> str:
        """Whether a file's data blocks can be what its size asks for."""
        if len(data) != needed:
            return f"it is said to be {size_bytes} bytes long, which takes {needed} blocks, and has {len(data)}"
        outside = next((number for number in data if not 2 <= number < self._total), None)
        if outside is not None:
            return f"its list of blocks holds the number {outside}, where 2 to {self._total - 1} exist"
        if len(set(data)) < len(data):
            return "its list of blocks holds a block twice"
        if data and (max(data) + 1) * BLOCK > self._source.size_bytes:
            return "the image ends inside it"
        return ""

    # -- what a damaged folder hid

    def _search(self) -> None:
        """Adds files and folders that no chain leads to any more, as long as the disk's bitmap calls them used."""
        used = self._used()
        hidden = (n for n in range(2, self._total) if n not in self._seen and used(n))
        blocks = ((n, self._block(n)) for n in hidden)
        headers = {n: b for n, b in blocks if not self._fault(b, n, HEADER) and long(b, 508) in NAMES}
        before = len(self._found)
        for number in headers:
            line = [number]  # from the header up through its folders, as far as they are hidden, too
            while (above := long(headers[line[-1]], 500)) in headers and above not in line:
                line.append(above)
            for each in reversed(line):
                if each not in self._seen and len(self._found) < self._most:
                    self._adopt(each, headers[each])
        if found := len(self._found) - before:
            self.notices.append(f"{found} files and folders were found by a search of all blocks only")

    def _adopt(self, number: int, block: bytes) -> None:
        self._seen.add(number)
        found = self._entry(block, number, long(block, 500), "")
        self._found.append(found)
        if found.member.kind == "folder" and len(found.member.name) <= PATH_MAX:
            self._folders[number] = found.member.name + "/"
            self._walk(block, number)

    def _used(self) -> Callable[[int], bool]:
        """Whether a block is in use by the bitmap (4.3): bits from block 2 on, lowest first, 1 is free. All are when
        the bitmap is damaged."""
        root, free = self._block(self._root), list[int]()
        for page in struct.unpack(">25L", root[316:416]) if is_root(root) and long(root, 312) else ():
            block = self._block(page)
            if not sum_is_right(block) or not page:
                break
            free += struct.unpack(">127L", block[4:])
        return lambda number: not (number - 2 < len(free) * 32 and free[(number - 2) // 32] >> (number - 2) % 32 & 1)

    # -- content

    def _plain_content(self, found: Found, size_bytes: int) -> Iterator[bytes]:
        """A file's bytes from data blocks that carry their own header (4.4.2)."""
        for sequence, number in enumerate(found.chain, 1):
            block = self._block(number)
            here = min(size_bytes - (sequence - 1) * PLAIN_BYTES, PLAIN_BYTES)
            if len(block) < BLOCK or not sum_is_right(block):
                raise MemberError(f"its data block {sequence} (block {number}) is damaged: its sum is wrong")
            if struct.unpack_from(">4L", block) != (DATA, found.header, sequence, here):
                raise MemberError(f"its data block {sequence} (block {number}) belongs to another file or place")
            yield block[24 : 24 + here]

    def _fast_content(self, found: Found, size_bytes: int) -> Iterator[bytes]:
        """A file's bytes from data blocks that hold nothing else, neighbours in one go."""
        return self._runs(found.chain, BLOCK, size_bytes, lambda number: number * BLOCK)


def is_root(block: bytes) -> bool:
    """Whether a block says it is the root (4.2.3)."""
    return len(block) == BLOCK and (long(block, 0), long(block, 12), long(block, 508)) == (HEADER, SLOTS, ROOT)


def root_of(source: Source) -> int | None:
    """The root block's number: the middle of the disk, sought where both densities and the image's size put it."""
    places = [source.size_bytes // BLOCK // 2, 880, 1760]
    for place in places:
        if place and is_root(source.at(place * BLOCK, BLOCK)):
            return place
    return None


def recognise(source: Source) -> bool:
    """Whether boot block and root block are those of this file system; one of them may be damaged.

    A flag of a known variant is enough, since no text goes on with such a byte; one of an unknown variant needs a
    root block, so that the image can be refused by name.
    """
    if not source.head.startswith(b"DOS") or len(source.head) < 1024:
        return False
    return source.head[3] < VARIANTS or root_of(source) is not None


FORMATS = (Format("blockfs", 1, recognise, BlockReader),)

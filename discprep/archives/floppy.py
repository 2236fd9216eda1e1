"""What the readers of floppy images share: what a walk finds, and which files share blocks with others."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import islice, pairwise

from discprep.archives.base import Options, Remarking, Source
from discprep.members import Member

CLASHES_MAX = 64  # of one member: beyond it nothing is learnt, and a hostile disk could have them without end
PATH_MAX = 1024  # characters; a folder with a longer path is not entered: a damaged disk could make them without end


@dataclass(frozen=True, slots=True)
class Found:
    """A file or folder of an image.

    Attributes:
        chain: the numbers of the blocks or clusters that hold its bytes, in order
        owned: all numbers that are its own alone (headers too); of them the first `count`, None for all
        header: the number of the block that describes it, where the file system has one
    """

    member: Member
    chain: tuple[int, ...] = ()
    owned: tuple[int, ...] = ()
    count: int | None = None
    header: int = 0

    def hurt_by(self, problem: str) -> Found:
        """The same with this problem, unless it has one."""
        return self if self.member.problem else replace(self, member=replace(self.member, problem=problem))


class ImageReader(Remarking):
    """An open image (`base.Reader`). The whole tree is walked at once, since a later file can hurt an earlier one."""

    _found: list[Found]

    def __init__(self, source: Source, options: Options) -> None:
        super().__init__()
        self._source = source
        self._most = options.limits.members + 1

    def members(self) -> Iterator[Member]:
        return (found.member for found in self._found)

    def _check_length(self, whole_bytes: int) -> None:
        size_bytes = self._source.size_bytes
        if size_bytes < whole_bytes:
            self.problems.append(f"the image is short: {size_bytes} bytes of {whole_bytes}")
        elif size_bytes > whole_bytes:
            self.notices.append(f"{size_bytes - whole_bytes} bytes after the end of the disk")

    def _runs(
        self, chain: Sequence[int], unit_bytes: int, size_bytes: int, offset: Callable[[int], int]
    ) -> Iterator[bytes]:
        """The first `size_bytes` of a chain of units, neighbours in one go; `offset` says where a unit stands."""
        start = 0
        breaks = [n for n, (a, b) in enumerate(pairwise(chain), 1) if b != a + 1]
        for stop in (*breaks, len(chain)):
            run = min((stop - start) * unit_bytes, size_bytes - start * unit_bytes)
            if run > 0:
                yield from self._source.chunks(offset(chain[start]), run)
            start = stop


def without_shared(found: Sequence[Found], what: str) -> list[Found]:
    """The same; members that own a block which another owns too have that as their problem, all of them."""
    owners: dict[int, int] = {}
    hurt: set[int] = set()
    for index, entry in enumerate(found):
        clashes = 0
        for number in islice(entry.owned, entry.count):
            if owners.setdefault(number, index) != index:
                hurt |= {index, owners[number]}
                clashes += 1
            if clashes == CLASHES_MAX:
                break
    problem = f"it shares {what} with another file: one of them was overwritten"
    return [entry.hurt_by(problem) if index in hurt else entry for index, entry in enumerate(found)]

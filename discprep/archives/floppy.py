"""What the readers of floppy images share: what a walk finds, and which files share blocks with others."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import islice

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

"""Room that is really there: the plan is reckoned with the sectors of the very disc that it chooses.

The first constant is measured as if everything burned in its first form, because scripts and lists depend on what
burns. It lies above what most choices take, and may lie below what some take.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import count

from discprep.disc.layout.options import MIN_TRACK_SECTORS
from discprep.errors import CapacityError, DiscprepError, flatten
from discprep.job.agree import Solved
from discprep.job.figures import Figures

ROUNDS = 6  # two are the rule, as measured on random manifests
OFF = 8  # sectors that counts of single items were seen to lie above what the disc takes


def fitted(figured: Figures, solve: Callable[[Figures], Solved], exact: Callable[[Solved], int | None]) -> Solved:
    """The best plan found whose disc fits as it is laid out.

    Each answer tells the constant that is its own, and the next one is asked for with that; where the first constant
    leaves too little for what must burn, none at all is the start. Below the constant of an answer that does not fit
    nothing is asked any more, so that it ends; where nothing is left then, the smallest choice is tried. Where no room
    is short, the first answer stands as it is.

    Arguments:
        exact: sectors that the disc of an answer takes; None where that cannot be known

    Raises: what `solve` raises, where no answer fits
    """
    kept: Solved | None = None
    solved: Solved | None
    solved, refused = _asked(solve, figured)
    if refused:
        solved, _ = _asked(solve, figured.standing(0))
    elif solved and not _short(solved):
        return solved
    least, smallest = 0, False
    for turn in count(1):
        taken = exact(solved) if solved else None
        if solved is None or taken is None:
            break
        own = taken - burned_sectors(solved)
        if taken > solved.problem.medium_sectors:
            least = max(least, own)
        elif kept is None or _gains(solved) >= _gains(kept):
            kept = solved.standing(max(own, solved.problem.constant_sectors))
        if kept and (turn >= ROUNDS or max(own, least) >= kept.problem.constant_sectors):
            break
        further = 1 << (turn - ROUNDS) if turn >= ROUNDS else 0  # so that few rounds are enough where none fits
        wanted = max(own, least) + further
        solved, refused = _asked(solve, figured.standing(wanted))
        if refused and kept is None and not smallest:
            smallest, solved = True, _smallest(solve, figured, wanted)
    if refused and kept is None:
        raise refused
    if kept and (missing := _just_missed(kept)):
        last, _ = _asked(solve, figured.standing(max(0, kept.problem.constant_sectors - missing)))
        taken = exact(last) if last else None
        if last and taken and taken <= last.problem.medium_sectors and _gains(last) > _gains(kept):
            kept = last.standing(taken - burned_sectors(last))
    found = kept or solved
    assert found is not None  # what is not solved was refused
    return found


def _smallest(solve: Callable[[Figures], Solved], figured: Figures, refused: int) -> Solved | None:
    """The answer that leaves the most room: to the greatest constant below one that is refused."""
    found, least = None, -1
    while refused - least > 1:
        middle = (least + refused) // 2
        solved, _ = _asked(solve, figured.standing(middle))
        found, least, refused = (solved, middle, refused) if solved else (found, least, middle)
    return found


def _asked(
    solve: Callable[[Figures], Solved], figured: Figures
) -> tuple[Solved, None] | tuple[None, DiscprepError]:
    """The answer, or why what must burn does not fit."""
    try:
        return solve(figured), None
    except DiscprepError as error:
        if all(isinstance(one, CapacityError) for one in flatten([error])):
            return None, error
        raise


def _gains(solved: Solved) -> float:
    return solved.plan.objective_s


def _just_missed(solved: Solved) -> int:
    """The fewest sectors that something which waits misses room by; 0 where all miss by more than such counts are off:
    items share folders, and each is counted with its own."""
    problem = solved.problem
    free = problem.capacity_sectors - burned_sectors(solved)
    waits = {decision.id for decision in solved.plan.decisions if decision.place == "later" and decision.saves_s > 0}
    short = (form.sectors - free for item in problem.items if item.id in waits for form in item.forms)
    return min((sectors for sectors in short if 0 < sectors <= OFF), default=0)


def _short(solved: Solved) -> bool:
    """Whether something waits that the disc would bring sooner, or little room is left: less than the constant, or
    than the shortest track."""
    waits = any(decision.place == "later" and decision.saves_s > 0 for decision in solved.plan.decisions)
    problem = solved.problem
    little = max(problem.constant_sectors, MIN_TRACK_SECTORS)
    return waits or problem.capacity_sectors - burned_sectors(solved) < little


def burned_sectors(solved: Solved) -> int:
    """Sectors of what burns, by the figures of the question."""
    return sum(decision.sectors for decision in solved.plan.decisions if decision.place == "burn")

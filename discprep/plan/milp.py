"""The question as a mixed-integer linear program, on HiGHS.

One binary column for each candidate, form and disc it may stand on, and a ladder of them for each volume and disc:
the most that any unpacking takes beyond what stays. All coefficients are whole numbers. One thread, a fixed
seed, a limit on nodes and none on time: the same answer on every run, on a slow host too.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from math import gcd, inf
from threading import Thread
from typing import Any

from discprep.plan.settle import Candidate, Needs, Option

NODE_LIMIT = 50_000
EXACT_UP_TO = 300  # candidates; beyond, the gap below is left
CORE = 150  # columns tried first
GAP = 1e-6

Row = tuple[list[int], list[float], float, float]  # columns, coefficients, least, most


@dataclass(frozen=True, slots=True)
class Question:
    """What to put on one disc. `room_sectors`: this disc, then those still to follow, which this one must leave
    able to take the rest of what must burn. `room_bytes` by volume; `link_ms` is what candidates that stay off
    every disc may take at the link, None for no limit.
    """

    candidates: tuple[Candidate, ...]  # sorted by id
    room_sectors: tuple[int, ...]
    room_bytes: Mapping[str, int] = field(default_factory=dict)
    link_ms: int | None = None
    on_first: bool = True  # this disc is the first: the bring-up set stands on it
    wants: tuple[tuple[str, ...], ...] = ()  # of each set of candidates, one burns on this disc


@dataclass(frozen=True, slots=True)
class Program:
    """A linear program: maximise (`most`) or minimise `cost`, columns within their bounds, rows within theirs."""

    cost: Sequence[float]
    lower: Sequence[float]
    upper: Sequence[float]
    rows: Sequence[Row]
    most: bool


@dataclass(frozen=True, slots=True)
class Solution:
    """Column values, reduced costs (of a relaxation), the objective and the proven relative gap (of a whole one)."""

    values: Sequence[float]
    reduced: Sequence[float]
    objective: float
    gap: float


@dataclass(frozen=True, slots=True)
class Found:
    """Chosen forms by candidate, for each disc of the question, and the relative gap that is proven."""

    discs: tuple[Mapping[str, Option], ...]
    gap: float
    solver: str = "none needed"

    @property
    def gain_ms(self) -> int:
        """What this disc gains (the further ones are only kept possible)."""
        return sum(option.gain_ms for option in self.discs[0].values())


class Model:
    """Columns and rows of one question. `limits` names the limits to hold: "sectors", "link" and volumes."""

    def __init__(self, question: Question, limits: Iterable[str] | None = None) -> None:
        self.question = question
        self.limits = set(limits) if limits is not None else {"sectors", "link", *question.room_bytes}
        self.columns: list[tuple[int, int, int]] = []  # candidate, option, disc
        self.at: list[list[list[int]]] = []  # candidate -> disc -> columns
        self.lower: list[float] = []  # 0 where it says nothing
        self.upper: list[float] = []
        self.rows: list[Row] = []
        self.index = {candidate.id: i for i, candidate in enumerate(question.candidates)}
        self._add_columns()
        self._add_choices()
        self._add_needs()
        self._add_wants()
        self._add_sectors()
        self._add_storage()
        self._add_link()
        self._add_twins()

    @property
    def disc_count(self) -> int:
        return len(self.question.room_sectors)

    def option(self, column: int) -> Option:
        """The form that a column stands for."""
        candidate, option, _ = self.columns[column]
        return self.question.candidates[candidate].options[option]

    def cost(self, value: Any) -> list[float]:
        """An objective: `value(option)` on this disc's columns, 0 elsewhere."""
        costs = [0.0] * len(self.upper)
        for column in self._on(0):
            costs[column] = float(value(self.option(column)))
        return costs

    def _add_columns(self) -> None:
        roams = self._may_follow()
        for i, candidate in enumerate(self.question.candidates):
            pinned = candidate.first and self.question.on_first
            count = self.disc_count if candidate.id in roams and not pinned else 1
            self.at.append([[] for _ in range(self.disc_count)])
            for disc in range(count):
                for option in range(len(candidate.options)):
                    self.at[i][disc].append(len(self.columns))
                    self.columns.append((i, option, disc))
        self.upper = [1.0] * len(self.columns)

    def _may_follow(self) -> set[str]:
        """Candidates that need a place on a further disc kept for them: what must burn, and all it may need.
        With a limit at the link, any."""
        if self.disc_count == 1:
            return set()
        if self.question.link_ms is not None and "link" in self.limits:
            return set(self.index)
        found = {candidate.id for candidate in self.question.candidates if candidate.must}
        queue = sorted(found)
        for key in queue:
            candidate = self.question.candidates[self.index[key]]
            groups = (*candidate.needs, *(g for option in candidate.options for g in option.needs))
            new = {other for group in groups for other in group} - found
            found |= new
            queue.extend(sorted(new))
        return found

    def _upto(self, candidate: int, disc: int) -> list[int]:
        """The columns that put a candidate on this or an earlier disc."""
        return [column for d in range(disc + 1) for column in self.at[candidate][d]]

    def _add_choices(self) -> None:
        for i, candidate in enumerate(self.question.candidates):
            mine = self._upto(i, self.disc_count - 1)
            if candidate.must or len(mine) > 1:
                self.rows.append((mine, [1.0] * len(mine), 1.0 if candidate.must else -inf, 1.0))

    def _add_needs(self) -> None:
        for i, candidate in enumerate(self.question.candidates):
            for disc in range(self.disc_count):
                if not self.at[i][disc]:
                    continue
                self._need(self._upto(i, disc), candidate.needs, disc)
                for o, option in enumerate(candidate.options):
                    mine = [c for c in self._upto(i, disc) if self.columns[c][1] == o]
                    self._need(mine, option.needs, disc)

    def _need(self, mine: list[int], needs: Needs, disc: int) -> None:
        for group in needs:
            theirs = sorted({c for key in group for c in self._upto(self.index[key], disc)} - set(mine))
            if set(mine) & {c for key in group for c in self._upto(self.index[key], disc)}:
                continue  # it gives what it needs
            self.rows.append((mine + theirs, [1.0] * len(mine) + [-1.0] * len(theirs), -inf, 0.0))

    def _add_wants(self) -> None:
        for group in self.question.wants:
            columns = [c for key in group for c in self.at[self.index[key]][0]]
            self.rows.append((columns, [1.0] * len(columns), 1.0, inf))

    def _on(self, disc: int) -> list[int]:
        return [c for c, (_, _, d) in enumerate(self.columns) if d == disc]

    def _add_sectors(self) -> None:
        self.room_row = len(self.rows)  # the first disc's
        for disc, room in enumerate(self.question.room_sectors if "sectors" in self.limits else ()):
            columns = self._on(disc)
            self.rows.append((columns, [float(self.option(c).sectors) for c in columns], -inf, float(room)))

    def _add_storage(self) -> None:
        for volume in sorted(self.limits & self.question.room_bytes.keys()):
            for disc in range(self.disc_count):
                self.storage_row(volume, disc, self.question.room_bytes[volume])

    def storage_row(self, volume: str, disc: int, room: int) -> tuple[list[int], list[float]]:
        """What stays on a volume, and the most that unpacking one item takes beyond it, fit its room; in units of
        the greatest common divisor. Returns the row's columns and coefficients.

        The most is a ladder: one binary column for each distinct amount, "something at least so large is unpacked",
        which costs the step from the amount below. Its relaxation bounds tighter than one continuous column would.
        """
        mine = [c for c, (i, _, d) in enumerate(self.columns)
                if d <= disc and self.question.candidates[i].volume == volume]  # fmt: skip
        unit = gcd(*(f for c in mine for f in (self.option(c).storage_bytes, self.option(c).extra_bytes))) or 1
        extras = {c: self.option(c).extra_bytes // unit for c in mine if self.columns[c][2] == disc}
        steps = sorted(set(extras.values()) - {0})
        ladder = {extra: len(self.upper) + n for n, extra in enumerate(steps)}
        self.upper += [1.0] * len(steps)
        self.rows += [([c, ladder[extra]], [1.0, -1.0], -inf, 0.0) for c, extra in extras.items() if extra]
        self.rows += [([ladder[b], ladder[a]], [1.0, -1.0], -inf, 0.0) for a, b in pairwise(steps)]
        columns = [*mine, *ladder.values()]
        values = [float(self.option(c).storage_bytes // unit) for c in mine]
        values += [float(b - a) for a, b in pairwise([0, *steps])]
        self.rows.append((columns, values, -inf, float(room // unit)))
        return columns, values

    def _add_link(self) -> None:
        if self.question.link_ms is None or "link" not in self.limits:
            return
        columns = list(range(len(self.columns)))
        values = [float(self.question.candidates[self.columns[c][0]].later_ms) for c in columns]
        all_ms = sum(candidate.later_ms for candidate in self.question.candidates)
        self.rows.append((columns, values, float(all_ms - self.question.link_ms), inf))

    def _add_twins(self) -> None:
        """Of items with the same figures and needs that nobody needs, the earlier by id burns first: without these
        rows the solver would try all their exchanges."""
        if self.disc_count > 1:
            return
        needed = {key for c in self.question.candidates for key in _all_needed(c)}
        needed |= {key for group in self.question.wants for key in group}
        last: dict[tuple[Any, ...], int] = {}
        for i, c in enumerate(self.question.candidates):
            if c.must or c.id in needed:
                continue
            figures = (c.options, c.needs, c.later_ms, c.volume)
            if figures in last:
                before, after = self.at[last[figures]][0], self.at[i][0]
                self.rows.append((before + after, [-1.0] * len(before) + [1.0] * len(after), -inf, 0.0))
            last[figures] = i

    def solve(self, cost: Sequence[float], *, most: bool = True, rel_gap: float = 0.0,
              start: Solution | None = None) -> Solution | None:  # fmt: skip
        """The best solution; None when nothing is possible. `start`: one already known.
        Raises RuntimeError when the solver gives up."""
        return run(self.program(cost, most), whole=True, rel_gap=rel_gap, start=start)

    def solve_gain(self, rel_gap: float) -> Solution | None:
        """As `solve` for the greatest gain, and keeps what it proved: columns that no plan as good can change are
        fixed for the solves that follow.

        The relaxation (columns between 0 and 1) bounds the gain, and a column's reduced cost how much of it is lost
        by moving that column. The columns that lose least, alone, give a first good plan; whatever would then lose
        more than the distance between that plan and the bound is fixed, and the solver proves the rest.
        """
        program = self.gain_program()
        relaxed = run(program, whole=False)
        if relaxed is None:
            return None
        best = _best(program, relaxed, rel_gap)
        if best is not None:
            program = _restricted(program, relaxed, _open(relaxed, best.objective))
            self.lower, self.upper = list(program.lower), list(program.upper)
        return best

    def gain_program(self) -> Program:
        """The model with the greatest gain as its objective."""
        return self.program(self.cost(lambda option: option.gain_ms), True)

    def gain_with_room(self, program: Program, room_sectors: int, rel_gap: float) -> Solution | None:
        """The best solution of `gain_program` with another room on the first disc; the model stays as it is."""
        columns, values, least, _ = program.rows[self.room_row]
        rows = list(program.rows)
        rows[self.room_row] = (columns, values, least, float(room_sectors))
        program = replace(program, rows=rows)
        relaxed = run(program, whole=False)
        return None if relaxed is None else _best(program, relaxed, rel_gap)

    def program(self, cost: Sequence[float], most: bool) -> Program:
        """The model with this objective."""
        lower = self.lower + [0.0] * (len(self.upper) - len(self.lower))
        return Program(cost, lower, self.upper, self.rows, most)

    def chosen(self, solution: Solution) -> list[int]:
        """The columns of forms that are 1."""
        return [c for c in range(len(self.columns)) if solution.values[c] > 0.5]

    def found(self, solution: Solution, gap: float, solver: str) -> Found:
        """A solution as forms by candidate."""
        discs: list[dict[str, Option]] = [{} for _ in range(self.disc_count)]
        for column in self.chosen(solution):
            i, _, disc = self.columns[column]
            discs[disc][self.question.candidates[i].id] = self.option(column)
        return Found(tuple(discs), gap, solver)


def _all_needed(candidate: Candidate) -> Iterable[str]:
    for group in (*candidate.needs, *(group for option in candidate.options for group in option.needs)):
        yield from group


def _best(program: Program, relaxed: Solution, rel_gap: float) -> Solution | None:
    """The best whole solution; the first good plan, where it lies within the gap of the bound already."""
    first = run(_restricted(program, relaxed, _core(relaxed)), whole=True, rel_gap=rel_gap / 2)
    if first is None:
        return run(program, whole=True, rel_gap=rel_gap)
    gap = (relaxed.objective - first.objective) / max(1.0, abs(first.objective))
    if gap <= rel_gap:
        return replace(first, gap=max(0.0, gap))
    return run(_restricted(program, relaxed, _open(relaxed, first.objective)), whole=True, rel_gap=rel_gap, start=first)


def _core(relaxed: Solution) -> list[int]:
    """The columns worth trying first: those that lose least by moving."""
    order = sorted(range(len(relaxed.values)), key=lambda c: (abs(relaxed.reduced[c]), c))
    return order[:CORE]


def _open(relaxed: Solution, known: float) -> list[int]:
    """The columns that a plan as good as the known one may move. A thousandth is kept for rounding."""
    slack = (relaxed.objective - known) * 1.001 + 1.0
    return [c for c, lost in enumerate(relaxed.reduced) if abs(lost) <= slack]


def _restricted(program: Program, relaxed: Solution, free: Sequence[int]) -> Program:
    """The program with all other columns where the relaxation has them."""
    loose = set(free) | {c for c, value in enumerate(relaxed.values) if min(value, abs(1.0 - value)) > 1e-6}
    lower, upper = list(program.lower), list(program.upper)
    for c in range(len(relaxed.values)):
        if c not in loose and relaxed.reduced[c] != 0.0:
            lower[c] = upper[c] = float(round(relaxed.values[c]))
    return replace(program, lower=lower, upper=upper)


def run(program: Program, *, whole: bool, rel_gap: float = 0.0, start: Solution | None = None) -> Solution | None:
    """Runs HiGHS; None: nothing is possible. Columns are 0 or 1 (`whole`), else anything between.

    Raises:
        RuntimeError: the solver ended without an answer and without a proof that there is none
    """
    import highspy

    if not program.cost:  # HiGHS has no answer for a model without columns
        possible = all(row[2] <= 0.0 <= row[3] for row in program.rows)
        return Solution((), (), 0.0, 0.0) if possible else None
    highs = solver()
    options = {
        "output_flag": False, "threads": 1, "parallel": "off", "random_seed": 1, "mip_max_nodes": NODE_LIMIT,
        "mip_rel_gap": rel_gap, "mip_abs_gap": 0.4 if rel_gap == 0.0 else 1e-6,  # whole numbers differ by 1
        "mip_feasibility_tolerance": 1e-9, "primal_feasibility_tolerance": 1e-9,
    }  # fmt: skip
    for name, value in options.items():
        highs.setOptionValue(name, value)
    highs.passModel(_lp(program, whole))
    if start is not None:
        known: Any = highspy.HighsSolution()
        known.col_value = start.values
        highs.setSolution(known)
    _run(highs)
    status, info = highs.getModelStatus(), highs.getInfo()
    if status in (highspy.HighsModelStatus.kInfeasible, highspy.HighsModelStatus.kUnboundedOrInfeasible):
        return None
    if info.primal_solution_status != highspy.SolutionStatus.kSolutionStatusFeasible:
        raise RuntimeError(f"HiGHS ended without an answer: {highs.modelStatusToString(status)}")
    solution = highs.getSolution()
    gap = _gap(info) if whole else 0.0
    return Solution(solution.col_value, solution.col_dual, info.objective_function_value, gap)


def _run(highs: Any) -> None:
    """In a thread of its own: the main one stays free to take Ctrl-C at once."""
    thread = Thread(target=highs.run, daemon=True)
    thread.start()
    while thread.is_alive():
        thread.join(0.5)


def solver() -> Any:
    """A fresh HiGHS: the compiled class, since the one around it prints a banner on stdout."""
    import highspy

    compiled: Any = highspy.Highs.__base__
    return compiled()


def _gap(info: Any) -> float:
    """The relative gap; 0 when the bound lies less than one whole number beyond the answer."""
    if abs(info.mip_dual_bound - info.objective_function_value) < 0.999:
        return 0.0
    return float(info.mip_gap)


def _lp(program: Program, whole: bool) -> Any:
    import highspy
    import numpy as np

    rows, count = program.rows, len(program.cost)
    lp: Any = highspy.HighsLp()
    lp.num_col_, lp.num_row_ = count, len(rows)
    lp.sense_ = highspy.ObjSense.kMaximize if program.most else highspy.ObjSense.kMinimize
    lp.col_cost_ = np.array(program.cost, dtype=float)
    lp.col_lower_, lp.col_upper_ = np.array(program.lower, dtype=float), np.array(program.upper, dtype=float)
    lp.row_lower_ = np.array([row[2] for row in rows], dtype=float)
    lp.row_upper_ = np.array([row[3] for row in rows], dtype=float)
    lp.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
    lp.a_matrix_.start_ = np.cumsum([0, *(len(row[0]) for row in rows)], dtype=np.int32)
    lp.a_matrix_.index_ = np.array([c for row in rows for c in row[0]], dtype=np.int32)
    lp.a_matrix_.value_ = np.array([v for row in rows for v in row[1]], dtype=float)
    if whole:
        lp.integrality_ = [highspy.HighsVarType.kInteger] * count
    return lp


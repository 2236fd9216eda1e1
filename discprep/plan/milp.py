"""The question as a mixed-integer linear program, on HiGHS.

One binary column for each candidate, form and disc it may stand on; one continuous column for each volume and
disc, the most that any unpacking takes beyond what stays. All coefficients are whole numbers. One thread, a fixed
seed, a limit on nodes and none on time: the same answer on every run, on a slow host too.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from math import gcd, inf
from typing import Any

from discprep.plan.settle import Candidate, Needs, Option

NODE_LIMIT = 50_000
EXACT_UP_TO = 300  # candidates; beyond, the gaps below are left
GAP_ONE_LIMIT = 1e-6
GAP_MORE_LIMITS = 1e-5

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
        self.peaks: dict[tuple[str, int], int] = {}
        self.upper: list[float] = []
        self.rows: list[Row] = []
        self.index = {candidate.id: i for i, candidate in enumerate(question.candidates)}
        self._add_columns()
        self._add_choices()
        self._add_needs()
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

    def _on(self, disc: int) -> list[int]:
        return [c for c, (_, _, d) in enumerate(self.columns) if d == disc]

    def _add_sectors(self) -> None:
        for disc, room in enumerate(self.question.room_sectors if "sectors" in self.limits else ()):
            columns = self._on(disc)
            self.rows.append((columns, [float(self.option(c).sectors) for c in columns], -inf, float(room)))

    def _add_storage(self) -> None:
        for volume in sorted(self.limits & self.question.room_bytes.keys()):
            for disc in range(self.disc_count):
                self.storage_row(volume, disc, self.question.room_bytes[volume])

    def storage_row(self, volume: str, disc: int, room: int) -> tuple[list[int], list[float], int]:
        """What stays on a volume, and the most that unpacking one item takes beyond it, fit its room; in units of
        the greatest common divisor. Returns the row's columns and coefficients with that unit [B]."""
        mine = [c for c, (i, _, d) in enumerate(self.columns)
                if d <= disc and self.question.candidates[i].volume == volume]  # fmt: skip
        figures = [f for c in mine for f in (self.option(c).storage_bytes, self.option(c).extra_bytes)]
        unit = gcd(*figures) or 1
        peak = len(self.upper)
        self.upper.append(max([self.option(c).extra_bytes // unit for c in mine], default=0))
        for c in mine:
            if self.option(c).extra_bytes and self.columns[c][2] == disc:
                self.rows.append(([c, peak], [float(self.option(c).extra_bytes // unit), -1.0], -inf, 0.0))
        columns, values = [*mine, peak], [*(float(self.option(c).storage_bytes // unit) for c in mine), 1.0]
        self.rows.append((columns, values, -inf, float(room // unit)))
        return columns, values, unit

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
              start: Sequence[int] = ()) -> tuple[list[int], float] | None:  # fmt: skip
        """The chosen columns and the proven gap; None when nothing is possible. `start`: chosen columns of a
        solution already known. Raises RuntimeError when the solver gives up."""
        values, gap = run(cost, self.upper, self.rows, len(self.columns), most=most, rel_gap=rel_gap, start=start)
        return None if values is None else ([c for c in range(len(self.columns)) if values[c] > 0.5], gap)

    def found(self, chosen: Iterable[int], gap: float, solver: str) -> Found:
        """Chosen columns as forms by candidate."""
        discs: list[dict[str, Option]] = [{} for _ in range(self.disc_count)]
        for column in chosen:
            i, _, disc = self.columns[column]
            discs[disc][self.question.candidates[i].id] = self.option(column)
        return Found(tuple(discs), gap, solver)


def _all_needed(candidate: Candidate) -> Iterable[str]:
    for group in (*candidate.needs, *(group for option in candidate.options for group in option.needs)):
        yield from group


def run(cost: Sequence[float], upper: Sequence[float], rows: Sequence[Row], binary: int, *, most: bool,
        rel_gap: float, start: Sequence[int] = ()) -> tuple[list[float] | None, float]:  # fmt: skip
    """Runs HiGHS: column values (None: infeasible) and the proven relative gap. The first `binary` columns are 0
    or 1, the rest continuous from 0.

    Raises:
        RuntimeError: the solver ended without an answer and without a proof that there is none
    """
    import highspy

    if not cost:  # HiGHS has no answer for a model without columns
        return ([] if all(row[2] <= 0.0 <= row[3] for row in rows) else None), 0.0
    highs = solver()
    options = {
        "output_flag": False, "threads": 1, "parallel": "off", "random_seed": 1, "mip_max_nodes": NODE_LIMIT,
        "mip_rel_gap": rel_gap, "mip_abs_gap": 0.4 if rel_gap == 0.0 else 1e-6,  # whole numbers differ by 1
        "mip_feasibility_tolerance": 1e-9, "primal_feasibility_tolerance": 1e-9,
    }  # fmt: skip
    for name, value in options.items():
        highs.setOptionValue(name, value)
    highs.passModel(_lp(cost, upper, rows, binary, most))
    if start:
        _warm(highs, start, len(cost), binary)
    highs.run()
    status, info = highs.getModelStatus(), highs.getInfo()
    if status in (highspy.HighsModelStatus.kInfeasible, highspy.HighsModelStatus.kUnboundedOrInfeasible):
        return None, 0.0
    if info.primal_solution_status != highspy.SolutionStatus.kSolutionStatusFeasible:
        raise RuntimeError(f"HiGHS ended without an answer: {highs.modelStatusToString(status)}")
    gap = info.mip_gap if binary and info.mip_gap < inf else 0.0
    return list(highs.getSolution().col_value), _clean(gap, info)


def solver() -> Any:
    """A fresh HiGHS: the compiled class, since the one around it prints a banner on stdout."""
    import highspy

    compiled: Any = highspy.Highs.__base__
    return compiled()


def _clean(gap: float, info: Any) -> float:
    """0 when the bound lies less than one whole number beyond the answer: nothing better is left."""
    return 0.0 if abs(info.mip_dual_bound - info.objective_function_value) < 0.999 else gap


def _lp(cost: Sequence[float], upper: Sequence[float], rows: Sequence[Row], binary: int, most: bool) -> Any:
    import highspy
    import numpy as np

    lp = highspy.HighsLp()
    lp.num_col_, lp.num_row_ = len(cost), len(rows)
    lp.sense_ = highspy.ObjSense.kMaximize if most else highspy.ObjSense.kMinimize
    lp.col_cost_, lp.col_lower_ = np.array(cost, dtype=float), np.zeros(len(cost))
    lp.col_upper_ = np.array(upper, dtype=float)
    lp.row_lower_ = np.array([row[2] for row in rows], dtype=float)
    lp.row_upper_ = np.array([row[3] for row in rows], dtype=float)
    lp.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
    lp.a_matrix_.start_ = np.cumsum([0, *(len(row[0]) for row in rows)], dtype=np.int32)
    lp.a_matrix_.index_ = np.array([c for row in rows for c in row[0]], dtype=np.int32)
    lp.a_matrix_.value_ = np.array([v for row in rows for v in row[1]], dtype=float)
    whole, real = highspy.HighsVarType.kInteger, highspy.HighsVarType.kContinuous
    lp.integrality_ = [whole] * binary + [real] * (len(cost) - binary)
    return lp


def _warm(highs: Any, start: Sequence[int], count: int, binary: int) -> None:
    """Hands over a known solution; the solver completes the continuous columns itself."""
    import numpy as np

    chosen = set(start)
    values = np.array([1.0 if c in chosen else 0.0 for c in range(binary)])
    highs.setSolution(binary, np.arange(binary, dtype=np.int32), values)

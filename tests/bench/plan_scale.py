"""How long the exact answer takes, and what it buys over a greedy by density. Run by hand:

    PYTHONPATH=tests python tests/bench/plan_scale.py

Prints for each size the seconds of `solve` (reasons and order included), of the greedy, the proven gap, and the
minutes of weighted waiting that the exact answer saves beyond the greedy's.
"""

import sys
import time

from support.plans import choice_of, gain_of, greedy, is_allowed, large_problem

from discprep.plan.problem import solve

CASES = [
    (40, 0.5, None), (40, 0.5, 0.4), (200, 0.5, None), (200, 0.5, 0.4),
    (2000, 0.3, None), (2000, 0.7, None), (2000, 0.5, 0.4), (2000, 0.7, 0.3),
    (5000, 0.3, None), (5000, 0.7, None), (5000, 0.5, 0.4), (5000, 0.7, 0.3),
]  # fmt: skip


def main(seeds: int) -> None:
    heads = [f"{'items':>6}", " disc", "store", " exact s", "greedy s", f"{'gap':>8}", "saved min", " of all"]
    print(*heads, "solver")
    for count, filled, storage in CASES:
        for seed in range(seeds):
            one(count, filled, storage, seed)


def one(count: int, filled: float, storage: float | None, seed: int) -> None:
    problem = large_problem(count, seed, filled=filled, storage=storage)
    started = time.perf_counter()
    plan = solve(problem)
    solved = time.perf_counter()
    rival = greedy(problem)
    ended = time.perf_counter()
    assert is_allowed(problem, choice_of(problem, plan)) and is_allowed(problem, rival)
    saved = (plan.objective_s - gain_of(rival)) / 60
    share = saved * 60 / plan.objective_s
    print(f"{count:6} {filled:5} {storage or '-':>5} {solved - started:8.2f} {ended - solved:8.2f} {plan.gap:8.1e} "
          f"{saved:9.1f} {share:7.2%} {plan.solver}", flush=True)  # fmt: skip


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 2)

"""Work grows with the number of items, not with its square. Counted in lines of code run, so that no clock matters."""

from __future__ import annotations

import sys
from pathlib import Path
from types import FrameType
from typing import Any

from discprep.job.check import check
from discprep.job.plan import plan

HEAD = """format = 1
bring_up = []
[machine]
profile = "p.toml"
[link]
rate = 57600
mtu = 576
"""


def manifest(folder: Path, count: int) -> Path:
    """Items of which the size is known, each fifth needing its neighbour."""
    (folder / "p.toml").write_text('name = "X"\nprovides = ["unpack-lha"]\n[[volume]]\npath = "C:"\n')
    items = [
        f'[[item]]\nid = "i{n}"\nsources = ["http://files.example/{n}.lha"]\nsize = {4_000 + 37 * n}\n'
        + (f'needs = ["i{n - 1}"]\n' if n % 5 == 4 else "")
        for n in range(count)
    ]
    path = folder / f"m{count}.toml"
    path.write_text(HEAD + "\n".join(items))
    return path


def lines_run(work: Any) -> int:
    """How many lines of discprep a call runs; each turn of a comprehension counts."""
    count = 0

    def trace(frame: FrameType, event: str, argument: object) -> Any:
        nonlocal count
        if "discprep" not in frame.f_code.co_filename:
            return None
        count += event == "line"
        return trace

    before = sys.gettrace()
    sys.settrace(trace)
    try:
        work()
    finally:
        sys.settrace(before)
    return count


def growth(work: Any) -> float:
    """How much more the second doubling costs than the first: 2 where work is linear, 4 where it is quadratic."""
    work(20)  # whatever is done once in a process
    small, middle, large = (lines_run(lambda size=size: work(size)) for size in (60, 120, 240))
    return (large - middle) / (middle - small)


def test_check_grows_with_the_items(tmp_path: Path) -> None:
    """Names, needs and places are looked up, not searched for."""
    assert growth(lambda size: check(manifest(tmp_path, size))) < 2.3


def test_plan_grows_with_the_items(tmp_path: Path) -> None:
    """So are roles, volumes and forms."""
    assert growth(lambda size: plan(manifest(tmp_path, size), cache_root=tmp_path / "cache")) < 2.3

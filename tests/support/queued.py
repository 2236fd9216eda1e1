"""How long a process was ready and had no core: what a busy computer adds to whatever is timed. As the kernel counts it
(`schedstat` of proc(5))."""

from pathlib import Path


def queued_s(process: int | str = "self") -> float:
    """Of all threads that it has now [s]."""
    tasks = Path(f"/proc/{process}/task").glob("*/schedstat")
    return sum(int(task.read_text().split()[1]) for task in tasks) / 1e9

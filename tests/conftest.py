"""What every test run starts from, and in which order and company the tests go.

A whole run is to take five minutes on two cores. What holds that, whoever adds a test:

- Twice as many workers as cores (`-n auto`): tests that wait for a clocked line, an emulator or a server take no core.
- What is marked `slow` (over three seconds by itself) begins first, dealt to the workers in turn; tests that share a
  fixture of their module stay on one worker, so that it is made once. The quick ones fill what is left, by stealing.
  Every other worker begins with what waits, the others with what computes: so no core is idle at first.
- Tests of a module that uses a clocked line (`CLOCKS`) begin first too, and go before what computes where the system
  allows that (as root), so that a busy computer's delays are not taken for the line's.
- Lines are counted by slipcover, which takes its own marks out of the code that has run: a trace function, which is
  what Pythons before 3.12 offer besides, more than doubles the time of arithmetic.
- Who takes long without being marked is named at the end of the run.
"""

from __future__ import annotations

import contextlib
import itertools
import os
import re
import signal
import threading
from collections.abc import Generator, Iterator, Sequence

import pytest

LONG_S = 6.0
CLOCKS = {"support.clocked", "support.line_rig", "support.line_serve", "support.pty_line"}

# A run started in the background inherits an ignored Ctrl-C, which the tests of interrupts need.
if threading.current_thread() is threading.main_thread():
    signal.signal(signal.SIGINT, signal.default_int_handler)

# What the kernel does for a terminal or a packet, at its own usual nice value, goes before many workers' computing.
if "PYTEST_XDIST_WORKER" in os.environ and hasattr(os, "nice"):
    os.nice(10)


@pytest.hookimpl(optionalhook=True)  # without xdist too
def pytest_xdist_auto_num_workers() -> int:
    return 2 * (os.cpu_count() or 1)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Long ones and those that share a fixture first, in such an order that each worker's share begins with some."""
    first: dict[str, list[pytest.Item]] = {}
    rest: list[pytest.Item] = []
    for item in items:
        if _shares(item):
            first.setdefault(item.nodeid.split("::")[0], []).append(item)
        elif _slow(item) or _clocked(item):
            first[item.nodeid] = [item]
        else:
            rest.append(item)
    waits = [unit for unit in first.values() if _clocked(unit[0])]
    computes = [unit for unit in first.values() if not _clocked(unit[0])]
    mixed = [unit for pair in itertools.zip_longest(waits, computes) for unit in pair if unit]
    items[:] = deal(mixed, rest, int(os.environ.get("PYTEST_XDIST_WORKER_COUNT", "1")))


def deal(first: Sequence[list[pytest.Item]], rest: list[pytest.Item], hands: int) -> list[pytest.Item]:
    """The whole as xdist cuts it, one equal piece a worker: each piece begins with its share of `first`."""
    dealt: list[list[pytest.Item]] = [[] for _ in range(hands)]
    for number, unit in enumerate(first):
        dealt[number % hands].extend(unit)
    left, total = iter(rest), sum(map(len, dealt)) + len(rest)
    for number, hand in enumerate(dealt):
        share = total // (hands - number)
        hand.extend(itertools.islice(left, max(0, share - len(hand))))
        total -= len(hand)
    return [item for hand in dealt for item in hand] + list(left)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Generator[None, bool, bool]:
    """What uses a clocked line goes before others."""
    with _ahead() if _clocked(item) else contextlib.nullcontext():
        return (yield)


@contextlib.contextmanager
def _ahead() -> Iterator[None]:
    """This thread, and whatever it starts, before others: on Linux a nice value is a thread's own (setpriority(2)). Not
    by a real-time policy: what computes there would stop the whole computer."""
    if not hasattr(os, "setpriority"):
        yield
        return
    before = os.getpriority(os.PRIO_PROCESS, 0)
    with contextlib.suppress(OSError):
        os.setpriority(os.PRIO_PROCESS, 0, -10)
    try:
        yield
    finally:
        with contextlib.suppress(OSError):
            os.setpriority(os.PRIO_PROCESS, 0, before)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    long: dict[str, float] = {}
    for report in terminalreporter.stats.get("passed", ()):
        if "slow" not in report.keywords:
            long[report.nodeid] = long.get(report.nodeid, 0.0) + report.duration
    reasons = [str(report.longrepr) for report in terminalreporter.stats.get("skipped", ())]
    packages = [re.findall(r"apt-get install ([a-z0-9.+ -]+)", reason) for reason in reasons]
    if any(packages):
        lacking = " ".join(sorted({name for found in packages for names in found for name in names.split()}))
        count = sum(map(bool, packages))
        terminalreporter.write_line(f"{count} skipped for want of programs; to run them too: apt-get install {lacking}")
    for nodeid, seconds in sorted(long.items()):
        if seconds > LONG_S:
            terminalreporter.write_line(f"took {seconds:.0f} s: make it shorter, or mark it slow: {nodeid}")


def _slow(item: pytest.Item) -> bool:
    return item.get_closest_marker("slow") is not None


def _clocked(item: pytest.Item) -> bool:
    used = vars(getattr(item, "module", None) or object).values()
    return any(getattr(one, "__module__", getattr(one, "__name__", "")) in CLOCKS for one in used)


def _shares(item: pytest.Item) -> bool:
    """Whether it uses a fixture that its module has for all its tests."""
    info = getattr(item, "_fixtureinfo", None)
    found = info.name2fixturedefs.values() if info else ()
    return any(fixtures[-1].scope == "module" and fixtures[-1].baseid for fixtures in found)

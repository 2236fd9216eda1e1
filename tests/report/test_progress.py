"""Bars on a terminal, lines elsewhere, never in the way. Terminal codes: ECMA-48."""

from __future__ import annotations

import io
import os
import re
import sys
import threading
from pathlib import Path

import pytest
from support.terminal import shown

from discprep.model import WHOLE
from discprep.report.progress import Bars

SCRIPT = """
import sys, time
from discprep.report.progress import Bars
bars = Bars(sys.stderr)
bars.begin("all", "fetching 2 items", 2000)
for key in "ab":
    bars.begin(key, "tools-" + key, 1000)
for _ in range(8):
    time.sleep(0.1)
    bars.advance("a", 100)
    bars.advance("b", 50)
bars.say("a word")
bars.close()
print("done", file=sys.stderr)
"""


class Clock:
    now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


def _on_a_terminal(columns: int, **environment: str) -> str:
    """What the script writes to a terminal of that width."""
    env = {**os.environ, "TERM": "xterm", **environment}
    code, said = shown([sys.executable, "-c", SCRIPT], columns, "stderr", env)
    assert code == 0
    return said


@pytest.mark.parametrize("columns", [120, 80, 40, 20])
def test_bars_fit_the_terminal(columns: int) -> None:
    """A bar for each piece and one for the whole; no line is wider than the terminal; all gone at the end."""
    said = _on_a_terminal(columns)
    lines = [re.sub(r"\x1b\[[0-9;]*[A-Za-z]", "", line) for line in re.split(r"[\r\n]", said)]
    assert max(map(len, lines)) <= columns
    assert {"tools-a", "tools-b"} <= {line.split(":")[0].split(" ")[0] for line in lines}
    assert any(line.startswith("fetching") for line in lines)
    assert "a word" in lines
    assert said.rstrip().endswith("done")


def test_no_colour_ever() -> None:
    """No SGR code (ECMA-48 8.3.117), with NO_COLOR or without."""
    for environment in ({}, {"NO_COLOR": "1"}):
        assert not re.search(r"\x1b\[[0-9;]*m", _on_a_terminal(80, **environment))


def test_a_dumb_terminal_gets_no_codes() -> None:
    """TERM=dumb: no cursor is moved; only what is said appears."""
    assert _on_a_terminal(80, TERM="dumb").split() == ["a", "word", "done"]


def test_a_pipe_gets_a_line_now_and_then() -> None:
    """One line in ten seconds, with the whole: 10·50 + 9·10 B, then 20·50 + 19·10; what is said comes at once."""
    stream, clock = io.StringIO(), Clock()
    bars = Bars(stream, clock=clock)
    bars.begin(WHOLE, "fetching 2 items", 4000)
    bars.begin("a", "one", 2000)
    bars.begin("b", "two", 2000)
    for _ in range(25):
        clock.now_s += 1
        bars.advance("a", 50)
        bars.advance("b", 10)
    bars.say("a word")
    bars.close()
    assert stream.getvalue().splitlines() == [
        "fetching 2 items: 590 B of 4.00 KB",
        "fetching 2 items: 1.19 KB of 4.00 KB",
        "a word",
    ]


def test_what_comes_from_outside_cannot_steer_the_terminal() -> None:
    """Control characters in a label or message are shown as question marks."""
    stream, clock = io.StringIO(), Clock()
    bars = Bars(stream, clock=clock)
    bars.begin("a", "evil\x1b[2J\r\nname", None)
    clock.now_s = 11
    bars.advance("a", 1)
    bars.say("\x07bell")
    assert stream.getvalue() == "evil?[2J??name: 1 B\n?bell\n"


def test_a_stream_that_goes_away_stops_nothing() -> None:
    """A closed stderr silences the bars; work goes on."""
    stream, clock = io.StringIO(), Clock()
    bars = Bars(stream, clock=clock)
    stream.close()
    bars.begin("a", "one", 10)
    clock.now_s = 60
    bars.advance("a", 5)
    bars.say("a word")
    bars.end("a")
    bars.close()


def test_many_threads(tmp_path: Path) -> None:
    """Eight threads with a piece each: the sum on the whole's line is right."""
    stream, clock = io.StringIO(), Clock()
    bars = Bars(stream, clock=clock)
    bars.begin(WHOLE, "all of it", 8000)

    def work(key: str) -> None:
        bars.begin(key, key, 1000)
        for _ in range(1000):
            bars.advance(key, 1)

    threads = [threading.Thread(target=work, args=(str(n),)) for n in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    clock.now_s = 11
    bars.advance("0", 0)
    assert stream.getvalue() == "all of it: 8.00 KB of 8.00 KB\n"


def test_work_that_is_taken_back() -> None:
    """A negative amount: a transfer that starts again."""
    stream, clock = io.StringIO(), Clock()
    bars = Bars(stream, clock=clock)
    bars.begin("a", "one", 100)
    bars.advance("a", 60)
    bars.advance("a", -60)
    clock.now_s = 11
    bars.advance("a", 7)
    assert stream.getvalue() == "one: 7 B of 100 B\n"

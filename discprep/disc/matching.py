"""A stranger's regular expression over a text, in bounded time: some patterns would run for years.

The match runs in a process of its own, which is ended at the limit: Python's matching cannot be interrupted inside.
This file is also what that process runs; it needs nothing but the standard library.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys

LIMIT_S = 10.0
MOST_VALUES = 50  # different ones; more are no settings
MOST_LINES = 20  # remembered for each value


class TooSlow(Exception):
    """The pattern was not through with the text at the limit."""


def values_by_line(pattern: str, text: str, limit_s: float = LIMIT_S) -> dict[str, list[int]]:
    """What the one group of `pattern` matches in `text` (`""` where it took no part), each with its lines from 1 on.

    At most MOST_VALUES values and MOST_LINES lines of each.

    Raises:
        TooSlow: it took longer than `limit_s`, or the process that matches died (of memory, say)

    >>> values_by_line("rate=([0-9]+)", "rate=96\\nrate=19\\nrate=96")
    {'96': [1, 3], '19': [2]}
    """
    asked = json.dumps([pattern, text]).encode()
    words = [sys.executable, "-I", "-S", __file__]
    try:
        done = subprocess.run(words, input=asked, capture_output=True, timeout=limit_s, check=True)
    except (subprocess.TimeoutExpired, subprocess.CalledProcessError):
        raise TooSlow from None
    found: dict[str, list[int]] = json.loads(done.stdout)
    return found


def _search(pattern: str, text: str) -> dict[str, list[int]]:
    found: dict[str, list[int]] = {}
    line, counted = 1, 0
    for match in re.finditer(pattern, text, re.MULTILINE):
        line += text.count("\n", counted, match.start())
        counted = match.start()
        value = match[1] or ""
        if value in found or len(found) < MOST_VALUES:
            lines = found.setdefault(value, [])
            if len(lines) < MOST_LINES and line not in lines:
                lines.append(line)
    return found


if __name__ == "__main__":
    json.dump(_search(*json.load(sys.stdin)), sys.stdout)

"""Plain tables for the terminal: columns as wide as their content, the first cut where 80 columns do not hold it."""

from __future__ import annotations

import shlex
from collections.abc import Iterator, Sequence
from pathlib import Path

WIDTH = 80


def table(heads: Sequence[str], rows: Sequence[Sequence[str]], width: int = WIDTH) -> Iterator[str]:
    """Lines of a table. A head that starts with `>` has its column set flush right.

    >>> print("\\n".join(table(("item", ">size"), [("a", "1 B"), ("b", "20 B")])))
    item  size
    a      1 B
    b     20 B
    """
    right = [head.startswith(">") for head in heads]
    cells = [[head.lstrip(">") for head in heads], *([str(cell) for cell in row] for row in rows)]
    widths = [max(len(row[column]) for row in cells) for column in range(len(heads))]
    spare = width - sum(widths) - 2 * (len(widths) - 1)
    if spare < 0:
        widest = max(range(len(widths)), key=lambda column: (not right[column], widths[column]))
        widths[widest] = max(8, widths[widest] + spare)
    for row in cells:
        yield "  ".join(_cell(text, w, r) for text, w, r in zip(row, widths, right, strict=True)).rstrip()


def counted(count: int, thing: str) -> str:
    """A number of things.

    >>> counted(1, "file"), counted(5_200, "file")
    ('1 file', '5,200 files')
    """
    return f"{count:,} {thing}{'s' * (count != 1)}"


def typed(path: Path) -> str:
    """A path as it can be copied into a command line.

    >>> typed(Path("out/first disc/record.json"))
    "'out/first disc/record.json'"
    """
    return shlex.quote(str(path))


def _cell(text: str, width: int, right: bool) -> str:
    text = text if len(text) <= width else text[: width - 1] + "…"
    return text.rjust(width) if right else text.ljust(width)

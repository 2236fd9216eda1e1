"""Plain tables for the terminal: columns as wide as their content, the first cut where 80 columns do not hold it."""

from __future__ import annotations

import re
import shlex
import unicodedata
from collections.abc import Iterator, Sequence
from itertools import zip_longest
from pathlib import Path
from textwrap import wrap

WIDTH = 80


def table(
    heads: Sequence[str], rows: Sequence[Sequence[str]], width: int = WIDTH, *, wrapped: bool = False
) -> Iterator[str]:
    """Lines of a table. A head that starts with `>` has its column set flush right; with `wrapped` what is too wide
    goes on in further lines instead of being cut.

    >>> print("\\n".join(table(("item", ">size"), [("a", "1 B"), ("b", "20 B")])))
    item  size
    a      1 B
    b     20 B
    """
    for lines in table_rows(heads, rows, width, wrapped=wrapped):
        yield from lines


def table_rows(
    heads: Sequence[str], rows: Sequence[Sequence[str]], width: int, *, wrapped: bool
) -> Iterator[list[str]]:
    """The same row by row, the head first, each in its lines."""
    right = [head.startswith(">") for head in heads]
    cells = [[head.lstrip(">") for head in heads], *([str(cell) for cell in row] for row in rows)]
    widths = [max(columns(row[column]) for row in cells) for column in range(len(heads))]
    spare = width - sum(widths) - 2 * (len(widths) - 1)
    if spare < 0 and not wrapped:
        widest = max(range(len(widths)), key=lambda column: (not right[column], widths[column]))
        widths[widest] = max(8, widths[widest] + spare)
    for _ in range(-spare if wrapped else 0):
        widths[widths.index(max(widths))] -= 1
    for row in cells:
        pieces = [(wrapped and wrap(text, w)) or [text] for text, w in zip(row, widths, strict=True)]
        yield [
            "  ".join(_cell(text, w, r) for text, w, r in zip(line, widths, right, strict=True)).rstrip()
            for line in zip_longest(*pieces, fillvalue="")
        ]


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


def columns(text: str) -> int:
    """How many columns of a terminal a text takes. Source: Unicode Standard Annex 11 (wide and fullwidth: two).

    >>> columns("Büro"), columns("日本")
    (4, 4)
    """
    return len(text) if text.isascii() else sum(1 + (unicodedata.east_asian_width(c) in "WF") for c in text)


def fitted(text: str, width: int) -> str:
    """The text for a terminal narrower than the faces reckon with: a row of a table that is too long goes on in further
    lines, between its cells where it can. Prose is left to the terminal, which breaks it without harm to a command.

    >>> print(fitted("untie        unpacked  32.8 KB  asked to burn", 30))
    untie  unpacked  32.8 KB
      asked to burn
    """
    lines: list[str] = []
    for line in text.split("\n"):
        row = columns(line) > width and re.search(r"\S {2,}\S", line)
        lines += _broken(line, width) if row else [line]
    return "\n".join(lines)


def _broken(line: str, width: int) -> Iterator[str]:
    """A row's cells in lines of this width; what follows the first is set in by two."""
    indent = line[: min(width // 2, len(line) - len(line.lstrip()))]
    margin, held = indent + "  ", ""
    for cell in re.split(r" {2,}", line.strip()):
        if held and columns(f"{indent}{held}  {cell}") > width:
            yield indent + held
            indent, held = margin, ""
        held = f"{held}  {cell}" if held else cell
        while columns(indent + held) > width:
            piece, held = _cut(held, max(2, width - len(indent)))
            yield indent + piece
            indent = margin
    yield indent + held


def _cut(text: str, width: int) -> tuple[str, str]:
    """As many words as fit, or as many characters of one word; and the rest."""
    end = next((n for n in range(1, len(text) + 1) if columns(text[:n]) > width), len(text) + 1) - 1
    blank = text.rfind(" ", 1, end + 1)
    end = blank if blank > 0 else max(1, end)
    return text[:end].rstrip(), text[end:].lstrip()


def _cell(text: str, width: int, right: bool) -> str:
    text = cut(text, width)
    blank = " " * (width - columns(text))
    return blank + text if right else text + blank


def cut(text: str, width: int) -> str:
    """At most so many columns: what is taken out is in the middle, since names that are alike often differ at the end.

    >>> cut("Catalogue of all bells, part 2", 20)
    'Catalogue of…part 2'
    """
    if columns(text) <= width:
        return text
    first = last = ""
    for character in reversed(text):
        if columns(character + last) > (width - 1) * 2 // 5:
            break
        last = character + last
    for character in text:
        if columns(first + character + last) > width - 1:
            break
        first += character
    return f"{first.rstrip()}…{last.lstrip()}"

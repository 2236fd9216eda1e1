"""On which line of a TOML file a key stands. `tomllib` tells lines of syntax errors only."""

from __future__ import annotations

import re

Path = tuple[str | int, ...]

_HEADER = re.compile(r"\s*(\[\[?)\s*([^\[\]]+?)\s*\]\]?\s*(#.*)?$")
_KEY = re.compile(
    r"""\s*((?:"[^"]*"|'[^']*'|[A-Za-z0-9_-]+)(?:\s*\.\s*(?:"[^"]*"|'[^']*'|[A-Za-z0-9_-]+))*)\s*=(.*)$"""
)
_PART = re.compile(r""""([^"]*)"|'([^']*)'|([A-Za-z0-9_-]+)""")
_TOKEN = re.compile(r'''"""|\'\'\'|"(?:\\.|[^"\\])*"|'[^']*'|\#.*|[\[\]{}]''')


class LineIndex:
    """Line numbers, from 1, of a file's tables and keys. Made in one pass; the file is valid TOML."""

    def __init__(self, text: str) -> None:
        self._lines: dict[Path, int] = {}
        self._counts: dict[Path, int] = {}
        self._read(text)

    def line(self, path: Path) -> int:
        """The line of the key at `path` (`("item", 0, "size")`), else of the nearest table around it; 0 if none."""
        while path:
            if path in self._lines:
                return self._lines[path]
            path = path[:-1]
        return 0

    def span(self, table: Path) -> tuple[int, int]:
        """The line of a table's header, and that of the next header that is not of a table inside it."""
        first = self._lines[table]
        others = (n for path, n in self._lines.items() if n > first and path[: len(table)] != table)
        return first, min(others, default=self._count + 1)

    def _read(self, text: str) -> None:
        self._count = text.count("\n") + 1
        table: Path = ()
        closing, depth = "", 0
        for number, line in enumerate(text.split("\n"), 1):
            rest = line
            if not closing and depth == 0:
                if header := _HEADER.match(line):
                    table = self._open(header[1], header[2])
                    self._lines.setdefault(table, number)
                    continue
                key = _KEY.match(line)
                if not key:
                    continue
                self._lines.setdefault(table + _parts(key[1]), number)
                rest = key[2]
            if closing or depth or any(mark in rest for mark in ('"""', "'''", "[", "{")):
                closing, depth = _scan(rest, closing, depth)

    def _open(self, brackets: str, name: str) -> Path:
        """The path of a header's table, arrays counted: the third `[[item]]` is `("item", 2)`."""
        parts = _parts(name)
        path: Path = ()
        for part in parts[:-1]:
            path = (*path, part)
            if path in self._counts:
                path = (*path, self._counts[path] - 1)
        path = (*path, parts[-1])
        if brackets == "[[":
            self._counts[path] = self._counts.get(path, 0) + 1
            path = (*path, self._counts[path] - 1)
        return path


def _parts(name: str) -> tuple[str, ...]:
    return tuple(a or b or c for a, b, c in _PART.findall(name))


def _scan(text: str, closing: str, depth: int) -> tuple[str, int]:
    """Follows multi-line strings (`closing` is the mark that ends one) and brackets to the end of a line."""
    position = 0
    while position < len(text):
        if closing:
            end = text.find(closing, position)
            if end < 0:
                return closing, depth
            position, closing = end + 3, ""
            continue
        token = _TOKEN.search(text, position)
        if not token:
            break
        position = token.end()
        if token[0] in ('"""', "'''"):
            closing = token[0]
        elif token[0] in "[{":
            depth += 1
        elif token[0] in "]}":
            depth = max(0, depth - 1)
        elif token[0].startswith("#"):
            break
    return closing, depth

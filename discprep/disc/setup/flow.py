"""Commands and conditions as a small tree, and the lines it becomes. Pure.

Two families of command languages exist. In one a condition is a block with an end line; in the other it takes one
command, and whatever is longer jumps. There a rare body stands at the script's end, so that the usual way through
the script jumps nowhere: such languages look for a label from the script's start, line by line.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import TypeVar

from discprep.manifest.substitute import pattern
from discprep.model import Shell

T = TypeVar("T")
THEN = "\x03"  # stands for `{then}` once a conditional's other names are filled: no path can hold it


@dataclass(frozen=True, slots=True)
class Do:
    """Lines to write as they are. `inline`: may stand as a condition's one command. `ends`: nothing follows."""

    lines: tuple[str, ...]
    inline: bool = True
    ends: bool = False


@dataclass(frozen=True, slots=True)
class If:
    """A condition: its lines with `THEN`, the same for the opposite (() where there is none), and the body; where
    conditions jump, `otherwise` is what a rare body's way passes over."""

    lines: tuple[str, ...]
    body: tuple[Node, ...]
    rare: bool = False
    opposite: tuple[str, ...] = ()
    otherwise: tuple[Node, ...] = ()


@dataclass(frozen=True, slots=True)
class Many:
    """Nodes too many to be held: made when they are written, and let go."""

    make: Callable[[], Iterable[Node]]


Node = Do | If | Many
MOST_HELD = 100


def in_turn(parts: Sequence[T], nodes_of: Callable[[T], Iterable[Node]]) -> list[Node]:
    """The nodes of each part, one part after the other."""
    made = (node for part in parts for node in nodes_of(part))
    return list(made) if len(parts) <= MOST_HELD else [Many(lambda: (n for part in parts for n in nodes_of(part)))]


def write_out(
    nodes: Iterable[Node], shell: Shell, fits: Callable[[Sequence[str]], bool], closing: Sequence[Node] = ()
) -> Iterator[str]:
    """The lines of a whole script, one by one.

    Arguments:
        fits: whether the language takes lines so long
        closing: what stands at its end, after whatever is jumped to
    """
    yield from _blocks(nodes) if shell.blocks else _Jumps(shell, fits).script(nodes)
    yield from _blocks(closing)


def _blocks(nodes: Iterable[Node], indent: str = "") -> Iterator[str]:
    for node in nodes:
        if isinstance(node, Many):
            yield from _blocks(node.make(), indent)
            continue
        for line in node.lines:
            if line.endswith(THEN) and isinstance(node, If):
                yield from _blocks(node.body, indent + line[:-1])
            else:
                yield indent + line


@dataclass(slots=True)
class _Jumps:
    """One script in a language whose conditions take one command."""

    shell: Shell
    fits: Callable[[Sequence[str]], bool]
    labels: int = 0
    waiting: deque[tuple[str, str, tuple[Node, ...]]] = field(default_factory=deque)  # label, back to, body
    ends: dict[tuple[Node, ...], str] = field(default_factory=dict)  # one label for all that end alike

    def script(self, nodes: Iterable[Node]) -> Iterator[str]:
        yield from self._lines(nodes)
        if not self.waiting:
            return
        last = self._new()
        yield from self._goto(last)
        while self.waiting:
            label, back, body = self.waiting.popleft()
            yield from self._label(label)
            yield from self._lines(body)
            if not _ends(body):
                yield from self._goto(back)
        yield from self._label(last)

    def _lines(self, nodes: Iterable[Node]) -> Iterator[str]:
        for node in nodes:
            if isinstance(node, Do):
                yield from node.lines
            else:
                yield from self._lines(node.make()) if isinstance(node, Many) else self._if(node)

    def _if(self, node: If) -> Iterator[str]:
        if not node.otherwise:
            node = self._merged(node)
            at_once = self._one_command(node)
            if at_once and self.fits(at_once):
                yield from at_once
                return
            if _ends(node.body):
                yield from _filled(node.lines, self._goto(self._end(node.body))[0])
                return
        if node.otherwise or node.rare or not node.opposite:
            # The rare body at the script's end; what stands in its place otherwise is on the usual way.
            label, back = self._new(), self._new()
            self.waiting.append((label, back, node.body))
            yield from _filled(node.lines, self._goto(label)[0])
            yield from self._lines(node.otherwise)
            yield from self._label(back)
            return
        past = self._new()
        yield from _filled(node.opposite, self._goto(past)[0])
        yield from self._lines(node.body)
        yield from self._label(past)

    def _merged(self, node: If) -> If:
        """A condition right inside another as one condition, where a line holds both."""
        inner = node.body[0] if len(node.body) == 1 else None
        if not isinstance(inner, If) or len(inner.lines) != 1 or inner.otherwise:
            return node
        lines = tuple(_filled(node.lines, inner.lines[0]))
        if not self.fits(_filled(lines, self._goto("L99999")[0])):
            return node
        return self._merged(If(lines, inner.body, True))

    def _one_command(self, node: If) -> list[str]:
        """The condition with its body on one line; nothing where the body is more than that."""
        inner = node.body[0] if len(node.body) == 1 else None
        if isinstance(inner, Do) and inner.inline and len(inner.lines) == 1:
            return _filled(node.lines, inner.lines[0])
        return []

    def _end(self, body: tuple[Node, ...]) -> str:
        """The label of a body that goes no further; the same for equal ones."""
        if body not in self.ends:
            self.ends[body] = self._new()
            self.waiting.append((self.ends[body], "", body))
        return self.ends[body]

    def _new(self) -> str:
        self.labels += 1
        return f"L{self.labels}"

    def _goto(self, label: str) -> list[str]:
        return [pattern(line) % {"label": label} for line in self.shell.goto]

    def _label(self, label: str) -> list[str]:
        return [pattern(line) % {"label": label} for line in self.shell.label]


def _filled(lines: Sequence[str], command: str) -> list[str]:
    return [line.replace(THEN, command) for line in lines]


def _ends(body: Sequence[Node]) -> bool:
    return bool(body) and isinstance(body[-1], Do) and body[-1].ends

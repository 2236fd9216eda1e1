"""Commands and conditions as a small tree, and the lines it becomes. Pure.

Two families of command languages exist. In one a condition is a block with an end line; in the other it takes one
command, and whatever is longer jumps. There a rare body stands at the script's end, so that the usual way through
the script jumps nowhere: such languages look for a label from the script's start, line by line.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from discprep.manifest.substitute import substitute
from discprep.model import Shell

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


Node = Do | If


def write_out(
    nodes: Sequence[Node], shell: Shell, fits: Callable[[Sequence[str]], bool], closing: Sequence[Node] = ()
) -> list[str]:
    """The lines of a whole script.

    Arguments:
        fits: whether the language takes lines so long
        closing: what stands at its end, after whatever is jumped to
    """
    lines = _blocks(nodes) if shell.blocks else _Jumps(shell, fits).script(nodes)
    return [*lines, *_blocks(closing)]


def _blocks(nodes: Sequence[Node]) -> list[str]:
    lines: list[str] = []
    for node in nodes:
        if isinstance(node, Do):
            lines += node.lines
            continue
        for line in node.lines:
            if line.strip() == THEN:
                indent = line[: len(line) - len(line.lstrip())]
                lines += [indent + inner for inner in _blocks(node.body)]
            else:
                lines.append(line)
    return lines


@dataclass(slots=True)
class _Jumps:
    """One script in a language whose conditions take one command."""

    shell: Shell
    fits: Callable[[Sequence[str]], bool]
    labels: int = 0
    waiting: list[tuple[str, str, tuple[Node, ...]]] = field(default_factory=list)  # label, back to, body
    ends: dict[tuple[Node, ...], str] = field(default_factory=dict)  # one label for all that end alike

    def script(self, nodes: Sequence[Node]) -> list[str]:
        lines = self._lines(nodes)
        if not self.waiting:
            return lines
        last = self._new()
        lines += self._goto(last)
        while self.waiting:
            label, back, body = self.waiting.pop(0)
            lines += [*self._label(label), *self._lines(body)]
            if not _ends(body):
                lines += self._goto(back)
        return [*lines, *self._label(last)]

    def _lines(self, nodes: Sequence[Node]) -> list[str]:
        lines: list[str] = []
        for node in nodes:
            lines += node.lines if isinstance(node, Do) else self._if(node)
        return lines

    def _if(self, node: If) -> list[str]:
        if node.otherwise:
            return self._either(node)
        node = self._merged(node)
        at_once = self._one_command(node)
        if at_once and self.fits(at_once):
            return at_once
        if _ends(node.body):
            return _filled(node.lines, self._goto(self._end(node.body))[0])
        if node.rare or not node.opposite:
            label, back = self._new(), self._new()
            self.waiting.append((label, back, node.body))
            return [*_filled(node.lines, self._goto(label)[0]), *self._label(back)]
        past = self._new()
        jump = _filled(node.opposite, self._goto(past)[0])
        return [*jump, *self._lines(node.body), *self._label(past)]

    def _either(self, node: If) -> list[str]:
        """The rare body at the script's end; what stands in its place otherwise is on the usual way."""
        label, back = self._new(), self._new()
        self.waiting.append((label, back, node.body))
        return [
            *_filled(node.lines, self._goto(label)[0]), *self._lines(node.otherwise), *self._label(back)
        ]  # fmt: skip

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
        return [substitute(line, {"label": label}) for line in self.shell.goto]

    def _label(self, label: str) -> list[str]:
        return [substitute(line, {"label": label}) for line in self.shell.label]


def _filled(lines: Sequence[str], command: str) -> list[str]:
    return [line.replace(THEN, command) for line in lines]


def _ends(body: Sequence[Node]) -> bool:
    return bool(body) and isinstance(body[-1], Do) and body[-1].ends

"""What a section is made of: blocks that know nothing of text or HTML. Each face renders every kind."""

from __future__ import annotations

from dataclasses import dataclass

from discprep.report.sheet.facts import Rung, Task


@dataclass(frozen=True, slots=True)
class Paragraph:
    """Plain words."""

    text: str


@dataclass(frozen=True, slots=True)
class Bullets:
    """A list; with `boxes`, each line has a box to tick."""

    items: tuple[str, ...]
    boxes: bool = False


@dataclass(frozen=True, slots=True)
class Tasks:
    """Things to do in order, each with a box to tick and its time."""

    tasks: tuple[Task, ...]


@dataclass(frozen=True, slots=True)
class Table:
    """Rows under a head; `align` has one letter a column, l or r; `caption` says what it is.

    Hashes stand in `code` columns: they may break anywhere. `boxes`: the first column has boxes to tick; `words`:
    the cells are no values but sentences.
    """

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    align: str
    boxes: bool = False
    words: bool = False


@dataclass(frozen=True, slots=True)
class Entries:
    """One entry a thing, each a heading line and some named lines: what would be too wide as a table."""

    entries: tuple[tuple[str, tuple[tuple[str, str], ...]], ...]


@dataclass(frozen=True, slots=True)
class Ladder:
    """The ladder of tests."""

    rungs: tuple[Rung, ...]


@dataclass(frozen=True, slots=True)
class Key:
    """One line of a picture's key: the number of its fill, what it stands for, how much of it."""

    fill: int
    label: str
    amount: str


@dataclass(frozen=True, slots=True)
class Picture:
    """A drawing (SVG of our own making) with its title and description, its key, what paper text shows instead, and
    for a curve the values of its points."""

    svg: str
    lines: tuple[str, ...]
    keys: tuple[Key, ...] = ()
    values: Table | None = None


Block = Paragraph | Bullets | Tasks | Table | Entries | Ladder | Picture


@dataclass(frozen=True, slots=True)
class Section:
    """One part of the sheet. `anchor` is its name inside the page. An `appendix` is for looking things up: folded on
    the screen, and not printed unless it is opened there."""

    anchor: str
    title: str
    blocks: tuple[Block, ...]
    appendix: bool = False

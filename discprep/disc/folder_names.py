"""Names for the entries of one folder by one rule, one-to-one; a file and its companion choose as a pair. Pure."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field

from discprep.disc.name_rules import Rule
from discprep.errors import NameRuleError

_NUMBERED = re.compile(r"(.*[^0-9])([0-9]{1,4}[A-Za-z]?)[\W_]*")
"""A stem that ends in a number, with or without a letter or a bracket behind it: `part 2`, `map 12b`, `plan (3)`."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One wanted name in a folder; `path` is for the caller's own use."""

    name: str
    folder: bool
    fixed: bool = False
    path: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Chosen:
    """The name a rule chose, and why it is not the wanted one (in words; empty when only capitals differ)."""

    name: str
    why: str = ""


def name_folder(
    entries: Sequence[Entry], rule: Rule, file_pattern: str = "", folder_pattern: str = ""
) -> dict[str, Chosen]:
    """Wanted name to chosen name for the entries of one folder, files and folders in one name space.

    Fixed names (a user's renames) choose first, then the rest in UTF-8 byte order of the wanted names. The patterns
    say how a file's and a folder's companion is named ("{name}.ext").

    >>> from discprep.disc.name_rules import IsoRule
    >>> pair = [Entry("README", False), Entry("readme", False)]
    >>> {wanted: chosen.name for wanted, chosen in name_folder(pair, IsoRule(1)).items()}
    {'README': 'README.', 'readme': 'README1.'}

    Raises:
        NameRuleError: the rule leaves too few characters to tell the names apart
    """
    folder = _Folder(rule)
    chosen: dict[str, Chosen] = {}
    for unit in _units(entries, file_pattern, folder_pattern):
        as_it_is = None if unit.companion else folder.keep(unit.main)
        if as_it_is:
            chosen[unit.main.name] = as_it_is
        else:
            chosen |= folder.choose(unit)
    return chosen


@dataclass(frozen=True, slots=True)
class _Unit:
    """What chooses a name together: an entry, and its companion if it has one."""

    main: Entry
    companion: Entry | None = None
    pattern: str = ""


def _units(entries: Sequence[Entry], file_pattern: str, folder_pattern: str) -> list[_Unit]:
    """Each entry with its companion, in the order in which they choose: texts sort as their UTF-8 bytes do."""
    if not (file_pattern or folder_pattern):
        return [_Unit(entry) for entry in sorted(entries, key=lambda e: (not e.fixed, e.name))]
    files = {entry.name: entry for entry in entries if not entry.folder}
    claimed: set[str] = set()
    units = []
    for entry in sorted(entries, key=lambda e: (len(e.name), e.name)):
        if entry.name in claimed:
            continue
        pattern = folder_pattern if entry.folder else file_pattern
        companion = files.get(pattern.replace("{name}", entry.name)) if pattern else None
        if companion and companion.name != entry.name and companion.name not in claimed:
            claimed.add(companion.name)
            units.append(_Unit(entry, companion, pattern))
        else:
            units.append(_Unit(entry))
    return sorted(units, key=lambda u: (not u.main.fixed, u.main.name))


@dataclass(slots=True)
class _Folder:
    """The names given so far in one folder of one tree."""

    rule: Rule
    taken: set[str] = field(default_factory=set)
    last_tail: dict[tuple[str, ...], int] = field(default_factory=dict)

    def keep(self, entry: Entry) -> Chosen | None:
        """The wanted name, which is taken from now on, where `choose` would change nothing but capitals: most names
        are legal as they are, and need none of its steps."""
        rule = self.rule
        stem, extension = rule.split(entry.name, entry.folder)
        name = rule.join(stem, extension, entry.folder)
        key = rule.key(name)
        if not _alike(name, entry.name) or key in self.taken or rule.reserved(name):
            return None
        if rule.extension(extension) != extension or rule.cut(stem, rule.room(extension, entry.folder)) != stem:
            return None
        self.taken.add(key)
        return Chosen(entry.name if name == entry.name else name)

    def choose(self, unit: _Unit) -> dict[str, Chosen]:
        """The first free names for a unit; they are taken from now on."""
        shape = _shape(self.rule, unit)
        first = shape.names("")
        if unit.companion and self.rule.key(first[0]) == self.rule.key(first[1]):
            # Shortened, the two have one name: they cannot share a stem.
            return {**self.choose(_Unit(unit.main)), **self.choose(_Unit(unit.companion))}
        names, tail = first, self.last_tail.get(first, 0)
        while tail or not self._free(names):
            tail += 1
            names = shape.names(str(tail))
            if self._free(names):
                break
        if tail:
            self.last_tail[first] = tail
        self.taken.update(self.rule.key(name) for name in names)
        chosen = {unit.main.name: Chosen(names[0], shape.why(names[0], tail))}
        if unit.companion:
            chosen[unit.companion.name] = Chosen(names[1], _companion_why(unit, names[1]))
        return chosen

    def _free(self, names: tuple[str, ...]) -> bool:
        keys = {self.rule.key(name) for name in names}
        return len(keys) == len(names) and keys.isdisjoint(self.taken) and not any(map(self.rule.reserved, names))


@dataclass(slots=True)
class _Shape:
    """A unit's parts, ready to be joined with a tail."""

    rule: Rule
    unit: _Unit
    stem: str
    extension: str
    room: int
    notes: tuple[str, ...]  # what had to be done to the wanted name
    companion: str | None  # the companion's extension where pairs share the stem

    def names(self, tail: str) -> tuple[str, ...]:
        main = self.unit.main
        if len(tail) > self.room:  # a number of the wanted name gives way first, in `_stem`
            raise NameRuleError(
                f"the names on the {self.rule.label} leave no room to tell {main.name!r} from its neighbours",
                where=main.name,
                hint="Rename it, or allow longer names in the profile.",
            )
        stem = self._stem(tail)
        name = self.rule.join(stem, self.extension, main.folder)
        if self.unit.companion is None:
            return (name,)
        if self.companion is not None:
            return name, self.rule.join(stem, self.companion, False)
        wanted = self.unit.pattern.replace("{name}", stem if self.rule.pairs_by_stem else name)
        return name, self.rule.join(*_legal(self.rule, wanted, False), False)

    def _stem(self, tail: str) -> str:
        """The stem with a tail, shortened before a number at its end: that is what tells a series apart. A tail does
        not run into it either: LINIE_1 and its like become LINIE1_1, never LINIE_11."""
        rule, found = self.rule, _NUMBERED.fullmatch(self.stem)
        end = f"_{tail}" if tail and self.stem[-1:].isdigit() and len(tail) < self.room - 1 else tail
        if rule.cut(self.stem, self.room - len(end)) == self.stem:
            return self.stem + end
        return (self._before_number(found, tail) if found else "") or rule.cut(self.stem, self.room - len(tail)) + tail

    def _before_number(self, found: re.Match[str], tail: str) -> str:
        """The stem shortened before its number; "" where there is no room for both."""
        end = found[2] + (f"_{tail}" if tail else "")
        room = self.room - len(end)
        if room < 2:
            return ""
        head = self.rule.cut(found[1], room)
        head = head.rstrip(" _-.") or head
        return (self.rule.cut(head, room - 1) + "_" if head[-1].isdigit() else head) + end

    def why(self, name: str, tail: int) -> str:
        if _alike(name, self.unit.main.name):
            return ""
        notes = (*self.notes, f"the name without {tail} is taken") if tail else self.notes
        return ", ".join(notes) or "written in the characters the machine has"


def _shape(rule: Rule, unit: _Unit) -> _Shape:
    main = unit.main
    stem, full_extension = rule.split(main.name, main.folder)
    extension = rule.extension(full_extension)
    room, companion = rule.room(extension, main.folder), None
    if unit.companion:
        if rule.pairs_by_stem and unit.pattern.startswith("{name}."):
            companion = rule.extension(rule.split(unit.companion.name, False)[1])
            room = min(room, rule.room(companion, False))
        elif not rule.pairs_by_stem:
            room -= rule.length(unit.pattern) - len("{name}")
    notes = []
    if not _alike(rule.join(stem, full_extension, main.folder), main.name):
        notes.append("characters it cannot hold replaced")
    cut = rule.cut(stem, room)
    if len(cut) < len(stem) or extension != full_extension:
        notes.append("shortened")
    if rule.reserved(rule.join(cut, extension, main.folder)):
        notes.append("a device has this name")
        stem = rule.cut(stem, room - 1) + "_"
    return _Shape(rule, unit, stem, extension, room, tuple(notes), companion)


def _legal(rule: Rule, name: str, folder: bool) -> tuple[str, str]:
    """Stem and extension of a name, legal and short enough."""
    stem, extension = rule.split(name, folder)
    extension = rule.extension(extension)
    return rule.cut(stem, rule.room(extension, folder)), extension


def _companion_why(unit: _Unit, name: str) -> str:
    assert unit.companion
    return "" if _alike(name, unit.companion.name) else f"named after {unit.main.name}"


def _alike(one: str, other: str) -> bool:
    """Whether a person takes two names for one."""
    return one == other or _seen(one) == _seen(other)


def _seen(name: str) -> str:
    """The name as a person compares it: capitals and a last dot make no difference."""
    return name.removesuffix(".").casefold()

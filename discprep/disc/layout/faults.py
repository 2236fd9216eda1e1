"""What a check finds, in words, and no more of it than a person can read."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

PER_RULE = 25


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault. `rule` is a short key for programs ("order", "both-endian"), `path` the file or folder concerned."""

    rule: str
    message: str
    path: str = ""

    def __str__(self) -> str:
        return f"{self.path}: {self.message}" if self.path else self.message


@dataclass(slots=True)
class Faults:
    """Gathers faults; of one rule only the first 25 are kept, the rest are counted."""

    found: list[Fault] = field(default_factory=list)
    counts: Counter[str] = field(default_factory=Counter)

    def add(self, rule: str, message: str, path: str = "") -> None:
        self.counts[rule] += 1
        if self.counts[rule] <= PER_RULE:
            self.found.append(Fault(rule, message, path))

    def all(self) -> tuple[Fault, ...]:
        more = [
            Fault(rule, f"{count - PER_RULE} more faults of the kind {rule!r}")
            for rule, count in self.counts.items()
            if count > PER_RULE
        ]
        return (*self.found, *more)

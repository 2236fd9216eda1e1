"""What is wrong with a link's settings: its kind, how much it costs, in words what to do."""

from __future__ import annotations

from dataclasses import dataclass

from discprep.model import Notice

SLOWER, MAY_LOSE, LOSES, IMPOSSIBLE = 1, 2, 3, 4
"""It costs time; characters may be lost; they are lost; nothing comes through."""


@dataclass(frozen=True, slots=True)
class Trouble:
    """One thing that is wrong. Of one `kind` there is one at most; `weight` says how bad it is. `cure_bit_s`: the rate
    that its hint names, if it does."""

    kind: str
    weight: int
    notice: Notice
    cure_bit_s: int | None = None

    @property
    def impossible(self) -> bool:
        """Whether no byte can be trusted to come through until it is mended."""
        return self.weight >= IMPOSSIBLE


def worse(after: tuple[Trouble, ...], before: tuple[Trouble, ...]) -> bool:
    """Whether a change of settings brings a trouble that was not there, or makes one worse."""
    had = {trouble.kind: trouble.weight for trouble in before}
    return any(trouble.weight > had.get(trouble.kind, 0) for trouble in after)

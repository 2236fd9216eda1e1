"""The work at the bridge, in order."""

from __future__ import annotations

from discprep.report.sheet.blocks import Section, Tasks
from discprep.report.sheet.facts import SheetFacts


def section(facts: SheetFacts) -> Section | None:
    """The section; none when nothing is to be done there."""
    return Section("bridge", "At the bridge", (Tasks(facts.bridge),)) if facts.bridge else None

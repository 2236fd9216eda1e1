"""The work at the machine, in order."""

from __future__ import annotations

from discprep.report.sheet.blocks import Paragraph, Section, Tasks
from discprep.report.sheet.facts import SheetFacts


def section(facts: SheetFacts) -> Section | None:
    """The section; none when nothing is to be done there."""
    if not facts.on_machine:
        return None
    return Section("machine", "At the machine", (Tasks(facts.on_machine), *map(Paragraph, facts.spare_scripts)))

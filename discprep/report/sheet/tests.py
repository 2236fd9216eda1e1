"""The ladder of small tests as a section."""

from __future__ import annotations

from discprep.report.sheet.blocks import Ladder, Paragraph, Section
from discprep.report.sheet.facts import SheetFacts


def section(facts: SheetFacts) -> Section | None:
    """The section; none without a link."""
    if not facts.ladder:
        return None
    lead = Paragraph(
        "One rung at a time, from the first. Garbage points to the rate, silence to the wiring, a stall to MTU or "
        "overrun. Change one thing, then go back to the rung that last held."
    )
    return Section("tests", "A ladder of small tests", (lead, Ladder(facts.ladder)))

"""Cautions, and what the build remarked."""

from __future__ import annotations

from discprep.report.sheet.blocks import Block, Bullets, Paragraph, Section
from discprep.report.sheet.facts import SheetFacts


def section(facts: SheetFacts) -> Section | None:
    """The section; none when there is nothing to heed."""
    blocks: list[Block] = [Bullets(facts.cautions)] if facts.cautions else []
    if facts.notices:
        blocks += [Paragraph("Remarked while this disc was made:"), Bullets(facts.notices)]
    return Section("cautions", "Cautions", tuple(blocks)) if blocks else None

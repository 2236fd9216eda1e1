"""The settings that must agree, as they stand on both ends."""

from __future__ import annotations

from discprep.report.sheet.blocks import Section, Table
from discprep.report.sheet.facts import SheetFacts


def section(facts: SheetFacts) -> Section | None:
    """The section; none without a link."""
    if not facts.settings:
        return None
    rows = tuple((row.name, row.machine, row.bridge or "-", row.remark) for row in facts.settings)
    head = ("Setting", "Machine", "Bridge", "Remark")
    return Section("settings", "The line on both ends", (Table("Tick each end", head, rows, "llll", boxes=True),))

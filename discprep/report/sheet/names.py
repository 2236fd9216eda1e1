"""Names that the disc or the machine cannot hold as they were."""

from __future__ import annotations

from discprep.report.sheet.blocks import Entries, Paragraph, Section
from discprep.report.sheet.facts import Renamed, SheetFacts

MOST = 200


def section(facts: SheetFacts) -> Section | None:
    """The section; none when every name stayed."""
    if not facts.renamed:
        return None
    entries = tuple(_entry(renamed) for renamed in facts.renamed[:MOST])
    more = len(facts.renamed) - MOST
    tail = (Paragraph(f"And {more} more; the list on the disc has all."),) if more > 0 else ()
    return Section("names", "Names changed", (Entries(entries), *tail))


def _entry(renamed: Renamed) -> tuple[str, tuple[tuple[str, str], ...]]:
    lines = [("on the disc", renamed.disc)]
    if renamed.machine:
        lines.append(("on the machine", renamed.machine))
    return (renamed.wanted, (*lines, ("why", renamed.why)))

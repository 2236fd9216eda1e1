"""The bench sheet: the page to keep beside the machine. `job.sheet` makes the facts, `text(facts)` and `html(facts)`
are the faces; same facts, same bytes."""

from __future__ import annotations

from discprep.report.sheet import contents as s
from discprep.report.sheet.blocks import Section
from discprep.report.sheet.facts import SheetFacts

__all__ = ["SheetFacts", "html", "sections", "text"]

_ORDER = (
    s.faults, s.cautions, s.bench, s.desk, s.disc_tests, s.bridge, s.machine, s.after_link, s.settings, s.tests,
    s.pulled, s.disc, s.plan, s.other_settings, s.names, s.origins,
)  # fmt: skip


def sections(facts: SheetFacts) -> tuple[Section, ...]:
    """The sheet's sections: what to heed, the work in its order, the line, what is pulled; then the appendix."""
    return tuple(made for section in _ORDER if (made := section(facts)).blocks)


def text(facts: SheetFacts) -> str:
    """The sheet as plain text, 80 columns, ASCII where the names allow it, for any printer."""
    from discprep.report.sheet.plain import render

    return render(facts, sections(facts))


def html(facts: SheetFacts) -> str:
    """The sheet as one HTML file that needs nothing else."""
    from discprep.report.sheet.page import render

    return render(facts, sections(facts))

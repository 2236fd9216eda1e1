"""The bench sheet: the page to keep beside the machine. One module a section, two faces.

`job.sheet` makes the facts, `text(facts)` and `html(facts)` the faces; same facts, same bytes.
"""

from __future__ import annotations

from discprep.report.sheet import (
    after_link,
    bench,
    bridge,
    desk,
    disc,
    machine,
    names,
    origins,
    plan,
    settings,
    tests,
    warnings,
)
from discprep.report.sheet.blocks import Section
from discprep.report.sheet.facts import SheetFacts

__all__ = ["SheetFacts", "html", "sections", "text"]

_ORDER = (bench, desk, bridge, machine, after_link, settings, tests, disc, plan, names, origins, warnings)


def sections(facts: SheetFacts) -> tuple[Section, ...]:
    """The sheet's sections in the order of the work."""
    return tuple(section for module in _ORDER if (section := module.section(facts)))


def text(facts: SheetFacts) -> str:
    """The sheet as plain text, 80 columns, ASCII where the names allow it, for any printer."""
    from discprep.report.sheet.plain import render

    return render(facts, sections(facts))


def html(facts: SheetFacts) -> str:
    """The sheet as one HTML file that needs nothing else."""
    from discprep.report.sheet.page import render

    return render(facts, sections(facts))

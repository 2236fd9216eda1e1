"""The HTML face: one file, no script, nothing fetched; made with jinja2, which escapes every text it is given."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from importlib.resources import files
from typing import TYPE_CHECKING

from discprep.report.sheet.blocks import Block, Section
from discprep.report.sheet.facts import SheetFacts
from discprep.report.sheet.pictures import patterns, printable, swatch

if TYPE_CHECKING:
    from jinja2 import Template

CODES = frozenset({"from", "page", "SHA-256", "on the disc", "on the machine"})  # set in the face for values


@lru_cache(maxsize=1)
def _template() -> Template:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("discprep.report.sheet", "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["kind"] = _kind
    environment.filters["printable"] = printable
    return environment.get_template("page.html.j2")


def _kind(block: Block) -> str:
    return type(block).__name__.lower()


def render(facts: SheetFacts, sections: Sequence[Section]) -> str:
    """The whole page."""
    from markupsafe import Markup

    style = files("discprep.report.sheet").joinpath("page.css").read_text(encoding="utf-8")
    build = facts.build_id if facts.build_id.isalnum() else "not built yet"
    return _template().render(
        facts=facts,
        running=f"Bench sheet, build {build}",
        sections=sections,
        codes=CODES,
        style=Markup(style),
        patterns=Markup(patterns()),
        drawing=Markup,  # drawings escape their texts themselves
        swatch=lambda number: Markup(swatch(number)),
    )

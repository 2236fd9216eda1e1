"""What is on the disc and comes over the link, and where it came from."""

from __future__ import annotations

from discprep.report.sheet.blocks import Entries, Section
from discprep.report.sheet.facts import Origin, SheetFacts


def section(facts: SheetFacts) -> Section | None:
    """The section; none without items."""
    if not facts.origins:
        return None
    return Section("origins", "What it is and where it came from", (Entries(tuple(map(_entry, facts.origins))),))


def _entry(origin: Origin) -> tuple[str, tuple[tuple[str, str], ...]]:
    title = " ".join(part for part in (origin.title, origin.version) if part)
    size = f"{origin.size_bytes:,} bytes" if origin.size_bytes is not None else ""
    count = "1 file" if origin.files == 1 else f"{origin.files} files"
    on_disc = f"{count} on this disc" if origin.files else "not on this disc"
    fetched = ", ".join(part for part in (origin.date or "not yet", size, on_disc) if part)
    lines = [
        ("from", origin.source or "nobody's server: see its page or hint"),
        ("page", origin.page),
        ("hint", origin.hint),
        ("fetched", fetched),
        ("SHA-256", origin.sha256),
        ("licence", origin.licence or "not stated"),
        ("sharing", "" if origin.share else "NOT TO BE PASSED ON"),
    ]
    return (title, tuple((name, value) for name, value in lines if value))

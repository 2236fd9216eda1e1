"""How `inspect` shows a disc image's own facts, beside the members it shows like an archive's."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import Any

from discprep.archives.times import iso_text
from discprep.disc.inspect import ImageFacts
from discprep.report.faces import picked
from discprep.report.inspect import escaped
from discprep.report.tables import counted

WORDS = {"joliet-1": "Joliet level 1", "joliet-2": "Joliet level 2", "joliet-3": "Joliet level 3",
         "rock-ridge": "Rock Ridge", "enhanced": "ISO 9660:1999", "el-torito": "El Torito boot catalogue",
         "udf": "UDF"}  # fmt: skip
TREES = {"rock-ridge": "Rock Ridge", "joliet": "Joliet", "primary": "the primary tree", "udf": "UDF"}


def document(facts: ImageFacts, members: list[dict[str, Any]]) -> dict[str, Any]:
    """The keys a disc image adds: `disc`, and in each member its first sector and its name in the primary tree.

    Args:
        facts: the image
        members: the document's members, in the order of `facts.members`
    """
    pairs = zip(members, facts.members, strict=True)
    return {
        "members": [member | picked(one, "extent", "iso") for member, one in pairs],
        "disc": {
            **picked(facts, "volume", "system", "publisher", "preparer", "application", "extensions", "tree", "faults"),
            "created": iso_text(facts.created_s),
            "sectors": facts.volume_sectors,
            "level": facts.level or None,
            "boot": [picked(entry, "bootable", "media", "extent", "load_sectors") for entry in facts.boot],
        },
    }


def text(facts: ImageFacts) -> str:
    """The volume in a few lines, to stand above the table of its members."""
    lines = (textwrap.wrap(escaped(line), 80, subsequent_indent="  ") for line in _lines(facts))
    return "\n".join(part for line in lines for part in line)


def _lines(facts: ImageFacts) -> Iterator[str]:
    level = f"names of level {facts.level}" if facts.level else "names outside the standard's levels"
    level = level if facts.iso9660 else "no tree of ISO 9660"
    extensions = ", ".join(WORDS.get(word, word) for word in facts.extensions) or "no extensions"
    yield f"volume {facts.volume or '(without a name)'}, {facts.volume_sectors} sectors, {level}, {extensions}"
    made = (iso_text(facts.created_s) or "").replace("T", " ")
    sources = [("made", made), ("by", facts.publisher or facts.preparer), ("with", facts.application)]
    if said := ", ".join(f"{word} {value}" for word, value in sources if value):
        yield said
    for entry in facts.boot:
        kind = "without emulation" if entry.media == "none" else f"as a {entry.media} medium"
        starts = f"starts a machine from sector {entry.extent}, {kind}"
        yield starts if entry.bootable else "holds a boot image, marked off"
    yield f"names below are those of {TREES[facts.tree]}"
    yield counted(len(facts.faults), "fault") if facts.faults else "no fault in its structures"

"""Every format there is: which module reads it, and which one a file is."""

from __future__ import annotations

import importlib
from functools import cache

from discprep.archives.base import Format, Options, Reader, Source

MODULES = ("zips", "tars", "lha", "streams", "blockfs", "fat12", "optional")


@cache
def formats() -> tuple[Format, ...]:
    """All formats in the order in which they are asked."""
    found: list[Format] = []
    for name in MODULES:
        found.extend(importlib.import_module(f"discprep.archives.{name}").FORMATS)
    return tuple(sorted(found, key=lambda format_: format_.rank))


def recognised(source: Source) -> Format | None:
    """The format of a file by its content; None when it is no container known here."""
    return next((format_ for format_ in formats() if format_.recognise(source)), None)


def open_source(source: Source, options: Options) -> Reader | None:
    """A reader of the file; None when it is no container known here.

    Raises:
        ArchiveError: it is one, but nothing at all can be read
    """
    found = recognised(source)
    return found.open(source, options) if found else None

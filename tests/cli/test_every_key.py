"""The two pages that show every key: nothing is left out, nothing there is unknown, and what they show is accepted.

The keys are those of `discprep schema`, which the manifest's own models print.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from support.command import run

import discprep.manifest

PAGES = Path(discprep.manifest.__file__).parent / "keys"


def keys(schema: dict[str, Any]) -> Iterator[str]:
    """Every key of every table in a JSON Schema."""
    for table in (schema, *schema.get("$defs", {}).values()):
        yield from table.get("properties", {})


@pytest.mark.parametrize(("page", "flags"), [("manifest.toml", ()), ("profile.toml", ("--profile",))])
def test_every_key_is_shown(page: str, flags: tuple[str, ...]) -> None:
    """As a key, left out behind a `#`, within braces, or as a table's name."""
    text = (PAGES / page).read_text(encoding="utf-8")
    schema = run("schema", "--json", *flags).document["schema"]
    wanted = set(keys(schema))
    shown = set(re.findall(r"(?:^#? ?|[{,] ?)([a-z_0-9]+) *=", text, re.MULTILINE))
    shown |= {word for head in re.findall(r"^\[+([a-z._]+)\]", text, re.MULTILINE) for word in head.split(".")}
    shown |= set(re.findall(r"sha1|md5|crc32", text))  # on the line of the hash that is better
    assert len(wanted) > 40 and wanted - shown == set()


def test_what_is_shown_is_accepted() -> None:
    """An unknown key, a wrong value or a template that cannot be filled would be an error."""
    ran = run("check", PAGES / "manifest.toml")
    assert ran.code == 0, ran.err

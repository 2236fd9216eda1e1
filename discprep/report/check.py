"""What `check` finds, and its faces."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from discprep.model import Manifest, Notice
from discprep.report.faces import as_text, picked
from discprep.report.tables import counted
from discprep.units import SECTOR_BYTES, format_bytes


@dataclass(frozen=True, slots=True)
class Checked:
    """A manifest without faults, and what deserves a word."""

    manifest: Manifest
    notices: tuple[Notice, ...]


def document(checked: Checked) -> dict[str, Any]:
    """The JSON face: counts, roles with their givers, the bring-up set as written."""
    manifest = checked.manifest
    return {
        "manifest": str(manifest.path),
        "title": manifest.title,
        "machine": manifest.profile.name,
        "items": [picked(item, "id", "title", "place", "needs", "gives") for item in manifest.items],
        "roles": givers(manifest),
        "bring_up": list(manifest.bring_up),
        "ok": True,
    }


def givers(manifest: Manifest) -> dict[str, list[str]]:
    """Each role that is given, with the ids that give it; "(machine)" for the profile."""
    found: dict[str, list[str]] = {role: ["(machine)"] for role in manifest.profile.provides}
    for item in manifest.items:
        for role in item.gives:
            found.setdefault(role, []).append(item.id)
    return dict(sorted(found.items()))


@as_text
def text(checked: Checked) -> Iterator[str]:
    """The face for people."""
    manifest = checked.manifest
    sizes = [item.size_bytes for item in manifest.items]
    known = sum(size for size in sizes if size is not None)
    unknown = sizes.count(None)
    places = {place: sum(item.place == place for item in manifest.items) for place in ("burn", "later", "either")}
    yield f"{manifest.title}: {manifest.path} holds together."
    yield f"  machine   {manifest.profile.name}, disc names {', '.join(manifest.profile.name_rules)}"
    medium = manifest.medium
    kind = "" if medium.kind == "custom" else f"{medium.kind}, "
    yield f"  medium    {kind}{medium.sectors:,} sectors ({format_bytes(medium.sectors * SECTOR_BYTES)})"
    if manifest.link:
        link = manifest.link
        yield f"  link      {link.rate_bit_s:,} bit/s {link.framing}, {link.protocol.upper()}, MTU {link.mtu_bytes:,}"
    asked = f"{places['burn']} to burn, {places['later']} later, {places['either']} for the plan to place"
    yield f"  items     {len(manifest.items)}: {asked}"
    told = [format_bytes(known)] * bool(known or not unknown)
    told += [f"{counted(unknown, 'item')} whose size the manifest does not say"] * bool(unknown)
    yield f"  sizes     {', and '.join(told)}"
    for number, (role, ids) in enumerate(givers(manifest).items()):
        yield f"  {'' if number else 'gives':<8}  {role:<13}  {', '.join(ids)}"

"""What an item is at the link if it waits: what `serve` will make of it for this machine, told from its members."""

from __future__ import annotations

from collections.abc import Collection

from discprep.model import ROLES, Item, Manifest, Pulled, Shape
from discprep.serve.repack import stored_bytes
from discprep.serve.shapes import choose_shape


def pulled_as(
    manifest: Manifest,
    item: Item,
    archive_format: str,
    size_bytes: int,
    escapes: tuple[int, int] | None,
    members: Collection[tuple[str, int]],
) -> Pulled:
    """What crosses the link, in bytes and files.

    Arguments:
        size_bytes, escapes: of the archive as fetched
        members: path and size [B] of each file that would be installed

    A ZIP packs about as well as the archive it is made from, so it is taken to be as long, and no longer than stored.
    """
    shape = served_shape(manifest, item, archive_format)
    if shape == "archive":
        return Pulled(shape, size_bytes, 1, escapes)
    if shape == "unpacked":
        return Pulled(shape, sum(size for _, size in members), len(members) or 1)
    stored = stored_bytes(shape, members)
    return Pulled(shape, min(stored, size_bytes) if shape == "zip" else stored)


def served_shape(manifest: Manifest, item: Item, archive_format: str) -> Shape:
    """The shape that the machine can use, once whatever else gives what opens archives stands on it."""
    there = {role for role in ROLES if role in manifest.roles_present or {*manifest.givers(role)} - {item.id}}
    return choose_shape(item, archive_format, there)

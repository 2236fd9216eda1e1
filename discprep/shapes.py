"""In which shape an item crosses the link, given what opens archives on the machine by then. Pure.

The plan asks here, keeps the answer in its decisions, and everybody else reads it there.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping

from discprep.model import ROLES, UNPACK_ROLES, Item, Manifest, Role, Shape

SHAPES: tuple[Shape, ...] = Shape.__args__  # type: ignore[attr-defined]
_PACKED: Mapping[Shape, Role] = {
    "zip": "unpack-zip",
    "lha": "unpack-lha",
    "tar": "unpack-tar",
    "zip-stored": "unpack-zip",
}
"""What opens an archive that is packed anew. The first three are taken, smallest first; the last only if asked for."""


def roles_of(shape: Shape, archive_format: str) -> tuple[Role, ...]:
    """What the machine must have to use an item in this shape; () for what it uses as it comes, or cannot open."""
    if shape == "archive":
        return UNPACK_ROLES.get(archive_format, ())
    return (_PACKED[shape],) if shape in _PACKED else ()


def changes(item: Item) -> tuple[str, ...]:
    """The keys by which something else of an item arrives than its archive: they reach only what is taken apart.

    >>> changes(Item("a", leave=("*.bak",), strip=1))
    ('leave', 'strip')
    """
    asked = {"edit": item.edits, "text": item.text, "only": item.only != ("*",), "leave": item.leave,
             "rename": item.rename, "strip": item.strip, "nested": item.nested}  # fmt: skip
    return tuple(key for key, value in asked.items() if value)


def fitting(item: Item, archive_format: str) -> tuple[Shape, ...]:
    """The shapes that some machine can use, best first: the archive as it is, else packed anew, else unpacked, which
    every machine can. What is changed never crosses as it was fetched.

    >>> fitting(Item("a"), "lha"), fitting(Item("a", text=("*",)), "file")
    (('archive', 'zip', 'lha', 'tar', 'unpacked'), ('unpacked',))
    """
    single = archive_format == "file"
    as_it_is = not changes(item) and (single or archive_format in UNPACK_ROLES)
    packed: tuple[Shape, ...] = () if single else ("zip", "lha", "tar")
    return (*(("archive",) if as_it_is else ()), *packed, "unpacked")


def usable(shape: Shape, archive_format: str, there: Collection[Role]) -> bool:
    """Whether a machine with these roles can use an item in this shape."""
    return set(roles_of(shape, archive_format)) <= set(there)


def choose_shape(item: Item, archive_format: str, there: Collection[Role]) -> Shape:
    """The best shape that a machine with these roles can use.

    >>> choose_shape(Item("a"), "lha", {"unpack-lha"}), choose_shape(Item("a"), "lha", {"unpack-zip"})
    ('archive', 'zip')
    """
    return next(shape for shape in fitting(item, archive_format) if usable(shape, archive_format, there))


def worse_shape(item: Item, archive_format: str, shape: Shape, there: Collection[Role]) -> Shape:
    """The best after `shape` that a machine with these roles can use; so a plan that takes one after the other ends."""
    shapes = fitting(item, archive_format)
    after = shapes[shapes.index(shape) + 1 :]
    return next((one for one in after if usable(one, archive_format, there)), "unpacked")


def last_shape(manifest: Manifest, item: Item, archive_format: str) -> Shape:
    """The shape of an item that comes last, with all that others give on the machine. It never opens itself."""
    there = {role for role in ROLES if role in manifest.roles_present or {*manifest.givers(role)} - {item.id}}
    return choose_shape(item, archive_format, there)


def openers(manifest: Manifest, item: Item, shape: Shape, archive_format: str) -> tuple[tuple[str, ...], ...]:
    """What must come before an item for the machine to use it in this shape: sets of ids of which one is needed, a role
    where nobody else gives it."""
    lacking = [role for role in roles_of(shape, archive_format) if role not in manifest.roles_present]
    groups = (tuple(key for key in manifest.givers(role) if key != item.id) or (role,) for role in lacking)
    return tuple(dict.fromkeys(groups))

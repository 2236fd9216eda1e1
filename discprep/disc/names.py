"""Names on the disc and on the machine's volume, one-to-one with the wanted ones. Pure.

Each tree of the disc and each volume of the machine names every folder by its rule (`name_rules`, `folder_names`).
"""

from __future__ import annotations

import hashlib
import posixpath
from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from discprep.disc.folder_names import Chosen, Entry, name_folder
from discprep.disc.name_rules import IsoRule, Rule, VolumeRule, iso_level, joliet_rule, rock_ridge_rule
from discprep.errors import DiscprepError, NameRuleError
from discprep.machine import first_volume
from discprep.model import Content, Named, Profile, Staged, Volume

MAX_PARTS = 7  # the root is level 1 of at most 8 (ECMA-119 §6.8.2.1)
MAX_PATH = 255  # identifiers and one for each folder (ECMA-119 §6.8.2.1)
MAX_JOLIET_PATH = 240

Folders = dict[tuple[str, ...], list[Entry]]


class FolderNames:
    """Names each folder once a run: they follow from the rule and the wanted names in it, whatever else is on the disc.
    Kept are only those that are not as wanted: most are, and thousands are megabytes."""

    def __init__(self) -> None:
        self._known: dict[Hashable, dict[str, Chosen]] = {}

    def of(self, entries: Sequence[Entry], rule: Rule, profile: Profile) -> Mapping[str, Chosen]:
        """Wanted to chosen name where they differ. Raises as `name_folder`."""
        wanted = repr([(entry.name, entry.folder, entry.fixed) for entry in entries])
        digest = hashlib.sha256(wanted.encode("utf-8", "surrogatepass")).digest()
        key = (rule, profile.companion_file, profile.companion_folder, digest)
        if key not in self._known:
            names = name_folder(entries, rule, profile.companion_file, profile.companion_folder)
            self._known[key] = {wanted: chosen for wanted, chosen in names.items() if chosen != Chosen(wanted)}
        return self._known[key]


def map_names(
    staged: Sequence[Staged],
    profile: Profile,
    volumes: Mapping[str, Volume] | None = None,
    known: FolderNames | None = None,
) -> tuple[tuple[Named, ...], tuple[DiscprepError, ...]]:
    """Names on the disc, in every tree the profile's name rules ask for, and on the machine's volume.

    Args:
        staged: files and folders with their wanted paths; folders on the way need not be listed
        profile: name rules, volumes, charset, companion patterns
        volumes: item id to the volume it is installed on; the profile's first for items that are not here
        known: the folders named earlier in this run

    Returns:
        The staged entries in their order with their names, and every fault: two entries at one place, a tree too
        deep, a path too long. With a fault, `Named` of the entry concerned is left out.
    """
    nodes, errors = _nodes(staged)
    usable = [entry for entry in staged if nodes.get(entry.name) is entry]
    known = known or FolderNames()
    trees = _trees(nodes, profile, known)
    targets, more = _targets(usable, profile, volumes or {}, known)
    named, late = [], list(more)
    for entry in usable:
        result = _named(entry, trees, targets)
        faults = _path_faults(result, profile)
        late += faults
        if not faults:
            named.append(result)
    return tuple(named), (*errors, *trees.errors, *late)


def _nodes(staged: Sequence[Staged]) -> tuple[dict[tuple[str, ...], Staged | None], list[DiscprepError]]:
    """Every path of the stage, folders on the way included (None); a second entry at one path is a fault."""
    nodes: dict[tuple[str, ...], Staged | None] = {}
    errors: list[DiscprepError] = []
    for entry in staged:
        for depth in range(1, len(entry.name)):
            nodes.setdefault(entry.name[:depth], None)
    for entry in staged:
        other = nodes.get(entry.name)
        folder_on_the_way = entry.name in nodes and other is None
        if not entry.name or any(part in ("", ".", "..") for part in entry.name):
            errors.append(NameRuleError("this is no path on a disc", where="/".join(entry.name), item=entry.item))
        elif folder_on_the_way and entry.content is not None:
            errors.append(_clash(entry, "a folder"))
        elif other is not None and not (entry.content is None and other.content is None):
            errors.append(_clash(entry, f"a file of {other.item}" if other.item else "a file of the tool's own"))
        elif other is None:
            nodes[entry.name] = entry
    return nodes, errors


def _clash(entry: Staged, other: str) -> NameRuleError:
    return NameRuleError(
        f"two things want the place {'/'.join(entry.name)} on the disc: this file, and {other}",
        where="/".join(entry.name),
        item=entry.item,
        hint="Give one item another `to`, `rename` the file, or `leave` it out.",
    )


@dataclass(slots=True)
class _Tree:
    """Wanted path to chosen path in one tree, and what became of each name."""

    paths: dict[tuple[str, ...], tuple[str, ...]] = field(default_factory=dict)
    whys: dict[tuple[str, ...], str] = field(default_factory=dict)


@dataclass(slots=True)
class _Trees:
    iso: _Tree
    joliet: _Tree
    rock_ridge: _Tree
    errors: list[DiscprepError]


def _trees(nodes: Mapping[tuple[str, ...], Staged | None], profile: Profile, known: FolderNames) -> _Trees:
    errors: list[DiscprepError] = []
    folders = _folders(nodes)

    def tree(rule: Rule, wanted: bool) -> _Tree:
        return _name_tree(folders, rule, profile, known, errors) if wanted else _Tree()

    rules = profile.name_rules
    # Scripts write the names of the richest tree; no other writes Joliet's, which then are all that the disc can hold.
    by_others = profile.shell is None or "rock-ridge" in rules
    return _Trees(
        tree(IsoRule(iso_level(rules)), True),
        tree(joliet_rule("" if by_others else profile.charset), "joliet" in rules),
        tree(rock_ridge_rule(profile.charset), "rock-ridge" in rules),
        errors,
    )


def _folders(nodes: Mapping[tuple[str, ...], Staged | None]) -> Folders:
    """What stands in each folder, by the folder's path."""
    folders: Folders = {}
    # A folder on the way to a fixed name is as fixed as the name.
    fixed = {path[:depth] for path, e in nodes.items() if e and e.fixed_name for depth in range(1, len(path) + 1)}
    for path, entry in nodes.items():
        inner = entry is None or entry.content is None
        folders.setdefault(path[:-1], []).append(Entry(path[-1], inner, path in fixed, path))
    return folders


def _name_tree(
    folders: Folders, rule: Rule, profile: Profile, known: FolderNames, errors: list[DiscprepError]
) -> _Tree:
    """Names every folder of a tree, from the root down."""
    tree = _Tree({(): ()})
    for folder in sorted(folders, key=len):
        try:
            names = known.of(folders[folder], rule, profile)
        except NameRuleError as error:
            errors.append(error)
            names = {entry.name: Chosen("_") for entry in folders[folder]}
        parent = tree.paths[folder]
        for entry in folders[folder]:
            chosen = names.get(entry.name) or Chosen(entry.name)
            # Most names stay as they are: one path then stands for all trees, which saves a fifth of the memory.
            as_wanted = chosen.name == entry.name and parent == folder
            tree.paths[entry.path] = entry.path if as_wanted else (*parent, chosen.name)
            if chosen.why:
                tree.whys[entry.path] = chosen.why
    return tree


def _targets(
    staged: Sequence[Staged], profile: Profile, volumes: Mapping[str, Volume], known: FolderNames
) -> tuple[dict[str, _Tree], list[DiscprepError]]:
    """One tree of the copied files for each of the machine's volumes, by the volume's path."""
    errors: list[DiscprepError] = []
    first = first_volume(profile)
    groups: dict[str, tuple[Volume, list[Staged]]] = {}
    for entry in staged:
        if entry.copied:
            volume = volumes.get(entry.item, first)
            groups.setdefault(volume.path, (volume, []))[1].append(entry)
    trees = {}
    for path, (volume, entries) in groups.items():
        nodes, _ = _nodes(entries)
        trees[path] = _name_tree(_folders(nodes), VolumeRule(volume, profile.charset), profile, known, errors)
        errors += _long_targets(entries, trees[path], volume)
    by_item = {e.item: trees[volumes.get(e.item, first).path] for e in staged if e.copied}
    return by_item, errors


def _long_targets(entries: Sequence[Staged], tree: _Tree, volume: Volume) -> Iterator[DiscprepError]:
    if volume.path_max is None:
        return
    for entry in entries:
        length = len(volume.path) + len("/".join(tree.paths[entry.name]))
        if length > volume.path_max:
            yield NameRuleError(
                f"its path on the machine has {length} characters, the volume allows {volume.path_max}",
                where="/".join(entry.name),
                item=entry.item,
                hint="Give the item a shorter `to`, or `rename` a folder.",
            )


def _named(entry: Staged, trees: _Trees, targets: Mapping[str, _Tree]) -> Named:
    target = targets.get(entry.item) if entry.copied else None
    richest = next(tree for tree in (trees.rock_ridge, trees.joliet, trees.iso) if tree.paths)
    notes = [
        f"{label}: {tree.whys[entry.name]}"
        for label, tree in (("disc", richest), ("machine", target))
        if tree and entry.name in tree.whys
    ]
    return Named(
        staged=entry,
        iso=trees.iso.paths[entry.name],
        joliet=trees.joliet.paths.get(entry.name, ()),
        rock_ridge=trees.rock_ridge.paths.get(entry.name, ()),
        target=target.paths[entry.name] if target else (),
        why="; ".join(notes),
        link=_link_text(entry, richest, dotted=richest is trees.iso),
        target_link=_link_text(entry, target) if target else "",
    )


def _link_text(entry: Staged, tree: _Tree, dotted: bool = False) -> str:
    """What a symbolic link says in a tree: the path from its own folder to what it points to; "" of anything else.
    `dotted`: names without an extension end in a dot there, which is not shown."""
    if not entry.link:
        return ""
    start, to = tree.paths[entry.name][:-1], tree.paths[entry.link]
    if dotted:
        to = (*to[:-1], to[-1].removesuffix("."))
    return posixpath.relpath(f"/{'/'.join(to)}", f"/{'/'.join(start)}")


def _path_faults(named: Named, profile: Profile) -> list[DiscprepError]:
    """What the standard says of whole paths: eight levels, 255 in the primary tree, 240 in Joliet's."""
    folders = len(named.iso) - 1
    length = sum(map(len, named.iso)) + folders + (2 if named.staged.content else 0)
    joliet = sum(2 * len(part) for part in named.joliet) + folders
    problems = []
    if len(named.iso) > MAX_PARTS:
        problems.append(f"it lies {len(named.iso)} levels deep, a disc of this standard has room for {MAX_PARTS}")
    if length > MAX_PATH:
        problems.append(f"its path on the disc has {length} characters, the standard allows {MAX_PATH}")
    if joliet > MAX_JOLIET_PATH:
        problems.append(f"its Joliet path has {joliet} bytes, the standard allows {MAX_JOLIET_PATH}")
    hint = "Give the item a shorter `to`, `rename` a folder, or keep it packed."
    where = "/".join(named.staged.name)
    return [NameRuleError(text, where=where, item=named.staged.item, hint=hint) for text in problems]


# ------------------------------------------------------------------------ second copies, folder companions


def with_second_copies(named: Sequence[Named], chosen: Callable[[Named], bool]) -> tuple[Named, ...]:
    """The same entries; each chosen file with bytes gets a place for a second copy: SECOND/00000001.EXT.

    The path is legal in every tree, and short, so that a setup script can fall back on it.
    """
    trees = [tree for entry in named for tree in (entry.iso, entry.joliet, entry.rock_ridge) if tree]
    roots = {tree[0].removesuffix(".").casefold() for tree in trees}
    folder = next(name for name in _numbered("SECOND") if name.casefold() not in roots)
    result, number = [], 0
    for entry in named:
        if entry.staged.content and entry.staged.content.size_bytes and chosen(entry):
            number += 1
            extension = entry.iso[-1].rpartition(".")[2][:3]
            entry = replace(entry, second=(folder, f"{number:08d}.{extension}"))
        result.append(entry)
    return tuple(result)


def _numbered(word: str) -> Iterator[str]:
    yield word
    yield from (f"{word}{n}" for n in range(1, 100_000))


def folder_companions(staged: Sequence[Staged], profile: Profile, content: Content) -> tuple[Staged, ...]:
    """The companion files for the folders that the tool makes and no archive brings, `content` their bytes.

    A folder is the tool's when it lies above everything that archives hold: the parts of an item's `to`. None is
    made where the stage has a file of that name already, whatever its capitals.
    """
    if not profile.companion_folder:
        return ()
    present = {tuple(part.casefold() for part in entry.name) for entry in staged}
    owners = _tool_folders(staged)
    made = []
    for folder in sorted(owners):
        name = (*folder[:-1], profile.companion_folder.replace("{name}", folder[-1]))
        if tuple(part.casefold() for part in name) not in present:
            made.append(Staged(name, owners[folder], content, fixed_name=True))
    return tuple(made)


def _tool_folders(staged: Iterable[Staged]) -> dict[tuple[str, ...], str]:
    """Folders that no archive member stands for, with the item that has them ("" when several have)."""
    owners: dict[tuple[str, ...], str] = {}
    archived: set[tuple[str, ...]] = set()
    for entry in staged:
        inside = max(1, len(entry.member.strip("/").split("/"))) if entry.member else 0
        top = len(entry.name) - inside if entry.member else len(entry.name) - (entry.content is not None)
        for depth in range(1, len(entry.name)):
            folder = entry.name[:depth]
            if depth <= top:
                owners[folder] = entry.item if owners.get(folder, entry.item) == entry.item else ""
            else:
                archived.add(folder)
        if entry.member and entry.content is None:
            archived.add(entry.name)
    return {folder: item for folder, item in owners.items() if folder not in archived}

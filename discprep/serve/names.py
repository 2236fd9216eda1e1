"""Under which names items and their files are offered: such as the machine's volumes can hold. Pure."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence

from discprep.disc.folder_names import Entry, name_folder
from discprep.disc.name_rules import VolumeRule
from discprep.model import Profile, Volume


def strictest(volumes: Sequence[Volume]) -> Volume:
    """One volume whose names fit on all of them. Capitals never tell two names of a shelf apart."""

    def least(values: Iterable[int | None]) -> int | None:
        return min((value for value in values if value is not None), default=None)

    return Volume(
        path="",
        name_max=least(volume.name_max for volume in volumes),
        stem_max=least(volume.stem_max for volume in volumes),
        extension_max=least(volume.extension_max for volume in volumes),
        forbidden="".join(sorted({character for volume in volumes for character in volume.forbidden})),
        reserved=tuple(sorted({word for volume in volumes for word in volume.reserved})),
    )


def root_names(wanted: Mapping[str, str], profile: Profile, taken: Sequence[str] = ()) -> dict[str, str]:
    """The name of each item on the shelf's top: id to wanted name in, id to a name that every volume holds out.

    Raises:
        NameRuleError: the volumes leave too few characters to tell the names apart
    """
    rule = VolumeRule(strictest(profile.volumes), profile.charset)
    # Two items may want one name: each is told apart by its id until the rule has chosen.
    chosen: dict[str, str] = {}
    names = [Entry(name, False, fixed=True) for name in taken]
    used: set[str] = {name.casefold() for name in taken}
    for item, name in wanted.items():
        lone = name
        while lone.casefold() in used:
            stem, dot, ending = name.rpartition(".")
            lone = f"{stem or ending}-{item}{dot if stem else ''}{ending if stem else ''}"
            name = lone
        used.add(lone.casefold())
        chosen[item] = lone
        names.append(Entry(lone, False))
    mapped = name_folder(names, rule)
    return {item: mapped[name].name for item, name in chosen.items()}


def tree_names(
    paths: Collection[tuple[str, ...]], volume: Volume, profile: Profile
) -> dict[tuple[str, ...], tuple[str, ...]]:
    """Wanted paths of files to paths that a volume holds, folder by folder.

    Raises:
        NameRuleError: a folder's names cannot be told apart
    """
    files = set(paths)
    folders: dict[tuple[str, ...], set[str]] = {}
    for path in paths:
        for depth in range(len(path)):
            folders.setdefault(path[:depth], set()).add(path[depth])
    rule = VolumeRule(volume, profile.charset)
    chosen: dict[tuple[str, ...], tuple[str, ...]] = {(): ()}
    for folder in sorted(folders, key=lambda folder: (len(folder), folder)):
        entries = [Entry(name, (*folder, name) not in files) for name in sorted(folders[folder])]
        for wanted, found in name_folder(entries, rule, profile.companion_file, profile.companion_folder).items():
            chosen[*folder, wanted] = (*chosen[folder], found.name)
    return {path: chosen[path] for path in paths}

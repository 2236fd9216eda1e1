"""What is damaged is handed to no machine: such items, and what needs them, are held back before anything is planned.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace

from discprep.archives import lacking
from discprep.disc.stage import mending
from discprep.errors import ArchiveError, DiscprepError, ToolError, raise_all
from discprep.job.at_hand import AtHand
from discprep.members import LACKED
from discprep.model import Item, Manifest, Notice, Opened

Groups = tuple[tuple[str, ...], ...]


def damage(item: Item, opened: Opened) -> Iterator[DiscprepError]:
    """Everything wrong inside an item's archive, member by member. A plain file has nothing inside."""
    for problem in opened.problems:
        yield ArchiveError(problem, item=item.id, hint=mending(item))
    yield from lacking(opened, item=item.id)
    for entry in opened.members:
        problem, name = entry.member.problem or entry.problem, entry.member.name
        if problem and problem != LACKED:
            told = "" if opened.problems else name  # an archive that is cut stays cut without a member
            yield ArchiveError(f"{name or 'a member'}: {problem}", item=item.id, hint=mending(item, told))


def sound(hand: AtHand, opened: Mapping[str, Opened]) -> tuple[AtHand, tuple[Notice, ...]]:
    """The same without the items that are damaged or need one that is, and a remark on each.

    Raises:
        ToolError: this computer lacks what reads an item, which is soon mended
        ArchiveError, Faults: without them nothing can be planned: they must burn, or the bring-up set needs them
    """
    manifest = hand.manifest
    there = [item for item in manifest.items if item.id in opened and item.id not in manifest.has]
    hurt = {item.id: tuple(damage(item, opened[item.id])) for item in there}
    hurt = {key: errors for key, errors in hurt.items() if errors}
    if not hurt:
        return hand, ()
    raise_all([error for errors in hurt.values() for error in errors if isinstance(error, ToolError)])
    raise_all(list(in_the_way(manifest, hurt, [item.id for item in manifest.items])))
    notices = [_told(errors) for errors in hurt.values()]
    held = set(hurt)
    while more := [item for item in manifest.items if item.id not in held and _lost(manifest, item, held)]:
        notices += [_needs(item, _lost(manifest, item, held)) for item in more]
        held |= {item.id for item in more}
    kept = tuple(item for item in manifest.items if item.id not in held)
    expects = tuple(expect for expect in manifest.expects if expect.item not in held)
    return replace(hand, manifest=replace(manifest, items=kept, expects=expects)), tuple(notices)


def _told(errors: Sequence[DiscprepError]) -> Notice:
    more = f" (and {len(errors) - 1} more)" if len(errors) > 1 else ""
    words = f"it is damaged, so it goes on no disc and is not offered: {errors[0].message}{more}"
    return Notice(words, item=errors[0].item, hint=errors[0].hint)


def _needs(item: Item, lost: Sequence[str]) -> Notice:
    words = f"it needs {', '.join(lost)}, which is held back, so it goes on no disc and is not offered"
    return Notice(words, item=item.id, hint=f"Mend {lost[0]} first.")


def _lost(manifest: Manifest, item: Item, held: set[str]) -> list[str]:
    """The needs of an item that only held items could meet."""
    there = {*manifest.has, *manifest.roles_present}
    wanted = [name for name in item.needs if name not in there]
    return [name for name in wanted if (givers := manifest.givers(name) or (name,)) and held.issuperset(givers)]


def in_the_way(
    manifest: Manifest, faults: Mapping[str, Sequence[DiscprepError]], known: Iterable[str]
) -> Iterator[DiscprepError]:
    """The faults of items without which no plan holds: all that could meet what must burn, or what that needs.

    Arguments:
        faults: by item id, of those that can stand on no disc
        known: ids of the items that are looked at
    """
    here = set(known)
    groups: list[tuple[str, ...]] = [(item.id,) for item in manifest.items if item.place == "burn"]
    groups += [group for _, group in wants(manifest)]
    seen: set[str] = set(manifest.has)
    for group in groups:  # grows while it is read
        if not seen.isdisjoint(group) or any(manifest.item(key).place == "later" for key in group if key in here):
            continue
        able = [key for key in group if key in here and not faults.get(key)]
        if len(able) > 1:
            continue
        seen.update(able or group)
        for key in able:
            groups += needed(manifest, manifest.item(key).needs, key)
        for key in group if not able else ():
            yield from faults.get(key, ())


def needed(manifest: Manifest, names: Iterable[str], own: str) -> Groups:
    """Needs as sets of ids, without those that the machine or the item itself meets."""
    groups = (manifest.givers(name) or (name,) for name in names if name not in manifest.roles_present)
    return tuple(dict.fromkeys(group for group in groups if own not in group))


def wants(manifest: Manifest) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """The bring-up set. A role that nobody gives wants nothing here: `check` says what it makes impossible."""
    found = []
    for name in manifest.bring_up:
        givers = manifest.givers(name)
        if givers and name not in manifest.roles_present:
            why = "needed to get online" if givers == (name,) else f"gives {name}, needed to get online"
            found.append((why, givers))
    return tuple(found)

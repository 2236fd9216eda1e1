"""What a manifest says that cannot be so, and what nobody gives. Pure: records in, faults and remarks out."""

from __future__ import annotations

import difflib
import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import dropwhile, islice

from discprep.errors import DiscprepError, ManifestError
from discprep.machine import data_bits, ends_differ, given_roles, kind_of, needed_though_wanted, wiped
from discprep.manifest.lines import Path as Keys
from discprep.manifest.substitute import shorten
from discprep.model import ROLES, UNPACK_ROLES, Item, Manifest, Notice, Role

WITHOUT: Mapping[Role, str] = {
    "serial-driver": "the machine cannot use its serial line, so nothing can be pulled later",
    "ip-stack": "the machine cannot get online, so nothing can be pulled later over SLIP or PPP",
    "fetcher": "the machine cannot pull the rest by itself once it is online",
    "browser": "pages cannot be read on the machine",
    "terminal": "the bridge cannot be talked to from the machine, and no file can be sent without a network",
    "editor": "no setting can be changed on the machine itself",
    "checksum": "a file pulled over the line cannot be checked on the machine",
    "storage-setup": "a new or blank volume cannot be prepared on the machine",
}
"""What is then impossible, for each role that nobody gives."""

MOST_IN_CHAIN = 40
_NO_VOLUME = "Add a [[volume]] to the profile: where files are copied to."


Place = Callable[[Keys], str]


@dataclass
class Broken:
    """What is in doubt because it did not pass the schema, or could not be read: that is told once, where it stands,
    and nothing that only follows from it.

    Attributes:
        ids: of items that failed; the empty one stands for items whose ids cannot be read
        roles: that a faulty item or profile may give
        keys: top keys of the manifest, faulty or perhaps meant by one that is unknown
        volumes: the profile may have others
        profile: there is no profile, so not even its name is known
    """

    ids: set[str] = field(default_factory=set)
    roles: set[str] = field(default_factory=set)
    keys: set[str | int] = field(default_factory=set)
    volumes: bool = False
    profile: bool = False


def contradictions(
    manifest: Manifest, all_items: Sequence[Item], broken: Broken, place: Place, *, explicit: bool
) -> list[DiscprepError]:
    """Faults between items: ids twice, needs of nobody, circles, settings that cannot work together.

    Arguments:
        all_items: those for other profiles too
        broken: what follows from it is no second fault
        place: "file:line" of a key of the manifest
        explicit: the manifest names its bring-up set itself, so each of its roles must be given
    """
    known = {item.id for item in all_items} | broken.ids
    elsewhere = {item.id for item in all_items} - {item.id for item in manifest.items}
    return [
        *_twice(all_items),
        *_unknown_needs(manifest, known, set() if broken.profile else elsewhere, broken),
        *_circles(manifest.items),
        *_wanted_yet_needed(manifest),
        *_unknown_references(manifest, known, broken, place, explicit),
        *_link_faults(manifest, place),
        *([] if "plan" in broken.keys else _budget_faults(manifest, place)),
        *([] if broken.volumes else _volume_faults(manifest)),
    ]


def _twice(items: Sequence[Item]) -> Iterator[DiscprepError]:
    first: dict[str, Item] = {}
    for item in items:
        if item.id in first:
            yield ManifestError(
                f"the id {item.id!r} is taken: {first[item.id].where} has it too",
                where=item.where,
                item=item.id,
                hint="Rename one of them.",
            )
        else:
            first[item.id] = item


class _Near:
    """The nearest known name, for the first unknown ones only: each costs a look at all names there are."""

    def __init__(self, known: Iterable[str], broken: Broken) -> None:
        self._known = list(known)
        self._broken = broken.ids
        self._left = 20

    def faults(self, message: str, name: str, where: str, item: str = "") -> Iterator[DiscprepError]:
        """That nobody is called so, with the nearest name; nothing where a broken item may be the one that is meant."""
        self._left -= 1
        found = difflib.get_close_matches(name, self._known, 1) if self._left >= 0 and len(name) < 200 else []
        near = found[0] if found else ""
        if "" not in self._broken and (not near or near not in self._broken):
            yield ManifestError(message, where=where, item=item, hint=f"Did you mean {near!r}?" if near else "")


def _unknown_needs(manifest: Manifest, known: set[str], elsewhere: set[str], broken: Broken) -> Iterator[DiscprepError]:
    given = given_roles(manifest) | broken.roles
    near = _Near([*known, *ROLES], broken)
    wanted = {item.id for item in manifest.items}
    for item in manifest.items:
        for need in item.needs:
            if need in wanted or need in given or need in manifest.has:
                continue
            if need in ROLES:
                message, hint = (
                    f"needs the role {need!r}, which neither an item nor the profile gives",
                    f'Add gives = ["{need}"] to an item.',
                )
            elif need in elsewhere:
                message, hint = (
                    f"needs {need!r}, which is not for the machine {manifest.profile.name!r}",
                    "Widen its `for`.",
                )
            elif need in known:
                continue
            else:
                message = f"needs {shorten(need)!r}, which is neither an item nor a role"
                yield from near.faults(message, need, item.where, item.id)
                continue
            yield ManifestError(message, where=item.where, item=item.id, hint=hint)


def _circles(items: Sequence[Item]) -> Iterator[DiscprepError]:
    """Each circle of needs once, as a chain. Only items by id: a role has its alternatives in the plan."""
    by_id = {item.id: item for item in items}
    state: dict[str, int] = {}
    for start in by_id:
        path: dict[str, None] = {}
        stack: list[tuple[str, Iterator[str]]] = []
        if start not in state:
            state[start] = 1
            path[start] = None
            stack.append((start, iter(by_id[start].needs)))
        while stack:
            current, needs = stack[-1]
            following = next((need for need in needs if need in by_id), None)
            if following is None:
                stack.pop()
                path.popitem()
                state[current] = 2
            elif state.get(following) == 1:
                item = by_id[following]
                yield ManifestError(
                    f"needs go in a circle: {_chain(path, following)}",
                    where=item.where,
                    item=item.id,
                    hint="Drop one of these needs.",
                )
            elif following not in state:
                state[following] = 1
                path[following] = None
                stack.append((following, iter(by_id[following].needs)))


def _wanted_yet_needed(manifest: Manifest) -> Iterator[DiscprepError]:
    for item_id, user in needed_though_wanted(manifest).items():
        who = f"{user!r} ({manifest.item(user).where}) is needed, and needs it" if user else "the bring-up set needs it"
        yield ManifestError(
            f'importance is "wanted", yet {who}',
            where=manifest.item(item_id).where,
            item=item_id,
            hint='Give it importance = "needed", or leave `importance` out.',
        )


def _chain(path: dict[str, None], start: str) -> str:
    """The circle in words, from `start` to itself; the middle of a long one is left out, and not walked through."""
    half = MOST_IN_CHAIN // 2
    chain = list(islice(dropwhile(lambda name: name != start, path), MOST_IN_CHAIN))
    if len(chain) == MOST_IN_CHAIN:
        chain[half:] = ["…", *[*islice(reversed(path), half - 1)][::-1]]
    chain.append(start)
    return " needs ".join(chain)


def _unknown_references(
    manifest: Manifest, known: set[str], broken: Broken, place: Place, explicit: bool
) -> Iterator[DiscprepError]:
    given = given_roles(manifest) | broken.roles
    items, names = _Near(known, broken), _Near([*known, *ROLES], broken)
    for step in manifest.steps:
        for name in step.after:
            if name not in known:
                yield from items.faults(f"step: after names {name!r}, which is no item", name, step.where)
    for expect in manifest.expects:
        if expect.item not in known:
            yield from items.faults(f"expect names {expect.item!r}, which is no item", expect.item, expect.where)
    for name in manifest.has:
        if name not in known and name not in ROLES:
            message = f"machine.has names {name!r}, which is no item"
            yield from items.faults(message, name, place(("machine", "has")))
    for name in manifest.bring_up if explicit else ():
        where = place(("bring_up",))
        if name not in known and name not in ROLES:
            message = f"bring_up names {shorten(name)!r}, which is neither an item nor a role"
            yield from names.faults(message, name, where)
        elif name in ROLES and name not in given:
            yield ManifestError(
                f"bring_up asks for the role {name!r}, which neither an item nor the profile gives",
                where=where,
                hint=f'Add gives = ["{name}"] to an item, or provides = ["{name}"] to the profile.',
            )


def _link_faults(manifest: Manifest, place: Place) -> Iterator[DiscprepError]:
    link, bridge = manifest.link, manifest.bridge
    for name, end in (("link", link), ("bridge", bridge)):
        bits = data_bits(end.framing) if end else 8
        if end and bits != 8:
            yield ManifestError(
                f"{name}.framing {end.framing!r} carries {bits} bits a character; SLIP and PPP need 8 "
                "(RFC 1055, RFC 1662)",
                where=place((name, "framing")),
                hint='Use framing = "8N1".',
            )
    differ = ends_differ(link, bridge) if link and bridge else ()
    if link and bridge and "framing" in differ:
        yield ManifestError(
            f"the ends disagree: link.framing is {link.framing}, bridge.framing is {bridge.framing} "
            f"({place(('bridge', 'framing'))})",
            where=place(("link", "framing")),
            hint="Set both alike.",
        )
    if link and bridge and "rate" in differ:
        yield ManifestError(
            f"the ends disagree: link.rate is {link.rate_bit_s:,}, bridge.rate is {bridge.rate_bit_s:,} baud "
            f"({place(('bridge', 'rate'))}): expect garbage on the line",
            where=place(("link", "rate")),
            hint="Set both to one rate.",
        )


def _budget_faults(manifest: Manifest, place: Place) -> Iterator[DiscprepError]:
    if manifest.medium.discs == "fewest" and manifest.plan.link_budget_s is None:
        yield ManifestError(
            'medium.discs = "fewest" needs plan.link_budget',
            where=place(("medium", "discs")),
            hint='Add link_budget = "2 h" under [plan].',
        )


def _volume_faults(manifest: Manifest) -> Iterator[DiscprepError]:
    volumes = [volume.path for volume in manifest.profile.volumes]
    there = f"which has {', '.join(map(repr, volumes)) or 'none'}"
    for item in manifest.items:
        if item.volume is not None and item.volume not in volumes:
            yield ManifestError(
                f"volume {shorten(item.volume)!r} is not in the profile, {there}",
                where=item.where,
                item=item.id,
                hint="Leave `volume` out: the item goes to the first one then." if volumes else _NO_VOLUME,
            )
    for step in manifest.steps:
        for one in wiped(manifest.profile, step):
            if one.problem:
                message = f"wipes {shorten(one.text)!r} {one.problem}"
                yield ManifestError(message, where=step.where, hint=one.hint)


def remarks(manifest: Manifest, pinned: Iterable[str] = ()) -> list[Notice]:
    """What is allowed but deserves a word: roles nobody gives, archives nobody opens, items without a hash.

    Arguments:
        pinned: ids of items whose hash was noted at their first fetch
    """
    known = set(pinned)
    unhashed = [notice for notice in _unhashed(manifest) if notice.item not in known]
    return [*_missing_roles(manifest), *_missing_openers(manifest), *unhashed, *_lonely_ends(manifest)]


def _missing_roles(manifest: Manifest) -> Iterator[Notice]:
    given = given_roles(manifest)
    for given_role, loss in WITHOUT.items():
        if given_role not in given and (given_role in manifest.bring_up or manifest.link):
            hint = f'Add gives = ["{given_role}"] to an item, or provides = ["{given_role}"] to the profile.'
            yield Notice(f"nobody gives the role {given_role!r}: {loss}", hint=hint)


def _missing_openers(manifest: Manifest) -> Iterator[Notice]:
    """Archives that nothing opens on the machine: on a disc where that was asked for, and at the link, which they then
    cross in another shape. Left to the plan, none stands packed."""
    packed: dict[tuple[Role, ...], list[str]] = {}
    waits: dict[tuple[Role, ...], list[str]] = {}
    for item in manifest.items:  # none opens itself
        there = {role for role in ROLES if role in manifest.roles_present or {*manifest.givers(role)} - {item.id}}
        if roles := tuple(role for role in UNPACK_ROLES.get(kind_of(item), ()) if role not in there):
            if item.form in ("packed", "both") and item.place != "later":
                packed.setdefault(roles, []).append(item.id)
            if item.place != "burn" and manifest.link:
                waits.setdefault(roles, []).append(item.id)
    for roles, items in packed.items():
        words = f"{_nothing_opens(roles)}, yet it is asked to stand packed on the disc: {', '.join(items)}"
        yield Notice(words, hint=f'{_add(roles)}, or set form = "unpacked".')
    for roles, items in waits.items():
        words = f"{_nothing_opens(roles)}: whichever waits for the link crosses it in another shape, often larger"
        yield Notice(f"{words}: {', '.join(items)}", hint=f"{_add(roles)}.")


def _nothing_opens(roles: Sequence[Role]) -> str:
    return f"nothing opens {' in '.join(role.removeprefix('unpack-').upper() for role in roles)} on the machine"


def _add(roles: Sequence[Role]) -> str:
    return f"Add an item with gives = {json.dumps(roles)}"


def _unhashed(manifest: Manifest) -> Iterator[Notice]:
    for item in manifest.items:
        if not item.hashes.any:
            yield Notice(
                "no hash in the manifest: the first fetch will pin whatever it gets", where=item.where, item=item.id
            )
        elif not item.hashes.sha256:
            yield Notice("only a weak hash (not SHA-256): it finds damage, not malice", where=item.where, item=item.id)


def _lonely_ends(manifest: Manifest) -> Iterator[Notice]:
    if manifest.link and not manifest.bridge:
        yield Notice("there is a [link] but no [bridge]: the two ends cannot be compared")
    if manifest.profile.assumed:
        keys = ", ".join(manifest.profile.assumed)
        yield Notice(
            f"the profile {manifest.profile.name!r} has values that nobody has tried: {keys}",
            hint="`discprep probe` makes a test disc that finds them.",
        )

"""From manifest, archives, disc and link to the numbers that the plan is solved on."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from discprep.disc.layout.fields import sectors_of
from discprep.disc.layout.options import MIN_TRACK_SECTORS, ImageOptions
from discprep.disc.layout.sizes import constant_sectors, item_sectors
from discprep.disc.layout.tape import tar_constant_sectors, tar_item_sectors
from discprep.disc.media import read_seconds, usable_sectors
from discprep.disc.names import map_names
from discprep.disc.stage import stage
from discprep.errors import DiscprepError, EditError, MissingError, raise_all
from discprep.job.at_hand import AtHand, how_to_get
from discprep.job.held import in_the_way, needed, wants
from discprep.job.tree import Tree, Trees
from discprep.link.pull import file_seconds, pulled_seconds
from discprep.machine import (
    block_bytes,
    drive_speed,
    folders_of,
    kind_of,
    script_language,
    size_of,
    unpack_seconds,
    volume_of,
    volumes_of,
)
from discprep.model import (
    UNPACK_ROLES,
    Escapes,
    Form,
    FormFigures,
    Item,
    LinkSettings,
    Manifest,
    Named,
    Notice,
    Opened,
    PlanItem,
    PlanProblem,
    Progress,
    Pulled,
    Shape,
    Silent,
    Staged,
)
from discprep.plan.gain import gain_s, p_stale
from discprep.serve.gate import SERVER
from discprep.serve.repack import stored_bytes
from discprep.serve.stock import escapes_of
from discprep.shapes import changes, last_shape, openers, roles_of

UNPACKED_GUESS = 2  # an archive that is not here yet is taken to unpack to twice its size; no source, told as a guess
KEY = "plan"
Must = Literal["burn", "later", ""]
NamesAndFaults = tuple[Sequence[Named], Sequence[DiscprepError]]


@dataclass(frozen=True, slots=True)
class Measured:
    """An item in figures. `faults`: why it can stand on no disc, or cannot be offered; `trouble` the first of them in
    words; `spoils`: what it would lose unpacked.

    Attributes:
        archive_format: of the bytes at hand, else as the name has it
        as_fetched: the archive as it crosses the link
        pulled: what would cross the link, as far as it is known without packing anything
        forms: what it takes in each; what it gains is left to the question
        files: path and size [B] of what is inside and would be installed
        unfit: of one that is asked to stand packed, a member's name that the machine cannot hold, and what it becomes
    """

    item: Item
    archive_format: str
    as_fetched: Pulled
    pulled: Pulled
    forms: tuple[FormFigures, ...]
    files: tuple[tuple[str, int], ...] = ()
    estimated: bool = False
    faults: tuple[DiscprepError, ...] = ()
    spoils: str = ""
    unfit: tuple[str, str] | None = None

    @property
    def trouble(self) -> str:
        what = "be offered" if self.item.place == "later" else "stand on the disc"
        return f"cannot {what}: {self.faults[0].message}" if self.faults else ""


@dataclass(frozen=True, slots=True)
class Figures:
    """The question, what it was made from, and what deserves a word."""

    hand: AtHand
    problem: PlanProblem
    measured: Mapping[str, Measured]
    notices: tuple[Notice, ...] = ()
    pace: float = 1.0

    def pulling(self, changed: Mapping[str, Pulled]) -> Figures:
        """The same question where these items cross the link otherwise."""
        manifest = self.hand.manifest
        other = {key: replace(self.measured[key], pulled=pulled) for key, pulled in changed.items()}
        waits = link_seconds(manifest, other, pace=self.pace)
        items = tuple(
            _plan_item(other[item.id], manifest, waits) if item.id in other else item for item in self.problem.items
        )
        return replace(self, problem=replace(self.problem, items=items), measured={**self.measured, **other})

    def standing(self, constant: int) -> Figures:
        """The same question where so many sectors stand on the disc whatever burns."""
        return replace(self, problem=standing(self.problem, constant))

    @property
    def estimated(self) -> tuple[str, ...]:
        """Items whose figures come from their size alone."""
        return tuple(key for key, one in self.measured.items() if one.estimated)


def figures(
    manifest: Manifest,
    hand: AtHand,
    opened: Mapping[str, Opened],
    trees: Trees,
    progress: Progress | None = None,
    *,
    pace: float = 1.0,
) -> Figures:
    """The question for the solver.

    Arguments:
        opened: every item at hand, unpacked, by id; none is damaged (`job/held.py`)
        trees: makes the trees that are measured
        pace: measured seconds at the link over the model's

    Raises:
        MissingError: an item is not here and its size is unknown
        NameRuleError: the names of what must burn cannot stand on the disc
        StorageError: a file of this host cannot be read
    """
    everything = _everything(manifest, opened, trees)
    measured = _measure_all(manifest, hand, opened, everything, trees, progress or Silent())
    usable = usable_sectors(manifest.medium)
    constant = _constant(everything, usable)
    waits = link_seconds(manifest, measured, pace=pace)
    problem = PlanProblem(
        items=tuple(_plan_item(one, manifest, waits) for one in measured.values()),
        capacity_sectors=usable - constant,
        medium_sectors=usable,
        constant_sectors=constant,
        storage_limit_bytes=storage_limits(manifest),
        discs=manifest.medium.discs,
        link_budget_s=manifest.plan.link_budget_s if manifest.link else None,
        present=tuple(key for key in manifest.has if key in measured),
        days_to_use=manifest.plan.days_to_use,
        wants=wants(manifest),
    )
    return Figures(hand, problem, measured, tuple(_notices(manifest, measured)), pace)


def standing(problem: PlanProblem, constant: int) -> PlanProblem:
    """The same question with another constant [sectors]: items have the rest."""
    return replace(problem, constant_sectors=constant, capacity_sectors=problem.medium_sectors - constant)


def _constant(everything: Tree, usable: int) -> int:
    """Sectors that stand on the disc whatever burns. A short image is filled up to the shortest track: that takes no
    room from items, and counts only where the medium is shorter still."""
    named, options = everything.named, everything.options
    if usable < MIN_TRACK_SECTORS:
        return _standing(named, options)
    longer = replace(options, pad_sectors=options.pad_sectors + MIN_TRACK_SECTORS)  # so the shortest track is passed
    return _standing(named, longer) - MIN_TRACK_SECTORS


def _standing(named: Sequence[Named], options: ImageOptions) -> int:
    return tar_constant_sectors(named, options) if options.tar else constant_sectors(named, options)


def storage_limits(manifest: Manifest) -> dict[str, int]:
    """Bytes that items may take on each volume whose room is known: what is free less what is to stay free."""
    return {
        volume.path: max(0, volume.free_bytes - volume.keep_free_bytes)
        for volume in manifest.profile.volumes
        if volume.free_bytes is not None
    }


def link_seconds(
    manifest: Manifest, measured: Mapping[str, Measured], rate_bit_s: int | None = None, *, pace: float = 1.0
) -> dict[str, float]:
    """Each item's expected seconds at the link, times the measured pace; at another line rate of both ends where one
    is given. All 0 without a link."""
    link, bridge = manifest.link, manifest.bridge
    if link is None:
        return dict.fromkeys(measured, 0.0)
    if rate_bit_s is not None:
        link = replace(link, rate_bit_s=rate_bit_s)
        bridge = replace(bridge, rate_bit_s=rate_bit_s) if bridge else None
    seconds = file_seconds(link, bridge, manifest.profile, pace, SERVER)
    return {key: pulled_seconds(one.pulled, seconds) for key, one in measured.items()}


# ------------------------------------------------------------------------------------------------- measuring


def _may_burn(manifest: Manifest, opened: Mapping[str, Opened]) -> dict[str, tuple[Form, ...]]:
    """Items that are here, whole and may stand on a disc, each with its legal forms."""
    may = [item for item in manifest.items if item.place != "later" and not _is_there(manifest, item)]
    whole = [item for item in may if item.id in opened and opened[item.id].whole]
    return {item.id: _legal_forms(manifest, item, opened[item.id].usable_format) for item in whole}


def _everything(manifest: Manifest, opened: Mapping[str, Opened], trees: Trees) -> Tree:
    """The tree as if everything that may burn were burned, in the first of its forms: where nothing is to be chosen, it
    is the disc's own."""
    plain = replace(manifest, medium=replace(manifest.medium, second_copy=False))
    forms = {key: legal[0] for key, legal in _may_burn(manifest, opened).items()}
    there = {item.id for item in manifest.items if _is_there(manifest, item)}
    return trees.of(plain, opened, forms, present=there, preview=True)


def _archives(manifest: Manifest, opened: Mapping[str, Opened], trees: Trees) -> NamesAndFaults:
    """The archives of what may stand packed instead, by themselves."""
    forms: dict[str, Form] = {key: "packed" for key, legal in _may_burn(manifest, opened).items() if len(legal) > 1}
    staged = stage(manifest, opened, forms, None, trees.work, preview=True)
    return map_names(staged.staged, manifest.profile, volumes_of(manifest), trees.names)


def _is_there(manifest: Manifest, item: Item) -> bool:
    """Whether the machine has an item, so that nothing is asked about it; one that is to burn is brought again."""
    return item.id in manifest.has and item.place != "burn"


def _legal_forms(manifest: Manifest, item: Item, archive_format: str) -> tuple[Form, ...]:
    """The forms an item may stand in. Left open, that is unpacked; or packed too, where somebody gives what unpacks
    it, it goes to the machine's volume, and nothing in it is edited, renamed, converted or left out. What unpacks the
    others stands unpacked itself."""
    if item.form != "either":
        return (item.form,)
    if any(role.startswith("unpack-") for role in item.gives):
        return ("unpacked",)
    roles = UNPACK_ROLES.get(archive_format, ())
    opens = all(role in manifest.roles_present or manifest.givers(role) for role in roles)
    expected = any(expect.item == item.id for expect in manifest.expects)
    if roles and item.use == "copy" and not changes(item) and not expected and opens:
        return ("unpacked", "packed")
    return ("unpacked",)


def _measure_all(
    manifest: Manifest,
    hand: AtHand,
    opened: Mapping[str, Opened],
    everything: Tree,
    trees: Trees,
    progress: Progress,
) -> dict[str, Measured]:
    by_item: dict[str, list[Named]] = {item.id: [] for item in manifest.items}
    archives, clashes = _archives(manifest, opened, trees)
    for entry in (*archives, *everything.named):
        if entry.staged.item:
            by_item[entry.staged.item].append(entry)
    faulty = {error.item for error in (*everything.errors, *clashes)}
    measured: dict[str, Measured] = {}
    errors: list[DiscprepError] = []
    progress.begin(KEY, "Measuring", len(manifest.items), "items")
    for item in sorted(manifest.items, key=lambda item: item.id):
        progress.advance(KEY, 1)
        try:
            if _is_there(manifest, item):
                measured[item.id] = _nothing(item)
            elif item.id not in opened:
                measured[item.id] = _guessed(manifest, item, hand)
            elif item.place == "later":
                staged, own = _staged_alone(manifest, item, "unpacked", opened[item.id], trees)
                measured[item.id] = replace(_at_hand(item, hand, opened[item.id], staged), faults=tuple(own))
            else:
                named: Sequence[Named] = by_item[item.id]
                one = opened[item.id]
                faults: Sequence[DiscprepError] = ()
                if item.id in faulty:
                    named, faults = _alone(manifest, item, one, trees)
                if item.place == "burn":
                    errors += faults
                measured[item.id] = _measured(manifest, item, one, hand, named, everything.options, faults)
                if item.form == "packed" and one.whole:
                    members, _ = _alone(manifest, replace(item, form="unpacked", edits=()), one, trees)
                    unfit = next(iter(_unfit(members)), None)
                    measured[item.id] = replace(measured[item.id], unfit=unfit)
        except DiscprepError as error:
            errors.append(error)
    progress.end(KEY)
    raise_all(errors or list(in_the_way(manifest, {key: one.faults for key, one in measured.items()}, measured)))
    return measured


def _alone(manifest: Manifest, item: Item, opened: Opened, trees: Trees) -> NamesAndFaults:
    """An item's names with nothing else on the disc: what is wrong with it, whatever burns beside it."""
    legal = _legal_forms(manifest, item, opened.usable_format)
    staged, own = _staged_alone(manifest, item, legal[0] if len(legal) == 1 else "both", opened, trees)
    named, faults = map_names(staged, manifest.profile, volumes_of(manifest), trees.names)
    return named, (*own, *faults)


def _staged_alone(
    manifest: Manifest, item: Item, form: Form, opened: Opened, trees: Trees
) -> tuple[Sequence[Staged], list[DiscprepError]]:
    staged = stage(manifest, {item.id: opened}, {item.id: form}, None, trees.work, preview=True)
    own = [error for error in staged.errors if error.item == item.id]
    if any(isinstance(error, EditError) for error in own):  # what an edit was to bring is missing: no fault of its own
        compared = {expect.where for expect in manifest.expects}
        own = [error for error in own if error.where not in compared]
    return staged.staged, own


def _nothing(item: Item) -> Measured:
    """Of an item that the machine has."""
    pulled = Pulled("archive", (0,))
    return Measured(item, kind_of(item) or "file", pulled, pulled, ())


def _waiting(
    item: Item, hand: AtHand, archive_format: str, size_bytes: int, files: tuple[tuple[str, int], ...]
) -> Measured:
    """An item as it waits for the link, in no form that burns."""
    as_fetched = Pulled("archive", (size_bytes,), _escapes(item, hand))
    pulled = pulled_in(last_shape(hand.manifest, item, archive_format), as_fetched, files)
    return Measured(item, archive_format, as_fetched, pulled, (), files)


def _measured(
    manifest: Manifest,
    item: Item,
    opened: Opened,
    hand: AtHand,
    named: Sequence[Named],
    options: ImageOptions,
    faults: Sequence[DiscprepError],
) -> Measured:
    legal = _legal_forms(manifest, item, opened.usable_format)
    archive = [entry for entry in named if entry.staged.form == "packed"]
    members = [entry for entry in named if entry.staged.form != "packed"]
    if item.form == "either" and _unfit(members):  # what unpacks it there could not write these names either
        legal = tuple(form for form in legal if form != "packed")
    if faults:
        legal = tuple(form for form in legal if form == "packed" and opened.whole and archive)
    parts: dict[Form, list[Named]] = {"packed": archive, "unpacked": members, "both": [*archive, *members]}
    one = _at_hand(item, hand, opened, [entry.staged for entry in members])
    return replace(
        one,
        forms=tuple(_burned(manifest, one, form, parts[form], options, opened) for form in legal),
        faults=() if legal else tuple(faults),
        spoils=_spoils(members, manifest, item) if "packed" in legal else "",
    )


def _at_hand(item: Item, hand: AtHand, opened: Opened, staged: Sequence[Staged]) -> Measured:
    return _waiting(item, hand, opened.usable_format, opened.path.stat().st_size, _files(staged, opened))


def pulled_in(shape: Shape, as_fetched: Pulled, files: Sequence[tuple[str, int]]) -> Pulled:
    """What crosses the link in a shape, as far as it is known without packing anything: a ZIP packs about as well as
    the archive it is made from, so it is taken to be as long, and no longer than stored.

    Arguments:
        files: path and size [B] of each file that would be installed
    """
    if shape == "archive":
        return as_fetched
    if shape == "unpacked":
        return Pulled(shape, tuple(size for _, size in files) or (0,))
    stored = stored_bytes(shape, files)
    return Pulled(shape, (min(stored, as_fetched.size_bytes) if shape == "zip" else stored,))


def _burned(
    manifest: Manifest, one: Measured, form: Form, named: Sequence[Named], options: ImageOptions, opened: Opened
) -> FormFigures:
    """Figures of one form. Packed, an archive takes room beside what comes out of it until it is unpacked."""
    volume = volume_of(manifest.profile, one.item)
    sizes = [entry.staged.content.size_bytes for entry in named if entry.staged.content]
    on_disc = {entry.iso[:depth] for entry in named for depth in range(1, len(entry.iso) + (not entry.staged.content))}
    stays = sum(block_bytes(size, volume) for size in sizes)
    stays += volume.block_bytes * sum(not entry.staged.content for entry in named)
    inside = sum(block_bytes(entry.member.size_bytes, volume) for entry in opened.members)
    stays, peak = (inside, inside + stays) if form == "packed" else (stays, stays)
    sectors = tar_item_sectors(named, options) if options.tar else item_sectors(named, options)
    return _form_figures(manifest, one, form, sectors, sum(sizes), len(on_disc), (stays, peak))


def _form_figures(
    manifest: Manifest, one: Measured, form: Form, sectors: int, read_bytes: int, folders: int, takes: tuple[int, int]
) -> FormFigures:
    """`takes`: what stays on the machine's volume, and the most until it is unpacked [B]."""
    item, needs = one.item, openers(manifest, one.item, "archive", one.archive_format) if form == "packed" else ()
    disc_s = read_seconds(read_bytes, 1 + folders, drive_speed(manifest), manifest.profile.access_s)
    if form == "packed" and item.use == "copy":
        disc_s += unpack_seconds(manifest, UNPACK_ROLES.get(one.archive_format, ()), one.as_fetched.size_bytes)
    return FormFigures(form, sectors, *(takes if item.use == "copy" else (0, 0)), 0.0, needs, round(disc_s, 3))


def _files(staged: Sequence[Staged], opened: Opened) -> tuple[tuple[str, int], ...]:
    """Path and size [B] of each file that would be installed; of all inside where the item has no form unpacked."""
    chosen = [("/".join(one.name), one.content) for one in staged if one.rate_bit_s is None and not one.link]
    inside = chosen or [(entry.member.name, entry.content) for entry in opened.members]
    return tuple((path, content.size_bytes) for path, content in inside if content)


def _escapes(item: Item, hand: AtHand) -> Escapes | None:
    """Bytes that the link must escape; None without a link, and where they are not known."""
    return escapes_of(hand.pins.get(item.id), hand.paths.get(item.id)) if hand.manifest.link else None


def _guessed(manifest: Manifest, item: Item, hand: AtHand) -> Measured:
    """Figures from the size alone. Raises MissingError where that is unknown too."""
    pin = hand.pins.get(item.id)
    size_bytes = size_of(item, pin)
    if size_bytes is None:
        raise MissingError(
            "it is not fetched yet, and its size is not known: nothing can be planned with it",
            where=item.where,
            item=item.id,
            hint=f"{how_to_get(item)} Or give the item its `size`.",
        )
    kind = kind_of(item)
    folders, volume = len(folders_of(item)), volume_of(manifest.profile, item)
    inside = size_bytes * UNPACKED_GUESS if kind else size_bytes
    one, forms = _waiting(item, hand, kind or "file", size_bytes, ((item.id, inside),)), []
    for form in _legal_forms(manifest, item, kind or "file"):
        read = {"packed": size_bytes, "unpacked": inside, "both": size_bytes + inside}[form]
        stays = block_bytes(inside if form == "packed" else read, volume)
        peak = stays + (block_bytes(size_bytes, volume) if form == "packed" else 0)
        own = folders + (form != "packed" and bool(kind))
        forms.append(_form_figures(manifest, one, form, sectors_of(read) + own, read, own, (stays, peak)))
    return replace(one, forms=tuple(forms), estimated=True)


def _spoils(members: Sequence[Named], manifest: Manifest, item: Item) -> str:
    """What an item would lose by standing unpacked on the disc, in words; "" for nothing. A setup script gives
    original names and known attribute bits back; without one they stay as the disc has them."""
    shell = script_language(manifest.profile)
    for entry in members if shell is None else ():
        seen, wanted = (entry.joliet or entry.rock_ridge or entry.iso)[-1], entry.staged.name[-1]
        if seen.rstrip(".").upper() != wanted.upper():
            return f"its names would change ({wanted} to {seen})"
    bits = [n.staged for n in members if n.staged.attributes is not None and n.staged.attribute_system == "68k"
            and n.staged.attributes]  # fmt: skip
    bits += [n.staged for n in members if n.staged.attribute_system == "dos" and (n.staged.attributes or 0) & 0x07]
    if any(shell is None or entry.attribute_system != shell.attribute_system for entry in bits):
        return "its files would lose their attribute bits"
    if any(n.staged.comment for n in members) and (shell is None or not shell.set_comment):
        return "its files would lose their comments"
    return ""


# ------------------------------------------------------------------------------------------- the solver's item


def _unfit(members: Sequence[Named]) -> list[tuple[str, str]]:
    """The names of members that their volume on the machine cannot hold, each with what it becomes."""
    pairs = [(entry.staged.name[-1], entry.target[-1]) for entry in members if entry.target and entry.staged.member]
    return [(wanted, found) for wanted, found in pairs if wanted.rstrip(".").upper() != found.rstrip(".").upper()]


def _plan_item(one: Measured, manifest: Manifest, waits: Mapping[str, float]) -> PlanItem:
    item, volume, shape = one.item, volume_of(manifest.profile, one.item), one.pulled.shape
    later_s = round(waits[item.id], 3)
    stale = p_stale(manifest.plan.days_to_use, item.renewed_every_days)
    times = manifest.plan.power_ons if volume.volatile and item.use == "copy" else 1.0
    must: Must
    must, why = ("", "") if _is_there(manifest, item) else _must(one, manifest.link)
    unpack_s = round(unpack_seconds(manifest, roles_of(shape, one.archive_format), one.pulled.size_bytes), 3)
    if not manifest.link:
        unpack_s = 0.0
    waits_s = later_s + unpack_s
    forms = tuple(
        replace(form, gain_s=gain_s(item.worth, stale, waits_s, form.disc_s, times)) for form in one.forms
    )
    return PlanItem(
        id=item.id,
        needs=needed(manifest, item.needs, item.id),
        must=must,
        why=why,
        forms=() if must == "later" else forms,
        later_s=later_s,
        unpack_s=unpack_s,
        worth=item.worth,
        p_stale=stale,
        disc_s=min((form.disc_s for form in forms), default=0.0),
        volume=volume.path,
        pulled=one.pulled,
        opened_by=openers(manifest, item, shape, one.archive_format),
        times=times,
    )


def _must(one: Measured, link: LinkSettings | None) -> tuple[Must, str]:
    if one.trouble:
        return "later", one.trouble
    if one.item.place == "burn":
        return "burn", "asked to burn"
    if one.item.place == "later":
        return "later", "asked for later"
    return ("", "") if link else ("burn", "there is no link to bring it later")


def _notices(manifest: Manifest, measured: Mapping[str, Measured]) -> Iterable[Notice]:
    guessed = [key for key, one in measured.items() if one.estimated]
    if guessed:
        yield Notice(
            f"{len(guessed)} of {len(measured)} items are not fetched yet: their figures are estimated from their "
            f"size (unpacked, {UNPACKED_GUESS} times as much): {', '.join(guessed[:8])}{' …' * (len(guessed) > 8)}",
            hint="Run `discprep fetch`, then plan again.",
        )
    if manifest.link is None:
        yield Notice("there is no [link]: nothing can come later, so everything must fit the discs")
    for key, one in measured.items():
        if one.unfit:
            wanted, found = one.unfit
            yield Notice(
                f"packed as asked, but its names do not fit the machine ({wanted}, there {found}): what unpacks it may "
                "cut or refuse them",
                item=key,
                hint='form = "unpacked" gives every file a name of its own.',
            )
        if one.faults:
            first = one.faults[0]
            yield Notice(f"it {one.trouble}", where=first.where, item=key, hint=first.hint)

"""`build`: stage, image, check, record and sheet of every disc, from what is at hand."""

from __future__ import annotations

import contextlib
import hashlib
import os
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from dataclasses import replace
from functools import cached_property
from itertools import accumulate
from pathlib import Path

from discprep.disc.contents import content_checksum
from discprep.disc.image import ImageWritten, write_image
from discprep.disc.media import read_seconds, usable_sectors
from discprep.disc.record import RecordItem, make_record, save_record
from discprep.errors import CapacityError, DiscprepError, MissingError, flatten, raise_all
from discprep.fetch.files import scratch, storage, write_atomically
from discprep.fetch.host import move, onto_disk
from discprep.job.at_hand import AtHand, at_hand, missing_errors, open_items
from discprep.job.earlier import claim, give_way, images_in, left, seal
from discprep.job.held import sound
from discprep.job.history import MADE_FROM, note_builds
from discprep.job.inputs import digest_of, settings_of, source_date
from discprep.job.kept import saying_what_stays
from discprep.job.line import stop_at_faults
from discprep.job.plan import before, disc_manifest, disc_trees, forms_on, plan_for
from discprep.job.sheet import DiscMade, facts_from
from discprep.job.standing import IMAGE_PART, RECORD, SHEETS, disc_folder, image_name, standing
from discprep.job.tree import Tree, Trees
from discprep.machine import checksum_kind, drive_speed, may_be_missing, size_of
from discprep.manifest import load_manifest
from discprep.model import AppliedEdit, Decision, Manifest, Notice, Opened, Placed, Progress, Silent
from discprep.plan.curve import curve
from discprep.report import sheet
from discprep.report.build import Built, BuiltDisc
from discprep.report.plan import Planned, discs_used
from discprep.serve.crossing import WORK, crossing
from discprep.units import SECTOR_BYTES

Ask = Callable[[str], str]
_POLL_S = 0.2


def build(
    path: Path,
    out: Path,
    *,
    machine: Path | None = None,
    cache_root: Path | None = None,
    settings: Mapping[str, str] | None = None,
    dry_run: bool = False,
    allow_secrets: bool = False,
    even_so: bool = False,
    ask: Ask | None = None,
    progress: Progress | None = None,
) -> Built:
    """Builds the discs of a manifest into `out`.

    Arguments:
        settings: dotted keys of the manifest to set first
        dry_run: only show every edit before and after; nothing is written
        allow_secrets: secrets may stand on the disc
        even_so: build where the link cannot work as it is set; the sheet says so first
        ask: asks for a secret that the environment lacks, by its name

    Raises:
        ManifestError: the link cannot work as it is set
        MissingError: an item that must burn is not fetched
        and whatever the parts raise; nothing half-written stands under a final name then
    """
    manifest = load_manifest(path, machine=machine, settings=settings)
    link = stop_at_faults(manifest, even_so=even_so)
    hand = at_hand(manifest, cache_root)
    with saying_what_stays(manifest, hand.cache):
        built = build_from(hand, out, dry_run, allow_secrets, ask, progress or Silent())
    return replace(built, notices=(*link, *built.notices))


def build_from(
    hand: AtHand, out: Path, dry_run: bool, allow_secrets: bool, ask: Ask | None, progress: Progress
) -> Built:
    """The same from what is in hand."""
    manifest = hand.manifest
    raise_all(_missing(hand))
    epoch_s = source_date(hand.pins)
    digest = digest_of(manifest, hand.pins, hand.paths, secrets=allow_secrets)
    known = not dry_run and not allow_secrets
    stands = standing(out, digest, manifest) if known else None
    if stands and not left(out, stands.discs):
        return replace(stands, notices=note_builds(manifest.path, stands.discs, hand.cache.root))
    steps = Steps()
    with scratch() as folder, _alone(hand, out, progress) as waited:
        if known and (waited or stands) and (stands := standing(out, digest, manifest)):
            gone = _gave_way(out, stands.discs)
            return replace(stands, notices=(*gone, *note_builds(manifest.path, stands.discs, hand.cache.root)))
        with steps.timed("unpack"):
            opened = open_items(hand, progress)
        hand, held = sound(hand, opened)
        manifest = hand.manifest
        secrets = secret_values(manifest, ask) if allow_secrets and not dry_run else {}
        trees = Trees(folder, epoch_s, secrets, allow_secrets)
        with steps.timed("plan"):
            planned = plan_for(manifest, hand, opened, trees, progress)
        raise_all(planned.errors)
        if dry_run:
            return _rehearsed(manifest, opened, planned, trees)
        maker = _Maker(hand, opened, planned, out, trees, digest, progress, steps)
        del opened  # the maker lets go of what it needs no more
        discs = tuple(maker.disc(number) for number in range(1, discs_used(planned.plan) + 1))
        gone = _gave_way(out, discs)
    gone += note_builds(manifest.path, discs, hand.cache.root)
    later = sum(decision.place == "later" for decision in planned.plan.decisions)
    return Built(
        manifest.title,
        discs,
        planned.plan,
        planned.plan.seconds_at_link,
        later,
        notices=(*held, *planned.notices, *planned.plan.notices, *maker.notices, *gone),
        steps_s=steps.taken,
    )


def _gave_way(out: Path, discs: tuple[BuiltDisc, ...]) -> tuple[Notice, ...]:
    """Makes an earlier build in `out` give way, and tells of its images that no disc's own line tells of."""
    kept = {disc.folder for disc in discs}
    gone = [str(image.relative_to(out)) for image in give_way(out, discs) if image.parent not in kept]
    words = f"an earlier build stood here and gave way: {', '.join(gone)}"
    return (Notice(words, where=str(out), hint="Build into another folder to keep one."),) if gone else ()


class Steps:
    """How long each step took [s]."""

    def __init__(self) -> None:
        self._taken: dict[str, float] = {}

    @contextlib.contextmanager
    def timed(self, name: str) -> Iterator[None]:
        started = time.perf_counter()
        try:
            yield
        finally:
            self._taken[name] = self._taken.get(name, 0.0) + time.perf_counter() - started

    @property
    def taken(self) -> tuple[tuple[str, float], ...]:
        return tuple(self._taken.items())


def _missing(hand: AtHand) -> list[MissingError]:
    """What must burn and is not here. An item that waits for the link may come later."""
    return missing_errors(hand, [i.id for i in hand.manifest.items if not may_be_missing(i, hand.pins.get(i.id))])


def secret_values(manifest: Manifest, ask: Ask | None) -> dict[str, str]:
    """Values by name from the environment, else asked for; a secret without a value is left out."""
    found: dict[str, str] = {}
    for secret in manifest.secrets:
        value = os.environ.get(secret.env) or (ask(secret.name) if ask else "")
        if value:
            found[secret.name] = value
    return found


@contextlib.contextmanager
def _alone(hand: AtHand, out: Path, progress: Progress) -> Iterator[bool]:
    """One build at a time in a folder; another one says whom it waits for, and waits. True when it had to."""
    key = hashlib.sha256(str(out.resolve()).encode()).hexdigest()
    lock = hand.cache.lock(f"build-{key}")
    said = False

    def wait() -> None:
        nonlocal said
        if not said:
            owner = lock.signed or "another run"
            progress.say(f"waiting for {owner}, which builds into {out}; Ctrl-C ends the waiting")
        said = True
        time.sleep(_POLL_S)

    with lock.held(wait) as waited:
        lock.sign(f"process {os.getpid()} ({hand.manifest.path.name})")
        yield waited


# ------------------------------------------------------------------------------------------------ making


def _rehearsed(manifest: Manifest, opened: Mapping[str, Opened], planned: Planned, trees: Trees) -> Built:
    """Every edit before and after, of all discs; a file's settings for other line rates are left out."""
    edits: list[AppliedEdit] = []
    notices: list[Notice] = []
    for tree in disc_trees(manifest, opened, planned.plan, trees):
        raise_all(list(flatten(tree.errors)))
        edits += [edit for entry in tree.named if entry.staged.rate_bit_s is None for edit in entry.staged.edits]
        notices += tree.notices
    return Built(manifest.title, (), planned.plan, edits=tuple(edits), dry_run=True, notices=tuple(notices))


class _Maker:
    """Makes the discs of one plan, one after the other."""

    def __init__(
        self,
        hand: AtHand,
        opened: Mapping[str, Opened],
        planned: Planned,
        out: Path,
        trees: Trees,
        digest: str,
        progress: Progress,
        steps: Steps,
    ) -> None:
        self.hand, self.opened, self.planned = hand, opened, planned
        self.out, self.trees, self.digest = out, trees, digest
        self.progress, self.steps = progress, steps
        self.discs = discs_used(planned.plan)
        self.notices: list[Notice] = []

    @cached_property
    def _checksums(self) -> dict[str, str]:
        """Of the one file that crosses the link, for items at hand, as the shelf will tell it."""
        manifest, found = self.hand.manifest, {}
        for decision in self.planned.plan.decisions:
            opened, pulled = self.opened.get(decision.id), decision.pulled
            if opened and pulled and pulled.files == 1 and decision.place == "later":
                item, kept = manifest.item(decision.id), self.hand.cache.root / WORK
                with suppress(DiscprepError):  # the shelf says why it has no such item
                    (file,) = crossing(manifest, item, opened, pulled.shape, work=self.trees.work, kept=kept)
                    found[item.id] = content_checksum(file.content, checksum_kind(manifest.profile))
        return found

    def disc(self, number: int) -> BuiltDisc:
        """One disc: its tree, its image, then what is told of it."""
        manifest = disc_manifest(self.hand.manifest, number)
        plan = self.planned.plan
        with self.steps.timed("stage"):
            tree = self.trees.of(manifest, self.opened, forms_on(plan, number), present=before(plan, number))
        raise_all(list(flatten(tree.errors)))
        if number == self.discs:
            self._let_go()
        self.notices += tree.notices
        _check_capacity(tree, manifest)
        folder = disc_folder(self.out, number, self.discs)
        folder.mkdir(parents=True, exist_ok=True)
        old = [name for name in images_in(folder) if (folder / name).is_file()]
        with self.steps.timed("image"):
            image, written = self._image(tree, manifest, folder)
        copy_s = copy_seconds(manifest, written.placed)
        with self.steps.timed("record and sheets"):
            self._tell(number, tree, manifest, folder, image, written, copy_s)
        return BuiltDisc(
            folder,
            image,
            folder / RECORD,
            tree.build_id,
            written.sectors,
            usable_sectors(manifest.medium),
            written.sha256,
            sum(bool(placed.named.staged.content) for placed in written.placed),
            len(forms_on(plan, number)),
            copy_s,
            next((name for name in old if name != image.name), ""),
        )

    def _let_go(self) -> None:
        """Of the members that the last tree has taken over: thousands are megabytes, while the image is made."""
        waits = set(self.planned.plan.order)
        self.opened = {key: one if key in waits else replace(one, members=()) for key, one in self.opened.items()}

    def _image(self, tree: Tree, manifest: Manifest, folder: Path) -> tuple[Path, ImageWritten]:
        """Writes and checks the image beside its place, then moves it there."""
        image = folder / image_name(manifest.medium.volume, tree.build_id, manifest.medium.layout)
        part = folder / IMAGE_PART
        try:
            with storage("writing the image", image):
                written = write_image(tree.named, part, tree.options, self.progress, tree.layout)
                onto_disk(part)
                claim(image, written.sha256)
                move(part, image)
        except BaseException:
            part.unlink(missing_ok=True)
            raise
        return image, written

    def _tell(
        self,
        number: int,
        tree: Tree,
        manifest: Manifest,
        folder: Path,
        image: Path,
        written: ImageWritten,
        copy_s: float,
    ) -> None:
        """Record, sheets and checksums. The record comes last but one: with it the build counts as made."""
        plan = self.planned.plan
        made = DiscMade(
            manifest,
            plan,
            pins=self.hand.pins,
            pulled={item.id: item.pulled for item in self.planned.problem.items},
            placed=written.placed,
            build_id=tree.build_id,
            number=number,
            discs=self.discs,
            image=image.name,
            image_sectors=written.sectors,
            copy_s=copy_s,
            date_s=self.trees.epoch_s,
            curve=self._curve,
            notices=tree.notices,
            checksums=self._checksums,
        )
        facts = facts_from(made)
        write_atomically(folder / SHEETS[0], sheet.text(facts).encode())
        write_atomically(folder / SHEETS[1], sheet.html(facts).encode())
        told = {
            MADE_FROM: manifest.path.name,
            "build.discs": str(self.discs),
            "build.disc": str(number),
            "build.copy_s": f"{copy_s:.3f}",
            "build.seconds_at_link": f"{plan.seconds_at_link:.3f}",
        }
        record = make_record(
            written,
            tree.options,
            tree.build_id,
            title=manifest.title,
            items=[self._item(decision, number) for decision in plan.decisions],
            pins=list(self.hand.pins.values()),
            settings=settings_of(manifest) | told,
            inputs_sha256="" if self.trees.allow_secrets else self.digest,
        )
        save_record(record, folder / RECORD)
        seal(image, written.sha256)

    @cached_property
    def _curve(self) -> list[tuple[int, float]]:
        if self.hand.manifest.link is None:
            return []
        points = curve(self.planned.problem)
        waits = accumulate((point.seconds_at_link for point in points), min)  # what fits here fits a larger disc too
        return [(point.medium_sectors * SECTOR_BYTES, wait_s) for point, wait_s in zip(points, waits, strict=True)]

    @cached_property
    def _turns(self) -> dict[str, int]:
        return {key: turn for turn, key in enumerate(self.planned.plan.order, 1)}

    def _item(self, decision: Decision, number: int) -> RecordItem:
        item = self.hand.manifest.item(decision.id)
        opened = self.opened.get(decision.id)
        here = decision.place == "burn" and decision.disc == number
        earlier = decision.place == "present" or (decision.disc is not None and decision.disc < number)
        pin, pulled = self.hand.pins.get(decision.id), decision.pulled
        return RecordItem(
            item.id,
            item.title,
            item.version,
            "burn" if here else "present" if earlier else "later",
            (decision.form or "") if here else "",
            opened.sha256 if opened else "",
            size_of(item, pin) or 0,
            *((pulled.shape, pulled.size_bytes, pulled.files, self._turns[item.id]) if pulled else ()),
        )


def _check_capacity(tree: Tree, manifest: Manifest) -> None:
    most = usable_sectors(manifest.medium)
    if tree.sectors > most:
        raise CapacityError(
            f"the disc needs {tree.sectors:,} sectors, the medium has {most:,}; nothing was written",
            hint='Take a larger medium, or let an item wait with place = "later".',
        )


def copy_seconds(manifest: Manifest, placed: tuple[Placed, ...]) -> float:
    """Seconds the old drive takes to read what is copied: files lie in the order of the copy, so one seek a folder."""
    copied = [p for p in placed if p.named.staged.copied and p.named.staged.content]
    folders = {p.named.iso[:-1] for p in copied}
    total = sum(p.named.staged.content.size_bytes for p in copied if p.named.staged.content)
    return read_seconds(total, len(folders) + 1, drive_speed(manifest), manifest.profile.access_s)

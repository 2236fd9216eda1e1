"""The tree of one disc, whole: items staged, the tool's own files, names in every tree, scripts; and its exact size.

`plan` measures with it and `build` writes it, so that the sectors that the plan tells are the image's.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Collection, Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path

from discprep.disc.layout.options import MIN_TRACK_SECTORS, BootImage, ImageOptions
from discprep.disc.layout.sizes import Layout, lay_out
from discprep.disc.layout.tape import lay_out_tar
from discprep.disc.lists import fill_lists, list_files
from discprep.disc.media import usable_sectors
from discprep.disc.names import FolderNames, folder_companions, map_names, with_second_copies
from discprep.disc.parts import Part
from discprep.disc.record import build_id
from discprep.disc.setup import setup_files, setup_scripts
from discprep.disc.stage import mentions, stage
from discprep.errors import DiscprepError, ManifestError, StorageError
from discprep.link.ends import rates_both_hold
from discprep.machine import bring_up_items, volumes_of
from discprep.manifest.media import BOOT_SECTOR_BYTES, boot_image_problem, boot_sectors, loaded_sectors
from discprep.model import Content, Form, Item, Manifest, Named, Notice, Opened, PlanSettings, Staged

BOOT_NAME = "BOOT.IMG"


@dataclass(frozen=True)
class Tree:
    """One disc before its image is written. `named` is in the order of the extents. Usable when `errors` is empty.
    `rates`: line rates [bit/s] that both ends hold, for the settings scripts."""

    named: tuple[Named, ...]
    options: ImageOptions
    build_id: str = ""
    parts: tuple[Part, ...] = ()
    rates: tuple[int, ...] = ()
    notices: tuple[Notice, ...] = ()
    errors: tuple[DiscprepError, ...] = ()

    @cached_property
    def layout(self) -> Layout:
        """Where every byte of the image lies. Raises as `lay_out`."""
        return (lay_out_tar if self.options.tar else lay_out)(self.named, self.options)

    @property
    def sectors(self) -> int:
        """Sectors of the image, padding included. Raises as `lay_out`."""
        return self.layout.sectors

    @property
    def taken_sectors(self) -> int:
        """The same without what fills a short image up to the shortest track. Raises as `lay_out`."""
        if self.sectors > MIN_TRACK_SECTORS:
            return self.sectors
        longer = replace(self.options, pad_sectors=self.options.pad_sectors + MIN_TRACK_SECTORS)
        return replace(self, options=longer).sectors - MIN_TRACK_SECTORS


@dataclass(slots=True)
class Trees:
    """Makes trees for one run and remembers them: the plan measures a tree that the build then writes.

    Attributes:
        work: a folder for changed files and scripts
        names: the folders that were named
        epoch_s: dates the volume and the folders that no archive brings
        secrets, allow_secrets: as `disc.stage.stage`
    """

    work: Path
    epoch_s: int = 0
    secrets: Mapping[str, str] | None = None
    allow_secrets: bool = False
    names: FolderNames = field(default_factory=FolderNames)
    _made: dict[Hashable, Tree] = field(default_factory=dict)

    def of(
        self,
        manifest: Manifest,
        opened: Mapping[str, Opened],
        forms: Mapping[str, Form],
        *,
        present: Collection[str] = (),
        preview: bool = False,
    ) -> Tree:
        """The tree of the disc that carries these items in these forms, the bring-up set a second time where the
        manifest asks for that and there is room.

        Arguments:
            manifest: may differ from call to call
            opened: at least the items of `forms`, by id
            present: ids already on the machine, or on an earlier disc
            preview: secrets are masked, and are no fault

        Raises:
            NameRuleError, CapacityError: as `lay_out`, where second copies are asked for
            StorageError: a boot file, the system area or the companions' content cannot be read
            ManifestError: the image to boot from no longer suits its medium
        """
        preview = preview and bool(manifest.secrets)  # without secrets both are the same tree
        key = (_followed(manifest), frozenset(forms.items()), frozenset(present), preview)
        if key in self._made:
            return self._made[key]
        if manifest.medium.second_copy:
            once = replace(manifest, medium=replace(manifest.medium, second_copy=False))
            tree = self.of(once, opened, forms, present=present, preview=preview)
            fuller = tree if tree.errors else self._make(manifest, opened, forms, present, preview)
            tree = fuller if tree.errors or fuller.sectors <= usable_sectors(manifest.medium) else tree
        else:
            tree = self._make(manifest, opened, forms, present, preview)
        self._made[key] = tree
        return tree

    def _make(
        self,
        manifest: Manifest,
        opened: Mapping[str, Opened],
        forms: Mapping[str, Form],
        present: Collection[str],
        preview: bool,
    ) -> Tree:
        """The tree with every second copy that the manifest asks for."""
        work, rates = self.work, rates_of(manifest)
        staged = stage(manifest, opened, forms, self.secrets, work, allow_secrets=self.allow_secrets,
                       preview=preview, rates=rates, present=present)  # fmt: skip
        entries = (*staged.staged, *_companions(manifest, staged.staged))
        setup = setup_files(manifest, entries, rates, work, present=present)
        started = boot_files(manifest)
        tools = (*setup, *list_files(work), *started)
        named, faults = map_names([*tools, *entries], manifest.profile, volumes_of(manifest), self.names)
        options = options_of(manifest, named, self.epoch_s)
        archives = {item_id: opened[item_id].sha256 for item_id in forms if item_id in opened}
        if manifest.medium.second_copy:
            named = with_second_copies(named, _in_bring_up(manifest))
        build = build_id(named, options, archives, started)
        scripts = setup_scripts(named, manifest, build, rates, work, present=present)
        errors = (*staged.errors, *faults, *scripts.errors)
        whole = scripts.named if errors else fill_lists(scripts.named, manifest, build, work)
        notices = (*staged.notices, *_load_notices(manifest, options, named), *scripts.notices,
                   *mentions(scripts.named, manifest.profile))  # fmt: skip
        return Tree(whole, options, build, scripts.parts, rates, notices, errors)


def _followed(manifest: Manifest) -> Manifest:
    """The manifest without what only the plan goes by: what a tree is made from."""
    medium = manifest.medium
    if not medium.second_copy:  # else they stand where there is room
        medium = replace(medium, kind="", sectors=0)
    usual = Item("")
    items = tuple(replace(item, place=usual.place, worth=usual.worth, renewed_every_days=None)
                  for item in manifest.items)  # fmt: skip
    return replace(manifest, items=items, medium=replace(medium, discs=1), plan=PlanSettings())


def _in_bring_up(manifest: Manifest) -> Callable[[Named], bool]:
    urgent = bring_up_items(manifest)
    return lambda entry: entry.staged.item in urgent


def rates_of(manifest: Manifest) -> tuple[int, ...]:
    """The line rates [bit/s] for which the disc has settings: those that both ends hold; none without a link."""
    if manifest.link is None:
        return ()
    return rates_both_hold(manifest.profile, manifest.bridge, manifest.link.framing)


def options_of(manifest: Manifest, named: Sequence[Named], epoch_s: int) -> ImageOptions:
    """The image's settings as the manifest and the profile have them."""
    medium = manifest.medium
    return ImageOptions(
        volume=medium.volume,
        epoch_s=epoch_s,
        rules=manifest.profile.name_rules,
        charset=manifest.profile.charset,
        boot=_boot(manifest, named),
        tar=medium.layout == "tar",
        system_area=_read(medium.system_area) if medium.system_area else b"",
    )


def _boot(manifest: Manifest, named: Sequence[Named]) -> BootImage | None:
    """What the firmware starts, of an image without emulation as much as the manifest says, else all."""
    medium = manifest.medium
    for entry in named if medium.boot_image else ():
        staged = entry.staged
        if not staged.item and staged.name == (BOOT_NAME,) and staged.content:
            sectors = loaded_sectors(staged.content.size_bytes, medium.boot_load_sectors)
            return BootImage(entry.iso, medium.boot_media, sectors)
    return None


def _load_notices(manifest: Manifest, options: ImageOptions, named: Sequence[Named]) -> Iterator[Notice]:
    """How much of a boot image is loaded, where the manifest leaves that open: firmware differs in what it can."""
    boot = options.boot
    if boot is None or boot.media != "none" or manifest.medium.boot_load_sectors:
        return
    size_bytes = next(e.staged.content.size_bytes for e in named if e.iso == boot.path and e.staged.content)
    loaded, all_of_it = boot.load_sectors, boot_sectors(size_bytes)
    some = f"the first {loaded * BOOT_SECTOR_BYTES:,} bytes, the most that can be asked for,"
    yield Notice(
        f"the firmware is asked to load {'all' if loaded == all_of_it else some} of the boot image's {size_bytes:,} "
        f"bytes: {loaded:,} sectors of 512",
        where="medium.boot_image",
        hint="A program that loads the rest by itself: set boot_load_sectors, usually 4; some firmware loads no more.",
    )


def boot_files(manifest: Manifest) -> tuple[Staged, ...]:
    """The files that the machine or its firmware starts from the disc."""
    medium = manifest.medium
    files = [(tuple(path.split("/")), _content(host)) for path, host in manifest.profile.boot_files]
    if medium.boot_image:
        image = _content(medium.boot_image)
        problem, hint = boot_image_problem(medium.boot_media, medium.boot_load_sectors, image.size_bytes)
        if problem:  # it changed after the manifest was loaded
            raise ManifestError(f"the boot_image {problem}", where=medium.boot_image.name, hint=hint)
        files.append(((BOOT_NAME,), image))
    return tuple(Staged(name, "", content, copied=False, fixed_name=True) for name, content in files)


def _companions(manifest: Manifest, staged: Sequence[Staged]) -> tuple[Staged, ...]:
    path = manifest.profile.companion_folder_content
    return folder_companions(staged, manifest.profile, _content(path)) if path else ()


def _content(path: Path) -> Content:
    data = _read(path)
    return Content(path, 0, len(data), hashlib.sha256(data).hexdigest())


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise StorageError(f"it cannot be read: {error.strerror}", where=path.name) from None

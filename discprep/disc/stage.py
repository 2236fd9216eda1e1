"""The tree as it will stand on the disc: members chosen, renamed, edited, converted; settings compared.

Nothing is copied that is not changed: a staged file points at bytes at rest. Changed files are written into the
work folder under the SHA-256 of their bytes. Names are not judged here; `names.py` maps them and finds clashes.
"""

from __future__ import annotations

import difflib
import glob
import json
import posixpath
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from fnmatch import fnmatchcase
from functools import lru_cache
from pathlib import Path
from sys import intern

from discprep.disc.contents import keep, read_content
from discprep.disc.edits import apply_edits, at_rate, follows_rate, renamed_mentions
from discprep.disc.matching import LIMIT_S, TooSlow, values_by_line
from discprep.disc.parts import part_order
from discprep.disc.textform import decode, line_numbers, machine_text, to_lf
from discprep.errors import ArchiveError, DiscprepError, EditError, Faults, ManifestError, MissingError
from discprep.machine import folders_of, holds_links, needed_items, published_name
from discprep.manifest.substitute import secret_names
from discprep.members import LACKED
from discprep.model import (
    AppliedEdit,
    Content,
    Edit,
    Expect,
    Form,
    Item,
    Manifest,
    Named,
    Notice,
    Opened,
    Profile,
    Staged,
    Unpacked,
)

MOST_TEXT_BYTES = 64 * 2**20  # an edited or converted file is held in memory, several times over
MOST_NOTICES_A_FILE = 20


@dataclass(frozen=True, slots=True)
class StageResult:
    """The stage of one disc, in the order in which the machine's setup copies it. Usable when `errors` is empty."""

    staged: tuple[Staged, ...]
    notices: tuple[Notice, ...] = ()
    errors: tuple[DiscprepError, ...] = ()


@dataclass(slots=True)
class _Staging:
    """What one run of `stage` knows and gathers."""

    manifest: Manifest
    work: Path
    secrets: Mapping[str, str] | None
    allow_secrets: bool
    preview: bool
    important: set[str]
    staged: list[Staged] = field(default_factory=list)
    notices: list[Notice] = field(default_factory=list)
    errors: list[DiscprepError] = field(default_factory=list)

    @property
    def profile(self) -> Profile:
        return self.manifest.profile


def stage(
    manifest: Manifest,
    opened: Mapping[str, Opened],
    forms: Mapping[str, Form],
    secrets: Mapping[str, str] | None,
    work: Path,
    *,
    allow_secrets: bool = False,
    preview: bool = False,
    rates: Sequence[int] = (),
    present: Collection[str] = (),
) -> StageResult:
    """The tree of one disc.

    Arguments:
        opened: the unpacked archives, by item id
        forms: the items on this disc, each with its form
        secrets: values by name, those that the environment has
        work: a folder for changed files; what stands there already is used again
        allow_secrets: write secrets to the disc; without it, an edit that holds one is a fault
        preview: for a look before the build: secrets are masked in the files too, and are no fault
        rates: line rates [bit/s] for which files whose edits follow the rate get a variant
        present: ids already on the machine, or on an earlier disc

    Raises:
        OSError: the work folder or the cache cannot be used. All other faults are in the result
    """
    staging = _Staging(manifest, work, secrets, allow_secrets, preview, needed_items(manifest, forms))
    for item_id in part_order(manifest, forms, present):
        if item_id in opened:
            _stage_item(staging, manifest.item(item_id), opened[item_id], forms[item_id], rates)
        else:
            staging.errors.append(MissingError("it is not fetched yet; it was not staged", item=item_id))
    staging.errors += _unmet_expectations(staging, forms)
    return StageResult(tuple(staging.staged), tuple(staging.notices), tuple(staging.errors))


def _stage_item(staging: _Staging, item: Item, opened: Opened, form: Form, rates: Sequence[int]) -> None:
    if form in ("packed", "both"):
        staging.staged.append(_packed(staging, item, opened))
    if form == "packed":
        return
    if opened.problems:
        staging.errors.append(_broken(item, opened, "; ".join(opened.problems)))
    chosen = selected(item, opened.members, staging.profile)
    places = _places(staging, item, opened, chosen)
    staging.errors += _edits_without_file(item, [entry.member.name for entry in chosen])
    links = _links(item, chosen, places) if holds_links(staging.manifest) else {}
    for entry in chosen:
        if entry.member.name in links:
            staging.staged.append(_link(staging, item, entry, places[entry.member.name], links[entry.member.name]))
        elif entry.member.name in places:
            _stage_member(staging, item, opened, entry, places[entry.member.name], rates)


def _packed(staging: _Staging, item: Item, opened: Opened) -> Staged:
    size_bytes = opened.path.stat().st_size
    return Staged(
        name=(*folders_of(item), published_name(item, opened.format)),
        item=item.id,
        content=Content(opened.path, 0, size_bytes, opened.sha256),
        form="packed",
        important=item.id in staging.important,
        copied=item.use == "copy",
    )


def _broken(item: Item, opened: Opened, problem: str, member: str = "") -> ArchiveError:
    name = published_name(item, opened.format)
    where = f"{name}: {member}" if member else name
    hint = mending(item, "" if opened.problems else member)
    return ArchiveError(f"{problem}; it was not staged", where=where, item=item.id, hint=hint)


# ---------------------------------------------------------------------------------------- which members


def taken(item: Item, opened: Opened, profile: Profile) -> Opened:
    """An archive as its item takes it: a member that does not read and is left out is no fault of the item's, unless
    the archive itself goes on the disc. With `take_damaged` what does not read is a remark."""
    if opened.whole:
        return opened
    faulty = [entry for entry in opened.members if entry.problem or entry.member.problem]
    if item.take_damaged:
        lost = [f"{entry.member.name or 'a member'}: {entry.problem or entry.member.problem}" for entry in faulty]
        told = [f"{words}; taken without it, as take_damaged says" for words in (*opened.problems, *lost)]
        sound = tuple(entry for entry in opened.members if entry not in faulty)
        return replace(opened, members=sound, problems=(), notices=(*opened.notices, *told))
    if item.form in ("packed", "both"):
        return opened
    chosen = {entry.member.index for entry in selected(item, opened.members, profile)}
    out = [entry for entry in faulty if entry.member.index not in chosen]
    kept = tuple(entry for entry in opened.members if entry not in out)
    lacks = opened.lacks if not kept or any(entry.problem == LACKED for entry in kept) else ()
    return replace(opened, members=kept, hurt=tuple(entry.member.name for entry in out), lacks=lacks)


def mending(item: Item, member: str = "") -> str:
    """What to do about an archive with a fault, or a member with one, as lines for the manifest."""
    ways = ["Get another copy"]
    if member:
        pattern = json.dumps(glob.escape(member), ensure_ascii=False)
        form = ' and form = "unpacked"' if item.form in ("packed", "both") else ""
        ways.append(f"leave the member out with leave = [{pattern}]{form}")
    ways.append("take what can be read of it with take_damaged = true")
    return f"{', or '.join(ways)}."


def selected(item: Item, members: Sequence[Unpacked], profile: Profile) -> tuple[Unpacked, ...]:
    """The members an item takes, in stored order: by `only` and `leave`; companions follow their file or folder.

    Folders stand for themselves where `only` asks for everything, else where something below them is taken.
    """
    owners = _owners(members, profile)
    if item.only == ("*",) and not item.leave:
        return tuple(members)
    files = [entry.member.name for entry in members if entry.member.kind != "folder"]
    taken = {name for name in files if name not in owners and _wanted(item, name)}
    above = {parent for name in taken for parent in folders_above(name)}
    folders = {
        entry.member.name
        for entry in members
        if entry.member.kind == "folder" and (entry.member.name.rstrip("/") in above or _empty_wanted(item, entry))
    }
    kept = taken | folders | above
    followers = {name for name, owner in owners.items() if owner.rstrip("/") in kept and not _matches(item.leave, name)}
    return tuple(entry for entry in members if entry.member.name in taken | folders | followers)


def _wanted(item: Item, name: str) -> bool:
    return _matches(item.only, name) and not _matches(item.leave, name)


def _empty_wanted(item: Item, entry: Unpacked) -> bool:
    return item.only == ("*",) and not _matches(item.leave, entry.member.name.rstrip("/"))


def _matches(patterns: Iterable[str], name: str) -> bool:
    """Whether a stored path matches a pattern; one without `/` may match the last part alone. Capitals are alike."""
    path = name.casefold()
    last = path.rsplit("/", 1)[-1]
    return any(fnmatchcase(path, p) or ("/" not in p and fnmatchcase(last, p)) for p in _folded(tuple(patterns)))


@lru_cache(maxsize=1024)
def _folded(patterns: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(pattern.casefold() for pattern in patterns)


def folders_above(path: str) -> Iterator[str]:
    """The folders that a stored path lies in, the nearest first.

    >>> list(folders_above("net/setup/line.config"))
    ['net/setup', 'net']
    """
    path = path.rstrip("/")
    while (cut := path.rfind("/")) > 0:
        path = path[:cut].rstrip("/")
        yield path


def _owners(members: Sequence[Unpacked], profile: Profile) -> dict[str, str]:
    """Each companion's stored path with the path of the file or folder it belongs to."""
    if not (profile.companion_file or profile.companion_folder):
        return {}
    files = {entry.member.name.casefold(): entry.member.name for entry in members if entry.member.kind == "file"}
    owners: dict[str, str] = {}
    paths = set(files.values()) | {parent for name in files.values() for parent in folders_above(name)}
    paths |= {entry.member.name.rstrip("/") for entry in members if entry.member.kind == "folder"}
    for path in sorted(paths, key=len):
        pattern = profile.companion_file if path.casefold() in files else profile.companion_folder
        companion = files.get(companion_path(path, pattern).casefold()) if pattern else None
        if companion and companion != path and path not in owners:
            owners.setdefault(companion, path)
    return owners


def companion_path(path: str, pattern: str) -> str:
    """The path of the companion beside `path`.

    >>> companion_path("net/dial", "{name}.inf")
    'net/dial.inf'
    """
    folder, slash, name = path.rpartition("/")
    return f"{folder}{slash}{pattern.replace('{name}', name)}"


# ------------------------------------------------------------------------------------------ where they go


@dataclass(frozen=True, slots=True)
class _Where:
    path: tuple[str, ...]  # from the disc's root
    fixed: bool


def _places(staging: _Staging, item: Item, opened: Opened, chosen: Sequence[Unpacked]) -> dict[str, _Where]:
    """Stored path to the wanted place; companions take the name of their owner's place. A folder that `strip` takes off
    whole has none."""
    renames = dict(item.rename)
    staging.errors += _renames_without_file(item, [entry.member.name for entry in chosen])
    owners = _owners(chosen, staging.profile)
    places, folders = {}, folders_of(item)
    for entry in chosen:
        stored = entry.member.name
        own = _stripped(_own_name(item, opened, entry), item.strip, entry.member.kind == "folder")
        wanted, fixed = _renamed(own, renames, stored)
        if wanted in ("", "."):  # `.` is the archive's own root, as many a tar begins with it
            continue
        owner = owners.get(stored)
        if owner and not fixed:
            new_owner, owner_fixed = _renamed(owner, renames, owner)
            if owner_fixed and new_owner != owner:
                is_file = any(e.member.name == owner and e.member.kind == "file" for e in chosen)
                pattern = staging.profile.companion_file if is_file else staging.profile.companion_folder
                wanted, fixed = companion_path(new_owner, pattern), True
        places[stored] = _Where((*folders, *(intern(p) for p in wanted.split("/") if p)), fixed)
    return places


def _stripped(name: str, count: int, folder: bool) -> str:
    """A stored path without so many leading folders; a file keeps its own name, a folder may lose all.

    >>> _stripped("BELLS/BELL.TXT", 1, False), _stripped("READ.ME", 1, False), _stripped("BELLS", 1, True)
    ('BELL.TXT', 'READ.ME', '')
    """
    parts = [part for part in name.split("/") if part] if count else []
    return "/".join(parts[min(count, len(parts) - (not folder)) :]) if count else name


def _own_name(item: Item, opened: Opened, entry: Unpacked) -> str:
    """A plain file, or one compressed without its name, is called as its source calls it."""
    if opened.format == "file":
        return published_name(item, opened.format)
    if opened.format in ("gz", "bz2", "xz") and not entry.member.raw_name:
        return published_name(item, opened.format).removesuffix(f".{opened.format}")
    return entry.member.name


def _renamed(name: str, renames: Mapping[str, str], stored: str) -> tuple[str, bool]:
    """The new path and whether a rename made it: of the member itself, else of the nearest folder above it."""
    stored = stored.rstrip("/")
    if stored in renames:
        return renames[stored], True
    for parent in folders_above(stored) if renames else ():
        new = renames.get(parent)
        if new is not None:
            return f"{new}/{stored[len(parent) + 1 :]}", False
    return name, False


def _renames_without_file(item: Item, names: Sequence[str]) -> Iterator[DiscprepError]:
    if not item.rename:
        return
    known = {name.rstrip("/") for name in names}
    known |= {parent for name in known for parent in folders_above(name)}
    for old, new in item.rename:
        if old.rstrip("/") not in known:
            yield ManifestError(
                f"rename: expected a member {old!r} to call {new!r}, none of that name is taken from the archive",
                where=item.where,
                item=item.id,
                hint=_near(old, known),
            )


def _near(name: str, known: Iterable[str]) -> str:
    names = [one for one in known if one != "."]
    folded = {one.casefold(): one for one in names}
    near = folded.get(name.casefold()) or next(iter(difflib.get_close_matches(name, names[:5000], 1)), None)
    return f"Did you mean {near!r}?" if near else "discprep inspect ARCHIVE lists its members."


# ------------------------------------------------------------------------------------------ edits and text


def _edits_without_file(item: Item, names: Sequence[str]) -> Iterator[DiscprepError]:
    for edit in item.edits:
        if edit.file not in names:
            yield EditError(
                f"expected a member {edit.file!r} to edit, none of that name is taken from the archive",
                where=edit.where,
                item=item.id,
                hint=_near(edit.file, names),
            )


def _stage_member(
    staging: _Staging, item: Item, opened: Opened, entry: Unpacked, place: _Where, rates: Sequence[int]
) -> None:
    member = entry.member
    problem = member.problem or entry.problem
    if member.kind in ("link", "other"):
        text = "is a link or a device, which the disc does not carry; it was left out"
        if member.kind == "link" and holds_links(staging.manifest):
            text = f"is a link to {member.target!r}, which is nothing that the item brings; it was left out"
        staging.notices.append(Notice(text, where=member.name, item=item.id))
        return
    if problem or (member.kind == "file" and entry.content is None):
        staging.errors.append(_broken(item, opened, problem or "its bytes are not at hand", member.name))
        return
    plain = Staged(
        name=place.path,
        item=item.id,
        content=entry.content,
        time_s=member.time_s,
        member=member.name,
        attributes=member.attributes,
        attribute_system=member.attribute_system,
        comment=member.comment,
        important=item.id in staging.important,
        copied=item.use == "copy",
        fixed_name=place.fixed,
    )
    edits = [edit for edit in item.edits if edit.file == member.name]
    staging.staged.append(_changed(staging, item, plain, edits))
    if any(follows_rate(edit) for edit in edits):
        staging.staged += _variants(staging, item, plain, edits, rates)


def _link(staging: _Staging, item: Item, entry: Unpacked, place: _Where, to: tuple[str, ...]) -> Staged:
    """A symbolic link: no bytes, and no attribute bits of its own."""
    return Staged(
        name=place.path,
        item=item.id,
        content=keep(b"", staging.work),
        time_s=entry.member.time_s,
        member=entry.member.name,
        important=item.id in staging.important,
        copied=item.use == "copy",
        fixed_name=place.fixed,
        link=to,
    )


def _links(item: Item, chosen: Sequence[Unpacked], places: Mapping[str, _Where]) -> dict[str, tuple[str, ...]]:
    """Stored path of each symbolic link that leads, at last, to a file or folder that the item brings, to the wanted
    path of what it names: never out of the item's folder, and in no circle."""
    sound = [entry for entry in chosen if entry.member.name in places and not entry.member.problem]
    waiting = {e.member.name: _pointed_at(e.member.name, e.member.target) for e in sound if e.member.kind == "link"}
    if not waiting:
        return {}
    known = {
        e.member.name.rstrip("/"): places[e.member.name].path for e in sound if e.member.kind in ("file", "folder")
    }
    for entry in sound:
        path = entry.member.name.rstrip("/")
        for folder in folders_above(path):  # those that no member stands for
            above = _renamed(_stripped(folder, item.strip, True), dict(item.rename), folder)[0]
            known.setdefault(folder, (*folders_of(item), *(part for part in above.split("/") if part)))
    found: dict[str, tuple[str, ...]] = {}
    while ready := [name for name, to in waiting.items() if known.get(to)]:
        for name in ready:
            found[name] = known[waiting.pop(name)]
            known[name] = places[name].path
    return found


def _pointed_at(name: str, target: str) -> str:
    """The stored path that a link's text names, read from the link's own folder; "" for one that is absolute, leaves
    the archive, or goes up again after it went down, which another link may bend.

    >>> _pointed_at("lib/a.so", "a.so.1"), _pointed_at("bin/run", "../lib/./run"), _pointed_at("bin/run", "../../etc")
    ('lib/a.so.1', 'lib/run', '')
    """
    parts = [part for part in target.split("/") if part not in ("", ".")]
    down = [part for part in parts if part != ".."]
    path = posixpath.normpath(posixpath.join(posixpath.dirname(name), *parts))
    straight = parts == [*[".."] * (len(parts) - len(down)), *down] and not target.startswith("/")
    return path if straight and path.partition("/")[0] not in ("..", ".") else ""


def _changed(staging: _Staging, item: Item, staged: Staged, edits: Sequence[Edit]) -> Staged:
    """A staged file after its edits and its conversion; itself where neither changes it."""
    as_text = staged.content is not None and _matches(item.text, staged.member)
    if staged.content is None or not (edits or as_text):
        return staged
    applied: tuple[AppliedEdit, ...] = ()
    try:
        data = _read(staged.content, staged.member, item)
        if edits:
            edited = apply_edits(
                data,
                edits,
                item=item.id,
                charset=staging.profile.charset,
                secrets=_values(staging, item, edits),
            )
            data, applied = edited.data, edited.applied
        if as_text:
            data = machine_text(data, staging.profile, where=staged.member, item=item.id)
    except DiscprepError as error:
        staging.errors.append(error)
        return staged
    return replace(staged, content=keep(data, staging.work), edits=applied, text=as_text)


def _values(staging: _Staging, item: Item, edits: Sequence[Edit]) -> Mapping[str, str] | None:
    """The secrets for some edits; None (their mask) in a preview. The faults name no value.

    Raises:
        ManifestError: a secret may not stand on this disc, or has no value
    """
    names = {name: edit for edit in edits for name in secret_names(edit.replace)}
    if staging.preview:
        return None
    values = staging.secrets or {}
    sources = {secret.name: secret.env for secret in staging.manifest.secrets}
    faults = []
    for name, edit in sorted(names.items(), key=lambda pair: pair[0]):
        if not staging.allow_secrets:
            message = f"the secret {name!r} would stand on the disc in {edit.file}; nothing was written"
            hint = "Allow it with --secrets-on-disc, and treat the disc as you treat the secret."
        elif name not in values:
            message = f"the secret {name!r} has no value; nothing was written"
            hint = f"Set the environment variable {sources.get(name, name)}."
        else:
            continue
        faults.append(ManifestError(message, where=edit.where, item=item.id, hint=hint))
    if faults:
        raise Faults(faults)
    return values


def _variants(
    staging: _Staging, item: Item, plain: Staged, edits: Sequence[Edit], rates: Sequence[int]
) -> Iterator[Staged]:
    """The same file with its settings for each line rate, in a folder of the setup's own."""
    shell = staging.profile.shell
    if shell is None or plain.content is None:
        return
    taken = {entry.name for entry in staging.staged if entry.rate_bit_s}
    for rate in rates:
        folder = (shell.folder, str(rate))
        name = plain.name[-1]
        number = 1
        while (*folder, name) in taken:
            number += 1
            name = f"{number}_{plain.name[-1]}"
        at_this_rate = [at_rate(edit, rate) if follows_rate(edit) else edit for edit in edits]
        changed = _changed(staging, item, plain, at_this_rate)
        yield replace(
            changed, name=(*folder, name), copied=False, fixed_name=False, rate_bit_s=rate, stands_for=plain.name
        )


def _read(content: Content, name: str, item: Item) -> bytes:
    if content.size_bytes > MOST_TEXT_BYTES:
        raise EditError(
            f"{content.size_bytes:,} bytes; a file to edit or convert may have {MOST_TEXT_BYTES:,}",
            where=name,
            item=item.id,
        )
    return read_content(content)


# ------------------------------------------------------------------------- what the finished stage must say


def _unmet_expectations(staging: _Staging, forms: Mapping[str, Form]) -> Iterator[DiscprepError]:
    for expect in staging.manifest.expects:
        form = forms.get(expect.item)
        if form is None or form == "packed":
            text = "is not on this disc" if form is None else "is on the disc packed"
            staging.notices.append(
                Notice(f"the item {text}, so {expect.file} was not compared", where=expect.where, item=expect.item)
            )
            continue
        found = [s for s in staging.staged if s.item == expect.item and s.member == expect.file and not s.rate_bit_s]
        if not found or found[0].content is None:
            names = [s.member for s in staging.staged if s.item == expect.item]
            yield _unlike(expect, f"expect: there is no file {expect.file!r} on the disc", _near(expect.file, names))
        else:
            yield from _unmet(staging, expect, found[0].content)


def _unmet(staging: _Staging, expect: Expect, content: Content) -> Iterator[DiscprepError]:
    """What a file says against what it should say, each with its place."""
    item = staging.manifest.item(expect.item)
    try:
        text = to_lf(decode(_read(content, expect.file, item), staging.profile.charset).text)
    except DiscprepError as error:
        yield error
        return
    try:
        found = values_by_line(expect.pattern, text)
    except TooSlow:
        text = (
            f"expect: {expect.pattern!r} was not through with {expect.file} after {LIMIT_S:.0f} s; it was not compared"
        )
        yield _unlike(expect, text, "Write a plainer pattern: no repetition inside a repetition.")
        return
    if not found:
        text = f"expect: {expect.pattern!r} is nowhere in {expect.file}; expected the value {expect.equals!r}"
        yield _unlike(expect, text)
    for value, lines in found.items():
        if value != expect.equals:
            text = (
                f"settings disagree: {expect.file}, {line_numbers(lines)}, says {value!r}; expected {expect.equals!r}"
            )
            yield _unlike(expect, text, "Change one of the two, with an [[item.edit]] or in the manifest.")


def _unlike(expect: Expect, message: str, hint: str = "") -> ManifestError:
    return ManifestError(message, where=expect.where, item=expect.item, hint=hint)


# ------------------------------------------------------------------------- names mentioned in edited files


def mentions(named: Sequence[Named], profile: Profile) -> tuple[Notice, ...]:
    """References, in the files that the manifest edits, to files that have another name on the machine."""
    renamed = {}
    for entry in named:
        path = entry.target or entry.iso
        old, new = entry.staged.member.rstrip("/").rpartition("/")[2], path[-1].removesuffix(".") if path else ""
        if old and new and old.casefold() != new.casefold() and entry.staged.rate_bit_s is None:
            renamed[old.casefold()] = new
    notices: list[Notice] = []
    for entry in named:
        content = entry.staged.content
        if renamed and entry.staged.edits and content and content.size_bytes <= MOST_TEXT_BYTES:
            text = decode(read_content(content), profile.charset).text
            found = renamed_mentions(text, renamed, item=entry.staged.item, file=entry.staged.member)
            notices += found[:MOST_NOTICES_A_FILE]
    return tuple(notices)

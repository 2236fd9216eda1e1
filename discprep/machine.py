"""What follows from manifest and machine profile: each question is answered here and nowhere else. Pure.

`check`, plan, scripts, sheet and shelf call these functions, so that no two of them can answer differently.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Literal
from urllib.parse import unquote, urlsplit

from discprep.members import kind_by_name
from discprep.model import (
    ROLES,
    BridgeSettings,
    Item,
    LinkSettings,
    Manifest,
    NameShown,
    Pin,
    Profile,
    Role,
    Shell,
    Step,
    Volume,
)

BY_HAND_S = 30.0
"""To type the command that unpacks one archive on the machine, and to look at what it says: a guess, no source."""

_URL = re.compile(r"[A-Za-z][A-Za-z0-9+.-]+://")


# -------------------------------------------------------------------------------------- what an item is called


def title_of(item: Item) -> str:
    """What an item is called: its title, else its id."""
    return item.title or item.id


def full_title(item: Item) -> str:
    """An item's title with its version, where it has one."""
    return " ".join(word for word in (title_of(item), item.version) if word)


def disc_title(manifest: Manifest) -> str:
    """What a disc is called: the manifest's title, else the volume's name."""
    return manifest.title or manifest.medium.volume


def source_name(source: str) -> str:
    """The name of the file that a source names: the last part of its path, of an address without the coding of
    RFC 3986 §2.1; "" where it names none.

    >>> source_name("http://files.example/old%20tools/disk%20tools.lha?get=1"), source_name("http://files.example")
    ('disk tools.lha', '')
    """
    if not _URL.match(source):
        return Path(source).name
    try:
        return unquote(PurePosixPath(urlsplit(source).path).name)
    except ValueError:  # no URL, though it begins like one: whoever opens it will say so
        return ""


def published_name(item: Item, archive_format: str = "") -> str:
    """The name under which the first source that has one publishes an item; else its id, with the ending of its format
    where it is an archive."""
    for name in map(source_name, item.sources):
        if name not in ("", ".", "..") and not re.search(r"[\0-\x1f\x7f/\\]", name):
            return name
    return f"{item.id}.{archive_format}" if archive_format not in ("", "file") else item.id


def kind_of(item: Item) -> str:
    """The archive format that an item's sources suggest by the ending of their names; "" when they do not."""
    return next((kind for source in item.sources if (kind := kind_by_name(source_name(source)))), "")


# ------------------------------------------------------------------------------------------- is it there, and when


def size_of(item: Item, pin: Pin | None) -> int | None:
    """An item's size [B] as fetched, else as the manifest has it; None: not known yet."""
    return pin.size_bytes if pin else item.size_bytes


def may_be_missing(item: Item, pin: Pin | None) -> bool:
    """Whether a disc can be planned and built while an item is not at hand: it waits for the link anyway, and its size
    is known."""
    return item.place == "later" and size_of(item, pin) is not None


def given_roles(manifest: Manifest) -> set[Role]:
    """Roles that an item gives or the machine has."""
    return {*manifest.roles_present, *(role for item in manifest.items for role in item.gives)}


def roles_before(manifest: Manifest, order: Iterable[str], present: Collection[str]) -> dict[str, frozenset[Role]]:
    """The roles that the machine has before each item comes: its own, those of what is there, and those of the items
    that come earlier; never those of the item itself, which may stand on the machine already and come again.

    Arguments:
        order: ids in the order in which they come
        present: ids on the machine before the first of them
    """
    own = {*manifest.roles_present, *(role for role in ROLES if role in present)}
    given = {role: {item.id for item in manifest.items if role in item.gives and item.id in present} for role in ROLES}
    found: dict[str, frozenset[Role]] = {}
    for item_id in order:
        found[item_id] = frozenset(
            role for role, givers in given.items() if role in own or len(givers) > (item_id in givers)
        )
        for role in manifest.item(item_id).gives:
            given[role].add(item_id)
    return found


def with_needs(manifest: Manifest, wanted: Iterable[str], spare: Collection[str] = ()) -> set[str]:
    """Items by id or role, with all that they need; those of `spare`, and what only they need, are passed over."""
    found: set[str] = set()
    waiting = list(wanted)
    while waiting:
        for item_id in manifest.givers(waiting.pop()):
            if item_id not in found and item_id not in spare:
                found.add(item_id)
                waiting += manifest.item(item_id).needs
    return found


def bring_up_items(manifest: Manifest) -> set[str]:
    """The items of the bring-up set: those it names or that give its roles, and all that they need."""
    return with_needs(manifest, manifest.bring_up)


def needed_items(manifest: Manifest, burned: Iterable[str]) -> set[str]:
    """Items whose loss stops a part: those that say so, the bring-up set, and whatever another item of the disc needs,
    unless it is only wanted; each with all that it needs."""
    asked = [item.id for item in manifest.items if item.importance == "needed"]
    needs = [need for item_id in burned for need in manifest.item(item_id).needs]
    return with_needs(manifest, [*manifest.bring_up, *asked, *needs], _only_wanted(manifest))


def needed_though_wanted(manifest: Manifest) -> dict[str, str]:
    """Items that are only wanted, and which needed item cannot do without each; "" where the bring-up set cannot. What
    another gives, or the machine has, is no want of theirs."""
    spare, there = _only_wanted(manifest), {*manifest.has, *manifest.roles_present}
    needed = needed_items(manifest, [item.id for item in manifest.items])
    waiting = [(item_id, need) for item_id in sorted(needed) for need in manifest.item(item_id).needs]
    waiting += [("", name) for name in manifest.bring_up]
    found: dict[str, str] = {}
    while waiting:
        user, need = waiting.pop()
        givers = manifest.givers(need)
        if need not in there and there.isdisjoint(givers) and spare.issuperset(givers):
            new = [giver for giver in givers if giver not in found]
            found |= dict.fromkeys(new, user)
            waiting += [(giver, further) for giver in new for further in manifest.item(giver).needs]
    return found


def _only_wanted(manifest: Manifest) -> set[str]:
    return {item.id for item in manifest.items if item.importance == "wanted"}


# --------------------------------------------------------------------------------------- the line and the drive


def ends_differ(link: LinkSettings, bridge: BridgeSettings) -> tuple[Literal["rate", "framing"], ...]:
    """The settings that must be alike on both ends of the line and are not."""
    differ: list[Literal["rate", "framing"]] = ["rate"] if link.rate_bit_s != bridge.rate_bit_s else []
    return (*differ, "framing") if link.framing != bridge.framing else tuple(differ)


def data_bits(framing: str) -> int:
    """Bits of a character: SLIP and PPP need 8 (RFC 1055, RFC 1662 §4.5.2)."""
    return int(framing[0])


def drive_speed(manifest: Manifest) -> float:
    """How many times single speed the machine reads this medium."""
    return manifest.medium.drive_speed or manifest.profile.drive_speed


def unpack_seconds(manifest: Manifest, roles: Collection[Role], size_bytes: int) -> float:
    """Seconds to unpack an archive by hand on the machine: the command, and the archive at the speed of the slowest
    unpacker with these roles that tells one, else at the profile's. 0 for what needs none."""
    unpackers = (manifest.item(key) for role in roles for key in manifest.givers(role))
    told = [rate for unpacker in unpackers if (rate := unpacker.unpack_bytes_s)]
    return BY_HAND_S + size_bytes / min(told, default=manifest.profile.unpack_bytes_s) if roles else 0.0


# ------------------------------------------------------------------------------------- where things go on the machine


@dataclass(frozen=True, slots=True)
class MachinePath:
    """A file or folder as the machine sees it: `parts` below a volume or a folder on it (`base`)."""

    base: str
    parts: tuple[str, ...] = ()

    @property
    def folder(self) -> MachinePath:
        return MachinePath(self.base, self.parts[:-1])

    @property
    def name(self) -> str:
        return self.parts[-1]

    def __truediv__(self, name: str) -> MachinePath:
        return MachinePath(self.base, (*self.parts, name))

    @property
    def volume(self) -> str:
        """The volume's name with its colon, where it has one."""
        before, colon, _ = self.base.partition(":")
        return before + colon


def first_volume(profile: Profile) -> Volume:
    """The volume that everything goes to which names none; one without a path where the profile has none."""
    return profile.volumes[0] if profile.volumes else Volume("")


def lasting_volume(profile: Profile) -> Volume:
    """The first volume that does not forget, for what must outlast a power-off; the first where all forget."""
    return next((volume for volume in profile.volumes if not volume.volatile), first_volume(profile))


def volume_of(profile: Profile, item: Item) -> Volume:
    """The volume that an item is installed on: the one it names, else the first."""
    return next((volume for volume in profile.volumes if volume.path == item.volume), first_volume(profile))


def volumes_of(manifest: Manifest) -> dict[str, Volume]:
    """Item id to the volume it is installed on."""
    return {item.id: volume_of(manifest.profile, item) for item in manifest.items}


def forgotten(manifest: Manifest, items: Iterable[str]) -> tuple[str, ...]:
    """Those of the items that a power-off takes away: they are copied to a volume that forgets."""
    volumes = volumes_of(manifest)
    return tuple(item for item in items if volumes[item].volatile and manifest.item(item).use == "copy")


def volume_key(path: str, apart: str, case_sensitive: bool) -> str:
    """Equal for paths that the machine takes for one volume. `apart`: its separator."""
    key = path.replace(apart, "/").rstrip("/")
    return key if case_sensitive else key.casefold()


def folders_of(item: Item) -> tuple[str, ...]:
    """The folders that an item's files stand in, on the disc and on its volume."""
    return tuple(part for part in item.to.split("/") if part)


def block_bytes(size_bytes: int, volume: Volume) -> int:
    """What a file takes on a volume [B]: whole blocks."""
    return -(-size_bytes // volume.block_bytes) * volume.block_bytes


def names_shown(manifest: Manifest) -> tuple[NameShown, ...]:
    """How the machine shows the names of the primary tree: those of an archive as they are written in it."""
    return manifest.profile.names_shown if manifest.medium.layout == "iso" else ()


def script_language(profile: Profile) -> Shell | None:
    """The language of the setup scripts; None where none are written, and files are copied by hand."""
    return profile.shell if profile.volumes else None


def holds_links(manifest: Manifest) -> bool:
    """Whether symbolic links stay links: the disc can tell them, and the machine's language makes and compares them."""
    shell = script_language(manifest.profile)
    told = manifest.medium.layout == "tar" or "rock-ridge" in manifest.profile.name_rules
    return bool(shell and shell.link) and told


def script_ending(shell: Shell) -> str:
    """What the names of all scripts end in, its dot included; "" where they have no ending."""
    return PurePosixPath(shell.script_name).suffix


CHECKSUM_NAMES = {"crc16": "CRC-16", "crc32": "CRC-32", "md5": "MD5", "sha1": "SHA-1", "sha256": "SHA-256"}


def checksum_kind(profile: Profile) -> str:
    """The form that the machine's checksum item speaks: the profile's, else CRC-32."""
    return (profile.shell.checksum_kind if profile.shell else "") or "crc32"


def separator(profile: Profile) -> str:
    """What stands between folders where the machine writes a path."""
    return profile.shell.separator if profile.shell else "/"


def parts_text(parts: Iterable[str], profile: Profile) -> str:
    """A path below a volume as the machine writes it."""
    return separator(profile).join(parts)


def path_text(path: MachinePath, shell: Shell | None) -> str:
    """A path as the machine's command language writes it, unquoted; with `/` where there is none."""
    apart = shell.separator if shell else "/"
    root = path.base
    if root and not root.endswith(apart):
        root += shell.after_volume if shell and root.endswith(":") else apart
    return root + apart.join(path.parts) if path.parts else root.removesuffix(apart) or root


# ------------------------------------------------------------------------------- what is saved before it is wiped


@dataclass(frozen=True, slots=True)
class Wiped:
    """One entry of a step's `wipes`. `path` is None where it lies on no volume; `problem` says why no script can save
    it, in words, `hint` what to do about that; both "" where one can."""

    text: str
    path: MachinePath | None
    folder: bool
    problem: str = ""
    hint: str = ""


def wiped(profile: Profile, step: Step) -> tuple[Wiped, ...]:
    """What a step wipes, as the setup saves it first: a folder is written with a separator at its end."""
    return tuple(_wiped(profile, step, text) for text in step.wipes)


def _wiped(profile: Profile, step: Step, text: str) -> Wiped:
    path = machine_path(profile, text)
    folder = text.endswith(("/", separator(profile)))
    return Wiped(text, path, folder, *_unsavable(profile, step, path, folder))


def _unsavable(profile: Profile, step: Step, path: MachinePath | None, folder: bool) -> tuple[str, str]:
    """Why no script can save a path, and what to do; both empty where one can, or where a person saves by hand."""
    paths = [volume.path for volume in profile.volumes]
    if path is None:
        there = ", ".join(map(repr, paths)) or "none"
        first = next(iter(paths), "")
        begins = first if first.endswith((":", "/")) else f"{first}/"
        hint = f"Begin the path as the profile does: {begins}…" if first else "Add a [[volume]] to the profile."
        return f"names a volume that is not in the profile, which has {there}", hint
    shell = script_language(profile)
    if shell is None or not shell.conditions:
        return "", ""
    if step.at != "machine":
        return f"is told of a step at the {step.at}, where no script runs", 'Give the step where = "machine".'
    if not path.parts:
        return "is a whole volume, which no script can save", "Name the files and folders that are lost."
    if path.base == lasting_volume(profile).path and path.parts[0].casefold() == shell.save_folder.casefold():
        return "lies where the saved copies themselves stand", "Leave it out, or rename the shell's save_folder."
    if folder and not shell.copy_folder:
        hint = "Name the files in it that are lost, or give the profile's [shell] a copy_folder."
        return "is a folder, and the machine's language has no command that copies one (copy_folder)", hint
    return "", ""


def machine_path(profile: Profile, text: str) -> MachinePath | None:
    """A path as a manifest has it: below the volume that it begins with, else below the first; None where it lies on no
    volume of the profile. Capitals are alike in the name of a volume that is not case-sensitive.

    >>> home = Profile("m", volumes=(Volume("C:"), Volume("C:/ROOM")))
    >>> machine_path(home, "c:/room/a").parts, machine_path(home, "C:/ROOMY/a").parts, machine_path(home, "E:/a")
    (('a',), ('ROOMY', 'a'), None)
    """
    apart = separator(profile)
    plain = text.replace(apart, "/")
    for volume in sorted(profile.volumes, key=lambda volume: -len(volume.path)):
        base = volume.path.replace(apart, "/").rstrip("/")
        head, rest = plain[: len(base)], plain[len(base) :]
        ends = not rest or rest.startswith("/") or base.endswith(":")  # "C:/ROOMY" is not below "C:/ROOM"
        exact = volume.case_sensitive
        if ends and volume_key(head, apart, exact) == volume_key(base, apart, exact):
            return MachinePath(volume.path, _split(rest))
    first = first_volume(profile).path
    rooted = plain.startswith("/") and first.startswith("/")  # one root for all volumes: it lies beside them
    return None if ":" in plain or rooted else MachinePath(first, _split(plain))


def _split(text: str) -> tuple[str, ...]:
    return tuple(part for part in text.split("/") if part not in ("", ".", ".."))


# --------------------------------------------------------------------------------------------- its charset


def known_charset(name: str) -> bool:
    """Whether Python decodes it to text."""
    try:
        "".encode(name)
        return isinstance(b"".decode(name), str)
    except (LookupError, UnicodeError, ValueError):
        return False


def carries_scripts(charset: str) -> bool:
    """Whether texts and scripts can be written in a charset: a text encoding that has every character of ISO 646 as
    one byte of its own and no mark around them, so that lines can be cut, joined and measured.

    >>> [carries_scripts(name) for name in ("cp437", "utf-8", "shift_jis", "utf-16", "idna", "rot13", "nonsense")]
    [True, True, True, False, False, False, False]
    """
    signs = "".join(map(chr, (*range(0x20, 0x7F), 0x0A, 0x0D)))
    try:
        single = [sign.encode(charset) for sign in signs]
        whole = signs.encode(charset)
    except (LookupError, UnicodeError, ValueError):
        return False
    return all(len(one) == 1 for one in single) and len(set(single)) == len(signs) and b"".join(single) == whole

"""`new`: a manifest to go on from, out of a folder of archives at hand or out of nothing."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from discprep.disc.name_rules import plain
from discprep.errors import StorageError, UsageError
from discprep.fetch.files import write_atomically
from discprep.fetch.host import file_sha256
from discprep.manifest import load_manifest
from discprep.manifest.ready import manifests, profiles, told
from discprep.members import kind_by_name
from discprep.model import Notice, Progress
from discprep.report.new import NewItem, Ready, ReadyProfile, Started

MOST_FILES = 5_000


@dataclass(frozen=True, slots=True)
class Wishes:
    """What the user says of a new manifest. `profile` is an existing file, or the name of a ready one, which is copied
    beside the manifest, or None for a new one."""

    title: str = ""
    profile: Path | None = None
    machine: str = "My machine"
    medium: str = "cd-74"
    rate_bit_s: int | None = None


@dataclass(frozen=True, slots=True)
class _Found:
    path: Path
    size_bytes: int
    sha256: str
    format: str


def new(target: Path, folder: Path | None, wishes: Wishes, progress: Progress) -> Started:
    """Writes the manifest, and a profile beside it where none is named.

    Raises:
        UsageError: the manifest is there already, or the folder is none
        ManifestError: what was wished does not hold together; nothing is left behind then
    """
    profile, words = _profile(target, wishes)
    mine = profile if profile and not (profile.exists() and profile.read_bytes() == words) else None
    refuse_existing(target, mine)
    if folder is not None and not folder.is_dir():
        raise UsageError(f"{folder} is not a folder")
    found, notices = _search(folder, target, progress) if folder else ([], [])
    items = list(_named(found, target))
    if mine:
        write_atomically(mine, words)
    try:
        write_atomically(target, _manifest_text(target, profile, items, wishes).encode())
        load_manifest(target)
    except BaseException:
        target.unlink(missing_ok=True)
        if mine:
            mine.unlink(missing_ok=True)
        raise
    made = tuple(NewItem(item_id, str(f.path), f.size_bytes, f.format) for item_id, f in items)
    return Started(target, profile, made, tuple(notices), copied=profile is not None and wishes.profile is not None)


def refuse_existing(target: Path, profile: Path | None) -> None:
    """Raises UsageError when the manifest, or the profile to be written beside it, is there."""
    for path in (target, profile):
        if path and path.exists():
            raise UsageError(f"{path} is there already and was left alone", hint="Choose another name, or use `add`.")


def profile_beside(target: Path) -> Path:
    """The profile that is started with a manifest."""
    return target.with_name(f"{target.stem}.machine.toml")


def _profile(target: Path, wishes: Wishes) -> tuple[Path | None, bytes]:
    """The profile that goes beside the manifest, and its text; None where the user named a file."""
    if wishes.profile is None:
        words = _PROFILE.format(name=json.dumps(wishes.machine, ensure_ascii=False))
        return profile_beside(target), words.encode()
    if wishes.profile.is_file() or (ready := profiles().get(str(wishes.profile))) is None:
        return None, b""
    return target.with_name(ready.name), ready.read_bytes()


def ready() -> Ready:
    """What there is to begin from."""
    listed = tuple(ReadyProfile(name, told(path), path) for name, path in profiles().items())
    return Ready(listed, manifests())


def _search(folder: Path, target: Path, progress: Progress) -> tuple[list[_Found], list[Notice]]:
    """The archives below a folder, in the order of their paths; what is none is told once."""
    files = sorted(path for path in folder.rglob("*") if path.is_file() and not path.name.startswith("."))
    if len(files) > MOST_FILES:
        raise UsageError(
            f"{folder} holds {len(files):,} files; {MOST_FILES:,} are the most", hint="Name a smaller folder."
        )
    found, notices = [], []
    progress.begin("new", "reading archives", sum(path.stat().st_size for path in files))
    for path in files:
        if path.resolve() == target.resolve():
            continue
        try:
            kind = format_of(path)
            if kind == "file":
                notices.append(
                    Notice(f"{path} is no archive and was left out", hint="`add` takes it as a single file.")
                )
            else:
                sha256 = file_sha256(path, partial(progress.advance, "new"))
                found.append(_Found(path, path.stat().st_size, sha256, kind))
        except OSError as error:
            raise StorageError(f"cannot be read: {error.strerror}", where=str(path)) from None
    progress.end("new")
    return found, notices


def format_of(path: Path) -> str:
    """The format of an archive by its content, and a compressed tar by its name; "file" for anything else."""
    from discprep.archives.base import HEAD_BYTES, Source
    from discprep.archives.formats import recognised

    with path.open("rb") as file:
        found = recognised(Source(file, path.stat().st_size, file.read(HEAD_BYTES), path.name))
    kind, named = found.name if found else "file", kind_by_name(path.name)
    return named if named == f"tar.{kind}" else kind


def _named(found: list[_Found], target: Path) -> Iterator[tuple[str, _Found]]:
    """An id for each file, from its name, no two alike."""
    taken: set[str] = set()
    for file in found:
        wish = slug(file.path.name)
        item_id = next(i for i in (wish, *(f"{wish}-{n}" for n in range(2, MOST_FILES + 2))) if i not in taken)
        taken.add(item_id)
        yield item_id, file


def slug(name: str) -> str:
    """An id from a file's name.

    >>> slug("IP Tools-1.2.tar.gz"), slug("Über Straßen.lha")
    ('ip-tools-1.2', 'uber-strassen')
    """
    stem = re.sub(r"(\.tar)?\.[A-Za-z0-9]{1,4}$", "", name)
    ascii_stem = plain(stem).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9.]+", "-", ascii_stem).strip("-.")[:60].strip("-.") or "item"


def title_and_version(name: str) -> tuple[str, str]:
    """A title and a version, guessed from a file's name.

    >>> title_and_version("ip_tools-1.2.lha")
    ('ip tools', '1.2')
    """
    stem = re.sub(r"(\.tar)?\.[A-Za-z0-9]{1,4}$", "", name)
    match = re.fullmatch(r"(.*?)[-_ ]?v?(\d+(?:\.\d+)+)", stem)
    title, version = (match[1], match[2]) if match and match[1] else (stem, "")
    return re.sub(r"[-_]+", " ", title).strip() or stem, version


def _text(value: str) -> str:
    """A TOML basic string: JSON's escapes are TOML's."""
    return json.dumps("".join(c for c in value if c.isprintable()), ensure_ascii=False)


def seen_from(target: Path, path: Path) -> str:
    """A path relative to a manifest where it lies below its folder, else absolute; with `/`."""
    absolute, base = path.resolve(), target.resolve().parent
    return (absolute.relative_to(base) if absolute.is_relative_to(base) else absolute).as_posix()


def _beside(path: Path, folder: Path) -> str:
    """A path as seen from a folder, with `/`; whole where no way leads there, as to another drive."""
    try:
        return Path(os.path.relpath(path, folder)).as_posix()
    except ValueError:
        return path.resolve().as_posix()


def _manifest_text(target: Path, profile: Path | None, items: list[tuple[str, _Found]], wishes: Wishes) -> str:
    title = wishes.title or target.stem.replace("-", " ").replace("_", " ")
    named = profile.name if profile else _beside(wishes.profile or Path(), target.resolve().parent)
    parts = [_HEAD.format(title=_text(title), profile=_text(named), medium=_text(wishes.medium))]
    if wishes.rate_bit_s:
        parts.append(_LINK.format(rate=wishes.rate_bit_s))
    for item_id, file in items:
        item_title, version = title_and_version(file.path.name)
        lines = ["[[item]]", f"id      = {_text(item_id)}", f"title   = {_text(item_title)}"]
        lines += [f"version = {_text(version)}"] if version else []
        lines += [f"sources = [{_text(seen_from(target, file.path))}]", f"size    = {file.size_bytes}"]
        lines += [f'sha256  = "{file.sha256}"', "gives   = []", "needs   = []", 'place   = "either"', ""]
        parts.append("\n".join(lines))
    return "\n".join(parts)


_HEAD = """\
format = 1
title  = {title}

[machine]
profile = {profile}

[medium]
kind   = {medium}
volume = "FIRSTDISC"
"""

_LINK = """\
# What runs over the serial line, as the machine is to be set, and the bridge at its other end.
[link]
rate     = {rate}
framing  = "8N1"
protocol = "slip"
mtu      = 576

[bridge]
rate = {rate}
"""

_PROFILE = """\
# A machine profile: what the vintage computer can take. `assumed` lists what nobody has tried yet.
format  = 1
name    = {name}
assumed = ["disc.name_rules", "disc.drive_speed", "disc.access_ms", "text.charset", "text.newline"]

[disc]
name_rules  = "iso-level-1"   # the form of names that every reader takes
drive_speed = 2
access_ms   = 400

[text]
charset = "ascii"
newline = "crlf"
"""

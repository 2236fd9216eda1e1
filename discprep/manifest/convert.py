"""From the checked tables of `schema.py` to the frozen records of `model.py`."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path
from typing import Literal
from urllib.parse import urlsplit

from discprep.errors import ManifestError
from discprep.machine import carries_scripts, known_charset, volume_key
from discprep.manifest import schema as s
from discprep.manifest.mapper import record, values
from discprep.manifest.media import MEDIA, boot_image_problem, system_area_problem
from discprep.manifest.source import Source
from discprep.manifest.substitute import RATE_MARKER, RATE_NAMES, secret_names, shorten, substitute
from discprep.model import (
    Edit,
    Expect,
    Form,
    Hashes,
    Item,
    Medium,
    Profile,
    Step,
    Volume,
)
from discprep.shapes import changes

SCHEMES = ("http", "https", "ftp")
HASHES = ("sha256", "sha1", "md5", "crc32")
CHARSETS = "Use a name such as latin-1, cp437, cp850 or utf-8."
NEWLINES = {"lf": "\n", "crlf": "\r\n", "cr": "\r"}
_SCHEME = re.compile(r"^[A-Za-z][A-Za-z0-9+.-]+:")

CLOSED, LEFT_OUT = ("packed", "both"), ("only", "leave", "nested")
"""Forms in which the archive itself arrives, and the keys that both of them contradict."""
Report = Callable[[ManifestError], None]
Sized = Callable[[int], tuple[str, str]]


def item_record(
    table: s.ItemTable, source: Source, index: int, names: Mapping[str, str], report: Report, *, whole: bool = True,
    form: Form | Literal["either"] = "either",
) -> Item:  # fmt: skip
    """One item, with the edits that are for this machine; faults that the schema cannot see are told to `report`. Of
    one that is not `whole`, what is missing may be among what the schema refused. `form`: where it says none."""
    where = source.where(("item", index))

    def fault(message: str, key: str = "", hint: str = "") -> None:
        place = source.where(("item", index, key)) if key else where
        report(ManifestError(message, where=place, item=table.id, hint=hint))

    for key, value in (("to", table.to), *(("rename", name) for name in table.rename.values())):
        if problem := path_problem(value):
            fault(f"{key} {value!r} {problem}", key)
    if table.charset is not None and not known_charset(table.charset):
        fault(
            f"no charset is called {table.charset!r}", "charset", CHARSETS
        )
    if whole and not (table.sources or table.page or _hashes(table).any):
        fault(
            "has no source, no page and no hash: nobody can find it", hint="Add sources = […], page = … or sha256 = …."
        )
    item = record(
        Item,
        values(table, {"title", "sources", *HASHES, "needs", "to", "edit", "form"}),
        title=table.title or table.id,
        sources=tuple(_source(text, table, source, fault) for text in table.sources),
        hashes=_hashes(table),
        form=table.form or form,
        needs=tuple(dict.fromkeys(table.needs)),
        to=table.to.strip("/"),
        edits=tuple(
            _edit(e, source, index, n, table.id, names, report)
            for n, e in enumerate(table.edit)
            if not e.for_ or names.get("machine.name") in e.for_
        ),
        where=where,
        pins_file=source.path.with_suffix(".pins.toml"),
    )
    keys = [key for key in changes(item) if item.form == "packed" or key in LEFT_OUT] if item.form in CLOSED else []
    if keys:
        words = f'form = "{item.form}" hands the archive over closed, where {" and ".join(keys)} cannot reach'
        ways = f'Give the item form = "unpacked", or no {" and no ".join(keys)}.'
        fault(words, "form" if table.form else keys[0], ways)
    return item


def _hashes(table: s.ItemTable) -> Hashes:
    return Hashes(**{kind: digest.lower() if (digest := getattr(table, kind)) else None for kind in HASHES})


def _source(text: str, table: s.ItemTable, source: Source, fault: Callable[[str, str, str], None]) -> str:
    """A URL as it is; a local path made absolute. A file outside the manifest's folder is read only when its
    hash is known already: so no manifest from elsewhere can put a stranger's private file on a disc."""
    if len(text) > 2 and _SCHEME.match(text):
        try:
            scheme, host = urlsplit(text).scheme.lower(), urlsplit(text).hostname
        except ValueError as error:
            fault(f"source {shorten(text)!r} is no URL: {error}", "sources", "")
            return text
        if scheme not in SCHEMES:
            fault(
                f"source {text!r}: the scheme {scheme!r} is not supported", "sources", "Use http, https, ftp or a path."
            )
        elif not host:
            fault(f"source {text!r} names no host", "sources", "")
        return text
    if "\0" in text:
        fault(f"source {text!r} has a NUL character", "sources", "")
        return text
    path = (source.path.parent / text).resolve()
    if not table.sha256 and not path.is_relative_to(source.path.parent.resolve()):
        fault(
            f"source {text!r} is a local file outside the manifest's folder and the item has no sha256",
            "sources",
            "Add the file's sha256, or move it below the manifest's folder.",
        )
    return str(path)


def _edit(
    table: s.EditTable, source: Source, index: int, number: int, item: str, names: Mapping[str, str], report: Report
) -> Edit:
    where = source.where(("item", index, "edit", number))
    if problem := member_problem(table.file):
        report(ManifestError(f"file {shorten(table.file)!r} {problem}", where=where, item=item))
    replace = fill(table.replace, names, where, item, report)
    find = table.find.replace("\r\n", "\n")
    at_any_rate = {**names, **{name: RATE_MARKER for name in RATE_NAMES if name in names}}
    follows = any(f"{{{name}}}" in table.replace for name in RATE_NAMES) and replace != table.replace
    template = fill(table.replace, at_any_rate, where, item, lambda told_already: None) if follows else replace
    return Edit(table.file, find, replace, table.times, where, bool(secret_names(replace)), template)


def fill(text: str, names: Mapping[str, str], where: str, item: str, report: Report, *, secrets: bool = True) -> str:
    """`substitute`, its fault reported instead of raised; the text itself is given back then."""
    try:
        filled = substitute(text, names, where, item=item)
    except ManifestError as error:
        report(error)
        return text
    if not secrets and secret_names(filled):
        report(ManifestError("a secret may stand in an edit's replace only", where=where, item=item))
        return text
    return filled


def path_problem(path: str) -> str:
    """What is wrong with a relative path with `/` between parts, in words; empty when it is safe."""
    if re.search(r"[\0-\x1f\x7f\\]", path):
        return "has a control character or a backslash; write / between folders"
    if path.startswith("/") or re.match(r"^[^/]*:", path):
        return "must be relative, without a drive or volume"
    if any(part in ("..", ".") for part in path.split("/")):
        return "must not climb with . or .. parts"
    return ""


def member_problem(path: str) -> str:
    """What is wrong with the stored path of a member, in words; empty when an archive can have it."""
    if re.search(r"[\0-\x1f\x7f]", path):
        return "has a control character"
    if path.startswith("/") or any(part in ("..", ".") for part in path.split("/")):
        return "must be a member's stored path: relative, without . or .. parts"
    return ""


def machine_path_problem(path: str) -> str:
    """What is wrong with a path on the machine, in whatever way it writes paths, in words; empty when it is safe."""
    if re.search(r"[\0-\x1f\x7f]", path) or not path.strip():
        return "is empty or has a control character"
    if any(part in ("..", ".") for part in re.split(r"[/\\:]", path)):
        return "must not climb with . or .. parts"
    return ""


def expect_record(table: s.ExpectTable, where: str, names: Mapping[str, str], report: Report) -> Expect:
    if problem := member_problem(table.file):
        report(ManifestError(f"file {shorten(table.file)!r} {problem}", where=where, item=table.item))
    equals = fill(table.equals, names, where, table.item, report, secrets=False)
    return Expect(table.item, table.file, table.pattern, equals, where)


def step_record(table: s.StepTable, where: str, names: Mapping[str, str], report: Report) -> Step:
    text = fill(table.text, names, where, "", report, secrets=False)
    for path in table.wipes:
        if problem := machine_path_problem(path):
            report(ManifestError(f"wipes {shorten(path)!r} {problem}", where=where))
    caution = fill(table.caution, names, where, "", report, secrets=False)
    return record(Step, values(table, {"text", "caution", "for_"}), text=text, caution=caution, where=where)


def medium_record(table: s.MediumTable, source: Source, report: Report) -> Medium:
    def inside(text: str | None, key: str, problem_of: Sized) -> Path | None:
        return inner_file(text, source, ("medium", key), report, problem_of)

    started = partial(boot_image_problem, table.boot_media, table.boot_load_sectors)
    return record(
        Medium,
        values(table, {"kind", "sectors", "boot_image", "system_area"}),
        kind=table.kind or "custom",
        sectors=table.sectors or MEDIA[table.kind or "cd-74"],
        boot_image=inside(table.boot_image, "boot_image", started),
        system_area=inside(table.system_area, "system_area", system_area_problem),
    )


def inner_file(
    text: str | None,
    source: Source,
    keys: tuple[str | int, ...],
    report: Report,
    problem_of: Sized = lambda size_bytes: ("", ""),
) -> Path | None:
    """A file that goes on the disc by its path: it must lie below the folder of the file that names it.

    Arguments:
        problem_of: its size [B] to what is wrong with that, and what to do; both empty where nothing is
    """
    if text is None:
        return None
    problem = path_problem(text)
    path = (source.path.parent / text).resolve() if not problem else source.path
    if problem or not path.is_relative_to(source.path.parent.resolve()):
        report(
            ManifestError(
                f"{keys[-1]} {text!r} {problem or 'leads outside the folder of this file'}", where=source.where(keys)
            )
        )
    elif not path.is_file():
        report(ManifestError(f"{keys[-1]}: there is no file {text!r}", where=source.where(keys)))
    elif (found := problem_of(path.stat().st_size))[0]:
        report(ManifestError(f"{keys[-1]} {shorten(text)!r} {found[0]}", where=source.where(keys), hint=found[1]))
    return path


def profile_record(table: s.ProfileTable, source: Source, report: Report) -> Profile:
    _text_faults(table.text, source, report)
    _twin_faults(table, source, report)
    boot_files = []
    for disc_path, host_path in table.disc.boot_files.items():
        if problem := path_problem(disc_path) or ("" if disc_path.strip("/") else "is empty"):
            report(ManifestError(f"boot file {disc_path!r} {problem}", where=source.where(("disc", "boot_files"))))
        if path := inner_file(host_path, source, ("disc", "boot_files", disc_path), report):
            boot_files.append((disc_path, path))
    return record(
        Profile,
        values(table, {"format", "disc", "volume", "text", "serial", "shell", "companion"}),
        values(table.disc, {"name_rules", "path", "boot_files", "names_shown"}),
        values(table.text, {"newline"}),
        values(table.serial, prefix="serial_"),
        values(table.companion, {"folder_content"}, prefix="companion_"),
        name_rules=tuple(dict.fromkeys(table.disc.name_rules)),
        disc_path=table.disc.path,
        names_shown=tuple(dict.fromkeys(table.disc.names_shown)),
        boot_files=tuple(boot_files),
        volumes=tuple(record(Volume, values(volume)) for volume in table.volume),
        newline=NEWLINES[table.text.newline],
        shell=table.shell.record() if table.shell else None,
        companion_folder_content=inner_file(
            table.companion.folder_content, source, ("companion", "folder_content"), report
        ),
        where=source.label,
    )


def _text_faults(text: s.TextTable, source: Source, report: Report) -> None:
    """Whether texts and scripts can be written as the profile says."""
    if not carries_scripts(text.charset):
        message = f"no charset is called {text.charset!r}"
        if known_charset(text.charset):
            message = f"the charset {text.charset!r} carries no scripts: it does not write each sign of ASCII as a byte"
        report(ManifestError(message, where=source.where(("text", "charset")), hint=CHARSETS))
        return
    try:
        text.end_mark.encode(text.charset)
    except UnicodeError:
        message = f"the charset {text.charset!r} lacks a character of the end mark {text.end_mark!r}"
        report(ManifestError(message, where=source.where(("text", "end_mark"))))


def _twin_faults(table: s.ProfileTable, source: Source, report: Report) -> None:
    """Two volumes of one path: no item could say which it means."""
    apart = table.shell.separator if table.shell else "/"
    first: dict[str, str] = {}
    for number, volume in enumerate(table.volume):
        where = source.where(("volume", number))
        key = volume_key(volume.path, apart, volume.case_sensitive)
        if key in first:
            message = f"two volumes have the path {shorten(volume.path)!r}: {first[key]} has it too"
            report(ManifestError(message, where=where, hint="Give one of them another path, or drop it."))
        first.setdefault(key, where)

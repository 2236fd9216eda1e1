"""Two lists that stand on the disc itself, in the machine's text form: what is on it under which names, and the
checksums of all its files, in the form that `sha256sum -c` takes. Where the machine's charset lacks a name of the disc,
the checksums stand in UTF-8, which other systems read.

As with the setup scripts, the lists are staged without content, mapped to names with everything else, and filled then.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import replace
from itertools import groupby
from pathlib import Path

from discprep.disc.contents import checksum_line, keep
from discprep.disc.setup.site import CONTENTS, disc_parts, second_parts
from discprep.disc.textform import approximate, encode_text, expressible
from discprep.machine import disc_title, full_title, names_shown
from discprep.model import Manifest, Named, NameShown, Profile, Staged

CHECKSUMS = "SHA256.TXT"
NAME_COLUMNS = 44


def list_files(work: Path) -> tuple[Staged, ...]:
    """The two lists as files that are still empty, to be mapped to names with everything else."""
    empty = keep(b"", work)
    return tuple(Staged((name,), "", empty, copied=False, fixed_name=True) for name in (CONTENTS, CHECKSUMS))


def fill_lists(named: Sequence[Named], manifest: Manifest, build_id: str, work: Path) -> tuple[Named, ...]:
    """The same files with the lists' content; everything else must have its own by now."""
    profile = manifest.profile
    contents = contents_text(named, manifest, build_id)
    listed = _with_text(named, CONTENTS, approximate(contents, profile.charset), profile, work)
    checksums = checksums_text(listed, names_shown(manifest))
    form = profile if expressible(checksums, profile.charset) else replace(profile, charset="utf-8")
    return _with_text(listed, CHECKSUMS, checksums, form, work)


def _with_text(named: Sequence[Named], name: str, text: str, form: Profile, work: Path) -> tuple[Named, ...]:
    content = keep(encode_text(text, form, where=name), work)
    return tuple(
        replace(entry, staged=replace(entry.staged, content=content, text=True))
        if entry.staged.name == (name,) and not entry.staged.item
        else entry
        for entry in named
    )


def contents_text(named: Sequence[Named], manifest: Manifest, build_id: str) -> str:
    """Every file by item: its path on the disc, its size in bytes, and its own name where that is another."""
    volume = f"Volume {manifest.medium.volume}, build {build_id}; sizes in bytes"
    lines = [f"{disc_title(manifest)}: what is on this disc", volume]
    files = [entry for entry in named if entry.staged.content and entry.staged.name != (CONTENTS,)]
    for item_id, entries in groupby(sorted(files, key=_item_first(manifest)), lambda entry: entry.staged.item):
        lines += ["", _heading(item_id, manifest), *(_line(entry, names_shown(manifest)) for entry in entries)]
    return "\n".join([*lines, ""])


def _item_first(manifest: Manifest) -> Callable[[Named], tuple[int, tuple[str, ...]]]:
    order = {item.id: number for number, item in enumerate(manifest.items)}
    shown = names_shown(manifest)

    def key(entry: Named) -> tuple[int, tuple[str, ...]]:
        return order.get(entry.staged.item, -1), disc_parts(entry, shown)

    return key


def _heading(item_id: str, manifest: Manifest) -> str:
    if not item_id:
        return "The disc's own files"
    return full_title(manifest.item(item_id))


def _line(entry: Named, shown: Collection[NameShown]) -> str:
    path, staged = "/".join(disc_parts(entry, shown)), entry.staged
    known = staged.content and staged.name != (CHECKSUMS,)  # that list is written after this one
    size = str(staged.content.size_bytes) if known and staged.content else "-"
    own = staged.member or "/".join(staged.name)
    remarks = [f"-> {entry.link}"] if entry.link else []
    remarks += [] if path.casefold().endswith(own.casefold()) else [own]
    remarks += [f"for {staged.rate_bit_s:,} bit/s"] if staged.rate_bit_s else []
    return "  ".join([f"  {path.ljust(NAME_COLUMNS)} {size:>10}", *remarks])


def checksums_text(named: Sequence[Named], shown: Collection[NameShown] = ()) -> str:
    """SHA-256, two spaces and the path for each file, sorted by path; the list itself is not in it."""
    sums: dict[str, str] = {}
    for entry in named:
        if (content := entry.staged.content) and not entry.link and entry.staged.name != (CHECKSUMS,):
            sums["/".join(disc_parts(entry, shown))] = content.sha256
            if entry.second:
                sums["/".join(second_parts(entry, shown))] = content.sha256
    return "".join(checksum_line(sums[path], path) for path in sorted(sums))

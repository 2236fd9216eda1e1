"""The scripts that install a disc on the machine, in its own command language, from its profile alone.

Names on the disc depend on every file of it, scripts included, and scripts hold names: so the tool's files are
staged first without their content (`setup_files`), mapped with all others, and filled then (`setup_scripts`).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from discprep.disc.contents import content_checksum, keep, keep_pieces
from discprep.disc.parts import Part, packed_only, parts
from discprep.disc.setup.files import Files
from discprep.disc.setup.flow import Node, write_out
from discprep.disc.setup.language import Language
from discprep.disc.setup.plain import Plain
from discprep.disc.setup.script import Scripts, Variants, copied
from discprep.disc.setup.site import CONTENTS, FOLDERS, OLD, ROOM, START, Site, called_stems, part_name, work_name
from discprep.disc.textform import encode_lines
from discprep.errors import DiscprepError, NameRuleError
from discprep.machine import MachinePath, forgotten, script_ending, script_language, volumes_of
from discprep.manifest.substitute import substitute
from discprep.model import Content, Manifest, Named, Notice, Shell, Staged

__all__ = ["SetupResult", "setup_files", "setup_scripts", "unsaved"]

ROOM_BYTES = 8192


@dataclass(frozen=True, slots=True)
class SetupResult:
    """All named files, the scripts with their content. Usable when `errors` is empty."""

    named: tuple[Named, ...]
    parts: tuple[Part, ...] = ()
    notices: tuple[Notice, ...] = ()
    errors: tuple[DiscprepError, ...] = ()


def setup_files(
    manifest: Manifest, staged: Sequence[Staged], rates: Sequence[int], work: Path, *, present: Collection[str] = ()
) -> tuple[Staged, ...]:
    """The scripts of a disc as files that are still empty, to be mapped to names with everything else.

    Arguments:
        staged: what the disc carries; its items are split into parts
        rates: line rates [bit/s] that both ends can hold, for one settings script each
        present: ids already on the machine, or on an earlier disc
    """
    shell = script_language(manifest.profile)
    if shell is None:
        return ()
    burned = {entry.item for entry in staged if entry.item}
    numbers = range(1, len(parts(manifest, burned, present, packed_only(staged))) + 1)
    names = own = [part_name(shell, number) for number in numbers]
    ending = script_ending(shell)
    if shell.conditions:
        names = [*own, shell.undo_name]
        if shell.call:
            names += [stem + ending for stem in (*called_stems(shell), OLD)]
            names += [work_name(shell, number) for number in numbers]
        names += [START + ending] if forgotten(manifest, burned) else []
    elif shell.stops_at_failure:
        names = [*own, FOLDERS + ending]
    names = names + [_rate_name(shell, rate) for rate in rates if _has_settings(shell, staged)]
    names += [ROOM + ending] if shell.if_full else []
    tool_file = Staged((shell.folder,), "", keep(b"", work), important=True, copied=False, fixed_name=True)
    return tuple(replace(tool_file, name=(shell.folder, name)) for name in names)


def _rate_name(shell: Shell, rate_bit_s: int) -> str:
    return substitute(shell.rate_name, {"rate": str(rate_bit_s)})


def _padding(language: Language) -> list[str]:
    """Remarks before the room file's own lines: it takes ROOM_BYTES, and one cut short does not reach its answer."""
    remark = list(write_out(language.comment("room " * 14), language.shell, language.fits))
    return remark * (ROOM_BYTES // len("".join(remark))) if remark else []


def _has_settings(shell: Shell, staged: Iterable[Staged]) -> bool:
    return bool(shell.line_settings) or any(entry.rate_bit_s for entry in staged)


def setup_scripts(
    named: Sequence[Named],
    manifest: Manifest,
    build_id: str,
    rates: Sequence[int],
    work: Path,
    *,
    present: Collection[str] = (),
) -> SetupResult:
    """The same files with the scripts' content.

    Arguments:
        named: everything on the disc, in the order of the extents, `setup_files` among it
        build_id: hexadecimal digits; marks on the machine begin with its first five
        rates, present: as given to `setup_files`
        work: where the scripts are written, under their hash
    """
    shell = script_language(manifest.profile)
    if shell is None:
        return SetupResult(tuple(named), notices=_no_scripts(manifest))
    burned = {entry.staged.item for entry in named if entry.staged.item}
    of_disc = parts(manifest, burned, present, packed_only(entry.staged for entry in named))
    language = Language(shell, manifest.profile)
    site = Site(manifest, shell, build_id, len(of_disc), volumes_of(manifest))
    checksum = partial(content_checksum, kind=shell.checksum_kind) if shell.checksum_kind else None
    files = Files(site, language, checksum)
    scripts = Scripts(files, _tools(named, site), _variants(named, shell, rates))
    written: dict[str, Content] = {}
    errors: list[DiscprepError] = []

    def write(name: str, lines: Iterable[str]) -> None:
        written[name] = keep_pieces(encode_lines(language.arguments(lines), manifest.profile, where=name), work)

    for name, nodes in _all_scripts(scripts, named, of_disc, rates):
        try:
            write(name, write_out(nodes(), shell, language.fits, scripts.closing()))
        except NameRuleError as error:
            errors.append(NameRuleError(error.message, where=name, hint=error.hint))
    if shell.if_full:
        write(ROOM + script_ending(shell), [*_padding(language), *language.room_answer()])
    notices = [*_approximated(language), *_foreign_attributes(named, shell)]
    filled = tuple(_filled(entry, shell, written) for entry in named)
    return SetupResult(filled, of_disc, tuple(notices), tuple(errors))


def unsaved(manifest: Manifest) -> Iterator[NameRuleError]:
    """What the scripts could not save before a step wipes it, at the step: found by writing just those commands, before
    it is known which items a disc has."""
    shell = script_language(manifest.profile)
    if shell is None or not shell.conditions:
        return
    language = Language(shell, manifest.profile)
    scripts = Scripts(Files(Site(manifest, shell, "0" * 8, 1, {}), language, None), {}, {})
    for step in manifest.steps:
        try:
            deque(write_out(scripts.saving(step), shell, language.fits), maxlen=0)
        except NameRuleError as error:
            hint = "Leave it out of `wipes`, and say in the step's `text` how to save it by hand."
            yield NameRuleError(f"wipes: {error.message}", where=step.where, hint=hint)


def _no_scripts(manifest: Manifest) -> tuple[Notice, ...]:
    if not any(item.use == "copy" for item in manifest.items):
        return ()
    lacking = "no [shell] section" if manifest.profile.shell is None else "no [[volume]]"
    return (
        Notice(
            f"the machine profile has {lacking}, so no setup script is written: the files are copied by hand",
            where=manifest.profile.where,
        ),
    )


def _tools(named: Sequence[Named], site: Site) -> dict[str, MachinePath]:
    """The tool's own files on the disc, by wanted name."""
    own = [(entry.staged.name, entry) for entry in named if not entry.staged.item]
    return {name[-1]: site.on_disc(entry) for name, entry in own if name[0] in (site.shell.folder, CONTENTS)}


def _variants(named: Sequence[Named], shell: Shell, rates: Sequence[int]) -> dict[str, Variants]:
    """The script for each rate by its name, with the settings files for that rate and what they stand for."""
    if not _has_settings(shell, (entry.staged for entry in named)):
        return {}
    originals = {entry.staged.name: entry for entry in named if entry.staged.copied}
    return {
        _rate_name(shell, rate): [
            (entry, originals[entry.staged.stands_for])
            for entry in named
            if entry.staged.rate_bit_s == rate and entry.staged.stands_for in originals
        ]
        for rate in rates
    }


def _all_scripts(
    scripts: Scripts, named: Sequence[Named], of_disc: Sequence[Part], rates: Sequence[int]
) -> Iterator[tuple[str, Callable[[], list[Node]]]]:
    """Each script's name, and what makes it; one after another, so that each has its own faults."""
    shell, ending = scripts.site.shell, script_ending(scripts.site.shell)
    writer = scripts if shell.conditions else Plain(scripts.files, scripts.tools, scripts.rates)
    of_part = [(part, copied(named, part.items)) for part in of_disc]
    for part, entries in of_part:
        yield part_name(shell, part.number), partial(writer.part, part, entries)
        if shell.call and shell.conditions:
            yield work_name(shell, part.number), partial(scripts.work, part, entries)
    if isinstance(writer, Plain):
        if shell.stops_at_failure:
            yield FOLDERS + ending, partial(writer.folders, [entry for _, entries in of_part for entry in entries])
    else:
        if shell.call:
            yield from scripts.called().items()
            yield OLD + ending, partial(scripts.share, of_part)
        yield shell.undo_name, partial(scripts.undo, of_part)
        again = forgotten(scripts.site.manifest, [item for part in of_disc for item in part.items])
        if again:
            brought = [entry for _, entries in of_part for entry in copied(entries, again)]
            yield START + ending, partial(scripts.start, brought, START + ending)
    for rate in rates:
        if (name := _rate_name(shell, rate)) in scripts.rates:
            yield name, partial(writer.rate, rate, name)


def _filled(entry: Named, shell: Shell, written: Mapping[str, Content]) -> Named:
    """The entry with its script, if it is one."""
    staged = entry.staged
    if staged.item or staged.name[:-1] != (shell.folder,) or staged.name[-1] not in written:
        return entry
    return replace(entry, staged=replace(staged, content=written[staged.name[-1]], text=True))


def _approximated(language: Language) -> Iterator[Notice]:
    for text in language.approximated:
        yield Notice(
            f"the machine's charset {language.profile.charset} lacks characters of the message {text[:60]!r}; "
            "the script shows it without them"
        )


def _foreign_attributes(named: Iterable[Named], shell: Shell) -> Iterator[Notice]:
    """Items whose attribute bits or comments the machine's language cannot give back."""
    lost: dict[str, set[str]] = {}
    for entry in named:
        staged = entry.staged
        if staged.comment and not shell.set_comment:
            lost.setdefault(staged.item, set()).add("comments")
        foreign = staged.attribute_system not in ("", "unix", shell.attribute_system)
        if staged.attributes is not None and foreign:
            lost.setdefault(staged.item, set()).add(f"attribute bits of a {staged.attribute_system} system")
    for item, what in sorted(lost.items()):
        yield Notice(f"the machine's language cannot give back {' and '.join(sorted(what))}", item=item)


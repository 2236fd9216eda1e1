"""Edits of text files with exact match counts. Pure.

All edits of a file look at the file as it was, so their order does not matter; two that touch the same
characters contradict each other. Patterns see LF for every newline; characters outside a match keep their bytes.
"""

from __future__ import annotations

import difflib
import re
from bisect import bisect_left
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from discprep.disc.textform import Body, decode, line_numbers, own_newline, to_lf
from discprep.errors import DiscprepError, EditError, raise_all
from discprep.manifest.substitute import RATE_MARKER, mask, reveal, secret_names, shorten
from discprep.model import AppliedEdit, Edit, Notice

SIMILAR = 0.6  # a line at least so like the pattern is shown when nothing matches


@dataclass(frozen=True, slots=True)
class Edited:
    """A file after its edits, and each edit as done."""

    data: bytes
    applied: tuple[AppliedEdit, ...] = ()


@dataclass(frozen=True, slots=True)
class _Span:
    """One match in the text with LF newlines."""

    start: int
    end: int
    edit: Edit


def apply_edits(
    data: bytes, edits: Sequence[Edit], *, item: str, charset: str, secrets: Mapping[str, str] | None = None
) -> Edited:
    """A file's bytes with its edits applied.

    Arguments:
        data: the file; its own charset and newline are kept
        edits: all edits of this one file
        charset: the machine's charset, which a file without other signs is taken to have
        secrets: values by name; None writes their mask, for a look before the build

    Raises:
        EditError, Faults: an edit matches too often or never, or overlaps another; a replacement that the file's
            charset cannot express. All faults of the file at once
    """
    body = decode(data, charset)
    text = to_lf(body.text)
    faults: list[DiscprepError] = []
    spans: list[_Span] = []
    for edit in edits:
        starts = list(_starts(text, edit.find))
        fault = _count_fault(text, edit, starts, item)
        if fault:
            faults.append(fault)
        else:
            spans += [_Span(start, start + len(edit.find), edit) for start in starts]
    spans.sort(key=lambda span: (span.start, span.end))
    faults += _overlaps(text, spans, item)
    raise_all(faults)
    write = mask if secrets is None else lambda replace: reveal(replace, secrets)
    return Edited(_splice(body, text, spans, write, item), tuple(_applied(text, edit, spans, item) for edit in edits))


def at_rate(edit: Edit, rate_bit_s: int) -> Edit:
    """The same edit for another line rate."""
    replace = edit.template.replace(RATE_MARKER, str(rate_bit_s))
    return Edit(edit.file, edit.find, replace, edit.times, edit.where, bool(secret_names(replace)), edit.template)


def follows_rate(edit: Edit) -> bool:
    """Whether the line rate stands in what an edit writes."""
    return RATE_MARKER in edit.template


def _starts(text: str, find: str) -> Iterator[int]:
    """Where `find` stands, matches that overlap each other included."""
    start = text.find(find)
    while start >= 0:
        yield start
        start = text.find(find, start + 1)


def _line(text: str, offset: int) -> int:
    return text.count("\n", 0, offset) + 1


def _count_fault(text: str, edit: Edit, starts: Sequence[int], item: str) -> EditError | None:
    where = f"{edit.where}: {edit.file}" if edit.where else edit.file
    pattern = repr(shorten(edit.find))
    if any(after - before < len(edit.find) for before, after in pairwise(starts)):
        lines = line_numbers(_line(text, start) for start in starts)
        return EditError(
            f"the matches of {pattern} overlap each other ({lines}); nothing was changed",
            where=where,
            item=item,
            hint="Make `find` longer, so that each match stands alone.",
        )
    if len(starts) == edit.times:
        return None
    found = f"found it in {line_numbers(_line(text, s) for s in starts)}" if starts else "found it nowhere"
    return EditError(
        f"expected {pattern} {_times(edit.times)}, {found} ({_times(len(starts))}); nothing was changed",
        where=where,
        item=item,
        hint=f"Set times = {len(starts)} if all are meant, or make `find` longer." if starts else _nearest(text, edit),
    )


def _times(count: int) -> str:
    return {0: "never", 1: "once", 2: "twice"}.get(count, f"{count} times")


def _nearest(text: str, edit: Edit) -> str:
    """Where something like the pattern stands; a file of the wrong version or another spelling are usual."""
    lines = text.split("\n")[:20_000]
    first = edit.find.strip("\n").split("\n")[0]
    folded = [" ".join(line.split()).casefold() for line in lines]
    wanted = " ".join(first.split()).casefold()
    same = next((n for n, line in enumerate(folded) if wanted and wanted in line), None)
    if same is None:
        near = difflib.get_close_matches(wanted, folded, 1, SIMILAR)
        same = folded.index(near[0]) if near else None
    if same is None:
        return "Look at the file: discprep unpack ARCHIVE DIR."
    return f"Line {same + 1} is near: {shorten(lines[same])!r}."


def _overlaps(text: str, spans: Sequence[_Span], item: str) -> Iterator[EditError]:
    for one, other in pairwise(spans):
        if other.start < one.end and one.edit is not other.edit:
            yield EditError(
                f"two edits touch the same characters in line {_line(text, other.start)}: {shorten(one.edit.find)!r} "
                f"({one.edit.where}) and {shorten(other.edit.find)!r}; nothing was changed",
                where=f"{other.edit.where}: {other.edit.file}",
                item=item,
                hint="Make one edit of the two.",
            )


def _splice(body: Body, text: str, spans: Sequence[_Span], write: Callable[[str], str], item: str) -> bytes:
    """The stored text with each span replaced; everything else keeps its characters and newlines."""
    wide = [match.start() - n for n, match in enumerate(re.finditer("\r\n", body.text))]

    def stored(offset: int) -> int:
        return offset + bisect_left(wide, offset)

    newline = own_newline(body.text)
    pieces, done = [], 0
    for span in spans:
        replacement = to_lf(write(span.edit.replace)).replace("\n", newline)
        pieces += [body.text[done : stored(span.start)], _expressible(replacement, body, span.edit, item)]
        done = stored(span.end)
    return body.encode("".join(pieces) + body.text[done:])


def _expressible(replacement: str, body: Body, edit: Edit, item: str) -> str:
    try:
        replacement.encode(body.charset)
    except UnicodeEncodeError as error:
        character = replacement[error.start]
        raise EditError(
            f"the file is {body.charset}, which cannot express {character!r} (U+{ord(character):04X}) of the "
            "replacement; nothing was changed",
            where=f"{edit.where}: {edit.file}",
            item=item,
            hint="Use a character the charset has.",
        ) from None
    return replacement


def _applied(text: str, edit: Edit, spans: Sequence[_Span], item: str) -> AppliedEdit:
    """The lines an edit touches, before and after; a secret's value never among them."""
    before: list[str] = []
    after: list[str] = []
    for span in spans:
        if span.edit is edit:
            start = text.rfind("\n", 0, span.start) + 1
            end = text.find("\n", span.end)
            end = len(text) if end < 0 else end
            before += text[start:end].split("\n")
            after += (text[start : span.start] + mask(edit.replace) + text[span.end : end]).split("\n")
    return AppliedEdit(item, edit.file, edit.find, mask(edit.replace), edit.times, tuple(before), tuple(after))


# ------------------------------------------------------------------------------- names that files mention

_WORD = re.compile(r"[^\s\"'`=,;:()<>\[\]{}|/\\]+")


def renamed_mentions(text: str, renamed: Mapping[str, str], *, item: str, file: str) -> tuple[Notice, ...]:
    """Where a file mentions another by a name it will not have on the machine.

    Arguments:
        text: the file as it will stand on the machine
        renamed: old base name, case-folded -> new base name
    """
    folded = to_lf(text).casefold()
    spaced = [name for name in renamed if _WORD.fullmatch(name) is None and name in folded]
    found: dict[str, list[int]] = {}
    for number, line in enumerate(folded.split("\n"), 1):
        words = {word.rstrip(".!?") for word in _WORD.findall(line)} | set(_WORD.findall(line))
        for name in [*(word for word in words if word in renamed), *(name for name in spaced if name in line)]:
            found.setdefault(name, []).append(number)
    return tuple(_mention(name, renamed[name], lines, item, file) for name, lines in sorted(found.items()))


def _mention(name: str, new: str, lines: Iterable[int], item: str, file: str) -> Notice:
    return Notice(
        f"{line_numbers(lines)} may mean the file {name!r}, which will be called {new!r}",
        where=file,
        item=item,
        hint="If it does, change it with an [[item.edit]], or give the file another name with `rename`.",
    )

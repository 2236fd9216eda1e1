"""Text as the machine wants it: charset, newline, end mark. Pure.

A file's own charset is nowhere stored, so it is found: a byte order mark says it; bytes that are valid UTF-8
beyond ASCII are UTF-8; else the machine's charset, where it gives the same bytes back; else latin-1, which reads
any bytes.
"""

from __future__ import annotations

import codecs
import re
import unicodedata
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import islice

from discprep.errors import EditError
from discprep.model import Profile

MOST_CHARACTERS_TOLD = 8
LINES_AT_ONCE = 5_000
END_MARK = "\x1a"  # what DOS-class systems end a text with; taken off before the machine's own is added
_MARKS = ((codecs.BOM_UTF8, "utf-8"), (codecs.BOM_UTF16_LE, "utf-16-le"), (codecs.BOM_UTF16_BE, "utf-16-be"))
_NEWLINE = re.compile(r"\r\n|\r|\n")
# What typesetters write and old charsets lack, as typewriters wrote it.
_PLAINER = str.maketrans(
    {
        "‘": "'",
        "’": "'",
        "“": '"',
        "”": '"',
        "–": "-",
        "—": "-",
        "…": "...",
        "\xa0": " ",
        "ß": "ss",
        "×": "x",
        "→": "->",
    }
)


@dataclass(frozen=True, slots=True)
class Body:
    """A text file in memory: `encode(text)` gives back exactly the bytes it was decoded from."""

    text: str  # newlines as stored
    charset: str
    mark: bytes = b""

    def encode(self, text: str) -> bytes:
        """Another text in this file's charset. Raises UnicodeEncodeError."""
        return self.mark + text.encode(self.charset)


def decode(data: bytes, charset: str) -> Body:
    """The bytes as text; `charset` is the machine's. Never fails, and never loses a byte."""
    for mark, marked in _MARKS:
        if data.startswith(mark) and (text := _faithful(data[len(mark) :], marked)) is not None:
            return Body(text, marked, mark)
    for candidate in (charset,) if data.isascii() else ("utf-8", charset):
        if (text := _faithful(data, candidate)) is not None:
            return Body(text, candidate)
    return Body(data.decode("latin-1"), "latin-1")


def _faithful(data: bytes, charset: str) -> str | None:
    """The text, if encoding it again gives the same bytes."""
    try:
        text = data.decode(charset)
        return text if text.encode(charset) == data else None
    except (UnicodeError, LookupError):
        return None


def to_lf(text: str) -> str:
    """The text with LF for each newline of any kind."""
    return _NEWLINE.sub("\n", text)


def own_newline(text: str) -> str:
    """The newline a text uses most; LF for a text of one line."""
    found = [match[0] for match in _NEWLINE.finditer(text)]
    return max(("\n", "\r\n", "\r"), key=found.count) if found else "\n"


def encode_lines(lines: Iterable[str], profile: Profile, *, where: str = "") -> Iterator[bytes]:
    """Lines in the machine's form, piece by piece. Raises EditError as `encode_text`."""
    waiting, number = iter(lines), 1
    plain = replace(profile, end_mark="")
    while some := list(islice(waiting, LINES_AT_ONCE)):
        yield encode_text("\n".join([*some, ""]), plain, where=where, first_line=number)
        number += len(some)
    yield profile.end_mark.encode(profile.charset)


def encode_text(text: str, profile: Profile, *, where: str = "", item: str = "", first_line: int = 1) -> bytes:
    """A text with LF newlines in the machine's form; `first_line` is the number of its first.

    Raises:
        EditError: characters the charset lacks, each with its lines
    """
    try:
        return (text.replace("\n", profile.newline) + profile.end_mark).encode(profile.charset)
    except UnicodeEncodeError:
        lacking = "; ".join(_told(lacking_characters(text, profile.charset, first_line)))
        raise EditError(
            f"the machine's charset {profile.charset} cannot express {lacking}; nothing was written",
            where=where,
            item=item,
            hint="Replace these characters with an [[item.edit]], or leave the file out of the item's `text`.",
        ) from None


def machine_text(data: bytes, profile: Profile, *, where: str, item: str) -> bytes:
    """A whole text file in the machine's charset, newline and end mark.

    Raises:
        EditError: it has NUL bytes, so it is no text, or characters the charset lacks
    """
    text = to_lf(decode(data, profile.charset).text).rstrip(END_MARK)
    if "\0" in text:
        line = text[: text.index("\0")].count("\n") + 1
        raise EditError(
            f"expected a text, got a NUL byte in line {line}; it was not converted",
            where=where,
            item=item,
            hint="Leave it out of the item's `text`.",
        )
    return encode_text(text, profile, where=where, item=item)


def lacking_characters(text: str, charset: str, first_line: int = 1) -> dict[str, list[int]]:
    """Each character the charset lacks with the lines it stands in, counted from `first_line`."""
    lacking: dict[str, list[int]] = {}
    for number, line in enumerate(text.split("\n"), first_line):
        for character in dict.fromkeys(line):
            if not expressible(character, charset):
                lacking.setdefault(character, []).append(number)
    return lacking


def expressible(text: str, charset: str) -> bool:
    """Whether the charset has every character of a text."""
    try:
        text.encode(charset)
    except UnicodeEncodeError:
        return False
    return True


def _told(lacking: dict[str, list[int]]) -> Iterator[str]:
    for character, lines in list(lacking.items())[:MOST_CHARACTERS_TOLD]:
        name = unicodedata.name(character, "a character without a name")
        yield f"{character!r} (U+{ord(character):04X} {name}) in {line_numbers(lines)}"
    if len(lacking) > MOST_CHARACTERS_TOLD:
        yield f"and {len(lacking) - MOST_CHARACTERS_TOLD} more"


def line_numbers(lines: Iterable[int], most: int = 8) -> str:
    """`line 3`, `lines 3, 5`, cut where there are many."""
    numbers = list(dict.fromkeys(lines))
    shown = ", ".join(map(str, numbers[:most])) + (", …" if len(numbers) > most else "")
    return f"line{'s' if len(numbers) > 1 else ''} {shown}"


def approximate(text: str, charset: str) -> str:
    """A text for the machine's screen: what its charset lacks is said without accents, at worst as `?`.

    Only for the tool's own messages; files are never approximated.
    """
    if expressible(text, charset):
        return text
    plainer = unicodedata.normalize("NFKC", text).translate(_PLAINER)
    return "".join(one if expressible(one, charset) else _without_marks(one, charset) for one in plainer)


def _without_marks(character: str, charset: str) -> str:
    parts = [c for c in unicodedata.normalize("NFKD", character) if not unicodedata.combining(c)]
    return "".join(c if expressible(c, charset) else "?" for c in parts)

"""How one tree names things: ISO 9660 levels 1 to 3 (ECMA-119 §7.5, §7.6, §10), Joliet, Rock Ridge, a volume. Pure."""

from __future__ import annotations

import re
import sys
import unicodedata
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Protocol

from discprep.model import NameRule, Volume

D_CHARACTERS = frozenset("ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_")
_NOT_D = re.compile("[^A-Z0-9_]")
DEVICES = frozenset(
    ["CON", "PRN", "AUX", "NUL", "CLOCK"] + [f"{port}{n}" for port in ("COM", "LPT") for n in range(1, 10)]
)
"""Names that hang or vanish on a DOS-class machine, with any extension: never used on a disc."""

JOLIET_CHARACTERS = 64  # of two bytes: 128 bytes (Joliet specification, 1995)
UCS2_LAST = 0xFFFF  # the last code point that its two bytes can name
ROCK_RIDGE_BYTES = 100  # longer ones make one common reader refuse the image
JOLIET_FORBIDDEN = frozenset('*/:;?\\"<>|')  # the last four beyond the standard: Joliet's readers refuse them
LONG_EXTENSION = 15  # characters of an extension that shortening keeps


class Rule(Protocol):
    """How one tree names things. A name is handled as stem and extension; joined, they are the name. What a rule does
    not say itself is as here."""

    label: str  # what it names, for messages: "disc", "Joliet", "machine"

    def split(self, name: str, folder: bool) -> tuple[str, str]:
        """Stem and extension in legal characters, not yet shortened."""

    def length(self, text: str) -> int:
        """How long a text is, in the unit of the rule's limit: characters, or bytes of a charset."""
        return len(text)

    def room(self, extension: str, folder: bool) -> int:
        """How long a stem may be beside this extension, in the unit of `length`."""

    def cut(self, stem: str, room: int) -> str:
        """The stem, shortened to a length."""
        return stem[:room]

    def join(self, stem: str, extension: str, folder: bool) -> str:
        """The name as it stands in the tree."""
        return f"{stem}.{extension}" if extension else stem

    def key(self, name: str) -> str:
        """Equal for names that the tree's reader takes for one."""

    def reserved(self, name: str) -> bool:
        """True for a name that the machine takes for a device."""
        return False

    def extension(self, extension: str) -> str:
        """The extension, shortened."""
        return extension

    @property
    def pairs_by_stem(self) -> bool:
        """True where a companion shares the stem only, False where it takes the whole name in its pattern."""


def split_last(name: str, folder: bool) -> tuple[str, str]:
    """Stem and extension at the last dot; a folder has no extension, and a first dot splits nothing."""
    at = name.rfind(".")
    return (name, "") if folder or at <= 0 else (name[:at], name[at + 1 :])


_SPELLED = str.maketrans({
    "ß": "ss", "ẞ": "SS", "æ": "ae", "Æ": "AE", "œ": "oe", "Œ": "OE", "ø": "o", "Ø": "O", "đ": "d", "Đ": "D",
    "ð": "d", "Ð": "D", "þ": "th", "Þ": "TH", "ł": "l", "Ł": "L", "ħ": "h", "Ħ": "H", "ı": "i", "ŋ": "n", "Ŋ": "N",
})  # fmt: skip
"""Latin letters that Unicode does not decompose, as they are spelled without them (common practice, no source)."""


@lru_cache(maxsize=4096)
def plain(text: str) -> str:
    """Letters without their accents, for every tree alike: compatibility decomposition, combining marks dropped.

    >>> plain("Fahrplän"), plain("Straße"), plain("Łódź")
    ('Fahrplan', 'Strasse', 'Lodz')
    """
    if text.isascii():
        return text
    spelled = text.translate(_SPELLED)
    return "".join(c for c in unicodedata.normalize("NFKD", spelled) if not unicodedata.combining(c))


_PACKED_TAR = re.compile(r"(?i)(.+)\.tar\.(gz|bz2|xz)")


def short_ending(name: str) -> str:
    """A name whose two endings become one of three letters, as on systems that have room for one (common practice).

    >>> short_ending("tools.tar.gz"), short_ending("tools.gz")
    ('tools.tgz', 'tools.gz')
    """
    found = _PACKED_TAR.fullmatch(name)
    if not found:
        return name
    return f"{found[1]}.{'T' if found[2].isupper() else 't'}{found[2][:2]}"


@dataclass(frozen=True, slots=True)
class IsoRule(Rule):
    """ISO 9660 level 1, 2 or 3: d-characters; 8+3 at level 1, 30 in all above it; folders 8 or 31."""

    level: int
    label: str = "disc"
    pairs_by_stem: bool = True

    def split(self, name: str, folder: bool) -> tuple[str, str]:
        name = short_ending(name) if self.level == 1 and not folder else name
        stem, extension = (_NOT_D.sub("_", plain(part).upper()) for part in split_last(name, folder))
        return stem or "_", extension

    def extension(self, extension: str) -> str:
        return extension[: 3 if self.level == 1 else LONG_EXTENSION]

    def room(self, extension: str, folder: bool) -> int:
        if self.level == 1:
            return 8
        return 31 if folder else 30 - len(extension)

    def join(self, stem: str, extension: str, folder: bool) -> str:
        return stem if folder else f"{stem}.{extension}"

    def key(self, name: str) -> str:
        return name.removesuffix(".")

    def reserved(self, name: str) -> bool:
        return name.partition(".")[0] in DEVICES


@dataclass(frozen=True, slots=True)
class LongRule(Rule):
    """A tree of long names: some characters are forbidden, the whole name has a limit in characters or bytes."""

    label: str
    limit: int
    forbidden: frozenset[str]
    charset: str  # what it lacks loses its accents or becomes "_"
    case_sensitive: bool
    unit_bytes: int = 1  # of the charset, in which the limit counts
    last: int = sys.maxunicode  # the last code point that a name may have
    known: str = ""  # a narrower charset, whose characters alone are taken
    pairs_by_stem: bool = False

    def split(self, name: str, folder: bool) -> tuple[str, str]:
        clean = _clean(name, self.forbidden, self.known or self.charset, self.last)
        if clean.strip(".") == "":
            clean = clean.replace(".", "_") or "_"
        stem, extension = split_last(clean, folder)
        return (stem, extension) if 0 < len(extension) <= LONG_EXTENSION else (clean, "")

    def room(self, extension: str, folder: bool) -> int:
        return self.limit - (self.length(extension) + 1 if extension else 0)

    def length(self, text: str) -> int:
        return len(text.encode(self.charset)) // self.unit_bytes

    def cut(self, stem: str, room: int) -> str:
        if self.length(stem) <= room:
            return stem
        kept = stem[:room]
        while self.length(kept) > room:
            kept = kept[:-1]
        return kept

    def key(self, name: str) -> str:
        # Readers that do not tell capitals apart drop last dots and spaces too.
        return name if self.case_sensitive else unicodedata.normalize("NFC", name).casefold().rstrip(". ")


def _clean(name: str, forbidden: Collection[str], charset: str, last: int = sys.maxunicode) -> str:
    """The name in a charset; what is forbidden or not in the charset loses its accents, else becomes "_"."""
    if not name.isascii():
        name = "".join(_in_charset(c, charset, forbidden, last) for c in name)
    if name.isprintable() and not any(map(name.__contains__, forbidden)):
        return name
    return "".join("_" if c in forbidden or ord(c) < 32 or ord(c) == 127 else c for c in name)


def _in_charset(character: str, charset: str, forbidden: Collection[str], last: int) -> str:
    """The character, else its letters without accents, else "_"."""
    for candidate in (character, plain(character)):
        try:
            candidate.encode(charset)
        except UnicodeEncodeError:
            continue
        if candidate and ord(max(candidate)) <= last and not any(map(forbidden.__contains__, candidate)):
            return candidate
    return "_"


def joliet_rule(known: str = "") -> LongRule:
    """Joliet: the characters of UCS-2, some forbidden; readers that know it do not tell capitals apart.

    Args:
        known: the charset of scripts that must write these names; "": none
    """
    return LongRule(
        "Joliet", JOLIET_CHARACTERS, JOLIET_FORBIDDEN, "utf-16-be", False, unit_bytes=2, last=UCS2_LAST, known=known
    )


def rock_ridge_rule(charset: str) -> LongRule:
    """Rock Ridge: bytes of the machine's charset, no "/"; capitals differ."""
    return LongRule("Rock Ridge", ROCK_RIDGE_BYTES, frozenset("/"), charset, True)


@lru_cache(maxsize=64)
def _folded(words: tuple[str, ...]) -> frozenset[str]:
    return frozenset(word.casefold() for word in words)


@dataclass(frozen=True, slots=True)
class VolumeRule(Rule):
    """The machine's own volume, as its profile describes it. Lengths count characters."""

    volume: Volume
    charset: str
    label: str = "machine"

    def split(self, name: str, folder: bool) -> tuple[str, str]:
        if not folder and self.volume.extension_max is not None and self.volume.extension_max <= 3:
            name = short_ending(name)
        clean = _clean(name, self.volume.forbidden + "/", self.charset)
        stem, extension = split_last(clean, False)
        if self.pairs_by_stem:
            stem = stem.replace(".", "_")
        elif len(extension) > LONG_EXTENSION:
            stem, extension = clean, ""
        elif clean.strip(".") == "":
            stem = clean.replace(".", "_")
        return stem or "_", extension

    @property
    def pairs_by_stem(self) -> bool:
        return self.volume.stem_max is not None

    def extension(self, extension: str) -> str:
        return extension if self.volume.extension_max is None else extension[: self.volume.extension_max]

    def room(self, extension: str, folder: bool) -> int:
        beside = len(extension) + 1 if extension else 0
        limits = [self.volume.stem_max, None if self.volume.name_max is None else self.volume.name_max - beside]
        return min((limit for limit in limits if limit is not None), default=255)

    def key(self, name: str) -> str:
        return name if self.volume.case_sensitive else name.casefold()

    def reserved(self, name: str) -> bool:
        words = _folded(self.volume.reserved)
        return bool(words) and (name.casefold() in words or name.partition(".")[0].casefold() in words)


def iso_level(rules: Sequence[NameRule]) -> int:
    """The ISO 9660 level that name rules ask for; 1, which every reader takes, where they name none."""
    return max((int(rule[-1]) for rule in rules if rule.startswith("iso-level-")), default=1)

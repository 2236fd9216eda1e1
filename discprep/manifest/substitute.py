"""Filling `{name}` from a closed list: `{{` and `}}` are literal braces, nothing else is special.

Own and small on purpose: Python's formatting reaches attributes and indexes of whatever it is given.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping
from functools import lru_cache

from discprep.errors import ManifestError

_TOKEN = re.compile(r"\{\{|\}\}|\{([^{}]*)\}|[{}]")
_SECRET = re.compile(r"\0secret:([A-Za-z0-9_-]+)\0")
MASK = "********"
RATE_MARKER = "\0rate\0"
"""Stands for the line rate in `Edit.template`, so that a variant of a file can be made for another rate."""
RATE_NAMES = ("link.rate", "bridge.rate")
MOST_FILLED = 16 * 2**20


class Names(dict[str, str]):
    """The closed list of a manifest, and the characters that all its texts together may still be filled with:
    a name is short, what it stands for may be long."""

    left = MOST_FILLED

    def spend(self, characters: int, where: str, item: str) -> None:
        """Raises ManifestError when nothing is left."""
        self.left -= characters
        if self.left < 0:
            raise ManifestError(
                f"names in braces would fill in more than {MOST_FILLED:,} characters", where=where, item=item
            )


def substitute(text: str, values: Mapping[str, str], where: str = "", *, item: str = "") -> str:
    """`text` with each `{name}` replaced by `values[name]`.

    >>> substitute("rate={link.rate} {{x}}", {"link.rate": "57600"})
    'rate=57600 {x}'

    Raises:
        ManifestError: a name that is not in `values` (the nearest is named), or a lone brace
    """

    def value_of(match: re.Match[str]) -> str:
        token = match[0]
        if token in ("{{", "}}"):
            return token[0]
        if match[1] is None:
            raise ManifestError(
                f"a lone {token!r} in {shorten(text)!r}", where=where, item=item, hint="Write {{ or }} for a brace."
            )
        if match[1] not in values:
            raise unknown_name(match[1], values, where, item)
        if isinstance(values, Names):
            values.spend(len(values[match[1]]), where, item)
        return values[match[1]]

    return _TOKEN.sub(value_of, text)


@lru_cache(maxsize=1024)
def pattern(template: str) -> str:
    """A template without a fault, to be filled many times: as the `%` of a text takes it with a table of values.

    >>> pattern("copy {source} 100% {{x}}"), pattern("copy {source} 100% {{x}}") % {"source": "D:A"}
    ('copy %(source)s 100%% {x}', 'copy D:A 100% {x}')
    """
    return _TOKEN.sub(lambda m: m[0][0] if m[1] is None else f"%({m[1]})s", template.replace("%", "%%"))


def unknown_name(name: str, values: Mapping[str, str], where: str, item: str) -> ManifestError:
    """The error for a name outside the closed list."""
    near = difflib.get_close_matches(name, values, 1)
    known = f"Did you mean {{{near[0]}}}?" if near else "Known names: " + ", ".join(sorted(values)[:40]) + "."
    return ManifestError(f"nothing is called {{{shorten(name)}}} here", where=where, item=item, hint=known)


def shorten(text: str, most: int = 60) -> str:
    """A text for a message, cut where it is long."""
    return text if len(text) <= most else text[: most - 1] + "…"


def secret_marker(name: str) -> str:
    """What stands for a secret's value until the bytes of a disc are made: no record ever holds the value."""
    return f"\0secret:{name}\0"


def secret_names(text: str) -> tuple[str, ...]:
    """The secrets that a substituted text refers to."""
    return tuple(_SECRET.findall(text))


def reveal(text: str, secrets: Mapping[str, str]) -> str:
    """The text with its secrets' values. Raises KeyError for a secret without one."""
    return _SECRET.sub(lambda match: secrets[match[1]], text)


def mask(text: str) -> str:
    """The text as it may be shown: every secret as asterisks."""
    return _SECRET.sub(MASK, text)

"""Names that this host's file system can hold, one for each member, the change said where there is one."""

from __future__ import annotations

import re
from collections.abc import Iterable
from itertools import count

PART_BYTES_MAX = 255  # of one part in UTF-8: the common limit of today's file systems
_WINDOWS_ILLEGAL = re.compile(r'[<>:"\\|?*\x00-\x1f]')
_WINDOWS_DEVICES = {"con", "prn", "aux", "nul", *(f"com{n}" for n in range(1, 10)), *(f"lpt{n}" for n in range(1, 10))}


def host_part(part: str, windows: bool) -> str:
    """One part of a path as this host can hold it.

    >>> host_part("What?", windows=False), host_part("What?", windows=True), host_part("aux.txt", windows=True)
    ('What?', 'What_', '_aux.txt')
    """
    part = part.replace("\0", "_")
    if windows:
        part = _WINDOWS_ILLEGAL.sub("_", part)
        part = part.rstrip(". ") + "_" * (len(part) - len(part.rstrip(". ")))
        if part.partition(".")[0].rstrip().lower() in _WINDOWS_DEVICES:
            part = f"_{part}"
    return _shortened(part)


def _shortened(part: str) -> str:
    """At most PART_BYTES_MAX bytes, the extension kept."""
    if len(part.encode("utf-8")) <= PART_BYTES_MAX:
        return part
    stem, dot, extension = part.rpartition(".")
    tail = (dot + extension).encode("utf-8") if stem and len(extension) <= 16 else b""
    kept = part.encode("utf-8")[: PART_BYTES_MAX - len(tail)].decode("utf-8", "ignore")
    return kept + tail.decode("utf-8")


class HostNames:
    """Maps the paths of one archive; two that would meet on this host get different names."""

    def __init__(self, windows: bool, case_sensitive: bool) -> None:
        self._windows = windows
        self._fold = (lambda text: text) if case_sensitive else str.casefold
        self._folders: dict[str, str] = {"": ""}  # stored path: host path
        self._taken: dict[str, str] = {}  # folded host path: stored path

    def path(self, name: str) -> str:
        """The host path for a stored path, `/` between the parts of both."""
        parent, _, part = name.rpartition("/")
        above = self.folder(parent)
        return self._free(name, f"{above}/" if above else "", host_part(part, self._windows))

    def folder(self, name: str) -> str:
        """The host path for a stored folder, the same for every member in it."""
        if name not in self._folders:
            self._folders[name] = self.path(name)
        return self._folders[name]

    def _free(self, name: str, above: str, part: str) -> str:
        stem, dot, extension = part.rpartition(".")
        stem, tail = (stem, dot + extension) if stem else (part, "")
        for candidate in _candidates(stem, tail):
            path = above + candidate
            if self._taken.setdefault(self._fold(path), name) == name:
                return path
        raise AssertionError("unreachable: there is always another number")


def _candidates(stem: str, tail: str) -> Iterable[str]:
    yield stem + tail
    for number in count(2):
        yield f"{stem}~{number}{tail}"

"""Remarks for a person's eyes: those that say the same of several items, or of several members, are one."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from discprep.model import Notice

MOST_NAMES = 6  # items named in one remark


def folded(notices: Iterable[Notice]) -> list[Notice]:
    """Each remark once, with the items it is about; places are left out where they differ.

    >>> [str(one) for one in folded([Notice("no hash", "a.toml:3", "maps"), Notice("no hash", "a.toml:9", "x")])]
    ['[maps, x] no hash']
    >>> [str(one) for one in folded([Notice("is a link", "a/b", "maps"), Notice("is a link", "c", "maps")])]
    ['a/b, c: [maps] is a link']
    """
    alike: dict[tuple[str, str], list[Notice]] = {}
    for notice in notices:
        alike.setdefault((notice.message, notice.hint), []).append(notice)
    return [group[0] if len(group) == 1 else _together(group) for group in alike.values()]


def _together(group: Sequence[Notice]) -> Notice:
    items = list(dict.fromkeys(notice.item for notice in group if notice.item))
    places = list(dict.fromkeys(notice.where for notice in group))
    told = len(places) == 1 or len(items) == 1  # of one item: its members, or its lines
    return replace(group[0], where=named(places) if told else "", item=named(items))


def named(items: Sequence[str]) -> str:
    """The first few, and how many more.

    >>> named(["a", "b"]), named(list("abcdefgh"))
    ('a, b', 'a, b, c, d, e, f and 2 more')
    """
    more = f" and {len(items) - MOST_NAMES:,} more" if len(items) > MOST_NAMES else ""
    return ", ".join(items[:MOST_NAMES]) + more

"""What a change of settings would save, and what gets rid of a trouble: each change is made and estimated anew, with
all troubles in force. What takes longer, or brings a trouble or makes one worse, is not offered."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

from discprep.link.encapsulation import CONVENTIONAL_MTUS, XON_XOFF_MAP
from discprep.link.ends import fastest_rate
from discprep.link.judge import troubles
from discprep.link.line import parse_framing
from discprep.link.path import WINDOW_BYTES
from discprep.link.tcp import segment_size
from discprep.link.trouble import Trouble, worse
from discprep.link.vary import VARY, Question
from discprep.model import LinkSettings

_WORTH_SAYING = 0.02  # of the time
_ALIKE = 1.01  # times within such a factor count as one: the smaller change is taken
_WINDOWS_BYTES = (2048, 4096, 8192, 16_384)
_TIMED = frozenset({"resend", "overflow"})  # troubles that cost time alone, whose remedy is looked for here


@dataclass(frozen=True, slots=True)
class Advice:
    """One change: what to set, what the whole then takes [s], and what that saves [s]."""

    what: str
    value: str
    expected_s: float
    saves_s: float


def advise(question: Question) -> tuple[Advice, ...]:
    """The changes that save at least 2 % each, largest saving first; they do not add up. None for block protocols, and
    none while nothing comes through at all."""
    now_s = question.expected_s if _can_tell(question) else 0.0
    worth = [one for one in _options(question) if one.saves_s >= _WORTH_SAYING * now_s]
    return tuple(sorted(worth, key=lambda one: -one.saves_s))


def told(question: Question) -> tuple[Trouble, ...]:
    """The troubles of these settings. Those that cost time come with the change that gets rid of them: one of those
    that `advise` would make, so that no word stands against another. Where a better rate would bring a trouble, what
    keeps that away comes along."""
    found = troubles_of(question)
    return tuple(
        _hinted(question, trouble, _options(question)) if trouble.kind in _TIMED
        else _with_rate(question, trouble, found) if trouble.cure_bit_s else trouble
        for trouble in found
    )  # fmt: skip


def troubles_of(question: Question) -> tuple[Trouble, ...]:
    """All that is wrong with a question's settings; none for block protocols, which need no packets."""
    if question.blocks:
        return ()
    return troubles(question.link, question.bridge, question.profile, other_server=question.server == "other")


def _with_rate(question: Question, trouble: Trouble, found: tuple[Trouble, ...]) -> Trouble:
    after = VARY["baud"](question, str(trouble.cure_bit_s))
    if not worse(troubles_of(after), found):
        return trouble
    tries = [("mtu", mtu) for mtu in reversed(CONVENTIONAL_MTUS) if mtu < question.link.mtu_bytes]
    tries += [("window", size) for size in (2048, 1024, 512)]
    more = " Packets may be sent again needlessly then."
    for key, value in tries:
        if not worse(troubles_of(VARY[key](after, str(value))), found):
            what = f"an MTU of {value} bytes" if key == "mtu" else f"a receive window of {value} bytes"
            more = f" Together with {what}."
            break
    return replace(trouble, notice=replace(trouble.notice, hint=trouble.notice.hint + more))


def _hinted(question: Question, trouble: Trouble, options: Sequence[Advice]) -> Trouble:
    cures = [one for one in options if trouble.kind not in _kinds(VARY[one.what](question, one.value))]
    if cures:
        best = min(cures, key=lambda one: one.expected_s)
        value = f"{int(best.value):,}" if best.what in ("baud", "mtu", "window") else best.value
        where = "the machine" if best.what == "window" else "both ends"
        hint = f"{_SET[best.what].format(value)} on {where} avoids it and takes no longer."
    else:
        hint = "No usual setting avoids it without taking longer: the time told has it in."
    if trouble.kind == "overflow":
        hint += " So does a bridge that holds more." if cures else " A bridge that holds more avoids it."
    return replace(trouble, notice=replace(trouble.notice, hint=hint))


_SET = {
    "baud": "A rate of {} bit/s", "mtu": "An MTU of {} bytes", "window": "A receive window of {} bytes",
    "protocol": "{}", "framing": "{}", "accm": "A map of {} (PPP)", "field-compression": "Short fields (PPP)",
    "header-compression": "Compressed headers (PPP)",
}  # fmt: skip


def _kinds(question: Question) -> set[str]:
    return {trouble.kind for trouble in troubles_of(question)}


def _can_tell(question: Question) -> bool:
    return not question.blocks and not any(trouble.impossible for trouble in troubles_of(question))


# ------------------------------------------------------------------------------------------------------ the changes


@lru_cache(maxsize=16)
def _options(question: Question) -> tuple[Advice, ...]:
    """The best change of each kind that takes no longer and brings no trouble."""
    if not _can_tell(question):
        return ()
    now_s, before = question.expected_s, troubles_of(question)
    tried = (_try(question, now_s, before, key, values) for key, values in _changes(question))
    return tuple(one for one in tried if one)


def _changes(question: Question) -> list[tuple[str, list[str]]]:
    link = question.link
    rate = fastest_rate(question.profile, question.bridge, link.framing)
    # A smaller one helps too, where a server takes what is queued for lost.
    windows = [size for size in _WINDOWS_BYTES if size != (link.window_bytes or WINDOW_BYTES)]
    return [
        ("baud", [str(rate)] if rate and rate > link.rate_bit_s else []),
        ("mtu", [str(mtu) for mtu in CONVENTIONAL_MTUS if mtu != link.mtu_bytes]),
        ("window", [str(size) for size in windows if size >= segment_size(link.mtu_bytes)]),
        ("protocol", ["cslip"] if link.protocol == "slip" else []),
        ("framing", ["8N1"] if parse_framing(link.framing).bits > 10 else []),
        *_ppp_changes(link),
    ]


def _ppp_changes(link: LinkSettings) -> list[tuple[str, list[str]]]:
    """What nearly every negotiation gives, where the machine is set to less; left open, it is expected anyway."""
    if link.protocol != "ppp":
        return []
    maps = [accm for accm in (0, XON_XOFF_MAP) if link.accm and accm != link.accm]
    return [
        ("accm", [f"{accm:08x}" for accm in maps]),
        ("field-compression", ["on"] if link.field_compression is False else []),
        ("header-compression", ["on"] if link.header_compression is False else []),
    ]


def _try(
    question: Question, now_s: float, before: tuple[Trouble, ...], key: str, values: Sequence[str]
) -> Advice | None:
    """The best of some values, the first among those that are alike."""
    settings = ((value, VARY[key](question, value)) for value in values)
    fine = [(value, one.expected_s) for value, one in settings if not worse(troubles_of(one), before)]
    fine = [(value, time_s) for value, time_s in fine if time_s <= now_s]
    if not fine:
        return None
    least_s = min(time_s for _, time_s in fine)
    value, time_s = next((value, time_s) for value, time_s in fine if time_s <= least_s * _ALIKE)
    return Advice(key, value, time_s, now_s - time_s)

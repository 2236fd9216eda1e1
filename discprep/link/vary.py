"""The same transfer under other settings: tables and curves."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from operator import attrgetter
from types import MappingProxyType
from typing import get_args

from discprep.link.blocks import BLOCK_PROTOCOLS, BlockProtocol, block_assumptions, send_blocks
from discprep.link.line import parse_framing
from discprep.link.transfer import Estimate, Server, Transfer, estimate, expected_case, parts_of
from discprep.model import BridgeSettings, LinkProtocol, LinkSettings, Profile, Seconds


@dataclass(frozen=True, slots=True)
class Question:
    """A transfer with all that its time depends on."""

    transfer: Transfer
    link: LinkSettings
    bridge: BridgeSettings | None = None
    profile: Profile | None = None
    blocks: BlockProtocol | None = None  # instead of the link's protocol
    server: Server = "own"

    @property
    def estimate(self) -> Estimate:
        if self.blocks is None:
            return estimate(self.transfer, self.link, self.bridge, self.profile, self.server)
        return estimate_blocks(self.transfer, self.blocks, self.link)

    @property
    def seconds(self) -> Seconds:
        return self.estimate.seconds

    @property
    def expected_s(self) -> float:
        """The expected time alone, without the range, which takes twenty times as long to work out."""
        if self.blocks is not None:
            return self.seconds.expected
        case = expected_case(self.link, self.bridge, self.profile, self.server)
        return sum(parts_of(self.transfer, case, self.link).values())


def estimate_blocks(transfer: Transfer, blocks: BlockProtocol, link: LinkSettings) -> Estimate:
    """A transfer by a block protocol: of a file whose bytes were counted, what Kermit prefixes in it."""
    counted = transfer.prefixed_bytes if blocks.room_bytes else None
    growth = None if counted is None or not transfer.size_bytes else 1 + counted / transfer.size_bytes
    seconds = send_blocks(
        transfer.size_bytes, blocks, link.rate_bit_s, link.framing,
        turnaround_s=link.turnaround_s, files=transfer.files, growth=growth, error_rate=link.error_rate,
    )  # fmt: skip
    return Estimate(seconds, transfer.size_bytes / seconds.expected, block_assumptions(link.turnaround_s))


@dataclass(frozen=True, slots=True)
class Point:
    """One value of what varies, and the time it makes."""

    key: str
    value: str
    seconds: Seconds


# ----------------------------------------------------------------------------------------------------- varying


def _rate(question: Question, text: str) -> Question:
    rate = _whole(text)
    bridge = replace(question.bridge, rate_bit_s=rate) if question.bridge else None
    return replace(question, link=replace(question.link, rate_bit_s=rate), bridge=bridge)


def _framing(question: Question, text: str) -> Question:
    parse_framing(text)
    bridge = replace(question.bridge, framing=text) if question.bridge else None
    return replace(question, link=replace(question.link, framing=text), bridge=bridge)


def _protocol(question: Question, text: str) -> Question:
    if text in BLOCK_PROTOCOLS:
        return replace(question, blocks=BLOCK_PROTOCOLS[text])
    if text not in get_args(LinkProtocol):
        raise ValueError(f"{text!r} is not one of {', '.join((*get_args(LinkProtocol), *BLOCK_PROTOCOLS))}")
    return replace(question, link=replace(question.link, protocol=text), blocks=None)  # type: ignore[arg-type]


def _mtu(text: str) -> int:
    mtu = _whole(text)
    if not 68 <= mtu <= 65_535:
        raise ValueError(f"an MTU lies between 68 (RFC 791) and 65,535, not at {mtu}")
    return mtu


def _one_or_two(text: str) -> int:
    if text not in ("1", "2"):
        raise ValueError(f"acknowledgements come for 1 or 2 segments (RFC 1122 4.2.3.2), not for {text!r}")
    return int(text)


def _whole(text: str) -> int:
    try:
        value = int(text.replace("_", ""))
    except ValueError:
        value = 0
    if value <= 0:
        raise ValueError(f"{text!r} is not a whole number above zero")
    return value


def _number(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = -1.0
    if not 0 <= value < float("inf"):
        raise ValueError(f"{text!r} is not a number of zero or more")
    return value


def _error_rate(text: str) -> float:
    rate = _number(text)
    if rate > 0.1:
        raise ValueError(f"at {text} byte errors a byte hardly a packet comes through; 0 to 0.1 can be estimated")
    return rate


def _map(text: str) -> int:
    if not re.fullmatch("[0-9A-Fa-f]{1,8}", text):
        raise ValueError(f"{text!r} is not up to eight hexadecimal digits such as 000a0000 (RFC 1662 7.1)")
    return int(text, 16)


def _is_on(text: str) -> bool:
    if text not in ("on", "off"):
        raise ValueError(f"{text!r} is neither on nor off")
    return text == "on"


def _link(field: str, read: Callable[[str], float]) -> Callable[[Question, str], Question]:
    def vary(question: Question, text: str) -> Question:
        return replace(question, link=replace(question.link, **{field: read(text)}))  # type: ignore[arg-type]

    return vary


def _transfer(field: str) -> Callable[[Question, str], Question]:
    def vary(question: Question, text: str) -> Question:
        plain = replace(question.transfer, escapes=None, prefixed_bytes=None)  # what was counted is another file's
        return replace(question, transfer=replace(plain, **{field: _whole(text)}))  # type: ignore[arg-type]

    return vary


VARY: Mapping[str, Callable[[Question, str], Question]] = MappingProxyType(
    {
        "baud": _rate,
        "framing": _framing,
        "protocol": _protocol,
        "mtu": _link("mtu_bytes", _mtu),
        "window": _link("window_bytes", _whole),
        "latency-ms": _link("round_trip_s", lambda text: _number(text) * 2 / 1000),
        "round-trip-ms": _link("round_trip_s", lambda text: _number(text) / 1000),
        "error-rate": _link("error_rate", _error_rate),
        "ack-every": _link("ack_every", _one_or_two),
        "accm": _link("accm", _map),
        "field-compression": _link("field_compression", _is_on),
        "header-compression": _link("header_compression", _is_on),
        "turnaround-ms": _link("turnaround_s", lambda text: _number(text) / 1000),
        "files": _transfer("files"),
        "size-bytes": _transfer("size_bytes"),
    }
)
"""What can vary, by its name on the command line."""


def over(
    question: Question,
    key: str,
    values: Sequence[str],
    seconds: Callable[[Question], Seconds] = attrgetter("seconds"),
) -> tuple[Point, ...]:
    """The time at each value of one setting; `seconds` tells it for a question.

    Raises:
        ValueError: an unknown key (with the known ones), or a value that the setting cannot take
    """
    if key not in VARY:
        raise ValueError(f"{key!r} cannot vary; these can: {', '.join(VARY)}")
    return tuple(Point(key, value, seconds(VARY[key](question, value))) for value in values)

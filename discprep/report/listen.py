"""What `listen` says: where it listens, then each thing that it hears, then how much it was."""

from __future__ import annotations

from dataclasses import dataclass
from textwrap import indent, wrap
from typing import Any

from discprep.model import Notice
from discprep.report.faces import picked
from discprep.units import format_bytes


@dataclass(frozen=True, slots=True)
class Started:
    """It listens."""

    port: str
    rate_bit_s: int
    framing: str
    notices: tuple[Notice, ...]


@dataclass(frozen=True, slots=True)
class Heard:
    """One thing. `rung_name` is the test of the sheet's ladder that it belongs to."""

    kind: str
    message: str
    hint: str
    rung: str
    rung_name: str


@dataclass(frozen=True, slots=True)
class Ended:
    """It is over: bytes that came, the rate at last, how many things were told."""

    received_bytes: int
    rate_bit_s: int
    findings: int


Event = Started | Heard | Ended


def document(event: Event) -> dict[str, Any]:
    """One JSON line."""
    match event:
        case Started():
            notices = [picked(notice, "message", "item", "hint") for notice in event.notices]
            return {"event": "started", **picked(event, "port", "rate_bit_s", "framing"), "notices": notices}
        case Heard():
            return {"event": "heard", **picked(event)}
        case Ended():
            return {"event": "ended", **picked(event)}


def text(event: Event) -> str:
    """The same for people."""
    match event:
        case Started():
            line = f"{event.port}, {event.rate_bit_s} {event.framing}"
            return f"Listening at {line}. Work at the machine; Ctrl-C ends it."
        case Heard():
            hint = "\n" + indent("\n".join(wrap(event.hint, 100)), "    ") if event.hint else ""
            return f"{event.message[:1].upper()}{event.message[1:]}.  [{event.rung_name}]{hint}"
        case Ended():
            return f"ended: {format_bytes(event.received_bytes)} came, {event.findings} things told"

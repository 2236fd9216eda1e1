"""What `serve` says: once when it listens, then one line a transfer, then when it ends."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from discprep.model import Notice
from discprep.report.faces import as_text, picked
from discprep.serve.log import Transfer
from discprep.serve.reach import Reachable
from discprep.serve.shelf import Offer, state_words
from discprep.serve.take_in import Taken
from discprep.units import format_bytes, format_rate, format_seconds


@dataclass(frozen=True, slots=True)
class Listening:
    """The shelf stands: where it answers, what it offers, where transfers are logged. `under_way_packets`: that
    go to the machine at most before it acknowledges; None: the line, or what is under way, is not known."""

    manifest: Path
    addresses: tuple[Reachable, ...]
    offers: tuple[Offer, ...]
    script: str
    log: Path
    under_way_packets: int | None
    ftp: tuple[Reachable, ...]
    take_in: Path | None
    notices: tuple[Notice, ...]


@dataclass(frozen=True, slots=True)
class Ended:
    """The shelf is gone: what was served in this run, and whether transfers were broken off."""

    transfers: int
    bytes: int
    broken_off: bool


Event = Listening | Transfer | Taken | Ended


def document(event: Event) -> dict[str, Any]:
    """One JSON line."""
    match event:
        case Listening():
            return {"event": "listening", **_listening(event)}
        case Transfer():
            return {"event": "transfer", **picked(event)}
        case Taken():
            return {"event": "taken", **picked(event)}
        case Ended():
            return {"event": "ended", **picked(event)}


def _listening(event: Listening) -> dict[str, Any]:
    return {
        **picked(event, "manifest", "script", "log", "under_way_packets", "take_in"),
        **{key: [picked(one, "url", "who", "public") for one in getattr(event, key)] for key in ("addresses", "ftp")},
        "items": [_offer(offer) for offer in event.offers],
        "notices": [picked(notice, "message", "item", "hint") for notice in event.notices],
    }


def _offer(offer: Offer) -> dict[str, Any]:
    return {
        **picked(offer, "names", "shape", "state", "file_count", "had_bytes", "why"),
        "id": offer.item,
        "size_bytes": offer.bytes_to_send,
        "expected_s": offer.seconds,
        "files": [file.name for file in offer.files],
    }


def text(event: Event) -> str:
    """The same for people."""
    match event:
        case Listening():
            return _words(event)
        case Transfer():
            return _transfer(event)
        case Taken():
            size = format_bytes(event.size_bytes)
            return f"{event.name} from {event.client}: {size} taken in, SHA-256 {event.sha256}"
        case Ended():
            end = "; some were broken off" if event.broken_off else ""
            return f"ended: {event.transfers} transfers, {format_bytes(event.bytes)}{end}"


@as_text
def _words(event: Listening) -> Iterator[str]:
    yield "The shelf stands. On the machine, open or fetch:"
    yield from (f"  {address.url}  ({address.who})" for address in event.addresses)
    yield from (f"  {address.url}  over FTP  ({address.who})" for address in event.ftp)
    if event.take_in:
        yield f"  What the machine, or anyone, sends (PUT, FTP) is kept in {event.take_in}, over no other file."
    if event.script:
        yield f"  {event.addresses[0].url}{event.script} fetches all in order"
    yield ""
    for number, offer in enumerate(event.offers, 1):
        size = format_bytes(offer.bytes_to_send) if offer.bytes_to_send is not None else "?"
        seconds = format_seconds(offer.seconds) if offer.seconds is not None else ""
        yield f"{number:>3}. {offer.names[0]:28} {size:>9} {seconds:>13}  {state_words(offer)}"
        if offer.why:
            yield f"     {offer.why}"
    if event.under_way_packets:
        yield ""
        yield f"At most {event.under_way_packets} full packets are on their way over the line at a time. A client that"
        yield "answers faster than the line can, such as a computer on the network, is not on it and not slowed."
    yield ""
    yield f"Transfers are logged in {event.log}. Ctrl-C ends it."


def _transfer(transfer: Transfer) -> str:
    end = "" if transfer.complete else f", broken off at {format_bytes(transfer.first_byte + transfer.bytes)}"
    resumed = ", resumed" if transfer.resumed else ""
    return (
        f"{transfer.file} to {transfer.client}: {format_bytes(transfer.bytes)} in {format_seconds(transfer.seconds)}, "
        f"{format_rate(transfer.rate_bytes_s)}{resumed}{end}"
    )

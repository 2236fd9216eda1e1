"""What `serve` says: once when it listens, then one line a transfer, then when it ends."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from discprep.model import Notice
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
            return {"event": "transfer", **asdict(event)}
        case Taken():
            return {"event": "taken", **asdict(event)}
        case Ended():
            return {"event": "ended", **asdict(event)}


def _listening(event: Listening) -> dict[str, Any]:
    return {
        "manifest": str(event.manifest),
        "addresses": [{"url": a.url, "who": a.who, "public": a.public} for a in event.addresses],
        "items": [_offer(offer) for offer in event.offers],
        "script": event.script,
        "log": str(event.log),
        "under_way_packets": event.under_way_packets,
        "ftp": [{"url": a.url, "who": a.who, "public": a.public} for a in event.ftp],
        "take_in": str(event.take_in) if event.take_in else None,
        "notices": [{"message": n.message, "item": n.item, "hint": n.hint} for n in event.notices],
    }


def _offer(offer: Offer) -> dict[str, Any]:
    return {
        "id": offer.item,
        "names": list(offer.names),
        "shape": offer.shape,
        "state": offer.state,
        "size_bytes": offer.bytes_to_send,
        "file_count": offer.file_count,
        "expected_s": offer.seconds,
        "had_bytes": offer.had_bytes,
        "files": [file.name for file in offer.files],
        "why": offer.why,
    }


def text(event: Event) -> str:
    """The same for people."""
    match event:
        case Listening():
            return "\n".join(_words(event))
        case Transfer():
            return _transfer(event)
        case Taken():
            size = format_bytes(event.size_bytes)
            return f"{event.name} from {event.client}: {size} taken in, SHA-256 {event.sha256}"
        case Ended():
            end = "; some were broken off" if event.broken_off else ""
            return f"ended: {event.transfers} transfers, {format_bytes(event.bytes)}{end}"


def _words(event: Listening) -> list[str]:
    lines = ["The shelf stands. On the machine, open or fetch:"]
    lines += [f"  {address.url}  ({address.who})" for address in event.addresses]
    lines += [f"  {address.url}  over FTP  ({address.who})" for address in event.ftp]
    if event.take_in:
        lines.append(f"  What the machine, or anyone, sends (PUT, FTP) is kept in {event.take_in}, over no other file.")
    if event.script:
        lines.append(f"  {event.addresses[0].url}{event.script} fetches all in order")
    lines.append("")
    for number, offer in enumerate(event.offers, 1):
        size = format_bytes(offer.bytes_to_send) if offer.bytes_to_send is not None else "?"
        seconds = format_seconds(offer.seconds) if offer.seconds is not None else ""
        lines.append(f"{number:>3}. {offer.names[0]:28} {size:>9} {seconds:>13}  {state_words(offer)}")
        if offer.why:
            lines.append(f"     {offer.why}")
    if event.under_way_packets:
        lines += [
            "",
            f"At most {event.under_way_packets} full packets are on their way over the line at a time. A client that",
            "answers faster than the line can, such as a computer on the network, is not on it and not slowed.",
        ]
    return [*lines, "", f"Transfers are logged in {event.log}. Ctrl-C ends it."]


def _transfer(transfer: Transfer) -> str:
    end = "" if transfer.complete else f", broken off at {format_bytes(transfer.first_byte + transfer.bytes)}"
    resumed = ", resumed" if transfer.resumed else ""
    return (
        f"{transfer.file} to {transfer.client}: {format_bytes(transfer.bytes)} in {format_seconds(transfer.seconds)}, "
        f"{format_rate(transfer.rate_bytes_s)}{resumed}{end}"
    )

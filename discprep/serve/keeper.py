"""Who keeps the shelf: decides what each request gets, has items brought that are not at hand, logs transfers."""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable
from dataclasses import KW_ONLY, dataclass, field, replace
from pathlib import Path

from discprep.archives import read_content
from discprep.errors import DiscprepError, StorageError
from discprep.model import Progress, Silent
from discprep.serve import http, log, shelf
from discprep.serve.exchange import Reply, Sent
from discprep.serve.http import Refused, Request
from discprep.serve.log import Transfer
from discprep.serve.shelf import Offer, Shelf, ShelfFile

Bring = Callable[[str], Offer]
"""Fetches, verifies and shapes one item: gives its entry with files. Raises DiscprepError."""
Script = Callable[[Shelf, str], str]
"""The script that fetches all, for a base address such as `192.0.2.10:8080`."""
AGAIN_S = 15  # how soon a waiting page asks again
MOST_LOGGED = 100_000  # transfers of one run: no machine makes so many, and a log is not to fill the disk
RETRY_S = 60.0  # how soon an item that failed is tried again


@dataclass(eq=False)
class Keeper:
    """The shelf as it changes while it is served. Every method may be called from many threads.

    Args:
        _stock: the shelf at the start
        log_file: where transfers are written; None: nowhere
        bring: how an item that is not at hand gets here
        script: words the fetching script; None: there is none
        join: words the script that joins slices; None: there is none
        tell: called with each transfer after it is logged
        hold_s: how long a request waits for an item that is being brought before it gets the waiting page
        hold_simple_s: the same for a simple request, which knows no status, and for one with the query `wait`, as
            the script's are: it gets the file or not one byte
    """

    _stock: Shelf
    _: KW_ONLY
    log_file: Path | None = None
    bring: Bring | None = None
    script: Script | None = None
    join: Script | None = None
    tell: Callable[[Transfer], None] = lambda transfer: None
    progress: Progress = field(default_factory=Silent)
    hold_s: float = 3.0
    hold_simple_s: float = 120.0

    def __post_init__(self) -> None:
        self._changed = threading.Condition()
        self._orders: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._courier: threading.Thread | None = None  # one item at a time: the old sites are slow enough
        self._failed_at: dict[str, float] = {}
        self._spans: log.Spans = {}
        self._hashed: set[tuple[Path, int, str]] = set()
        self.transfers = self.sent_bytes = 0
        logged = log.read(self.log_file) if self.log_file else ()
        self._stock = self._stock.with_had(self._spans, log.note(self._spans, logged))

    @property
    def stock(self) -> Shelf:
        """The shelf as it is now."""
        with self._changed:
            return self._stock

    # ---- replies

    def reply(self, request: Request, local: tuple[str, int]) -> Reply:
        """What a request gets. Names are looked up in the shelf's closed list, nothing else is reachable."""
        for path in self.stock.readings(request.path):
            reply = self._page(path, local) or self._thing(path, request)
            if reply:
                return reply
        return self._html(404, shelf.refusal_page(self.stock, "Not on this shelf", "nothing of this name is offered"))

    def refusal(self, refused: Refused) -> Reply:
        """A request that could not be read, answered in words."""
        reply = self._html(
            refused.status, shelf.refusal_page(self.stock, http.REASONS[refused.status], refused.why)
        )
        if refused.status == 405:
            reply.headers["Allow"] = "GET, HEAD"
        return reply

    def _page(self, path: str, local: tuple[str, int]) -> Reply | None:
        stock = self.stock
        name = path.casefold()
        if name == "":
            return self._html(200, shelf.front_page(stock))
        if name == shelf.LIST_NAME.casefold():
            return _text(stock, shelf.plain_list(stock))
        if name in _LISTS:
            return _text(stock, _LISTS[name](stock))
        if self.script and stock.script_name and name == stock.script_name.casefold():
            return self._scripted(self.script, _host(local))
        if self.join and stock.join_name and name == stock.join_name.casefold():
            return _text(stock, self.join(stock, _host(local)))
        return None

    def _scripted(self, script: Script, host: str) -> Reply:
        """The script; whoever asks for it wants all, so what is not at hand starts on its way."""
        stock = self.stock
        for offer in shelf.still_to_pull(stock.offers):
            if not offer.files and self.bring:
                self._start_bringing(offer)
        try:
            return _text(stock, script(stock, host))
        except DiscprepError as error:
            return self._html(503, shelf.refusal_page(stock, "No script", error.message))

    def _thing(self, path: str, request: Request) -> Reply | None:
        stock = self.stock
        file = stock.file(path)
        if file:
            return self._sound(file, request)
        offer = stock.offer(path)
        if offer and not offer.files and self.bring:
            offer = self._wanted(offer, self.hold_simple_s if _silent(request) else self.hold_s)
            file = self.stock.file(path)
            if file:
                return self._sound(file, request)
        if offer is None:
            return None
        if not offer.files:
            return self._not_yet(offer, request)
        first, _, inside = path.partition("/")
        if inside or (self.stock.file(first) and not offer.wholes):
            return None
        return self._html(200, shelf.folder_page(self.stock, offer))

    def _sound(self, file: ShelfFile, request: Request) -> Reply:
        """A file's reply, once its bytes were read and their hash found right in this run."""
        content = file.content
        key = (content.path, content.offset_bytes, content.sha256)
        if key not in self._hashed:
            try:
                for _ in read_content(content):
                    pass
            except DiscprepError as error:
                self.progress.say(f"not handed on: {file.name}: {error.message}")
                damaged = "its bytes on the computer that answers you are damaged; fetch it there again"
                return self._html(503, shelf.refusal_page(self.stock, "Not to be had", damaged))
            self._hashed.add(key)
        return _file_reply(request, file)

    def _not_yet(self, offer: Offer, request: Request) -> Reply:
        """Words instead of a file that is not here yet: never under a status that a fetcher takes for the file."""
        if _silent(request):
            return Reply(503, {"Retry-After": str(AGAIN_S)})
        if offer.state == "failed":
            return self._html(503, shelf.failed_page(self.stock, offer), {"Retry-After": str(int(RETRY_S))})
        again = {"Retry-After": str(AGAIN_S), "Refresh": str(AGAIN_S)}
        return self._html(503, shelf.waiting_page(self.stock, offer, AGAIN_S), again)

    def _html(self, status: int, text: str, headers: dict[str, str] | None = None) -> Reply:
        # No charset parameter: ISO 8859-1 is HTML 2.0's own, and the oldest browsers trip over the parameter
        # (common practice, no source).
        return Reply(status, {"Content-Type": "text/html", **_FRESH, **(headers or {})}, shelf.narrow(text))

    # ---- pulling through

    def _wanted(self, offer: Offer, patience_s: float) -> Offer:
        """Has an item brought, and waits a while for it. Returns its entry as it stands then."""
        self._start_bringing(offer)
        limit = time.monotonic() + patience_s
        with self._changed:
            while (now := self._entry(offer.item)).state == "fetching" and (left := limit - time.monotonic()) > 0:
                self._changed.wait(left)
            return now

    def _start_bringing(self, offer: Offer) -> None:
        with self._changed:
            entry = self._entry(offer.item)
            recent = time.monotonic() - self._failed_at.get(offer.item, -RETRY_S) < RETRY_S
            if entry.state == "fetching" or entry.files or (entry.state == "failed" and recent):
                return
            self._stock = self._stock.with_offer(replace(entry, state="fetching", why=""))
            self._orders.put(offer.item)
            if self._courier is None:
                self._courier = threading.Thread(target=self._deliver, daemon=True)
                self._courier.start()

    def _deliver(self) -> None:
        while True:
            self._fetch(self._orders.get())

    def _fetch(self, item: str) -> None:
        assert self.bring
        try:
            changed = replace(self.bring(item), state="ready")
        except DiscprepError as error:
            changed = replace(self._entry(item), state="failed", why=error.message)
            self.progress.say(f"not brought: {error}")
        except Exception as error:
            # The host's disk, or a fault of our own: whoever waits must hear of it, and the next item still comes.
            changed = replace(self._entry(item), state="failed", why=f"{type(error).__name__}: {error}")
            self.progress.say(f"not brought: {item}: {type(error).__name__}: {error}")
        with self._changed:
            self._failed_at[item] = time.monotonic()
            self._stock = self._stock.with_offer(changed).with_had(self._spans, self._spans)
            self._changed.notify_all()

    def _entry(self, item: str) -> Offer:
        return next(offer for offer in self._stock.offers if offer.item == item)

    # ---- transfers

    def began(self, key: str, reply: Reply, client: str) -> None:
        file = reply.note
        assert isinstance(file, ShelfFile)
        self.progress.begin(key, f"{file.name} to {client}", reply.length_bytes)

    def moved(self, key: str, amount: int) -> None:
        self.progress.advance(key, amount)

    def sent(self, key: str, sent: Sent) -> None:
        """Logs a transfer, and from now on counts what arrived as had."""
        self.progress.end(key)
        transfer = _transfer(sent)
        with self._changed:
            self.transfers, self.sent_bytes = self.transfers + 1, self.sent_bytes + transfer.bytes
            self._stock = self._stock.with_had(self._spans, log.note(self._spans, [transfer]))
            count = self.transfers
        if self.log_file and count <= MOST_LOGGED:
            try:
                log.append(self.log_file, transfer)
            except OSError as error:
                self.progress.say(str(StorageError(f"the transfer was not logged: {error.strerror}")))
        if count == MOST_LOGGED:
            self.progress.say(f"{count:,} transfers in this run: no more of them are logged")
        self.tell(transfer)

    def trouble(self, message: str) -> None:
        self.progress.say(message)


_LISTS = {shelf.SHA256_NAME.casefold(): shelf.sha256_list, shelf.CRC32_NAME.casefold(): shelf.crc32_list}
_FRESH = {"Cache-Control": "no-cache", "Pragma": "no-cache"}  # pages change while the evening goes on


def _text(stock: Shelf, text: str) -> Reply:
    return Reply(200, {"Content-Type": "text/plain", **_FRESH}, shelf.narrow(text, stock.charset))


def _silent(request: Request) -> bool:
    """Whether words would be taken for the file: a simple request has no status, a script looks at none."""
    return request.simple or request.query == "wait"


def _host(local: tuple[str, int]) -> str:
    address, port = local
    host = f"[{address}]" if ":" in address else address
    return host if port == 80 else f"{host}:{port}"


def _file_reply(request: Request, file: ShelfFile) -> Reply:
    content = file.content
    part = http.span(request, content.size_bytes, file.tag, file.time_s)
    headers = {"ETag": file.tag, "Last-Modified": http.date_text(file.time_s), "Accept-Ranges": "bytes"}
    if part.status in (304, 412):
        return Reply(part.status, headers)
    if part.status == 416:
        return Reply(416, {"Content-Range": f"bytes */{content.size_bytes}"})
    headers = {"Content-Type": file.media_type, **headers}
    if part.status == 206:
        last = part.first_byte + part.length_bytes - 1
        headers["Content-Range"] = f"bytes {part.first_byte}-{last}/{content.size_bytes}"
    first = content.offset_bytes + part.first_byte
    return Reply(part.status, headers, b"", str(content.path), first, part.length_bytes, file)


def _transfer(sent: Sent) -> Transfer:
    file = sent.reply.note
    assert isinstance(file, ShelfFile)
    sha256, size_bytes = file.logged
    return Transfer(
        at_s=sent.at_s,
        item=file.item,
        file=file.name,
        sha256=sha256,
        size_bytes=size_bytes,
        first_byte=file.first_byte + sent.reply.first_byte - file.content.offset_bytes,
        bytes=sent.acknowledged_bytes,
        seconds=round(sent.seconds, 6),
        rate_bytes_s=round(sent.acknowledged_bytes / sent.seconds, 2) if sent.seconds > 0 else 0.0,
        resumed=sent.reply.status == 206 and sent.reply.first_byte > file.content.offset_bytes,
        complete=sent.acknowledged_bytes == sent.reply.length_bytes,
        fresh=sent.fresh,
        archive_sha256=file.archive_sha256,
        client=sent.client,
        protocol=sent.protocol or "{}.{}".format(*sent.request.version),
    )

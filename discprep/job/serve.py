"""`serve`: the rest, over plain HTTP, to the machine. Wires manifest, plan, cache and sockets to the shelf."""

from __future__ import annotations

import errno
import signal
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from discprep.errors import MissingError, UsageError, raise_all
from discprep.fetch.cache import Cache
from discprep.fetch.fetch import fetch_items
from discprep.fetch.pins import pins_of
from discprep.job.at_hand import AtHand, at_hand, open_items, open_some
from discprep.job.builds import Build, builds_of, built_for, newest_discs, other_inputs
from discprep.job.decided import Decided, decided
from discprep.job.far_end import at_the_line, line_notices, link_of, open_line
from discprep.link.encapsulation import negotiated
from discprep.link.path import path_of
from discprep.link.pull import file_seconds
from discprep.manifest import load_manifest
from discprep.model import Fetched, Item, Manifest, Notice, Opened, Progress, Shape
from discprep.report.serve import Ended, Event, Listening
from discprep.serve import log
from discprep.serve.crossing import WORK
from discprep.serve.gate import SERVER, Gate
from discprep.serve.keeper import Keeper
from discprep.serve.kernel import can_tell
from discprep.serve.line_server import LineServer
from discprep.serve.reach import Reachable, parse_bind, reachable
from discprep.serve.script import fetch_script, join_script, script_name
from discprep.serve.server import Server
from discprep.serve.shelf import Offer
from discprep.serve.stock import Order, Stock
from discprep.serve.take_in import TakeIn
from discprep.shapes import SHAPES, changes
from discprep.units import format_bytes

if TYPE_CHECKING:
    from discprep.serve.ftp import FtpServer

GROWN = 1.25  # what is sent over what was fetched, from where on it is said


@dataclass(frozen=True, slots=True)
class Wish:
    """What the user asked of this run.

    Attributes:
        bind: ADDRESS:PORT
        serial: a serial port instead: the shelf stands at the far end of its line
        whole: offer the whole set, not only what waits for the link
        shapes: `SHAPE` for all or `ITEM=SHAPE` for one
        allow_unshared: offer items with `share = false` too, in this run
        ftp: ADDRESS:PORT for the same over FTP; empty: not
        take_in: a folder for files that the machine sends; None: nothing can be written
        log_file: where transfers are logged; None: beside the manifest
    """

    bind: str
    whole: bool = False
    shapes: tuple[str, ...] = ()
    allow_unshared: bool = False
    log_file: Path | None = None
    serial: str = ""
    ftp: str = ""
    take_in: Path | None = None


def serve(
    path: Path,
    wish: Wish,
    *,
    tell: Callable[[Event], None],
    machine: Path | None = None,
    cache: Path | None = None,
    progress: Progress,
) -> Ended:
    """Serves until Ctrl-C (or a termination signal): the first lets running transfers end, the second ends at once.

    Arguments:
        tell: called when the shelf stands and after each transfer, from many threads

    Raises:
        ManifestError, Faults: the manifest or its pins are wrong
        UsageError: the address, a shape, or nothing to offer
        StorageError: the cache cannot be used
    """
    host, port = ("", 0) if wish.serial else parse_bind(wish.bind)
    at_ftp = parse_bind(wish.ftp, "--ftp") if wish.ftp else None
    manifest = load_manifest(path, machine=machine)
    link = link_of(manifest) if wish.serial else None
    hand = at_hand(manifest, cache)
    opened = open_items(hand, progress)
    discs = newest_discs(built_for(manifest)) or newest_discs(builds_of(manifest))
    changed = _other_inputs(hand, discs)
    hand, found, hurt = decided(hand, opened, discs, not changed, progress)
    order, notices = order_of(hand.manifest, found, wish, hurt)
    notices = (*changed, *notices)
    stock = _stock(hand, opened, order, progress)
    build = discs[-1].record.build_id if discs else ""
    keeper = _keeper(stock, hand, wish, build, tell, progress)
    server: Server | LineServer
    gate = None
    beside: FtpServer | None = None
    if link:
        server = open_line(manifest, link, wish.serial, keeper, progress)
        addresses, notices = at_the_line(manifest, link, wish.serial), (*line_notices(manifest, link), *notices)
    else:
        gate = gate_of(manifest)
        takes = TakeIn(wish.take_in, tell) if wish.take_in else None
        server = _listen(host, port, keeper, gate, takes)
        addresses, notices = reachable(host, server.port), (*notices, *_blind(gate), *left_open(manifest))
        try:
            beside = _beside(at_ftp, keeper, gate, takes, (addresses[0].address, server.port)) if at_ftp else None
        except BaseException:
            server.abort()
            raise
    listening = _listening(stock, keeper, addresses, wish, gate, beside, notices)
    with _terminable():
        return _run(server, beside, keeper, listening, tell, progress)


# ------------------------------------------------------------------------------------------- what is offered


def _other_inputs(hand: AtHand, discs: Sequence[Build]) -> tuple[Notice, ...]:
    """A word where the disc that the machine has was built from other inputs than there are now."""
    other = other_inputs(hand.manifest, hand.pins, hand.paths, discs[-1]) if discs else None
    hint = "What that disc carries counts as there; the rest is offered as the manifest is now, less what is to burn."
    return (replace(other, hint=f"{hint} Build again where the disc is to change."),) if other else ()


def order_of(
    manifest: Manifest, found: Decided, wish: Wish, hurt: Sequence[Notice] = ()
) -> tuple[Order, tuple[Notice, ...]]:
    """The items to offer in the order that was decided, and a remark on each that is held back.

    Arguments:
        hurt: remarks on those that are damaged

    Raises:
        UsageError: a shape that does not exist, an item that is not offered, or nothing to offer
    """
    present, later = found.there.union(manifest.has), found.order
    known = {*later, *manifest.has}
    rest = [item.id for item in manifest.items if item.id not in known]
    wanted = [*later, *rest] if wish.whole else later
    held = dict.fromkeys(item for item in wanted if not manifest.item(item).share and not wish.allow_unshared)
    offered = tuple(item for item in wanted if item not in held)
    if not offered:
        nothing = "nothing is to be offered: no item waits for the link"
        nothing += f", and {', '.join(notice.item for notice in hurt)} held back as damaged" if hurt else ""
        raise UsageError(
            nothing if not held else "every item has share = false",
            hint="--whole offers the whole set." if not held else "--allow-unshared offers them in this run.",
        )
    shapes, default = _shapes(wish.shapes, offered)
    return Order(offered, present, shapes, default, found.pulled), (*hurt, *map(_held, held))


def _held(item: str) -> Notice:
    return Notice(
        "is not offered, since it has share = false",
        item=item,
        hint="--allow-unshared offers it in this run. Behind a bridge this computer sees only the bridge's address, "
        "whoever asks.",
    )


def _shapes(words: Sequence[str], offered: Sequence[str]) -> tuple[tuple[tuple[str, Shape], ...], Shape | None]:
    chosen: list[tuple[str, Shape]] = []
    default: Shape | None = None
    for word in words:
        item, equals, name = word.rpartition("=")
        shape = next((shape for shape in SHAPES if shape == name), None)
        if shape is None:
            raise UsageError(f"--as {word}: {name!r} is no shape", hint=f"The shapes are {', '.join(SHAPES)}.")
        if equals and item not in offered:
            raise UsageError(f"--as {word}: no item of the id {item!r} is offered")
        if equals:
            chosen.append((item, shape))
        else:
            default = shape
    return tuple(chosen), default


# ------------------------------------------------------------------------------------------------- the parts


def _stock(hand: AtHand, known: Mapping[str, Opened], order: Order, progress: Progress) -> Stock:
    manifest = hand.manifest

    def opened(item: Item, fetched: Fetched) -> Opened:
        if item.id in known:
            return known[item.id]
        assert fetched.path
        return open_some([item], {item.id: fetched.path}, manifest, hand.cache, progress)[item.id]

    link, bridge, profile = manifest.link, manifest.bridge, manifest.profile
    seconds = file_seconds(link, bridge, profile, server=SERVER) if link else None
    return Stock(manifest, order, opened, seconds, hand.cache.root / WORK)


def _keeper(
    stock: Stock, hand: AtHand, wish: Wish, build: str, tell: Callable[[Event], None], progress: Progress
) -> Keeper:
    """`build`: the id of the newest disc, so that page and disc can be held together; "" without one."""
    manifest = hand.manifest
    shell = manifest.profile.shell
    at_start = [Fetched(item, "cached", path, hand.pins.get(item)) for item, path in hand.paths.items()]
    script = script_name(shell) if shell else ""
    shelf = stock.shelf(at_start, build=build, link=_line(manifest), script=script)
    offers = {offer.item: offer for offer in shelf.offers}
    return Keeper(
        shelf,
        log_file=wish.log_file or log.log_path(manifest.path),
        bring=lambda item: stock.bring(offers[item], fetch_one(manifest, hand.cache, manifest.item(item), progress)),
        script=(lambda shelf, host: fetch_script(shelf, host, manifest.profile)) if script else None,
        join=lambda shelf, host: join_script(shelf, manifest.profile),
        tell=tell,
        progress=progress,
    )


def _line(manifest: Manifest) -> str:
    link = manifest.link
    return f"{link.rate_bit_s} {link.framing}, {link.protocol.upper()}, MTU {link.mtu_bytes}" if link else ""


def fetch_one(manifest: Manifest, cache: Cache, item: Item, progress: Progress) -> Fetched:
    """One item from its sources, verified and pinned.

    Raises:
        DiscprepError: no source gave it, or its bytes are wrong
    """
    pins = pins_of([item], manifest.pins_path)
    report = fetch_items([item], pins, cache, progress=progress, pins_path=manifest.pins_path)
    raise_all(report.errors)
    (fetched,) = report.items
    if fetched.path is None:
        raise MissingError("no source has it", item=item.id, hint=item.page or item.hint)
    return fetched


def gate_of(manifest: Manifest) -> Gate | None:
    """The line that the machine is on, whose turns bound what is under way; None when the manifest tells no line."""
    link = manifest.link
    return Gate(path_of(link, manifest.bridge, manifest.profile)) if link else None


def _listen(host: str, port: int, keeper: Keeper, gate: Gate | None, takes: TakeIn | None) -> Server:
    with _said(host, port):
        return Server(host, port, keeper, gate=gate, takes=takes)


@contextmanager
def _said(host: str, port: int) -> Iterator[None]:
    """Why an address cannot be listened at, in words."""
    try:
        yield
    except OSError as error:
        hints = {
            errno.EADDRINUSE: "Another program listens there: end it, or take another port.",
            errno.EADDRNOTAVAIL: "It is none of this computer's addresses.",
            errno.EACCES: "Ports below 1024 need rights here; 8080 does not.",
        }
        hint = hints.get(error.errno or 0, "Take another address.")
        raise UsageError(f"cannot listen at {host}:{port}: {error.strerror}", hint=hint) from error


def _beside(
    at: tuple[str, int], keeper: Keeper, gate: Gate | None, takes: TakeIn | None, shown: tuple[str, int]
) -> FtpServer:
    """The same shelf over FTP."""
    try:
        from discprep.serve.ftp import FtpServer
    except ModuleNotFoundError as error:
        hint = "pip install 'discprep[ftp]', then run it again."
        raise UsageError("--ftp needs the library pyftpdlib", hint=hint) from error
    with _said(*at):
        return FtpServer(*at, keeper, gate, takes, shown)


def _blind(gate: Gate | None) -> Iterator[Notice]:
    if gate and not can_tell():
        yield Notice(
            "this system does not tell what the machine has acknowledged: serve keeps its buffer small, but "
            "on a slow line may send again what only waits",
            hint="The range of `discprep estimate --server other` holds; on Linux serve never sends again needlessly.",
        )


def left_open(manifest: Manifest) -> Iterator[Notice]:
    """A word where the manifest leaves open what PPP agrees on: the line is then taken for what it usually is."""
    link, ends = manifest.link, (manifest.bridge, manifest.profile)
    if link and link.protocol == "ppp" and None in (link.accm, link.field_compression, link.header_compression):
        usual, plain = (path_of(one, *ends).segment_wire_s for one in (link, negotiated(link, standard=True)))
        yield Notice(
            "the manifest leaves open what PPP agrees on, and serve paces the line as if it were the usual: where "
            f"nothing is agreed on, each full packet takes {plain / usual - 1:.0%} longer, and so does all",
            hint="Write accm, field_compression and header_compression under [link] as the bridge shows them.",
        )


def _listening(
    made: Stock, keeper: Keeper, addresses: tuple[Reachable, ...], wish: Wish, gate: Gate | None,
    beside: FtpServer | None, notices: Sequence[Notice],
) -> Listening:  # fmt: skip
    manifest, asked = made.manifest, made.order.asked
    over_ftp = reachable(parse_bind(wish.ftp)[0], beside.port, scheme="ftp") if beside else ()
    public = [address for address in (*addresses, *over_ftp) if address.public]
    warnings = [
        Notice(
            f"{address.address} is a public address: {address.who}",
            hint="Bind to the address on the bridge's own network instead.",
        )
        for address in public
    ]
    stock, log_file = keeper.stock, wish.log_file or log.log_path(manifest.path)
    broken = [Notice(offer.why, item=offer.item) for offer in stock.offers if offer.state == "failed"]
    grows = [offer for offer in stock.offers if _grows(offer)]
    grown = [_grown(offer, asked(offer.item), made.why_not_as_it_is(offer.item)) for offer in grows]
    closed = [
        Notice(
            f"goes over the line as the archive itself, as --as asked: without its {' and '.join(keys)}",
            item=offer.item,
            hint="Without --as it crosses with them.",
        )
        for offer in stock.offers
        if asked(offer.item) == "archive" and (keys := changes(manifest.item(offer.item)))
    ]
    return Listening(
        manifest.path,
        addresses,
        stock.offers,
        stock.script_name,
        log_file,
        gate.most_packets if gate and can_tell() else None,
        over_ftp,
        wish.take_in,
        (*warnings, *log.look(log_file)[1], *notices, *broken, *grown, *closed),
    )


def _grows(offer: Offer) -> bool:
    return bool(offer.files and offer.archive_bytes and (offer.bytes_to_send or 0) > GROWN * offer.archive_bytes)


def _grown(offer: Offer, asked: Shape | None, why: tuple[str, str]) -> Notice:
    sent, fetched = format_bytes(offer.bytes_to_send or 0), format_bytes(offer.archive_bytes or 0)
    goes = f"goes over the line as {offer.shape}, {sent} instead of the archive's {fetched}"
    if asked:
        hint = "Without --as it goes in the shape that the machine can use, if that is not the archive itself."
        return Notice(f"{goes}: --as asked for it", item=offer.item, hint=hint)
    words, way = why
    hint = f"{way}or --as {offer.item}=archive and unpack it elsewhere."
    return Notice(f"{goes}: {words}", item=offer.item, hint=hint[:1].upper() + hint[1:])


# --------------------------------------------------------------------------------------------------- the run


def _run(
    server: Server | LineServer, beside: FtpServer | None, keeper: Keeper, listening: Listening,
    tell: Callable[[Event], None], progress: Progress,
) -> Ended:  # fmt: skip
    broken_off = False
    try:
        if beside:
            beside.start()
        tell(listening)
        server.run()
    except KeyboardInterrupt:
        pass
    running = server.running + (beside.running if beside else 0)
    try:
        if running:
            progress.say(f"{running} transfers still run; Ctrl-C again ends at once")
        server.drain()
        if beside:
            beside.drain()
    except KeyboardInterrupt:
        broken_off = server.running > 0 or bool(beside and beside.running)
        server.abort()
        if beside:
            beside.stop()
    return Ended(keeper.transfers, keeper.sent_bytes, broken_off)


@contextmanager
def _terminable() -> Iterator[None]:
    """A termination signal counts as Ctrl-C, and Ctrl-C counts even where a shell started us with it ignored: there is
    no other way to end. Only a host's main thread can arrange that."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = {number: signal.signal(number, signal.default_int_handler) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)

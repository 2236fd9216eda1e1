"""The script with which the machine fetches all that it lacks, in the plan's order, with its own fetcher."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from urllib.parse import quote

from discprep.disc.setup.flow import Node, write_out
from discprep.disc.setup.language import Language
from discprep.machine import MachinePath
from discprep.model import Profile, Shell
from discprep.serve.shelf import Offer, Shelf, ShelfFile, narrow, proof_words, still_to_pull
from discprep.units import format_bytes, format_seconds

STEM, JOIN_STEM = "PULL", "JOIN"


def script_name(shell: Shell) -> str:
    """The script's name on the shelf: the setup scripts' pattern with its own stem; empty without a fetcher's command.

    The pattern's ending is kept, because command languages tell their scripts by it.
    """
    return STEM + _ending(shell) if shell.fetch else ""


def join_name(shell: Shell) -> str:
    """The name of the script that joins slices; empty without a command for that."""
    return JOIN_STEM + _ending(shell) if shell.join else ""


def _ending(shell: Shell) -> str:
    _, dot, ending = shell.script_name.rpartition(".")
    return f"{dot}{ending}" if dot and "{" not in ending else ""


def join_script(shelf: Shelf, profile: Profile) -> str:
    """The script that joins the slices of each file, in the shelf's order, and compares what the language can. It
    stops at the first slice that is not there: what comes after it has not come either.

    Raises:
        NameRuleError: a line is longer than the machine's language takes
    """
    shell = profile.shell
    if shell is None or not shell.join:
        return ""
    say = Language(shell, profile)
    nodes: list[Node] = []
    made: set[MachinePath] = set()
    for offer in shelf.offers:
        for whole in offer.wholes if not offer.present else ():
            slices = [file for file in offer.files if file.whole == whole]
            nodes += _joined(shelf, offer, whole, slices, say, made)
    return _written(shelf, say, [*nodes, *say.say("That is all.")])


def _written(shelf: Shelf, say: Language, nodes: Sequence[Node]) -> str:
    ends = (say.shell.opening, say.shell.closing)
    opening, closing = (say.raw(end, title=shelf.title, build=shelf.build) for end in ends)
    return shelf.newline.join([*write_out([*opening, *nodes], say.shell, say.fits, closing), ""]) + say.profile.end_mark


def _joined(
    shelf: Shelf, offer: Offer, whole: ShelfFile, slices: Sequence[ShelfFile], say: Language, made: set[MachinePath]
) -> Iterator[Node]:
    """One file from its slices, unless it is there already."""
    target = MachinePath(offer.volume, whole.target)
    folders = list(_folders(target, say, made))
    path = say.path(target)
    there = say.say(f"{path} is there already: delete it to have it joined again.")
    yield from folders
    yield from say.either("exists", target, there, [*_join(shelf, offer, whole, slices, say)])


def _join(
    shelf: Shelf, offer: Offer, whole: ShelfFile, slices: Sequence[ShelfFile], say: Language
) -> Iterator[Node]:
    places = [MachinePath(offer.volume, one.target) for one in slices]
    target = MachinePath(offer.volume, whole.target)
    for place in places:
        stop = say.stop("Fetch what is missing, then run this again.")
        yield from say.blame("missing", place, f"{say.path(place)} is not here yet.", stop)
    yield from say.say(f"Joining {say.path(target)} from {len(places)} slices.")
    yield from _chain(places, target, say)
    yield from say.blame(
        "missing", target, f"{say.path(target)} could not be written.", say.stop("Is there room on the volume?")
    )
    size, checksum = whole.content.size_bytes, whole.checksum
    wrong = say.stop(f"{say.path(target)} did not become whole. Fetch its slices again.")
    away = [*say.command("delete", target), *wrong]
    proof = proof_words(size, shelf.checksum_kind, checksum)
    yield from _checks(target, size, checksum, away, say)
    if not say.shell.checksum:
        yield from say.say(f"Compare it before you use it: {proof}. Then its slices can be deleted.")
        return
    yield from say.say(f"It is whole: {proof}.")
    for place in places:
        yield from say.command("delete", place)


def _chain(places: Sequence[MachinePath], target: MachinePath, say: Language) -> Iterator[Node]:
    """The first two, then the third to them, and so on: two files in turn hold what is joined so far."""
    halves = [places[0].folder / f"{places[0].name.rpartition('.')[0]}.{mark}" for mark in ("A", "B")]
    so_far = places[0]
    for number, place in enumerate(places[1:]):
        into = target if number == len(places) - 2 else halves[number % 2]
        yield from say.when("exists", into, say.command("delete", into))
        failed = say.stop("It could not be joined. Is there room on the volume?")
        yield from [*say.join(so_far, place, into), *say.failed("join", failed)]
        # Some languages do not tell a file that was cut short; the setup's room file, where it is there, does.
        short = say.stop(f"The volume is full, and {say.path(into)} may be cut short. Make room, and run this again.")
        gone = [*say.command("delete", into), *short]
        yield from say.when("exists", say.room, say.full(into.base, gone), rare=True)
        if so_far in halves:
            yield from say.command("delete", so_far)
        so_far = into


def fetch_script(shelf: Shelf, host: str, profile: Profile) -> str:
    """The script for a shelf that answers at `host` (`192.0.2.10:8080`). What the log says the machine has is left out,
    so that a script fetched again goes on where the last evening ended.

    Raises:
        NameRuleError: a line is longer than the machine's language takes
    """
    shell = profile.shell
    if shell is None or not shell.fetch:
        return ""
    say = Language(shell, profile)
    offers = still_to_pull(shelf.offers)
    nodes: list[Node] = [*say.comment(f"Fetches {len(offers)} items from {host}.")]
    made: set[MachinePath] = set()
    for number, offer in enumerate(offers, 1):
        nodes += say.say(_words(number, len(offers), offer))
        nodes += _fetches(shelf, offer, host, say, made)
    nodes += say.say("Done. Look at the list for what did not come, and run a fresh script for it.")
    return _written(shelf, say, [*nodes, *_fetch_join(shelf, host, say)])


def _fetch_join(shelf: Shelf, host: str, say: Language) -> Iterator[Node]:
    """The script that joins, where there is something to join."""
    sliced = [offer for offer in shelf.offers if offer.wholes and not offer.present]
    if not sliced or not shelf.join_name:
        return
    here = MachinePath(sliced[0].volume, (shelf.join_name,))
    yield from say.command("fetch", here, url=say.quoted(f"http://{host}/{quote(shelf.join_name)}"))
    checks = "and checks them" if say.shell.checksum else "and says what to compare"
    yield from say.say(f"When all slices are here, {say.path(here)} joins them {checks}.")


def _words(number: int, count: int, offer: Offer) -> str:
    size, seconds = offer.bytes_to_send, offer.seconds
    figures = [format_bytes(size)] if size is not None else []
    figures += [f"about {format_seconds(seconds)}"] if seconds is not None else []
    return f"{number} of {count}: {offer.title}" + (f" ({', '.join(figures)})" if figures else "")


def _fetches(shelf: Shelf, offer: Offer, host: str, say: Language, made: set[MachinePath]) -> Iterator[Node]:
    if not offer.files and (offer.shape == "unpacked" or offer.in_slices):
        yield from say.say("It is still on its way to the PC: fetch a fresh script later.")
        return
    for name, target, size, checksum in _wanted(offer):
        path = MachinePath(offer.volume, target)
        yield from _folders(path, say, made)
        url = f"http://{host}/{quote(narrow(name, shelf.charset))}" + ("" if offer.files else "?wait")
        yield from say.command("fetch", path, url=say.quoted(url))
        if size is not None:
            bad = say.say(f"{'/'.join(path.parts)} is not whole: fetch it again.")
            yield from _checks(path, size, checksum, bad, say)


def _checks(path: MachinePath, size: int, checksum: str, bad: Sequence[Node], say: Language) -> Iterator[Node]:
    """What the language can compare, compared; nothing else is said of a file that came."""
    for key, value in (("check_size", {"size": str(size)}), ("checksum", {"sum": checksum})):
        check = say.command(key, path, **value)
        yield from [*check, *say.failed(key, bad)] if check else []


def _wanted(offer: Offer) -> Iterable[tuple[str, tuple[str, ...], int | None, str]]:
    """Name on the shelf, place on the machine, size and checksum of each file that the machine lacks."""
    if not offer.files:
        # Not here yet: asking for it has it brought, and `wait` lets no page pass for it.
        return [(offer.names[0], (*offer.folders, offer.names[0]), None, "")]
    return [(file.name, file.target, file.content.size_bytes, file.checksum) for file in offer.files if not file.had]


def _folders(path: MachinePath, say: Language, made: set[MachinePath]) -> Iterator[Node]:
    """Makes the folders above a path that no earlier line made."""
    for depth in range(1, len(path.parts)):
        folder = MachinePath(path.base, path.parts[:depth])
        if folder not in made:
            made.add(folder)
            yield from say.make_folder(folder)

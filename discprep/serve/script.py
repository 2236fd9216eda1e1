"""The script with which the machine fetches all that it lacks, in the plan's order, with its own fetcher."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from urllib.parse import quote

from discprep.disc.setup.flow import Node, write_out
from discprep.disc.setup.language import Language
from discprep.machine import MachinePath
from discprep.model import Profile, Shell
from discprep.serve.shelf import Offer, Shelf, narrow, still_to_pull
from discprep.units import format_bytes, format_seconds

STEM = "PULL"


def script_name(shell: Shell) -> str:
    """The script's name on the shelf: the setup scripts' pattern with its own stem; empty without a fetcher's command.

    The pattern's ending is kept, because command languages tell their scripts by it.
    """
    if not shell.fetch:
        return ""
    _, dot, ending = shell.script_name.rpartition(".")
    return f"{STEM}{dot}{ending}" if dot and "{" not in ending else STEM


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
    nodes: list[Node] = [*say.raw(shell.opening, title=shelf.title, build=shelf.build)]
    nodes += say.comment(f"Fetches {len(offers)} items from {host}.")
    made: set[MachinePath] = set()
    for number, offer in enumerate(offers, 1):
        nodes += say.say(_words(number, len(offers), offer))
        nodes += _fetches(shelf, offer, host, say, made)
    nodes += say.say("Done. Look at the list for what did not come, and run a fresh script for it.")
    closing = say.raw(shell.closing, title=shelf.title, build=shelf.build)
    return shelf.newline.join([*write_out(nodes, shell, say.fits, closing), ""]) + profile.end_mark


def _words(number: int, count: int, offer: Offer) -> str:
    size, seconds = offer.bytes_to_send, offer.seconds
    figures = [format_bytes(size)] if size is not None else []
    figures += [f"about {format_seconds(seconds)}"] if seconds is not None else []
    return f"{number} of {count}: {offer.title}" + (f" ({', '.join(figures)})" if figures else "")


def _fetches(shelf: Shelf, offer: Offer, host: str, say: Language, made: set[MachinePath]) -> Iterator[Node]:
    if not offer.files and offer.shape == "unpacked":
        yield from say.say("It is still on its way to the PC: fetch a fresh script later.")
        return
    for name, target, size, checksum in _wanted(offer):
        path = MachinePath(offer.volume, target)
        yield from _folders(path, say, made)
        url = f"http://{host}/{quote(narrow(name, shelf.charset))}" + ("" if offer.files else "?wait")
        yield from say.command("fetch", path, url=say.quoted(url))
        yield from _checks(path, size, checksum, say)


def _checks(path: MachinePath, size: int | None, checksum: str, say: Language) -> Iterator[Node]:
    """What the language can compare, compared; nothing else is said of a file that came."""
    if size is None:
        return
    bad = say.say(f"{'/'.join(path.parts)} is not whole: fetch it again.")
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
            yield from say.when("no_folder", folder, say.command("make_folder", folder))

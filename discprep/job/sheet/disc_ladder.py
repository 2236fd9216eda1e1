"""The disc's own ladder, the first hurdle: what to try where the machine does not read the disc.

What a failure looks like and what it means is common practice of optical drives, no source; ECMA-119 counts in sectors
of 2,048 bytes.
"""

from __future__ import annotations

from discprep.report.sheet.facts import Failure, Rung


def disc_rungs(disc_path: str) -> tuple[Rung, ...]:
    """A pressed disc first, then this one. `disc_path` is what the machine calls its drive; "": not known."""
    there = f" ({disc_path})" if disc_path else ""
    return (_pressed(there), _this(there))


def _pressed(there: str) -> Rung:
    return Rung(
        "A pressed disc",
        f"Put in a pressed data disc and list it{there}.",
        "Its names. Then drive, driver and cabling are in order.",
        (
            Failure("the drive is not there", "a driver is not loaded: the drive's, or the one for the disc's files",
                    "load both; restart"),
            Failure("the driver finds no drive", "unit number, termination or cable",
                    "power off; a unit number of its own; termination at the cable's two ends, nowhere else"),
            Failure("found, but errors or nonsense", "it gives blocks of 512 bytes and the system wants 2,048, or the "
                    "other way round (on some machines 512 is a must)", "the drive's jumper for the block size"),
            Failure("it seeks and gives up", "dust on the lens, or a tired laser",
                    "power off; clean the lens with air or a soft brush; another drive"),
        ),
    )  # fmt: skip


def _this(there: str) -> Rung:
    return Rung(
        "This disc",
        f"Put this disc in and list it{there}.",
        "The same names as on the PC, as far as the machine can write them.",
        (
            Failure("a pressed disc is read, this one is not", "blank, speed, or a session left open",
                    "another make of blank, the lowest speed; CD-R and no CD-RW, 74 minutes, disc-at-once, closed"),
            Failure("names are cut, or some are missing", "the system reads fewer forms of names than the profile says",
                    "discprep probe: a small disc that finds out"),
            Failure("first files are read, later ones fail", "the outer tracks of this blank are too hard to read",
                    "a blank of 74 minutes, a slower burn; discprep readback in another drive"),
        ),
    )  # fmt: skip

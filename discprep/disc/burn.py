"""The user's burner as a command, and whether a disc may be burned. Pure.

The command comes from the call or the environment, never from a manifest: a recipe from elsewhere must not choose what
runs here. It is split into words as a shell would and run without one.
"""

from __future__ import annotations

import shlex
from dataclasses import dataclass

from discprep.disc.drive import Drive
from discprep.errors import CapacityError, DiscError, DiscprepError, ManifestError, UsageError
from discprep.manifest.substitute import substitute
from discprep.model import Notice

ENVIRONMENT = "DISCPREP_BURNER"
LOWEST_SPEED = 1.0  # drives round it up to the lowest that they and the medium allow
USUAL_BURNERS = (
    ("wodim (CD)", "wodim -v dev={device} speed={speed} -dao -data {image}"),
    ("xorriso (CD, DVD)", "xorriso -as cdrecord -v dev={device} speed={speed} -sao -data {image}"),
    ("growisofs (DVD)", "growisofs -dvd-compat -speed={speed} -Z {device}={image}"),
)
"""The usual three programs of a Debian system, each with a line that writes one closed session."""

CAUTIONS = (
    "Take a CD-R, not a CD-RW: a CD-RW reflects about a third, and old drives do not see it.",
    "Take a blank of 74 minutes where you can: longer ones have a tighter track.",
    "Take the lowest speed that drive and medium list, and leave the computer alone meanwhile.",
    "One closed session, disc at once: an open disc, or a second session, may not be read at all.",
    "Write the build id on the disc with a soft pen for discs, not with a ball pen.",
)


@dataclass(frozen=True, slots=True)
class BurnPlan:
    """What is about to happen; the same is shown and done."""

    drive: Drive
    image: str  # path
    image_sectors: int
    build_id: str
    volume: str
    speed: float
    command: tuple[str, ...]


def burner_command(template: str, *, device: str, image: str, speed: float) -> tuple[str, ...]:
    """The words of the command.

    >>> burner_command("burn dev={device} {image}", device="/dev/sr0", image="a b.iso", speed=4)
    ('burn', 'dev=/dev/sr0', 'a b.iso')

    Raises:
        UsageError: no template, quotes that do not close, an unknown name, or no {device} or {image}
    """
    if not template.strip():
        raise UsageError(
            "no burner is configured",
            hint=f"Give --burner or set {ENVIRONMENT}, for instance to: {USUAL_BURNERS[1][1]}",
        )
    values = {"device": device, "image": image, "speed": f"{speed:g}"}
    try:
        words = shlex.split(template)
        filled = tuple(substitute(word, values, "the burner's command") for word in words)
    except ValueError as error:
        raise UsageError(f"the burner's command {template!r} cannot be read: {error}") from None
    except ManifestError as error:
        raise UsageError(error.message, where=error.where, hint="Use {device}, {image} and {speed}.") from None
    for name in ("device", "image"):
        if not any(f"{{{name}}}" in word for word in words):
            raise UsageError(f"the burner's command {template!r} has no {{{name}}}")
    return filled


def obstacles(plan: BurnPlan) -> list[DiscprepError]:
    """Why this disc must not be burned: it does not fit, or the medium is not blank."""
    medium = plan.drive.medium
    faults: list[DiscprepError] = []
    if medium.free_sectors is not None and medium.free_sectors < plan.image_sectors:
        faults.append(
            CapacityError(
                f"the image has {plan.image_sectors:,} sectors, the medium has room for {medium.free_sectors:,}; "
                "nothing was written",
                where=plan.drive.name,
                hint="Put in a larger medium, or build for this one.",
            )
        )
    if medium.state and medium.state != "blank":
        hint = "Put in a blank disc." + (" Your burner can blank this one." if medium.erasable else "")
        message = f"the medium is not blank ({medium.state}); nothing was written"
        faults.append(DiscError(message, where=plan.drive.name, hint=hint))
    return faults


def remarks(plan: BurnPlan) -> list[Notice]:
    """What the user should know of this medium."""
    kind = plan.drive.medium.kind
    found = []
    if "RW" in kind or kind == "DVD-RAM":
        found.append(Notice(f"the medium is a {kind}: many old drives cannot read it", hint="Use a CD-R."))
    if plan.drive.medium.free_sectors is None and not plan.drive.plain:
        found.append(
            Notice("the drive does not tell how much the medium holds", hint="Compare it with the blank's label.")
        )
    return found

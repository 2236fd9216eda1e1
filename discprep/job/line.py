"""What is wrong with a manifest's link, for every command that asks: what makes it impossible is an error of the
manifest, the rest are remarks."""

from __future__ import annotations

from dataclasses import replace

from discprep.disc.media import hard_to_read
from discprep.errors import DiscprepError, ManifestError, raise_all
from discprep.link.advice import told
from discprep.link.transfer import Transfer
from discprep.link.trouble import Trouble
from discprep.link.vary import Question
from discprep.model import Manifest, Notice
from discprep.serve.gate import SERVER

_USUAL = Transfer(200_000)  # by which a change of settings is judged where nobody asked for a size


def line_troubles(manifest: Manifest) -> tuple[Trouble, ...]:
    """All of it, as far as both ends are described; none without a link."""
    if manifest.link is None:
        return ()
    return told(Question(_USUAL, manifest.link, manifest.bridge, manifest.profile, server=SERVER))


def line_faults(manifest: Manifest) -> list[DiscprepError]:
    """What lets nothing through, whatever is pulled over the link."""
    where = str(manifest.path)
    told = [trouble.notice for trouble in line_troubles(manifest) if trouble.impossible]
    return [ManifestError(f"the link: {one.message}", where=where, hint=one.hint) for one in told]


def line_notices(manifest: Manifest) -> list[Notice]:
    """What costs time or characters, and what is left to the user's hands."""
    notices = [_placed(manifest, trouble) for trouble in line_troubles(manifest) if not trouble.impossible]
    shell = manifest.profile.shell
    if manifest.link and manifest.link.slice_s and not (shell and shell.join):
        notices.append(Notice(
            "link.slice is set, but the machine profile has no command that joins files: slices are joined by hand",
            hint="`join` under [shell] of the profile is that command, and needs `delete` there: "
            'join = "copy /b {first}+{second} {target}".',
        ))  # fmt: skip
    return notices


def stop_at_faults(manifest: Manifest, *, even_so: bool) -> list[Notice]:
    """Stops before a disc is made whose link cannot work. With `even_so` the faults are remarks, before the others; a
    medium that is hard to read is one too.

    Raises:
        ManifestError: what makes the link impossible, all at once
    """
    faults = line_faults(manifest)
    if not even_so:
        for fault in faults:
            fault.hint += " Or --even-so: the disc is built, and its sheet says this first."
        raise_all(faults)
    impossible = [_placed(manifest, trouble) for trouble in line_troubles(manifest) if trouble.impossible]
    return [*impossible, *line_notices(manifest), *hard_to_read(manifest.medium)]


def _placed(manifest: Manifest, trouble: Trouble) -> Notice:
    return replace(trouble.notice, message=f"the link: {trouble.notice.message}")

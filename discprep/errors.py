"""Every fault discprep reports: one root, families by what the user does about it.

A fault says where it is (file and line, or archive and member), which item it concerns, what was expected
and found, and what to do next (`hint`). The exit code belongs to the family; see `exit_code`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence


class DiscprepError(Exception):
    """The root. `message` is one or two plain sentences; `hint` is the next step, said apart.

    Attributes:
        message: what was expected, what was found, what was done about it
        where: "file:line", "archive: member", a URL or a path; empty when it has no place
        item: the item's id; empty when the fault is no item's
        hint: what to do next; empty when nothing helps
    """

    family = "bug"
    exit_code = 4

    def __init__(self, message: str, *, where: str = "", item: str = "", hint: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.where = where
        self.item = item
        self.hint = hint

    def __str__(self) -> str:
        place = f"{self.where}: " if self.where else ""
        item = f"[{self.item}] " if self.item else ""
        return f"{place}{item}{self.message}"


class UsageError(DiscprepError):
    """The call is wrong: change the command line."""

    family, exit_code = "usage", 2


class ManifestError(DiscprepError):
    """The manifest, a profile or the pins are wrong or contradict themselves: change the file."""

    family, exit_code = "manifest", 2


class IntegrityError(DiscprepError):
    """Bytes are not what they should be (a hash, a size, a disc that differs): do not use them."""

    family, exit_code = "integrity", 1


class ArchiveError(DiscprepError):
    """An archive or a member is damaged, hostile or of an unknown kind: get another copy."""

    family, exit_code = "archive", 1


class NameRuleError(DiscprepError):
    """A name that the disc or the machine cannot hold, or two that map to one: add a `rename`."""

    family, exit_code = "name", 1


class EditError(DiscprepError):
    """An edit matched too often or never, or a text has a character its charset lacks."""

    family, exit_code = "edit", 1


class CapacityError(DiscprepError):
    """It does not fit: a larger medium, or fewer items."""

    family, exit_code = "capacity", 1


class MissingError(DiscprepError):
    """Something wanted is not at hand yet: fetch it, or obtain it by hand."""

    family, exit_code = "missing", 1


class DiscError(DiscprepError):
    """An image breaks its standard, or a disc cannot be read: do not burn it, or burn it again."""

    family, exit_code = "disc", 1


class FetchError(DiscprepError):
    """A server or the network failed: try again later, or name another source."""

    family, exit_code = "fetch", 3


class StorageError(DiscprepError):
    """The host's disk or its rights stand in the way: make room, change rights. `kept` ends the message: what stays."""

    family, exit_code = "storage", 3

    def __init__(self, message: str, *, where: str = "", item: str = "", hint: str = "", kept: str = "") -> None:
        super().__init__(f"{message}; {kept}" if kept else message, where=where, item=item, hint=hint)
        self.kept = kept


class ToolError(DiscprepError):
    """A program on the host (a burner, an unpacker) is missing or failed."""

    family, exit_code = "tool", 3


class LineError(DiscprepError):
    """A serial port is gone, or the other end of its line does not answer: look at plugs and settings."""

    family, exit_code = "line", 3


class Faults(DiscprepError):
    """Several faults at once, so that the user mends them in one go. `errors` is never empty."""

    family = "several"

    def __init__(self, errors: Iterable[DiscprepError]) -> None:
        self.errors: tuple[DiscprepError, ...] = tuple(flatten(errors))
        if not self.errors:
            raise ValueError("Faults needs at least one error")
        super().__init__("\n".join(str(error) for error in self.errors))
        self.exit_code = exit_code(self.errors)


def flatten(errors: Iterable[DiscprepError]) -> Iterable[DiscprepError]:
    """Each single fault, with the contents of any `Faults` in its place."""
    for error in errors:
        if isinstance(error, Faults):
            yield from error.errors
        else:
            yield error


def raise_all(errors: Sequence[DiscprepError]) -> None:
    """Raises the only fault as itself, several as `Faults`; returns when there is none."""
    if len(errors) == 1:
        raise errors[0]
    if errors:
        raise Faults(errors)


def exit_code(errors: Iterable[DiscprepError]) -> int:
    """The exit code for some faults: 4 before 2 before 1 before 3; 0 for none."""
    codes = {error.exit_code for error in flatten(errors)}
    return next((code for code in (4, 2, 1, 3) if code in codes), 0)

"""What every command shares: the JSON envelope, exit codes, messages, Ctrl-C. Only cli/ prints or exits.

A command is one module `cli/<name>.py` with one function:

    def check(manifest: ManifestPath, as_json: Json = False, quiet: Quiet = False) -> None:
        \"\"\"One sentence that --help shows.\"\"\"
        with command("check", as_json, quiet) as frame:
            from discprep.job import check as job          # imported late: start-up stays fast
            from discprep.report import check as face
            result = job.check(manifest, progress=frame.progress)
            frame.finish(face.document(result), face.text(result), errors=result.errors, notices=result.notices)
"""

from __future__ import annotations

import inspect
import json
import sys
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import MISSING, fields
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn, Protocol

import typer
from typer import Argument, Option

from discprep.cli.streams import as_utf8, flushed, shown
from discprep.errors import DiscprepError, StorageError, exit_code, flatten

if TYPE_CHECKING:  # the records take a tenth of the time that --help has
    from discprep.model import Notice, Progress

MOST_TOLD = 100  # notes, or errors, on a terminal; more are counted

Json = Annotated[bool, Option("--json", help="Print one JSON document on stdout and nothing else there.")]
Quiet = Annotated[bool, Option("--quiet", "-q", help="No progress and no remarks, only results and errors.")]
ManifestPath = Annotated[Path, Argument(metavar="MANIFEST", help="The manifest, a TOML file.")]
MachineOption = Annotated[
    Path | None, Option("--machine", metavar="PROFILE", help="A machine profile instead of the manifest's.")
]
CacheOption = Annotated[
    Path | None,
    Option("--cache", metavar="DIR", help="Where fetched bytes are kept. [default: the platform's cache folder]"),
]


class Face(Protocol):
    """How a result is shown: a module of `report/`."""

    def document(self, result: Any, /) -> Mapping[str, Any]: ...
    def text(self, result: Any, /) -> str: ...


class Frame:
    """One run of one command: where its results and messages go. `lines`: it prints a line of JSON for each thing."""

    def __init__(self, name: str, as_json: bool, quiet: bool, lines: bool = False) -> None:
        self.name, self.as_json, self.quiet, self.lines = name, as_json, quiet, lines
        self._progress: Progress | None = None
        self._telling = threading.Lock()

    @property
    def progress(self) -> Progress:
        """Bars on stderr; silent under --quiet."""
        if self._progress is None:
            if self.quiet:
                from discprep.model import Silent

                self._progress = Silent()
            else:
                from discprep.report.progress import Bars

                self._progress = Bars(sys.stderr)
        return self._progress

    def tell(self, face: Face, event: Any) -> None:
        """One thing of many, as it comes and from any thread."""
        with self._telling:
            if self.as_json:
                print(json.dumps({"discprep": 1, "command": self.name, **face.document(event)}), flush=True)
                return
            print(face.text(event), flush=True)
            for notice in getattr(event, "notices", ()) if not self.quiet else ():
                say(f"note: {notice}", notice.hint)

    def finish(
        self,
        document: Mapping[str, Any],
        text: str,
        *,
        errors: Iterable[DiscprepError] = (),
        notices: Iterable[Notice] = (),
    ) -> NoReturn:
        """Prints the result and the faults, and exits with the code that the faults deserve (0 without any)."""
        self._close()
        faults = list(flatten(errors))
        remarks = list(notices)
        if self.as_json:
            print_json(self.name, document, faults, remarks, indent=None if self.lines else 1)
        else:
            if text:
                print(shown(text), flush=True)
            if remarks and not self.quiet:
                from discprep.report.remarks import folded

                _say_all("note", folded(remarks))
            _say_all("error", faults)
        raise typer.Exit(exit_code(faults))

    def fail(self, error: DiscprepError) -> NoReturn:
        """Prints the faults alone and exits."""
        self.finish({"event": "failed"} if self.lines else {}, "", errors=[error])

    def _close(self) -> None:
        close = getattr(self._progress, "close", None)
        if close:
            close()


def takes(options: type[Any]) -> Callable[[Callable[[Any], None]], Callable[..., None]]:
    """A command of many options takes them as one record: the fields of the dataclass `options` are its parameters."""

    def taking(run: Callable[[Any], None]) -> Callable[..., None]:
        def called(**given: Any) -> None:
            run(options(**given))

        called.__doc__, called.__annotations__ = run.__doc__, {field.name: field.type for field in fields(options)}
        called.__signature__ = inspect.Signature([  # type: ignore[attr-defined]
            inspect.Parameter(field.name, inspect.Parameter.KEYWORD_ONLY, annotation=field.type,
                              default=inspect.Parameter.empty if field.default is MISSING else field.default)
            for field in fields(options)
        ])  # fmt: skip
        return called

    return taking


@contextmanager
def command(name: str, as_json: bool, quiet: bool = False, *, lines: bool = False) -> Iterator[Frame]:
    """Turns whatever ends a command into a message and an exit code; no traceback reaches the user.

    Args:
        lines: it tells of many things, with `--json` a line each
    """
    frame = Frame(name, as_json, quiet, lines)
    try:
        yield frame
    except typer.Exit:
        raise
    except DiscprepError as error:
        frame.fail(error)
    except KeyboardInterrupt:
        frame._close()
        if as_json:
            print_json(name, {"interrupted": True}, [], [], indent=None if lines else 1)
        else:
            say("interrupted: nothing half-written stands under a final name", "Run the same command again to go on.")
        raise typer.Exit(130) from None
    except BrokenPipeError:
        flushed()
        raise typer.Exit(0) from None
    except OSError as error:
        from discprep.fetch.files import refused

        frame.fail(refused(error))
    except MemoryError:
        frame.fail(StorageError("the host ran out of memory", hint="Close other programs and run it again."))
    except Exception as error:
        frame.fail(our_bug(error))


def ask_secret(as_json: bool) -> Callable[[str], str] | None:
    """Asks at the terminal for a secret's value, unseen; None where nobody can be asked."""
    if as_json or not (sys.stdin.isatty() and sys.stderr.isatty()):
        return None

    def ask(name: str) -> str:
        import getpass

        return getpass.getpass(f"Value of the secret {name!r} (not shown): ", sys.stderr)

    return ask


def our_bug(error: Exception) -> DiscprepError:
    """A fault of discprep itself: the trace goes to a file that the user can send."""
    import tempfile
    import traceback

    with tempfile.NamedTemporaryFile("w", prefix="discprep-", suffix=".txt", delete=False, encoding="utf-8") as file:
        traceback.print_exception(error, file=file)
    return DiscprepError(
        f"a fault of discprep itself ({type(error).__name__}: {error})",
        hint=f"Please report it with the file {file.name}; it may hold names of your files.",
    )


def _say_all(kind: str, things: Sequence[Notice | DiscprepError]) -> None:
    """Each on a line of its own; what follows from several in a row is said once, after the last of them."""
    told = things[:MOST_TOLD]
    following = [*(thing.hint for thing in told[1:]), None]
    for thing, next_hint in zip(told, following, strict=False):
        say(f"{kind}: {thing}", "" if thing.hint == next_hint else thing.hint)
    if len(things) > MOST_TOLD:
        say(f"{kind}: {len(things) - MOST_TOLD:,} more are not shown", "--json lists them all.")


def say(message: str, hint: str = "") -> None:
    """A message on stderr, its next step on a line of its own."""
    print(message, file=sys.stderr)
    if hint:
        print(f"  next: {hint}", file=sys.stderr)
    sys.stderr.flush()


def print_json(
    name: str,
    document: Mapping[str, Any],
    errors: Iterable[DiscprepError],
    notices: Iterable[Notice],
    *,
    indent: int | None = 1,
) -> None:
    """The envelope of DEVELOPERS.md: `discprep`, `command`, the document's own keys, `notices`, `errors`."""
    envelope: dict[str, Any] = {"discprep": 1, "command": name, **document}
    envelope["notices"] = [_places(n, n.message) for n in notices]
    envelope["errors"] = [{"family": e.family, **_places(e, e.message)} for e in flatten(errors)]
    # Piece by piece: the text of 65,535 members would take more memory than all that made it.
    json.dump(envelope, as_utf8(sys.stdout), ensure_ascii=False, indent=indent)
    print(flush=True)


def _places(thing: Any, message: str) -> dict[str, str]:
    named = {"message": message, "where": thing.where, "item": thing.item, "hint": thing.hint}
    return {key: value for key, value in named.items() if value or key == "message"}

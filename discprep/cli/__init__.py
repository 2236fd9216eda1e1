"""The commands (typer), one thin module each. Only this folder prints or exits."""

from __future__ import annotations

import atexit
import gc
import importlib
import os
import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import typer

# In the order of the work, as --help lists them.
COMMANDS = {
    "new": "Start a manifest.",
    "add": "Fetch, pin and append items to a manifest.",
    "drop": "Take an item and its pin out of a manifest.",
    "check": "Check a manifest without the network.",
    "schema": "Print the JSON Schema of the manifest.",
    "fetch": "Fetch every item, check it, pin what is new.",
    "status": "Show where each item stands, and the next step.",
    "verify": "Read every archive; names and sizes on the machine.",
    "plan": "Burn or download later: the best answer, and why.",
    "build": "Build image, record and bench sheet.",
    "prepare": "Fetch, verify, plan and build in one go.",
    "readback": "Compare a burned disc with its record.",
    "differ": "What changed between two builds, and why.",
    "estimate": "How long a download takes over the serial link.",
    "inspect": "What is inside an archive or image, and is it whole.",
    "unpack": "Unpack safely.",
    "serve": "Hand the machine the rest over plain HTTP.",
    "listen": "Tell what comes over a serial line.",
    "send": "Send files over a serial line by a block protocol.",
    "take": "Take files over a serial line by a block protocol.",
    "burn": "Burn an image with your own burner, then read back.",
    "probe": "Find out what a machine can take, with a test disc.",
    "hand-over": "Write the recipe for somebody else.",
}


def main(argv: list[str] | None = None) -> None:
    """Runs the command line and exits."""
    arguments = (sys.argv[1:] if argv is None else argv) or ["--help"]
    # A run makes many small records and few cycles: looking for cycles less often saves a tenth of its time.
    gc.set_threshold(50_000, 20, 50)
    # At the end all of it goes anyway: the interpreter's last search for cycles would take another tenth.
    atexit.register(gc.freeze)
    # No plug-in of some other package is to see a manifest, nor is every installed package searched for one.
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    from discprep.cli.frame import print_json, say
    from discprep.cli.streams import flushed, settle
    from discprep.errors import UsageError

    settle()
    problem = ""
    try:
        app = build_app(arguments)
        code = app(arguments, prog_name="discprep", standalone_mode=False)
    except KeyboardInterrupt:
        code = 130
    except OSError as error:  # a command tells its own: this one is of the streams
        code, problem = (0, "") if isinstance(error, BrokenPipeError) else (3, error.strerror or str(error))
    except Exception as error:
        message = getattr(error, "format_message", None)
        if message is None:
            raise
        name = next((word for word in arguments if word in COMMANDS), "")
        fault = UsageError(message(), hint=f"discprep {name + ' ' if name else ''}--help shows what it takes.")
        if "--json" in arguments:
            print_json(name, {}, [fault], [])
        else:
            say(f"error: {fault}", fault.hint)
        code = 2
    code = code if isinstance(code, int) else 0
    problem = flushed() or problem
    if problem:
        code = code or 3
        say(f"error: the output could not be written: {problem}", "Make room, or send it somewhere else.")
    sys.exit(code)


def build_app(arguments: list[str]) -> typer.Typer:
    """The typer application. Only the called command's module is imported, all of them for help."""
    import typer

    app = typer.Typer(
        help="From one manifest to a checked disc for a machine that has only an optical drive, "
        "and the rest over its slow serial link.",
        rich_markup_mode=None,
        context_settings={"help_option_names": ["-h", "--help"]},
        pretty_exceptions_enable=False,
    )

    @app.callback(invoke_without_command=True)
    def top(
        version: bool = typer.Option(False, "--version", help="Print the version and end."),
    ) -> None:
        if version:
            from discprep import __version__

            print(f"discprep {__version__}")
            raise typer.Exit()

    called = next((word for word in arguments if word in COMMANDS), None)
    for name in [called] if called else COMMANDS:
        module = name.replace("-", "_")
        function = getattr(importlib.import_module(f"discprep.cli.{module}"), module)
        app.command(name, short_help=COMMANDS[name])(function)
    return app

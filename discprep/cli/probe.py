"""`discprep probe`."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from typer import Argument, Option

from discprep.cli.frame import Json, MachineOption, Quiet, command

if TYPE_CHECKING:
    from discprep.disc.probe import Question


def probe(
    manifest: Annotated[Path, Argument(metavar="MANIFEST|PROFILE", help="A manifest, or a machine profile.")],
    out: Annotated[Path | None, Option(metavar="DIR", help="Write the test disc and its questions here.")] = None,
    answers: Annotated[Path | None, Option(metavar="FILE", help="Write these answers into the profile.")] = None,
    ask: Annotated[bool, Option("--ask", help="Ask the questions here and now; an empty answer skips one.")] = False,
    to: Annotated[Path | None, Option(metavar="FILE", help="Write the profile here; the old one stays.")] = None,
    plain: Annotated[
        bool, Option("--plain", help="Short names only, for a machine that refuses the usual test disc.")
    ] = False,
    machine: MachineOption = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Find out what a machine can take: a small test disc, and the answers off its screen into its profile.

    First --out DIR, which writes the disc and the questions; at the machine, answer them; then --answers FILE or --ask.
    """
    with command("probe", as_json, quiet) as frame:
        from discprep.errors import UsageError
        from discprep.job import probe as job
        from discprep.report import probe as face

        if [out is not None, answers is not None, ask].count(True) != 1:
            raise UsageError("expected one of --out, --answers and --ask", hint="Start with --out DIR.")
        if out is not None:
            made = job.probe(manifest, out, machine=machine, plain=plain, progress=frame.progress)
            frame.finish(face.document(made), face.text(made, manifest), notices=made.notices)
        given = job.read_answers(answers) if answers else _asked(job.asked(manifest, machine))
        done = job.answer(manifest, given, machine=machine, to=to)
        frame.finish(face.document(done), face.text(done, manifest), errors=done.errors, notices=done.notices)


def _asked(questions: "tuple[Question, ...]") -> dict[str, object]:
    """Asks on stderr, so that stdout keeps to the result."""
    given: dict[str, object] = {}
    for question in questions:
        typer.echo(f"\n{question.do}\n{question.ask}", err=True)
        for name, look in question.choices:
            typer.echo(f"  {name:<12} {look}", err=True)
        given[question.id] = typer.prompt(question.id, default="", show_default=False, err=True)
    return given

"""A small disc that finds out what a machine can take, and what its answers say. Pure but for the files it writes.

Every question has a test on the disc, is answered by looking at the machine's screen, and fills one key of the machine
profile or shows that a key's value holds. The image has another name in each tree, so that what the machine lists tells
which tree it reads.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from discprep.disc.contents import keep
from discprep.disc.setup.flow import Node, write_out
from discprep.disc.setup.language import Language
from discprep.disc.textform import encode_text
from discprep.errors import DiscprepError, UsageError
from discprep.machine import MachinePath, first_volume, script_ending
from discprep.model import Named, Notice, Profile, Shell, Staged
from discprep.units import NUMBER, comma_hint

SPEED_BYTES = 6_144_000  # 40 s of reading at single speed (153,600 B/s)
SPEED_UNIT_BYTES_S = 153_600
DEEPEST = 8  # levels of folders; ECMA-119 §6.8.2.1 allows 8, the root among them, so a file lies in 6
LINE_LENGTHS = (60, 72, 80, 100, 120, 126, 127, 128, 160, 200, 250, 254, 255, 256, 300, 400, 500, 512)
NAME_LENGTHS = (8, 9, 11, 15, 16, 20, 25, 26, 30, 31, 32, 40, 64)
CHARSETS = ("latin-1", "cp437", "cp850", "cp852", "cp866", "mac-roman", "koi8-r", "iso8859-2")
SHOWN = bytes([0xC3, 0xE4])  # look different in each of CHARSETS
NEWLINES = {"lf": "\n", "crlf": "\r\n", "cr": "\r"}
RULES_BY_TREE = {
    "short": ["iso-level-1"],
    "long": ["iso-level-2"],
    "joliet": ["iso-level-1", "joliet"],
    "rock-ridge": ["iso-level-1", "rock-ridge"],
}
TRIED_COMMANDS = ("make_folder", "copy", "rename", "delete", "create_empty", "append", "if_failed")
FOLDER = "PROBE"

Value = str | int | float | bool | list[str]


@dataclass(frozen=True, slots=True)
class Question:
    """One thing to look at. `key` is the profile's key it fills, "" where it fills several or none."""

    id: str
    key: str
    do: str  # what to do at the machine
    ask: str
    choices: tuple[tuple[str, str], ...] = ()  # answer, what it looks like; () for a number or a text
    kind: str = "text"  # "text", "number", "choice", "commands"


@dataclass(frozen=True, slots=True)
class Findings:
    """What answers say: values for the profile's keys, keys that hold as they stand, and what is wrong."""

    values: Mapping[str, Value]
    tried: tuple[str, ...]
    doubtful: tuple[str, ...] = ()  # keys that the machine showed to be wrong, without a better value
    notices: tuple[Notice, ...] = ()
    errors: tuple[DiscprepError, ...] = ()


# ---------------------------------------------------------------------------------------------- questions


def questions(profile: Profile) -> tuple[Question, ...]:
    """The questions for a machine; those about its commands only where the profile has its language."""
    disc = profile.disc_path or "the disc"
    found = [
        Question("drive", "disc.path", "Put the disc in.", "What does the machine call the drive (D: for instance)?"),
        Question(
            "names",
            "disc.name_rules",
            f"List the files in the folder NAMES of {disc}.",
            "Which file is there?",
            (
                ("short", "LONGPRIM.TXT, or another short form of LONGPRIMARYNAME.TXT"),
                ("long", "LONGPRIMARYNAME.TXT"),
                ("joliet", "Seen through Joliet.txt"),
                ("rock-ridge", "seen through rock ridge.txt"),
                ("none", "none of these"),
            ),
            "choice",
        ),
        Question(
            "depth",
            "",
            "Go down the folders DEEP, L3, L4, L5, L6, L7 as far as it goes; in each, show the file HERE.TXT.",
            "Which number did the deepest file show (2 to 7)?",
            kind="number",
        ),
        Question(
            "charset",
            "text.charset",
            "Show the file CHARSET.TXT in the folder TEXT.",
            "Which characters stand between the arrows?",
            tuple((charset, SHOWN.decode(charset)) for charset in CHARSETS),
            "choice",
        ),
        Question(
            "newline",
            "text.newline",
            "Show the files CRLF.TXT, LF.TXT and CR.TXT in the folder TEXT.",
            "Which one shows three lines, each from the left edge? (The first of them, if several do.)",
            (("crlf", "CRLF.TXT"), ("lf", "LF.TXT"), ("cr", "CR.TXT"), ("none", "none of these")),
            "choice",
        ),
        Question(
            "speed",
            "disc.drive_speed",
            f"Copy the file SPEED.DAT ({SPEED_BYTES:,} bytes) to the machine's own volume and take the time.",
            "How many seconds did it take?",
            kind="number",
        ),
    ]
    if profile.volumes:
        volume = first_volume(profile).path
        found.append(
            Question("free", "volume.free", f"Ask for the room on {volume}.", "How many bytes are free?", kind="number")
        )
    if profile.shell:
        found += _shell_questions(profile, profile.shell)
    return tuple(found)


def _shell_questions(profile: Profile, shell: Shell) -> Iterator[Question]:
    language = Language(shell, profile)

    def start(name: str) -> str:
        path = MachinePath(profile.disc_path, (FOLDER, name + script_ending(shell)))
        return f"Start {shell.run.replace('{path}', language.quoted(language.path(path)))}."

    yield Question(
        "lines", "shell.line_max", start("LINES"), "What is the last number shown as a whole line?", kind="number"
    )
    if not profile.volumes:
        return
    yield Question(
        "length",
        "volume.name_max",
        start("NAMES") + f" Then list the folder {FOLDER} on {first_volume(profile).path}.",
        "How many characters has the longest name there that ends in .TXT, the dot and TXT counted?",
        kind="number",
    )
    yield Question(
        "commands",
        "",
        start("TRY"),
        "Which commands did it call WRONG? (Their names, with commas; none if there are none.)",
        tuple((key, f"shell.{key}") for key in TRIED_COMMANDS if getattr(shell, key)),
        "commands",
    )


# ------------------------------------------------------------------------------------------- the disc's tree


def probe_tree(profile: Profile, work: Path, *, plain: bool = False) -> tuple[Named, ...]:
    """The disc's files with their names in every tree. Everything has short names in the primary tree, but for the
    one file that shows whether longer ones are read; with `plain`, that one too."""
    return (
        *_scripts(profile, work),
        _file(
            ("NAMES", "LONGPRIM.TXT" if plain else "LONGPRIMARYNAME.TXT"),
            b"This disc's names can be read.\r\n",
            work,
            joliet="Seen through Joliet.txt",
            rock_ridge="seen through rock ridge.txt",
        ),
        *(_file((*_deep(level), "HERE.TXT"), f"{level}\r\n".encode(), work) for level in range(2, DEEPEST)),
        _file(("TEXT", "CHARSET.TXT"), b"-->" + SHOWN + b"<--\r\n", work),
        *(
            _file(("TEXT", f"{name.upper()}.TXT"), newline.join(["one", "two", "three", ""]).encode(), work)
            for name, newline in NEWLINES.items()
        ),
        _file(("SPEED.DAT",), bytes(range(256)) * (SPEED_BYTES // 256), work),
    )


def _deep(level: int) -> tuple[str, ...]:
    return ("DEEP", *(f"L{n}" for n in range(3, level + 1)))


def _file(path: tuple[str, ...], data: bytes, work: Path, *, joliet: str = "", rock_ridge: str = "") -> Named:
    dotted = path[-1].upper() if "." in path[-1] else f"{path[-1]}."
    staged = Staged(path, "", keep(data, work), copied=False, fixed_name=True)
    return Named(
        staged,
        iso=(*path[:-1], dotted),
        joliet=(*path[:-1], joliet or path[-1]),
        rock_ridge=(*path[:-1], rock_ridge or path[-1]),
    )


def _scripts(profile: Profile, work: Path) -> Iterator[Named]:
    shell = profile.shell
    if shell is None:
        return
    language = Language(replace(shell, line_max=None), profile)
    scripts = {"LINES": _line_lengths(language)}
    if profile.volumes:
        scripts |= {"NAMES": _name_lengths(language), "TRY": _try_commands(language)}
    for name, nodes in scripts.items():
        opening = language.raw(shell.opening, title="probe", build="")
        closing = language.raw(shell.closing, title="probe", build="")
        lines = write_out([*opening, *nodes], shell, language.fits, closing)
        text = encode_text("\n".join([*lines, ""]), profile, where=name)
        yield _file((FOLDER, name + script_ending(shell)), text, work)


def _line_lengths(language: Language) -> list[Node]:
    """Lines of growing length, each ending in its own length."""
    nodes: list[Node] = []
    around = max(len(line) for line in language.shell.message) - len("{text}")
    for length in LINE_LENGTHS:
        text = str(length).rjust(max(4, length - around), ".")
        nodes += language.raw(language.shell.message, text=text)
    return nodes


def _name_lengths(language: Language) -> list[Node]:
    """Copies one file under names of growing length; names the volume refuses or cuts do not show."""
    profile = language.profile
    folder = MachinePath(first_volume(profile).path, (FOLDER,))
    source = MachinePath(profile.disc_path, ("TEXT", "LF.TXT"))
    nodes = language.make_folder(folder)
    for length in NAME_LENGTHS:
        stem = (str(length) + "abcdefghijklmnopqrstuvwxyz" * 3)[: length - 4]
        nodes += language.copy(source, folder / f"{stem}.TXT")
    return [*nodes, *language.say("Done.")]


def _try_commands(language: Language) -> list[Node]:
    """Tries each command of the profile and says of each whether it did what it should."""
    profile, shell = language.profile, language.shell
    folder = MachinePath(first_volume(profile).path, (FOLDER,))
    source = MachinePath(profile.disc_path, ("TEXT", "LF.TXT"))

    def verdict(key: str, path: MachinePath, should: str = "exists") -> list[Node]:
        other = {"exists": "missing", "missing": "exists"}[should]
        right = language.when(should, path, language.say(f"{key}: right"), rare=True)
        return [*right, *language.when(other, path, language.say(f"{key}: WRONG"), rare=True)]

    one, two = folder / "ONE.TXT", folder / "TWO.TXT"
    nodes = language.make_folder(folder)
    nodes += language.when("folder", folder, language.say("make_folder: right"), rare=True)
    nodes += language.when("no_folder", folder, language.say("make_folder: WRONG"), rare=True)
    for path in (one, two):
        nodes += language.when("exists", path, language.command("delete", path))
    nodes += [*language.copy(source, one), *verdict("copy", one)]
    if shell.rename:
        nodes += [*language.rename(one, "TWO.TXT"), *verdict("rename", two)]
    if shell.delete:
        nodes += [*language.command("delete", two), *verdict("delete", two, "missing")]
    for key, name in (("create_empty", "EMPTY.TXT"), ("append", "LIST.TXT")):
        if getattr(shell, key):
            made = language.append("a line", folder / name) if key == "append" else language.command(key, folder / name)
            nodes += [*made, *verdict(key, folder / name)]
    if "copy" in shell.tells:
        nodes += language.say("if_failed: WRONG, unless the next line calls it right")
        nodes += language.copy(MachinePath(profile.disc_path, ("NOT.HER",)), one)
        nodes += language.failed("copy", language.say("if_failed: right"))
    return nodes


# ------------------------------------------------------------------------------------------ what answers say


def settle(profile: Profile, answers: Mapping[str, object]) -> Findings:
    """What the answers say of the profile; an empty answer says nothing.

    Arguments:
        answers: question id to the answer, as text or number
    """
    known = {question.id: question for question in questions(profile)}
    values: dict[str, Value] = {}
    tried: list[str] = []
    doubtful: list[str] = []
    notices: list[Notice] = []
    errors: list[DiscprepError] = [
        UsageError(f"no question is called {name!r}", hint=f"Questions: {', '.join(known)}.")
        for name in answers
        if name not in known
    ]
    for question in known.values():
        answer = str(answers.get(question.id, "")).strip()
        if not answer:
            continue
        try:
            if question.kind == "commands":
                wrong = _commands(question, answer)
                tried += [f"shell.{key}" for key, _ in question.choices if key not in wrong]
                doubtful += [f"shell.{key}" for key in wrong]
            elif question.id == "depth":
                notices += _depth(int(_number(question, answer)))
            else:
                value = _value(question, answer)
                if value is None:
                    doubtful.append(question.key)
                else:
                    values[question.key] = value
                    tried.append(question.key)
        except UsageError as error:
            errors.append(error)
    notices += [
        Notice(
            f"the machine showed that {key} is not right; it stays assumed", hint="Change it by hand and probe again."
        )
        for key in doubtful
    ]
    return Findings(values, tuple(tried), tuple(doubtful), tuple(notices), tuple(errors))


def _value(question: Question, answer: str) -> Value | None:
    """An answer as the profile's value; None where it says only that none of the choices fits."""
    if question.kind == "choice":
        choice = _choice(question, answer)
        if choice == "none":
            return None
        return RULES_BY_TREE[choice] if question.id == "names" else choice
    if question.id == "drive":
        if not re.fullmatch(r"[^\s\0-\x1f]{1,40}", answer):
            raise UsageError(f"drive: expected a name without spaces, got {answer!r}")
        return answer
    number = _number(question, answer)
    if question.id == "speed":
        return max(0.1, round(SPEED_BYTES / number / SPEED_UNIT_BYTES_S, 1))
    return int(number)


def _choice(question: Question, answer: str) -> str:
    names = [name for name, _ in question.choices]
    shown = [name for name, look in question.choices if look == answer]
    if answer.casefold() in names:
        return answer.casefold()
    if shown:
        return shown[0]
    raise UsageError(f"{question.id}: expected one of {', '.join(names)}, got {answer!r}")


def _number(question: Question, answer: str) -> float:
    written = re.fullmatch(NUMBER, answer.replace(" ", ""))
    number = float(re.sub("[,_]", "", written[0])) if written else 0.0
    if not 0 < number < 10**15:
        raise UsageError(f"{question.id}: expected a number above 0, got {answer!r}{comma_hint(answer)}")
    return number


def _commands(question: Question, answer: str) -> list[str]:
    known = [key for key, _ in question.choices]
    named = [] if answer.casefold() == "none" else [word for word in re.split(r"[\s,]+", answer) if word]
    unknown = [word for word in named if word.removeprefix("shell.") not in known]
    if unknown:
        raise UsageError(f"commands: expected names of {', '.join(known)}, or none; got {', '.join(unknown)}")
    return [word.removeprefix("shell.") for word in named]


def _depth(level: int) -> Iterator[Notice]:
    if level < DEEPEST - 1:
        yield Notice(
            f"the machine opens files only down to level {level} of a disc",
            hint="Keep the folders of the items' `to` shallow, or leave deep items packed.",
        )


def answer_sheet(asked: Sequence[Question]) -> str:
    """A TOML file to fill in: each question as a comment, its answer empty."""
    lines = ["# Answers for `discprep probe M --answers FILE`. Leave empty what was not looked at.", ""]
    for question in asked:
        lines += [f"# {question.do}", f"# {question.ask}"]
        if question.kind == "choice":
            lines += [f"#   {name:<12} {look}" for name, look in question.choices]
        lines += [f'{question.id} = ""', ""]
    return "\n".join(lines)

"""The machine's command language, from its profile's templates. Pure: values in, lines out.

Where a line would be longer than the language takes, the command is given from inside the folder that its target
stands in, so that a bare name does.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from functools import lru_cache

from discprep.disc.setup.flow import THEN, Do, If, Node
from discprep.disc.setup.site import ROOM
from discprep.disc.textform import approximate
from discprep.errors import NameRuleError
from discprep.machine import MachinePath, lasting_volume, path_text, script_ending
from discprep.manifest.substitute import pattern
from discprep.model import Profile, Shell, Staged

OPPOSITES = {"exists": "missing", "missing": "exists", "folder": "no_folder", "no_folder": "folder"}
SCREEN_COLUMNS = 76  # messages are wrapped for a screen of 80
FIRST, SECOND = "\x01", "\x02"  # stand for a called script's arguments until its lines are written
ARGUMENT_LENGTHS = {FIRST: 66, SECOND: 12}  # what they may become: a path of 8.3 names, the name of a saved copy


class Language:
    """Commands as nodes of `flow.py`."""

    def __init__(self, shell: Shell, profile: Profile) -> None:
        self.shell = shell
        self.profile = profile
        self.blocks = shell.blocks
        self.approximated: dict[str, None] = {}  # messages that lost characters the machine cannot show
        self._in_paths = str.maketrans(dict(shell.path_escapes))
        self._in_texts = str.maketrans(dict(shell.text_escapes))
        self._wants_quotes = re.compile(f"[{re.escape(shell.quote_when + FIRST + SECOND)}]")
        self._path_text = lru_cache(maxsize=256)(lambda path: self.quoted(self.path(path)))  # each stands in many lines
        self._said = lru_cache(maxsize=1024)(self._messages)  # many files have the same said of them

    # ------------------------------------------------------------------------------------------- texts

    def path(self, path: MachinePath) -> str:
        """A whole path as text, unquoted."""
        return path_text(path, self.shell)

    def quoted(self, text: str) -> str:
        """A path or a name as a command takes it."""
        escaped = text.translate(self._in_paths) if self._in_paths else text
        needs = self.shell.quote and self._wants_quotes.search(text)
        return f"{self.shell.quote}{escaped}{self.shell.quote}" if needs else escaped

    def arguments(self, lines: Iterable[str]) -> Iterator[str]:
        """Finished lines, with the arguments of a called script as the language names them."""
        return (line.replace(FIRST, self.shell.first).replace(SECOND, self.shell.second) for line in lines)

    def _spoken(self, text: str) -> str:
        plain = text if FIRST in text or SECOND in text else approximate(text, self.profile.charset)
        if plain != text:
            self.approximated.setdefault(text)
        return plain

    def _fill(self, template: Iterable[str], **values: str) -> tuple[str, ...]:
        return tuple([pattern(line) % values for line in template])

    def fits(self, lines: Iterable[str]) -> bool:
        """Whether the language takes lines so long."""
        limit = self.shell.line_max
        return limit is None or all(self._length(line) <= limit for line in lines)

    def _length(self, line: str) -> int:
        """The bytes of a line, its arguments as long as they may become."""
        length = len(line) if line.isascii() else len(line.encode(self.profile.charset, "replace"))
        for one, most in ARGUMENT_LENGTHS.items():
            if one in line:
                length += line.count(one) * (most - 1)
        return length

    def _checked(self, lines: tuple[str, ...], shorter: Callable[[], tuple[str, ...]] | None = None) -> tuple[str, ...]:
        """The lines if they fit, else the shorter way to say the same."""
        if self.fits(lines):
            return lines
        if shorter and self.fits(attempt := shorter()):
            return attempt
        worst = max(lines, key=self._length)
        raise NameRuleError(
            f"the line {worst[:60]!r}… has {self._length(worst)} bytes, the machine's language takes "
            f"{self.shell.line_max}",
            hint="Give the item a shorter `to`, or `rename` the file or a folder.",
        )

    # ---------------------------------------------------------------------------------------- commands

    def say(self, *texts: str) -> list[Node]:
        """Messages, each wrapped; an empty text is an empty line."""
        return [node for text in texts for node in self._said(text, self.shell.message)]

    def _messages(self, text: str, template: tuple[str, ...]) -> tuple[Do, ...]:
        if not text.strip():
            return (Do(self.shell.empty_message),) if self.shell.empty_message else ()
        wrapped = [line for part in self._spoken(text).splitlines() for line in self._wrap(part, template)]
        return tuple([Do(self._fill(template, text=line.translate(self._in_texts))) for line in wrapped])

    def _wrap(self, text: str, template: Sequence[str]) -> list[str]:
        limit = self.shell.line_max or 255
        around = max(len(line) for line in template) - len("{text}")
        escapes = max([len(new) for _, new in self.shell.text_escapes], default=1)
        longest = escapes if any(old in text for old, _ in self.shell.text_escapes) else 1
        longest *= 1 if text.isascii() else max(len(one.encode(self.profile.charset, "replace")) for one in text)
        width = min(SCREEN_COLUMNS, max(10, (limit - around) // longest))
        return [text] if len(text) <= width else textwrap.wrap(text, width)

    def comment(self, *texts: str) -> list[Node]:
        """Remarks in the script, where the language has them."""
        template = self.shell.comment
        return [node for text in texts for node in self._said(text, template)] if template else []

    def opening(self, title: str, build: str) -> list[Node]:
        """What begins every script."""
        return [*self.raw(self.shell.opening, title=title, build=build), *self.comment(f"{title}; build {build}")]

    def start(self, script: MachinePath) -> str:
        """How a person starts a script."""
        return self.shell.run.replace("{path}", self.quoted(self.path(script)))

    def stop(self, *texts: str) -> list[Node]:
        """Messages, then the script's end."""
        return [*self.say(*texts), Do(self.shell.stop, ends=True)]

    def wait(self) -> list[Node]:
        return [Do(self.shell.wait)] if self.shell.wait else []

    def raw(self, template: Sequence[str], **values: str) -> list[Node]:
        """A template's lines as they are, with texts in them spoken."""
        spoken = {name: self._spoken(text).translate(self._in_texts) for name, text in values.items()}
        return [Do(self._fill(template, **spoken), inline=False)] if template else []

    def enter(self, folder: MachinePath) -> tuple[str, ...]:
        """Makes a folder the current one; a volume's root is named with what follows a volume: `C:` alone is none."""
        text = self.path(folder)
        text += self.shell.after_volume if text.endswith(":") else ""
        return self._fill(self.shell.change_folder, path=self.quoted(text), volume=folder.volume)

    def command(self, key: str, path: MachinePath, **values: str) -> list[Node]:
        """One command on one path: `make_folder`, `delete`, `create_empty`, `append`, `check_size`, …; none where
        the language cannot say it."""
        inline = key not in ("append", "create_empty")  # their redirection may act where the condition fails
        return self._with_path(getattr(self.shell, key), "path", path, inline, **values)

    def make_folder(self, folder: MachinePath) -> list[Node]:
        """Makes a folder that is not there; one that is, gives an error in a language that cannot ask."""
        made = self.command("make_folder", folder)
        return self.when("no_folder", folder, made) if self.shell.conditions else made

    def copy(self, source: MachinePath, target: MachinePath) -> list[Node]:
        return self._two(self.shell.copy, source, target)

    def copy_owners(self, source: MachinePath, target: MachinePath) -> list[Node]:
        """Copies a file of the machine's own, with its attributes where the language can."""
        return self._two(self.shell.copy_with_attributes or self.shell.copy, source, target)

    def compare(self, source: MachinePath, target: MachinePath, body: Sequence[Node]) -> list[Node]:
        """`body` where two files differ, if the language can tell."""
        asked = self._two(self.shell.compare, source, target)
        return [*asked, *self.failed("compare", body)] if asked else []

    def link(self, path: MachinePath, to: str) -> list[Node]:
        """A symbolic link with the text `to`, where nothing stands."""
        return self.command("link", path, to=self.quoted(to))

    def compare_link(self, path: MachinePath, to: str, body: Sequence[Node]) -> list[Node]:
        """`body` where no link with that text stands."""
        return [*self.command("compare_link", path, to=self.quoted(to)), *self.failed("compare_link", body)]

    def join(self, first: MachinePath, second: MachinePath, target: MachinePath) -> list[Node]:
        """Two files, one after the other, make a third."""
        one, other = self._path_text(first), self._path_text(second)
        return self._with_path(self.shell.join, "target", target, first=one, second=other)

    def copy_folder(self, source: MachinePath, target: MachinePath) -> list[Node]:
        return self._two(self.shell.copy_folder, source, target)

    def _two(self, template: tuple[str, ...], source: MachinePath, target: MachinePath) -> list[Node]:
        return self._with_path(template, "target", target, source=self._path_text(source))

    def _with_path(
        self, template: tuple[str, ...], key: str, path: MachinePath, inline: bool = True, **values: str
    ) -> list[Node]:
        """One command; where it is too long, from inside the folder of its path, whose bare name does there."""
        if not template:
            return []

        def from_inside() -> tuple[str, ...]:
            if not (self.shell.change_folder and path.parts):
                return whole
            return (*self.enter(path.folder), *self._fill(template, **{key: self.quoted(path.name)}, **values))

        whole = self._fill(template, **{key: self._path_text(path)}, **values)
        return [Do(self._checked(whole, from_inside), inline=inline)]

    def call(self, script: MachinePath, first: str = "", second: str = "") -> list[Node]:
        """Runs another script and comes back."""
        words = {"first": self.quoted(first), "second": self.quoted(second)}
        lines = self._fill(self.shell.call, path=self._path_text(script), **words)
        return [Do(self._checked(tuple(line.rstrip() for line in lines)))]

    def rename(self, path: MachinePath, name: str) -> list[Node]:
        """A new name in the same folder; given from inside it where the language can."""
        new = self.quoted(name)
        if not self.shell.change_folder:
            target = self._path_text(path.folder / name)
            return [Do(self._checked(self._fill(self.shell.rename, path=self._path_text(path), target=target,
                                                name=new)))]  # fmt: skip
        bare = Do(self._fill(self.shell.rename, path=self.quoted(path.name), target=new, name=new))
        return [Do(self.enter(path.folder), inline=False), bare] if path.base else [bare]

    def append(self, text: str, path: MachinePath) -> list[Node]:
        """A line of text to the end of a file, which is made if it is not there."""
        return self.command("append", path, text=self._spoken(text).translate(self._in_texts))

    def attributes(self, staged: Staged, path: MachinePath) -> list[Node]:
        """The attribute bits of the file's own system, where they are not those of a fresh copy."""
        shell, value = self.shell, staged.attributes
        if value is None or not shell.set_attributes or staged.attribute_system != shell.attribute_system:
            return []
        known = sum(1 << bit.bit for bit in shell.attribute_bits)
        if (value ^ shell.plain_attributes) & known == 0:
            return []
        words = [bit.set if value >> bit.bit & 1 else bit.clear for bit in shell.attribute_bits]
        text = shell.attribute_join.join(word for word in words if word)
        return self.command("set_attributes", path, attributes=text)

    def remark(self, staged: Staged, path: MachinePath) -> list[Node]:
        """The file's comment, cut to what the machine holds."""
        text = " ".join(staged.comment.split())[: self.shell.comment_max]
        if not (text and self.shell.set_comment):
            return []
        return self.command("set_comment", path, text=self._spoken(text).translate(self._in_texts))

    # ------------------------------------------------------------------------------------- conditions

    def when(self, kind: str, path: MachinePath, body: Sequence[Node], *, rare: bool = False) -> list[Node]:
        """`body` where `path` is there (`exists`), is not (`missing`), or is or is no folder (`folder`,
        `no_folder`; asked as for a file where the language knows no other way)."""
        if not (body and self.shell.conditions):
            return []
        if kind.endswith("folder") and not self.shell.if_folder:
            kind = {"folder": "exists", "no_folder": "missing"}[kind]
        opposite = "" if rare or self.blocks else OPPOSITES[kind]
        found = self._if(kind, opposite, self._path_text(path), body, rare)
        if self.fits([*found.lines, *found.opposite]) or not (self.shell.change_folder and path.parts):
            return [found]
        inside = Do(self.enter(path.folder), inline=False)
        return [inside, self._if(kind, opposite, self.quoted(path.name), body, rare)]

    def _if(self, kind: str, opposite: str, path: str, body: Sequence[Node], rare: bool) -> If:
        other = self._asked(f"if_{opposite}", path=path) if opposite else ()
        return If(self._asked(f"if_{kind}", path=path), tuple(body), rare, other)

    def either(self, kind: str, path: MachinePath, rare: Sequence[Node], usual: Sequence[Node]) -> list[Node]:
        """`rare` where a condition holds, else `usual`. `rare` must not change what is asked."""
        if self.blocks:
            return [*self.when(kind, path, rare), *self.when(OPPOSITES[kind], path, usual)]
        *inside, asked = self.when(kind, path, rare, rare=True)
        assert isinstance(asked, If)
        return [*inside, replace(asked, otherwise=tuple(usual))]

    def blame(self, kind: str, path: MachinePath, text: str, stop: Sequence[Node]) -> list[Node]:
        """Where a condition holds: says so and stops, with an end that all such stops share."""
        if self.blocks:
            return self.when(kind, path, [*self.say(text), *stop])
        return [*self.when(kind, path, self.say(text), rare=True), *self.when(kind, path, stop)]

    def failed(self, key: str, body: Sequence[Node]) -> list[Node]:
        """`body` where the command just given failed, if it tells."""
        if key not in self.shell.tells or not body:
            return []
        return [If(self._asked("if_failed"), tuple(body), True)]

    def full(self, volume: str, body: Sequence[Node]) -> list[Node]:
        """`body` where a volume has no room left, if the language has a way to see it."""
        if not self.shell.if_full:
            return []
        trial = MachinePath(volume, (f"ROOMTRY{script_ending(self.shell)}",))
        paths = {"room": self.room, "trial": trial, "answer": self._answer}
        texts = {name: self._path_text(path) for name, path in paths.items()}
        return [If(self._asked("if_full", **texts), tuple(body), True)]

    @property
    def room(self) -> MachinePath:
        """The room file at rest on the machine, which part 1 brings."""
        return self._saved / f"{ROOM}{script_ending(self.shell)}"

    @property
    def _answer(self) -> MachinePath:
        return self._saved / "ROOM.YES"

    @property
    def _saved(self) -> MachinePath:
        return MachinePath(lasting_volume(self.profile).path, (self.shell.save_folder,))

    def room_answer(self) -> list[str]:
        """The last lines of the room file, which leave its answer."""
        return list(self._fill(self.shell.room_file, answer=self.quoted(self.path(self._answer))))

    def _asked(self, key: str, **values: str) -> tuple[str, ...]:
        """A conditional's lines with `THEN` in them."""
        return self._fill(getattr(self.shell, key), then=THEN, **values)

"""Scripts in a language without conditions: plain lists of copies, numbered for whoever looks on. Pure.

A language that ends a script at the first command that fails proves by its end that all of them went well. In another
one nothing does: the script says so, and a person compares. Nothing is saved: that is told on the bench sheet.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from discprep.disc.parts import Part
from discprep.disc.setup.files import Files
from discprep.disc.setup.flow import Node
from discprep.disc.setup.script import Variants, caution_of, folders_of_entries, step_first
from discprep.disc.setup.site import CONTENTS, part_name
from discprep.machine import MachinePath
from discprep.model import Named


@dataclass(frozen=True, slots=True)
class Plain:
    """Writes the parts of one disc as plain lists; `tools` and `rates` as in `Scripts`."""

    files: Files
    tools: Mapping[str, MachinePath]
    rates: Mapping[str, Variants]

    @property
    def stops(self) -> bool:
        """Whether the end of a script proves that all before it went well."""
        return self.files.shell.stops_at_failure

    def folders(self, entries: Sequence[Named]) -> list[Node]:
        """Makes every folder of the disc. It stands alone where a folder that is there already would end a script."""
        site, say, first = self.files.site, self.files.say, part_name(self.files.shell, 1)
        wanted = folders_of_entries(site, entries)
        nodes = [*say.opening(f"{site.title}: folders", site.build), *say.say(f"{site.title}: folders")]
        for number, folder in enumerate(wanted, 1):
            nodes += say.say(f"{number} of {len(wanted)}: {say.path(folder)}")
            nodes += say.command("make_folder", folder)
        return [*nodes, *say.say("", "All folders are there.", f"Then start part 1: {say.start(self.tools[first])}")]

    def part(self, part: Part, entries: Sequence[Named]) -> list[Node]:
        """What a part copies, file by file, each with its number."""
        site, say = self.files.site, self.files.say
        files = [entry for entry in entries if entry.staged.content]
        title = f"{site.title}: part {part.number} of {site.count}"
        nodes = [*say.opening(title, site.build), *say.say(title, site.shell.read_error)]
        nodes += [node for step in part.before for node in step_first(say, step)]
        if not self.stops:
            nodes += [node for one in folders_of_entries(site, entries) for node in say.command("make_folder", one)]
        for number, entry in enumerate(files, 1):
            nodes += self._copied(f"{number} of {len(files)}", entry)
        for entry in entries:
            nodes += [*say.remark(entry.staged, site.target(entry)), *say.attributes(entry.staged, site.target(entry))]
        following = [line for step in part.after for line in ("", f"Now, by hand: {step.text}", *caution_of(step))]
        then = "This was the last part."
        if part.number < site.count:
            following_name = part_name(site.shell, part.number + 1)
            then = f"Then start part {part.number + 1}: {say.start(self.tools[following_name])}"
        return [*nodes, *say.say("", *self._end(part.number), *following, then)]

    def rate(self, rate_bit_s: int, own_name: str) -> list[Node]:
        """Sets the machine's line to one rate: copies the settings for it over those that stand there."""
        site, say = self.files.site, self.files.say
        title = f"{site.title}: the line at {rate_bit_s} baud"
        nodes = [*say.opening(title, site.build), *say.say(title)]
        for variant, original in self.rates[own_name]:
            nodes += say.copy(site.on_disc(variant), site.target(original))
        nodes += say.raw(site.shell.line_settings, rate=str(rate_bit_s))
        said = f"The machine's side is set to {rate_bit_s} baud." if self.stops else "Look for errors above."
        return [*nodes, *say.say("", said, "Set the bridge to the same.")]

    def _copied(self, number: str, entry: Named) -> list[Node]:
        """One file; checked where a check that fails ends the script."""
        site, say, shell = self.files.site, self.files.say, self.files.shell
        target = site.target(entry)
        source = site.on_disc(entry)
        if entry.link:
            said = say.say(f"{number}: {say.path(target)} -> {entry.target_link}")
            return [*said, *say.link(target, entry.target_link), *say.compare_link(target, entry.target_link, ())]
        nodes = [*say.say(f"{number}: {say.path(target)}"), *say.copy(source, target)]
        content = entry.staged.content
        if not (self.stops and content):
            return nodes
        nodes += say.command("check_size", target, size=str(content.size_bytes))
        if self.files.checksum and shell.checksum:
            nodes += say.command("checksum", target, sum=self.files.checksum(content))
        return nodes + say.compare(source, target, ())

    def _end(self, part: int) -> list[str]:
        if self.stops:
            return [f"Part {part} is done."]
        return [
            f"Part {part} has run. Nothing here can tell whether every file came: if an error stood under a number, "
            f"copy that file again by hand. {CONTENTS} on the disc has the size of each."
        ]

"""An invented machine of the 68k family, the map table, with the command language that its profile describes. Written
from the words of `manifests/machines/map-table.toml` alone; it knows nothing of how scripts are made.

A command that fails leaves trouble 10; one of the size of `bear` or above ends the script. `leave N` ends a script
with trouble N. Capitals in names are kept and not told apart. A copy that finds no room stays behind, cut short. A
stamp without `r`, `w` or `d` keeps a file from being read, written over, or discarded and retitled.
"""

import zlib
from dataclasses import dataclass, field

LINE_MAX = 254
NAME_MAX = 30


@dataclass
class File:
    """One file or folder (`data` None) of the machine."""

    name: str
    data: bytes | None
    caption: str = ""
    stamp: str = ""

    def allows(self, what: str) -> bool:
        """Whether its stamp has this letter; a file without a stamp allows all."""
        return not self.stamp or what in self.stamp


class Stop(Exception):
    """The script ends with this trouble."""

    def __init__(self, trouble: int) -> None:
        self.trouble = trouble


@dataclass
class MapTable:
    """The machine: its volume `Maps:` in memory, a disc `DISC0:` as path -> bytes (None for a folder)."""

    disc: dict[str, bytes | None]
    room_bytes: int = 10**9
    unreadable: set[str] = field(default_factory=set)  # paths on the disc that a scratch hurts
    files: dict[str, File] = field(default_factory=dict)  # by path in small letters, without the volume
    said: list[str] = field(default_factory=list)
    reads: list[str] = field(default_factory=list)  # paths on the disc, in the order of reading
    current: str = "maps:"
    trouble: int = 0
    stuck: set[str] = field(default_factory=set)  # files in use, in small letters: nothing frees them
    web: dict[str, bytes] = field(default_factory=dict)  # what the line brings, by address

    # ------------------------------------------------------------------------------------------- files

    def put(self, path: str, data: bytes) -> None:
        """A file of the owner's, with its folders."""
        parts = path.split("/")
        for depth in range(1, len(parts)):
            folder = "/".join(parts[:depth])
            self.files.setdefault(folder.lower(), File(folder, None))
        self.files[path.lower()] = File(path, data)

    def tree(self) -> dict[str, bytes]:
        """Path to bytes of every file on the volume."""
        return {file.name: file.data for file in self.files.values() if file.data is not None}

    def _split(self, path: str) -> tuple[str, str]:
        volume, colon, rest = path.partition(":")
        if not colon:
            base, rest = self.current.split(":")[1], path
            rest = f"{base}/{rest}" if base else rest
            volume = self.current.split(":")[0]
        assert volume.lower() in ("maps", "disc0"), f"no volume {volume!r}"
        return volume.lower(), rest

    def _find(self, path: str) -> File | None:
        volume, rest = self._split(path)
        if volume == "maps":
            return File("", None) if not rest else self.files.get(rest.lower())
        match = next((name for name in self.disc if name.lower() == rest.lower()), None)
        if match is None:
            folder = any(name.lower().startswith(rest.lower() + "/") for name in self.disc)
            return File(rest, None) if folder or not rest else None
        return File(match, self.disc[match])

    def _read(self, path: str) -> bytes | None:
        volume, rest = self._split(path)
        found = self._find(path)
        if found is None or found.data is None or not found.allows("r"):
            return None
        if volume == "disc0":
            self.reads.append(found.name)
            if rest.lower() in {name.lower() for name in self.unreadable}:
                return None
        return found.data

    def _write(self, path: str, data: bytes) -> bool:
        volume, rest = self._split(path)
        assert volume == "maps", f"written to the disc: {path}"
        name = rest.rsplit("/", 1)[-1]
        assert 0 < len(name) <= NAME_MAX and ":" not in name, f"no name for this volume: {name!r}"
        folder = rest.rpartition("/")[0]
        parent = self.files.get(folder.lower()) if folder else File("", None)
        old = self.files.get(rest.lower())
        if parent is None or parent.data is not None or (old and (old.data is None or not old.allows("w"))):
            return False
        used = sum(len(f.data or b"") for key, f in self.files.items() if key != rest.lower())
        fitting = data[: max(0, self.room_bytes - used)]
        self.files[rest.lower()] = File(rest, fitting, stamp=old.stamp if old else "")
        return fitting == data

    # ---------------------------------------------------------------------------------------- scripts

    def perform(self, path: str, first: str = "", second: str = "") -> int:
        """Runs a script by its path, the disc's or the volume's; gives the trouble it ended with."""
        data = self._read(path)
        assert data is not None, f"no script {path}"
        lines = data.decode("latin-1").split("\n")
        lines = [line.replace("<first>", first).replace("<second>", second).strip() for line in lines]
        assert all(len(line) <= LINE_MAX for line in lines), max(lines, key=len)
        try:
            self._run(lines, {"bear": 10})
        except Stop as stop:
            return stop.trouble
        return 0

    def _run(self, lines: list[str], settings: dict[str, int]) -> None:
        depth, skipping = 0, 0  # blocks open; the depth from which lines are passed over
        for line in lines:
            word = line.split(" ", 1)[0]
            if not line or word == ";":
                continue
            if word in ("given", "lacking", "on"):
                depth += 1
                if not skipping and not self._holds(words(line)):
                    skipping = depth
            elif word == "done":
                assert depth, "done without a block"
                skipping = 0 if skipping == depth else skipping
                depth -= 1
            elif not skipping:
                self._command(words(line), settings)
        assert depth == 0, "a block without its end"

    def _holds(self, line: list[str]) -> bool:
        if line == ["on", "trouble"]:
            return self.trouble > 0
        drawer = line[1] == "drawer" and len(line) == 3
        found = self._find(line[-1])
        there = found is not None and (found.data is None or not drawer)
        return there == (line[0] == "given")

    def _command(self, line: list[str], settings: dict[str, int]) -> None:
        name, arguments = line[0], line[1:]
        if name == "bear":
            settings["bear"] = int(arguments[0])
            return
        if name == "leave":
            raise Stop(int(arguments[0]))
        if name == "perform":
            self.trouble = self.perform(*arguments)
        else:
            self.trouble = 0 if getattr(self, f"_{name}")(*arguments) is not False else 10
        if self.trouble >= settings["bear"]:
            raise Stop(self.trouble)

    # --------------------------------------------------------------------------------------- commands

    def _show(self, text: str) -> None:
        self.said.append(text)

    def _await(self, what: str) -> None:
        assert what == "key"
        self.said.append("(waits for a key)")

    def _drawer(self, path: str) -> bool:
        _, rest = self._split(path)
        parent = rest.rpartition("/")[0]
        if self._find(path) or (parent and parent.lower() not in self.files):
            return False
        assert len(rest.rsplit("/", 1)[-1]) <= NAME_MAX
        self.files[rest.lower()] = File(rest, None)
        return True

    def _enter(self, path: str) -> bool:
        found = self._find(path)
        if found is None or found.data is not None:
            return False
        volume, rest = self._split(path)
        self.current = f"{volume}:{rest}"
        return True

    def _carry(self, source: str, to: str, target: str, whole: str = "") -> bool:
        assert to == "to" and whole in ("", "whole")
        if whole:
            return self._carry_whole(source, target)
        data = self._read(source)
        return data is not None and self._write(target, data)

    def _carry_whole(self, source: str, target: str) -> bool:
        _, old = self._split(source)
        _, new = self._split(target)
        inside = {key: f for key, f in self.files.items() if key == old.lower() or key.startswith(old.lower() + "/")}
        for file in inside.values():
            name = new + file.name[len(old) :]
            self.files[name.lower()] = File(name, file.data)
        return bool(inside)

    def _bring(self, url: str, to: str, path: str) -> bool:
        assert to == "to"
        return url in self.web and self._write(path, self.web[url])

    def _retitle(self, path: str, to: str, target: str) -> bool:
        assert to == "to"
        _, old = self._split(path)
        _, new = self._split(target)
        if old.lower() not in self.files or new.lower() in self.files or not self.files[old.lower()].allows("d"):
            return False
        self.files[new.lower()] = File(new, self.files.pop(old.lower()).data)
        return True

    def _discard(self, path: str) -> bool:
        key = self._split(path)[1].lower()
        if key not in self.files or not self.files[key].allows("d") or key in self.stuck:
            return False
        del self.files[key]
        return True

    def _jot(self, text: str, onto: str, path: str) -> bool:
        assert onto == "onto"
        found = self._find(path)
        return self._write(path, (found.data or b"" if found else b"") + text.encode("latin-1") + b"\n")

    def _weigh(self, path: str, size: str) -> bool:
        found = self._find(path)
        return found is not None and found.data is not None and len(found.data) == int(size)

    def _prove(self, path: str, crc32: str) -> bool:
        found = self._find(path)
        return found is not None and found.data is not None and f"{zlib.crc32(found.data):08x}" == crc32

    def _caption(self, path: str, text: str) -> bool:
        found = self._find(path)
        assert len(text) <= 79
        if found:
            found.caption = text
        return found is not None

    def _stamp(self, path: str, bits: str) -> bool:
        found = self._find(path)
        assert len(bits) == 7
        if found:
            found.stamp = bits
        return found is not None


def words(line: str) -> list[str]:
    """A line's words; quotes keep spaces, `*` takes the next character as it is inside them."""
    found: list[str] = []
    at, length = 0, len(line)
    while at < length:
        if line[at] == " ":
            at += 1
        elif line[at] == '"':
            word, at = "", at + 1
            while line[at] != '"':
                at += line[at] == "*"
                word, at = word + line[at], at + 1
            found.append(word)
            at += 1
        else:
            end = line.find(" ", at)
            end = length if end < 0 else end
            found.append(line[at:end])
            at = end
    return found

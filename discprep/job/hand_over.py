"""`hand-over`: the recipe in one folder or archive, without software, secrets or paths of this computer."""

from __future__ import annotations

import ipaddress
import os
import re
import shutil
from collections.abc import Callable, Iterable, Iterator, Mapping, MutableMapping
from dataclasses import dataclass, field, replace
from hashlib import sha256
from pathlib import Path
from typing import Any

import tomlkit

from discprep.errors import DiscprepError, ManifestError, MissingError, UsageError, raise_all
from discprep.fetch.files import scratch
from discprep.fetch.host import move
from discprep.fetch.pins import dump_pins, load_pins, pins_of
from discprep.fetch.source import host, scheme, shown
from discprep.machine import size_of
from discprep.manifest import load_manifest
from discprep.manifest.source import read_source
from discprep.members import kind_by_name
from discprep.model import Content, Item, Manifest, Notice, Pin, Progress
from discprep.report.hand_over import HandedOver, Obtain, obtain_list
from discprep.serve import repack
from discprep.serve.repack import Entry

LIST = "TO-OBTAIN.txt"
ARCHIVES: Mapping[str, Callable[..., None]] = {
    ".zip": lambda file, entries: repack.write_zip(file, entries, deflate=True, charset="utf-8"),
    ".tar": lambda file, entries: repack.write_tar(file, entries, charset="utf-8"),
}
LEAST_SECRET = 4  # characters: a shorter value stands everywhere
_HOME_PATHS = re.compile(
    r"file://|(?<![\w.:/])/(?:home|Users|root|tmp|mnt|media)/[^\s\"']"
    r"|[A-Za-z]:[\\/]+(?:Users|Documents and Settings)[\\/]|\\\\\\\\\w",
    re.IGNORECASE,
)


def hand_over(
    path: Path,
    out: Path,
    *,
    machine: Path | None = None,
    environment: Mapping[str, str] | None = None,
    progress: Progress,
) -> HandedOver:
    """Writes the recipe of the manifest at `path` to `out`: a folder, or a .zip or .tar by its name.

    Raises:
        MissingError: an item that only a local file gives has no hash yet
        ManifestError, Faults: the manifest is wrong, or holds a secret's value or a path of this computer in a text
        UsageError: `out` is there already, or is named as an archive of another kind
        OSError: it cannot be written
    """
    manifest = load_manifest(path, machine=machine)
    _check_target(out)
    out.parent.mkdir(parents=True, exist_ok=True)
    with scratch(out.parent, ".discprep-") as work:
        folder = work / "recipe"
        folder.mkdir()
        recipe = _Recipe(folder)
        recipe.write_manifest(path, machine)
        obtain = _obtain(manifest)
        recipe.put(LIST, obtain_list(manifest.title, path.name, obtain).encode())
        raise_all(leaks(folder, never_of(manifest, environment or os.environ)))
        load_manifest(folder / path.name)  # the recipe alone must make a manifest
        files = tuple(sorted(recipe.files))
        _move(folder, out, files, work)
    progress.say(f"{len(files)} files were read through for secrets and local paths: none")
    return HandedOver(out, path.name, files, obtain, (*recipe.notices, *_own_addresses(obtain)))


def _check_target(out: Path) -> None:
    suffix, kind = out.suffix.lower(), kind_by_name(out.name)
    if kind and suffix not in ARCHIVES:
        hint = "Name a .zip, a .tar or a folder."
        raise UsageError(f"{out} is named as an archive that is not written here", hint=hint)
    empty = out.is_dir() and not any(out.iterdir()) and suffix not in ARCHIVES
    if out.exists() and not empty:
        raise UsageError(f"{out} is there already; nothing was written", hint="Name a new folder or archive.")


# ------------------------------------------------------------------------------------------------ the recipe


@dataclass(slots=True)
class _Recipe:
    """The folder as it fills: each file once, under names without folders of this computer."""

    folder: Path
    files: set[str] = field(default_factory=set)
    notices: list[Notice] = field(default_factory=list)
    known: dict[Path, str] = field(default_factory=dict)

    def put(self, name: str, data: bytes) -> None:
        target = self.folder / name
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(data)
        self.files.add(name)

    def write_manifest(self, path: Path, machine: Path | None) -> None:
        self._write_items(path, path.name, machine)

    def _write_items(self, path: Path, name: str, machine: Path | None = None) -> None:
        """One file with items, what it includes, and its pins."""
        self.known[path.resolve()] = name
        data = tomlkit.parse(read_source(path).text)
        depth = name.count("/")
        if "include" in data:
            inner = [self._included(path.parent / str(one)) for one in data["include"]]
            data["include"] = ["../" * depth + one for one in inner]
        if "machine" in data and (machine or "profile" in data["machine"]):
            profile = machine or path.parent / str(data["machine"]["profile"])
            data["machine"]["profile"] = self._profile(profile)
        self._without_files(data.get("medium"), ("boot_image", "system_area"), "medium")
        pins = load_pins(path.with_suffix(".pins.toml"))
        for item in data.get("item", []):
            _without_folders(item, pins.get(str(item.get("id"))), path)
        self.put(name, tomlkit.dumps(data).encode())
        if pins:
            public = {item: _public(pin) for item, pin in pins.items()}
            self.put(str(Path(name).with_suffix(".pins.toml")), dump_pins(public))

    def _included(self, path: Path) -> str:
        if path.resolve() not in self.known:
            self._write_items(path, self._free("include", path.name))
        return self.known[path.resolve()]

    def _free(self, folder: str, name: str) -> str:
        """A name in a folder of the recipe that no other file has."""
        stem, suffix = Path(name).stem, Path(name).suffix
        taken = self.files | set(self.known.values())
        candidates = (f"{folder}/{stem}{number or ''}{suffix}" for number in range(1, 10_000))
        first = f"{folder}/{name}"
        return first if first not in taken else next(one for one in candidates if one not in taken)

    def _profile(self, path: Path) -> str:
        if path.resolve() in self.known:
            return self.known[path.resolve()]
        name = self._free("machine", path.name)
        self.known[path.resolve()] = name
        data = tomlkit.parse(read_source(path).text)
        disc = data.get("disc")
        for file in list((disc or {}).get("boot_files", {})):
            self._left_out(f"boot file {file}", f"disc.boot_files in {name}")
        self._without_files(disc, ("boot_files",), "", quiet=True)
        self._without_files(data.get("companion"), ("folder_content",), "companion")
        self.put(name, tomlkit.dumps(data).encode())
        return name

    def _without_files(
        self, table: MutableMapping[str, Any] | None, keys: tuple[str, ...], section: str, *, quiet: bool = False
    ) -> None:
        """Keys that name files of this computer go: the files themselves are no recipe."""
        for key in keys:
            if table is not None and key in table:
                if not quiet:
                    self._left_out(Path(str(table[key])).name, f"{section}.{key}")
                table.remove(key) if hasattr(table, "remove") else table.pop(key)

    def _left_out(self, what: str, key: str) -> None:
        self.notices.append(
            Notice(f"{what} was left out: it is a file, not a recipe", where=key, hint="The receiver adds it by hand.")
        )


def _without_folders(item: MutableMapping[str, Any], pin: Pin | None, path: Path) -> None:
    """An item's addresses without passwords, and of local files the bare names: the disc's names come from them, so
    that the receiver's disc is the giver's. What only a local file gives gets a hint and, if it is known, its hash.

    Raises:
        MissingError: nothing is known by which the receiver could tell the right file
    """
    sources = [str(source) for source in item.get("sources", [])]
    local = [source for source in sources if scheme(source) == "file"]
    public = list(dict.fromkeys(filter(None, map(_outward, sources))))
    if public != sources:
        item["sources"] = public
    if not public:
        item.pop("sources", None)
    if not local or len(local) < len(sources):
        return
    if pin and "sha256" not in item:
        item["sha256"] = pin.sha256
    if not any(key in item for key in ("sha256", "sha1", "md5", "crc32", "page")):
        raise MissingError(
            "it comes from a local file whose hash is not known, so nobody else could find it; nothing was handed over",
            where=str(path),
            item=str(item.get("id")),
            hint="Run `discprep fetch` first, so that it is pinned.",
        )
    if not item.get("hint") and public:
        item["hint"] = f"It came from a file called {public[0]}."


def _outward(source: str) -> str:
    """A source as it may go out: an address without its password, a local file's bare name. "" for a name that
    another system would read as a path."""
    if scheme(source) != "file":
        return shown(source)
    name = Path(source).name
    return "" if name == ".." or "\\" in name else name


def _public(pin: Pin) -> Pin:
    return replace(pin, source=_outward(pin.source))


def _obtain(manifest: Manifest) -> tuple[Obtain, ...]:
    pins = pins_of(manifest.items, manifest.pins_path)
    return tuple(_one(item, pins.get(item.id)) for item in manifest.items)


def _one(item: Item, pin: Pin | None) -> Obtain:
    public = tuple(shown(source) for source in item.sources if scheme(source) != "file")
    local = next((_outward(source) for source in item.sources if scheme(source) == "file"), "")
    hint = item.hint or (f"It came from a file called {local}." if local and not public else "")
    return Obtain(
        id=item.id,
        title=item.title,
        version=item.version,
        sources=public,
        page=shown(item.page) if item.page else "",
        hint=hint,
        size_bytes=size_of(item, pin),
        sha256=(pin.sha256 if pin else item.hashes.sha256) or "",
        licence=item.licence,
        share=item.share,
    )


def _own_addresses(obtain: Iterable[Obtain]) -> Iterator[Notice]:
    """Remarks on sources that are served by this very computer."""
    for one in obtain:
        if any(_is_own(host(source).rpartition(":")[0].strip("[]")) for source in one.sources):
            text = "has a source at this computer's own address, which the receiver cannot reach"
            yield Notice(text, item=one.id, hint="Name an address that others can reach, or a page and a hint.")


def _is_own(name: str) -> bool:
    try:
        return ipaddress.ip_address(name).is_loopback
    except ValueError:
        return name == "localhost"


# -------------------------------------------------------------------------------------------------- the scan


def never_of(manifest: Manifest, environment: Mapping[str, str]) -> dict[str, str]:
    """Texts that may stand nowhere in a recipe, each with what it is."""
    never = {
        environment[secret.env]: f"the value of the secret {secret.name}"
        for secret in manifest.secrets
        if len(environment.get(secret.env, "")) >= LEAST_SECRET
    }
    folders = [manifest.path.resolve().parent, Path.home()]
    folders += [Path(source) for item in manifest.items for source in item.sources if scheme(source) == "file"]
    return never | {str(folder): "a path of this computer" for folder in folders if len(folder.parts) > 1}


def leaks(folder: Path, never: Mapping[str, str]) -> list[DiscprepError]:
    """A fault for each line of the recipe's files that holds what may not be handed over."""
    faults: list[DiscprepError] = []
    for file in sorted(folder.rglob("*")):
        if file.is_file():
            text = file.read_text(encoding="utf-8", errors="replace")
            name = str(file.relative_to(folder))
            faults += [_leak(f"{name}:{number}", what) for number, what in _found(text, never)]
    return faults


def _found(text: str, never: Mapping[str, str]) -> Iterator[tuple[int, str]]:
    for number, line in enumerate(text.splitlines(), 1):
        what = next((what for value, what in never.items() if value in line), "")
        if not what and _HOME_PATHS.search(line):
            what = "a path of this computer"
        if what:
            yield number, what


def _leak(where: str, what: str) -> ManifestError:
    return ManifestError(
        f"this line holds {what}; nothing was handed over",
        where=where,
        hint="Change it in the manifest: {secrets.NAME} for a secret, an address or a hint for a path.",
    )


# -------------------------------------------------------------------------------------------------- going out


def _move(folder: Path, out: Path, files: tuple[str, ...], work: Path) -> None:
    """Gives the finished recipe its final name, whole or not at all."""
    write = ARCHIVES.get(out.suffix.lower())
    if write is None:
        if out.exists():
            out.rmdir()
        shutil.move(folder, out)
        return
    part = work / "archive"
    with part.open("w+b") as file:
        write(file, [_entry(folder, name, out.stem) for name in files])
        file.flush()
        os.fsync(file.fileno())
    move(part, out)


def _entry(folder: Path, name: str, stem: str) -> Entry:
    data = (folder / name).read_bytes()
    return Entry(f"{stem}/{name}", Content(folder / name, 0, len(data), sha256(data).hexdigest()))

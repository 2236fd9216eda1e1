"""Small manifests and unpacked archives, made in a temporary folder, for tests of the stage and of what follows."""

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from discprep.disc.names import map_names, with_second_copies
from discprep.disc.setup import SetupResult, setup_files, setup_scripts
from discprep.disc.stage import stage
from discprep.machine import volumes_of
from discprep.model import Content, Form, Item, Manifest, Medium, Member, Opened, Profile, Unpacked, Volume


def content_of(data: bytes, folder: Path) -> Content:
    """Bytes at rest under their SHA-256."""
    sha256 = hashlib.sha256(data).hexdigest()
    path = folder / f"bytes-{sha256}"
    if not path.exists():
        path.write_bytes(data)
    return Content(path, 0, len(data), sha256)


def opened_of(files: Mapping[str, bytes | None], folder: Path, *, form: str = "lha", **extra: Mapping) -> Opened:
    """An archive whose members are `files` (None is a folder); `extra[field][name]` sets a field of a member."""
    members = []
    for index, (name, data) in enumerate(files.items()):
        fields = {field: values[name] for field, values in extra.items() if name in values}
        kind = fields.pop("kind", "folder" if data is None else "file")
        problem = fields.pop("problem", "")
        member = Member(index, name, name.encode(), kind, len(data or b""), **fields)
        content = None if data is None or problem else content_of(data, folder)
        members.append(Unpacked(member, content, problem=problem))
    archive = folder / "archive.bin"
    archive.write_bytes(repr(sorted(files)).encode())
    return Opened(archive, hashlib.sha256(archive.read_bytes()).hexdigest(), form, tuple(members))


def manifest_of(items: Iterable[Item], profile: Profile | None = None, **fields: object) -> Manifest:
    """A manifest of these items for a DOS-class machine, or for `profile`."""
    profile = profile or Profile("reading-room desk", volumes=(Volume("C:"),), disc_path="D:", charset="cp437")
    fields.setdefault("medium", Medium("cd-74", 333_000))
    return Manifest(Path("first.toml"), "first", tuple(items), profile, **fields)


def prepared(
    manifest: Manifest,
    opened: Mapping[str, Opened],
    folder: Path,
    *,
    rates: Sequence[int] = (),
    build_id: str = "c0ffee12",
    second_copies: bool = False,
    forms: Mapping[str, Form] | None = None,
) -> SetupResult:
    """The named files of one disc with its setup scripts, as a build makes them; faults fail the test."""
    work = folder / "work"
    result = stage(manifest, opened, forms or dict.fromkeys(opened, "unpacked"), None, work, rates=rates)
    assert result.errors == ()
    tools = setup_files(manifest, result.staged, rates, work)
    named, faults = map_names([*tools, *result.staged], manifest.profile, volumes_of(manifest))
    assert faults == ()
    if second_copies:
        named = with_second_copies(named, lambda entry: entry.staged.important and bool(entry.staged.item))
    return setup_scripts(named, manifest, build_id, rates, work)

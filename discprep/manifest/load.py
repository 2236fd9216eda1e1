"""A manifest with its includes and its profile, checked whole: every fault of every file in one go."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ValidationError

from discprep.errors import DiscprepError, ManifestError, raise_all
from discprep.manifest import convert, rules
from discprep.manifest import schema as s
from discprep.manifest.faults import explain, faulty_keys
from discprep.manifest.lines import Path as Keys
from discprep.manifest.mapper import record, values
from discprep.manifest.source import Source, assume, read_source
from discprep.manifest.substitute import Names, secret_marker, shorten
from discprep.model import (
    DEFAULT_BRING_UP,
    ROLES,
    BridgeSettings,
    Form,
    Item,
    Limits,
    LinkSettings,
    Manifest,
    PlanSettings,
    Profile,
    Secret,
)

MOST_ITEMS = 20_000
MOST_INCLUDES = 50
MOST_FAULTS = 100  # told at once; more are counted
NO_PROFILE = "Check the profile's path; `manifests/machines/` has ready ones to copy."
NO_INCLUDE = "Check the path: it begins at the folder of the file that includes it."


@dataclass
class _Loading:
    """What one load gathers: the files read, the faults found, the ids seen."""

    errors: list[DiscprepError] = field(default_factory=list)
    files: list[tuple[Source, s.HeadTable | s.IncludeTable | None]] = field(default_factory=list)
    broken: rules.Broken = field(default_factory=rules.Broken)
    more: int = 0  # faults that are only counted

    def lose_items(self) -> None:
        """Items that cannot be read: any name and any role may be one of theirs."""
        self.broken.ids.add("")
        self.broken.roles |= set(ROLES)

    def report(self, error: DiscprepError) -> None:
        if len(self.errors) < 20 * MOST_FAULTS:
            self.errors.append(error)
        else:
            self.more += 1

    def told(self, label: str) -> list[DiscprepError]:
        """The first faults in the order of the files, and how many more there are."""
        faults = sorted(self.errors, key=_by_place)
        more = self.more + len(faults[MOST_FAULTS:])
        rest = [ManifestError(f"{more:,} more faults are not listed", where=label)] if more else []
        return faults[:MOST_FAULTS] + rest


def load_manifest(path: Path, *, machine: Path | None = None, settings: Mapping[str, str] | None = None) -> Manifest:
    """The manifest at `path` as one frozen record.

    Arguments:
        path: the TOML file
        machine: a profile instead of the manifest's own
        settings: dotted keys to set before checking (`{"link.rate": "38400"}`), for a what-if

    Raises:
        ManifestError, Faults: everything wrong in the manifest, its includes and its profile, at once
        StorageError: a file is missing or cannot be read
    """
    loading = _Loading()
    top = read_source(path)
    if settings:
        assume(top.data, _both_ends(top.data, settings))
    head = _head(top, s.HeadTable, loading)
    _read_includes(top, loading)
    profile = _profile(top, head, machine, loading)
    names = _names(head, profile, loading)
    _add_doubtful(names, top, head, loading)
    form = head.form if isinstance(head, s.HeadTable) else "either"
    items = [item for source, _ in loading.files for item in _items(source, names, loading, form)]
    if len(items) > MOST_ITEMS:
        loading.report(ManifestError(f"{len(items):,} items; a manifest may have {MOST_ITEMS:,}", where=top.label))
    manifest = (
        _assemble(top, head, profile, items[:MOST_ITEMS], names, loading) if isinstance(head, s.HeadTable) else None
    )
    if manifest and len(items) <= MOST_ITEMS:
        explicit = head.bring_up is not None
        for fault in rules.contradictions(manifest, items, loading.broken, top.where, explicit=explicit):
            loading.report(fault)
    raise_all(loading.told(top.label))
    if manifest is None:
        raise AssertionError("a manifest without faults has a head")
    return manifest


def _both_ends(data: Mapping[str, Any], settings: Mapping[str, str]) -> dict[str, str]:
    """Settings for a what-if: a new rate or framing of the link is one of the bridge too, where they agreed."""
    wider = dict(settings)
    link, bridge = data.get("link"), data.get("bridge")
    for key in ("rate", "framing"):
        agreed = isinstance(link, dict) and isinstance(bridge, dict) and link.get(key) == bridge.get(key)
        if agreed and f"link.{key}" in settings:
            wider.setdefault(f"bridge.{key}", settings[f"link.{key}"])
    return wider


def _by_place(error: DiscprepError) -> tuple[str, int]:
    file, _, line = error.where.rpartition(":")
    return (file, int(line)) if line.isdigit() else (error.where, 0)


def _check(
    model: type[BaseModel], data: Any, source: Source, loading: _Loading, prefix: Keys = (), item: str = ""
) -> tuple[Any, set[str | int]]:
    """The data as a model with the faults reported. What is faulty is left out of it, so that the faults that
    show only in the whole come to light in the same run; None where nothing usable is left. And the top keys that
    are in doubt by these faults."""
    try:
        return model.model_validate(data), set()
    except ValidationError as error:
        for fault in explain(error, model, data, source.label, source.lines, prefix, item):
            loading.report(fault)
        faulty, doubtful = faulty_keys(error, model)
    try:
        return model.model_validate({key: value for key, value in data.items() if key not in faulty}), doubtful
    except ValidationError:
        return None, doubtful


def _head(source: Source, model: type[BaseModel], loading: _Loading) -> Any:
    """The file without its items, checked; the file is noted."""
    items = source.data.get("item", [])
    if not isinstance(items, list) or not all(isinstance(item, dict) for item in items):
        loading.report(ManifestError("items are written as [[item]] tables", where=source.where(("item",))))
        source.data["item"] = []
        loading.lose_items()
    head, doubtful = _check(model, {k: v for k, v in source.data.items() if k != "item"}, source, loading)
    loading.broken.keys |= doubtful
    loading.files.append((source, head))
    return head


def _read_includes(source: Source, loading: _Loading, above: tuple[Path, ...] = ()) -> None:
    """Reads what a file includes, depth first; each file once, no circles."""
    chain = (*above, source.path.resolve())
    include = source.data.get("include", [])
    if isinstance(include, list) and len(include) > MOST_INCLUDES:
        loading.report(ManifestError(f"more than {MOST_INCLUDES} included files", where=source.where(("include",))))
        return
    for name in include if isinstance(include, list) else []:
        if not isinstance(name, str) or "\0" in name:
            continue
        path = source.path.parent / name
        resolved, where = path.resolve(), source.where(("include",))
        if resolved in chain:
            loading.report(ManifestError(f"include {name!r} leads back to a file that includes it", where=where))
        elif len(loading.files) >= MOST_INCLUDES:
            loading.report(ManifestError(f"more than {MOST_INCLUDES} included files", where=where))
        elif resolved not in {known.path.resolve() for known, _ in loading.files}:
            try:
                inner = read_source(path, missing=NO_INCLUDE)
            except DiscprepError as error:
                loading.report(ManifestError(f"include {shorten(name)!r}: {error}", where=where, hint=error.hint))
                loading.lose_items()
                continue
            _head(inner, s.IncludeTable, loading)
            _read_includes(inner, loading, chain)


def _profile(top: Source, head: s.HeadTable | None, machine: Path | None, loading: _Loading) -> Profile:
    """The machine profile, from the call or from the manifest; a nameless one where it cannot be read."""
    given = top.data.get("machine")
    name = given.get("profile") if isinstance(given, dict) else None
    broken = loading.broken
    if machine is None and (not isinstance(name, str) or "\0" in name):
        _doubt_profile(broken)
        if isinstance(name, str):
            loading.report(ManifestError("profile has a NUL character", where=top.where(("machine", "profile"))))
        return Profile("")
    path = machine if machine is not None else top.path.parent / str(name)
    try:
        profile = load_profile(path, loading)
    except DiscprepError as error:
        where = "" if machine else top.where(("machine", "profile"))
        loading.report(ManifestError(f"machine profile: {error}", where=where, hint=error.hint) if where else error)
        profile = None
    if profile is None:
        _doubt_profile(broken)
    return profile or Profile("")


def _doubt_profile(broken: rules.Broken) -> None:
    broken.profile = broken.volumes = True
    broken.roles |= set(ROLES)


def load_profile(path: Path, loading: _Loading | None = None) -> Profile | None:
    """A machine profile. Faults are reported to `loading` (None comes back then), or raised without one.

    Raises:
        ManifestError, Faults: what is wrong in it
        StorageError: it cannot be read
    """
    own = loading or _Loading()
    source = read_source(path, missing=NO_PROFILE)
    table, doubtful = _check(s.ProfileTable, source.data, source, own)
    own.broken.roles |= set(ROLES) if "provides" in doubtful else set()
    own.broken.volumes |= "volume" in doubtful
    profile = convert.profile_record(table, source, own.report) if table else None
    if loading is None:
        raise_all(own.errors)
    return profile


def _names(head: s.HeadTable | None, profile: Profile, loading: _Loading) -> Names:
    """The closed list of names that a text may refer to, with their values; a file's own values win over those
    of what it includes."""
    names = Names()
    for _, table in reversed(loading.files):
        for key, value in (table.values if table else {}).items():
            names[f"values.{key}"] = str(value).lower() if isinstance(value, bool) else str(value)
    names |= {"machine.name": profile.name, "machine.disc": profile.disc_path}
    names |= {f"machine.volume{n or ''}": volume.path for n, volume in enumerate(profile.volumes)}
    if head:
        names |= {"title": head.title, "medium.volume": head.medium.volume}
        for section in ("link", "bridge"):
            table = getattr(head, section)
            if table:
                names |= {f"{section}.{k}": _plain_number(v) for k, v in table if v is not None}
        names |= {f"secrets.{key}": secret_marker(key) for key in head.secrets}
    return names


def _add_doubtful(names: Names, top: Source, head: s.HeadTable | None, loading: _Loading) -> None:
    """Names whose place is faulty stand for nothing, so that a text which has one is no second fault."""
    known = ["title", "medium.volume"]
    for section, model in (("link", s.LinkTable), ("bridge", s.BridgeTable)):
        if not getattr(head, section, None) and (section in top.data or section in loading.broken.keys):
            known += [f"{section}.{key}" for key in model.model_fields]
    for source, _ in loading.files:
        for section in ("values", "secrets"):
            given = source.data.get(section)
            known += [f"{section}.{key}" for key in given] if isinstance(given, dict) else []
    if loading.broken.volumes:
        known += [f"machine.volume{n or ''}" for n in range(26)]
    for name in known:
        names.setdefault(name, "")


def _plain_number(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value).lower() if isinstance(value, bool) else str(value)


def _items(
    source: Source, names: Mapping[str, str], loading: _Loading, form: Form | Literal["either"]
) -> Iterator[Item]:
    for index, data in enumerate(source.data.get("item", [])[: MOST_ITEMS + 1]):
        item_id = shorten(data["id"]) if isinstance(data.get("id"), str) else ""
        table, doubtful = _check(s.ItemTable, data, source, loading, ("item", index), str(item_id))
        if "gives" in doubtful:
            loading.broken.roles |= set(ROLES)
        if table is None:
            loading.broken.ids.add(str(item_id))
            loading.broken.roles |= set(data.get("gives", [])) if "gives" not in doubtful else set()
        else:
            yield convert.item_record(table, source, index, names, loading.report, whole=not doubtful, form=form)


def _assemble(
    top: Source, head: s.HeadTable, profile: Profile, items: list[Item], names: Mapping[str, str], loading: _Loading
) -> Manifest:
    expects, steps = [], []
    for source, table in loading.files:
        for n, expect in enumerate(table.expect if table else []):
            expects.append(convert.expect_record(expect, source.where(("expect", n)), names, loading.report))
        for n, step in enumerate(table.step if table else []):
            if step.for_ and profile.name not in step.for_:
                continue
            steps.append(convert.step_record(step, source.where(("step", n)), names, loading.report))
    wanted = [item for item in items if not item.for_profiles or profile.name in item.for_profiles]
    return Manifest(
        path=top.path,
        title=head.title or top.path.stem,
        items=tuple(wanted),
        profile=profile,
        medium=convert.medium_record(head.medium, top, loading.report),
        link=record(LinkSettings, values(head.link)) if head.link else None,
        bridge=record(BridgeSettings, values(head.bridge)) if head.bridge else None,
        plan=record(PlanSettings, values(head.plan)),
        bring_up=tuple(head.bring_up) if head.bring_up is not None else DEFAULT_BRING_UP,
        has=tuple(head.machine.has),
        expects=tuple(e for e in expects if _is_wanted(e.item, wanted, items)),
        steps=tuple(steps),
        values=tuple(sorted((k.removeprefix("values."), v) for k, v in names.items() if k.startswith("values."))),
        secrets=tuple(Secret(name, table.env) for name, table in sorted(head.secrets.items())),
        limits=record(Limits, {key: value for key, value in values(head.limits).items() if value}),
    )


def _is_wanted(item_id: str, wanted: list[Item], items: list[Item]) -> bool:
    """An `[[expect]]` on an item of another profile waits for that profile; one on nobody is a fault later."""
    return any(item.id == item_id for item in wanted) or all(item.id != item_id for item in items)

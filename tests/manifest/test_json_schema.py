"""`discprep schema` says what the loader takes, and what each key means.

Outside the project: JSON Schema draft 2020-12, in the validator of the library jsonschema, tells what a schema accepts;
tomllib (TOML 1.0) reads the files.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from support.command import run

import discprep.manifest
from discprep import units
from discprep.errors import DiscprepError
from discprep.link.blocks import TURNAROUND_S
from discprep.machine import BY_HAND_S
from discprep.manifest import load_manifest, load_profile
from discprep.manifest.shell import TEMPLATES
from discprep.model import DEFAULT_BRING_UP, Limits

READY = Path(__file__).resolve().parents[2] / "manifests"
PAGES = Path(discprep.manifest.__file__).parent / "keys"
MANIFESTS = [*sorted(READY.glob("*.toml")), PAGES / "manifest.toml"]
INCLUDES = sorted((READY / "common").glob("*.toml"))
PROFILES = [*sorted((READY / "machines").glob("*.toml")), PAGES / "profile.toml"]
FLAGS: dict[str, tuple[str, ...]] = {"manifest": (), "include": ("--include",), "profile": ("--profile",)}

HEAD = 'format = 1\n[machine]\nprofile = "machine.toml"\n'
ITEM = '[[item]]\nid = "a"\nsources = ["http://files.example/a.lha"]\n'
PROFILE = 'name = "signal desk"\n'
VOLUME = PROFILE + '[[volume]]\npath = "C:"\n'
SHELL = (
    PROFILE + '[shell]\nscript_name = "P{part}"\nmake_folder = "md {path}"\ncopy = "cp {source} {target}"\n'
    'message = "echo {text}"\nstop = "end"\nif_exists = ["if {path}", "{then}", "fi"]\n'
    'if_missing = ["ifnot {path}", "{then}", "fi"]\n'
)


@cache
def schema(kind: str) -> dict[str, Any]:
    """What `discprep schema` prints."""
    printed: dict[str, Any] = run("schema", "--json", *FLAGS[kind]).document["schema"]
    return printed


def objections(kind: str, text: str) -> list[str]:
    """What the schema has against a file's text."""
    validator = Draft202012Validator(schema(kind))
    return [f"{error.json_path}: {error.message}" for error in validator.iter_errors(tomllib.loads(text))]


def loads(kind: str, text: str, folder: Path) -> bool:
    """Whether the loader takes it."""
    (folder / "machine.toml").write_text(text if kind == "profile" else PROFILE)
    (folder / "first.toml").write_text(HEAD if kind == "profile" else text)
    try:
        return bool(load_manifest(folder / "first.toml"))
    except DiscprepError:
        return False


@pytest.mark.parametrize("kind", FLAGS)
def test_it_is_a_schema(kind: str) -> None:
    """By the standard's own schema of schemas, and it says which draft it is."""
    Draft202012Validator.check_schema(schema(kind))
    assert schema(kind)["$schema"] == Draft202012Validator.META_SCHEMA["$id"]


@pytest.mark.parametrize(
    ("kind", "path"),
    [
        *(("manifest", path) for path in MANIFESTS),
        *(("include", path) for path in INCLUDES),
        *(("profile", path) for path in PROFILES),
    ],
    ids=lambda value: value.name if isinstance(value, Path) else value,
)
def test_what_is_ready_validates(kind: str, path: Path) -> None:
    """Each ready file, which the loader takes too."""
    assert objections(kind, path.read_text(encoding="utf-8")) == []
    assert kind == "include" or (load_manifest if kind == "manifest" else load_profile)(path)


def test_nothing_ready_is_left_out() -> None:
    assert sorted(READY.rglob("*.toml")) == sorted(p for p in (*MANIFESTS, *INCLUDES, *PROFILES) if READY in p.parents)
    assert len(MANIFESTS) > 2 and len(PROFILES) > 2 and INCLUDES


def test_what_new_writes_validates(tmp_path: Path) -> None:
    assert run("new", tmp_path / "hut.toml", "--title", "Signal hut", "--baud", 9600).code == 0
    (profile,) = (path for path in tmp_path.rglob("*.toml") if path.name != "hut.toml")
    assert objections("manifest", (tmp_path / "hut.toml").read_text()) == []
    assert objections("profile", profile.read_text()) == []


TAKEN = [
    ("manifest", HEAD + '[plan]\nlink_budget = "3 h"\n'),
    ("manifest", HEAD + "[plan]\nlink_budget = 90\ndays_to_use = 2\n"),
    ("manifest", HEAD + '[plan]\nlink_budget = "1 HOUR, 30 min"\n'),
    ("manifest", HEAD + '[limits]\nmember = "4 GiB"\ntotal = 5_000_000_000\n'),
    ("manifest", HEAD + "[medium]\nsectors = 900\ndiscs = 2\n"),
    ("manifest", HEAD + '[secrets]\nwifi = { env = "WIFI_KEY" }\n'),
    ("manifest", HEAD + '[values]\na = "x"\nb = 2\nc = true\nd = 1.5\n'),
    ("manifest", HEAD + ITEM + f'size = "640 KiB"\nsha256 = "{"aB" * 32}"\nfor = []\n'),
    ("profile", PROFILE + 'memory = "8 MiB"\n'),
    ("profile", PROFILE + '[disc]\nname_rules = "iso-level-1"\n'),
    ("profile", PROFILE + '[disc]\nname_rules = ["iso-level-2", "joliet"]\n'),
    ("profile", VOLUME + 'free = "80 MB"\nkeep_free = "2 MB"\nblock = "4 KiB"\n'),
    ("profile", SHELL),
    ("profile", SHELL + '[shell.attributes]\nsystem = "dos"\ncommand = "a {path}"\nbits = [ { bit = 0 } ]\n'),
]
REFUSED = [
    ("manifest", "format = 1\n"),
    ("manifest", HEAD.replace("1", "2", 1)),
    ("manifest", HEAD.replace("profile", "profil")),
    ("manifest", HEAD + '[plan]\nlink_budget = "3 weeks"\n'),
    ("manifest", HEAD + "[plan]\nlink_budget = -1\n"),
    ("manifest", HEAD + '[plan]\npower_ons = "2"\n'),
    ("manifest", HEAD + "[plan]\ndays_to_use = true\n"),
    ("manifest", HEAD + '[limits]\nmember = "4 XB"\n'),
    ("manifest", HEAD + '[medium]\nkind = "cd-75"\n'),
    ("manifest", HEAD + '[medium]\nkind = "cd-74"\nsectors = 900\n'),
    ("manifest", HEAD + '[medium]\nvolume = "ONE"\n'),
    ("manifest", HEAD + '[link]\nrate = "57600"\n'),
    ("manifest", HEAD + "[link]\nrate = 0\n"),
    ("manifest", HEAD + '[secrets]\n"w i" = { env = "WIFI_KEY" }\n'),
    ("manifest", HEAD + ITEM + 'sha256 = "ab"\n'),
    ("manifest", HEAD + ITEM + 'gives = "editor"\n'),
    ("manifest", HEAD + ITEM + 'gives = ["edtor"]\n'),
    ("manifest", HEAD + ITEM + "worth = 9\n"),
    ("profile", PROFILE + 'memory = "8 MiB "\nmemroy = 1\n'),
    ("profile", PROFILE + "memory = true\n"),
    ("profile", PROFILE + '[disc]\nname_rules = "iso-level-4"\n'),
    ("profile", PROFILE + "[disc]\nname_rules = []\n"),
    ("profile", PROFILE + '[disc]\ndrive_speed = "2"\n'),
    ("profile", VOLUME + "block = 0\n"),
    ("profile", VOLUME + 'free = "a lot"\n'),
    ("profile", SHELL.replace('"end"', "3")),
    ("profile", SHELL.replace('"end"', '"two\\nlines"')),
    ("profile", SHELL.replace('stop = "end"\n', "")),
]


@pytest.mark.parametrize(("kind", "text"), TAKEN)
def test_what_the_loader_takes(kind: str, text: str, tmp_path: Path) -> None:
    assert objections(kind, text) == [] and loads(kind, text, tmp_path)


@pytest.mark.parametrize(("kind", "text"), REFUSED)
def test_what_the_loader_refuses(kind: str, text: str, tmp_path: Path) -> None:
    """A misspelt or missing key, a wrong type, a number out of range, a text of the wrong form."""
    assert objections(kind, text) and not loads(kind, text, tmp_path)


@pytest.mark.parametrize(
    ("key", "head"),
    [("memory", PROFILE), ("free", VOLUME), ("link_budget", HEAD + "[plan]\n"), ("total", HEAD + "[limits]\n")],
)
def test_the_schemas_own_examples_load(key: str, head: str, tmp_path: Path) -> None:
    kind = "manifest" if head.startswith(HEAD) else "profile"
    shown = [form["examples"] for name, own in keys(kind) if name == key for form in own.get("anyOf", ()) if
             "examples" in form]  # fmt: skip
    assert shown and shown[0]
    for example in shown[0]:
        assert loads(kind, f'{head}{key} = "{example}"\n', tmp_path)


def keys(kind: str) -> Iterator[tuple[str, dict[str, Any]]]:
    """Every key of every table, with its part of the schema."""
    whole = schema(kind)
    for table in (whole, *whole["$defs"].values()):
        yield from table.get("properties", {}).items()


@pytest.mark.parametrize("kind", FLAGS)
def test_every_key_has_a_meaning(kind: str) -> None:
    """An editor shows it. Nothing of TOML's own lack: there is no null."""
    without = [name for name, own in keys(kind) if len(own.get("description", "")) < 5]
    assert without == [] and len(list(keys(kind))) > 20
    assert '"null"' not in run("schema", *FLAGS[kind]).out


@pytest.mark.parametrize(
    ("kind", "key", "said"),
    [
        ("manifest", "renewed_every_days", "days between new versions at its source; left out: never"),
        ("manifest", "env", "the environment variable that holds it; must be given"),
        ("manifest", "boot_image", "El Torito: a bootable disc's image; left out: none"),
        ("profile", "clear", "the word where it is not; left out: none"),
        (
            "profile",
            "if_full",
            "where the volume is full: a copy of the room file {room} {trial} {answer} {then}; left out: none",
        ),
    ],
)
def test_a_meaning_is_the_pages(kind: str, key: str, said: str) -> None:
    """Word for word what stands behind the key: left out, under a name of the user's, in a list, over two lines."""
    assert [own["description"] for name, own in keys(kind) if name == key] == [said]


@pytest.mark.parametrize("kind", FLAGS)
def test_the_page_says_what_holds_without_a_key(kind: str) -> None:
    """The schema's own default, word for word or as TOML; "must be given" of those that it requires."""
    whole = schema(kind)
    wrong = []
    for table in (whole, *whole["$defs"].values()):
        for name, own in table.get("properties", {}).items():
            entry = own.get("items", own)
            target = whole["$defs"].get(entry.get("$ref", "").rpartition("/")[2], {})
            if "properties" in target or own.get("patternProperties"):
                continue  # a table, of which each key tells its own
            told, default = own["description"], own.get("default", target.get("default"))
            said = told.rpartition("left out: ")[2] if "left out: " in told else ""
            if name in table.get("required", ()):
                right = not said and told.endswith("must be given") and told.count("must be given") == 1
            elif default in (None, "", [], {}):
                right = bool(said) or own.get("additionalProperties") is not None
            else:
                right = said == default or toml_value(said) == default
            wrong += [] if right else [f"{name}: {told!r}, but {default!r}"]
    assert wrong == []


def toml_value(text: str) -> object:
    """A value as TOML writes it; the text itself where it is none."""
    try:
        return tomllib.loads(f"value = {text}")["value"]
    except tomllib.TOMLDecodeError:
        return text


def test_defaults_that_the_schema_leaves_to_the_records() -> None:
    """Bounds of unpacking, the bring-up set, the speed of unpacking: what the page says is what is done without."""
    told = {name: own["description"].rpartition("left out: ")[2] for name, own in keys("manifest")}
    limits = Limits()
    said = [units.parse_size(told[name]) for name in ("member", "total")]
    assert said == [limits.member_bytes, limits.total_bytes]
    assert (int(told["members"]), int(told["ratio"])) == (limits.members, limits.ratio)
    assert told["bring_up"].split(", ") == list(DEFAULT_BRING_UP)
    assert float(told["turnaround_ms"]) == 1000 * TURNAROUND_S
    (unpacks,) = [own["description"] for name, own in keys("profile") if name == "unpack_bytes_s"]
    assert f"the {BY_HAND_S:g} s that each archive's command counts" in unpacks


def test_a_templates_meaning_names_what_it_may_use() -> None:
    """Each name in braces, and no other one."""
    told = {name: own["description"] for name, own in keys("profile")}
    for key in TEMPLATES.keys() - {"script_name", "rate_name"}:  # those are texts, not templates
        assert set(re.findall(r"\{([a-z]+)\}", told[key])) == set(TEMPLATES[key]), key


def test_two_schemas_at_once_are_refused() -> None:
    assert run("schema", "--profile", "--include").code == 2


@pytest.mark.parametrize(
    ("table", "kind", "head"),
    [
        (units._SIZE_UNITS, "profile", PROFILE + "memory"),
        (units._TIME_UNITS, "manifest", HEAD + "[plan]\nlink_budget"),
    ],
)
def test_every_unit_is_known(table: dict[str, float], kind: str, head: str, tmp_path: Path) -> None:
    """In any case of its letters, with and without a space; not with a letter more."""
    for unit in table:
        for text in (f"2 {unit}", f"1_000{unit.upper()}", f" 2.0  {unit.title()} "):
            assert objections(kind, f'{head} = "{text}"\n') == [], text
        assert objections(kind, f'{head} = "2 {unit}x"\n')
    assert loads(kind, f'{head} = "1_000{unit.upper()}"\n', tmp_path)

"""Every hint is followed: whoever does what it says gets rid of the fault and gets no new one.

The hints are found in the package's source (each `hint=` of a call), so that a new one without an entry here, or in
`support/hint_walks.py`, is noticed. An entry is a case that does what the hint says, or the reason why none does.
"""

from __future__ import annotations

import ast
import re
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest
from support.command import Ran, run
from support.hint_walks import BUILT, CALLS, WALKS, Walk
from support.hint_walks import TOLD as TOLD_THERE
from support.zips import Put, archive

import discprep

HEAD = 'format = 1\nbring_up = []\n[machine]\nprofile = "desk.toml"\n[medium]\nkind = "cd-74"\n[link]\nrate = 9600\n'
CONFIG = b"rate=9600\n"


class Bench:
    """A manifest with one item `maps` from a file beside it, and calls on it."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.path, self.cache = folder, folder / "first.toml", folder / "cache"
        (folder / "desk.toml").write_text('format = 1\nname = "desk"\n[disc]\nname_rules = "iso-level-2"\n')
        self.archive("maps.zip", CONFIG)
        self.items('id = "maps"\nsources = ["maps.zip"]')

    def archive(self, name: str, data: bytes, read_me: bytes = b"read me\n", **wrong: object) -> bytes:
        made = archive(Put(b"READ.ME", read_me), Put(b"LINE.CFG", data, central=wrong, local=wrong))
        (self.folder / name).write_bytes(made)
        return made

    def items(self, *tables: str) -> None:
        self.path.write_text(HEAD + "".join(f"[[item]]\n{table}\n" for table in tables))

    def change(self, old: str, new: str) -> None:
        """Of the manifest, else of the profile; "" is the manifest's end."""
        for path in (self.path, self.folder / "desk.toml"):
            text = path.read_text()
            if old in text:
                path.write_text(text.replace(old, new, 1) if old else text + new)
                return
        raise AssertionError(old)

    def __call__(self, command: str, *words: object, cache: bool = True) -> Ran:
        kept = ("--cache", self.cache) if cache and command not in ("check", "drop", "estimate", "new") else ()
        return run(command, self.path, *words, *kept)

    def hint(self, ran: Ran, words: str) -> str:
        """The hint of a fault or remark, as a person reads it."""
        assert ran.code == 0 or "error: " in ran.err, ran.err
        found = [line.partition("next: ")[2] for line in ran.err.splitlines() if "next: " in line]
        assert any(words in one for one in found), (words, ran.err)
        return next(one for one in found if words in one)

    def fine(self, *calls: tuple) -> None:
        for call in calls:
            ran = self(*call)
            assert ran.code == 0, (call, ran.err)


def walk(bench: Bench, way: Walk, call: tuple[object, ...], before: tuple[str, ...] = ()) -> None:
    """Makes the fault, does what its hint says, and sees it gone and no new one come."""

    def called() -> Ran:
        for command in before:
            bench(command)
        return bench(*call)

    for change in way.wrong:
        bench.change(*change)
    ran = called()
    found = [re.search(way.says, line) for line in ran.err.splitlines() if "next: " in line]
    said = next(filter(None, found), None)
    assert said, (way.says, ran.err)
    bench.change(way.cure[0], filled(way.cure[1], said))
    ran = called()
    assert ran.code == 0 and not re.search(rf"next: .*{way.says}", ran.err), ran.err


def filled(text: str, said: re.Match[str]) -> str:
    """With what a hint says in the place of its number."""
    return re.sub(r"<(\d)>", lambda number: said[int(number[1])], text)


def toml_in(hint: str, key: str) -> str:
    """The line for a manifest that a hint shows."""
    found = re.search(rf'{key} = (\[.*?\]|"[^"]*"|true|\d+)', hint)
    assert found, hint
    return found[0]


# -------------------------------------------------------------------------------------------- what hints say to do


def damaged(key: str) -> Callable[[Bench], None]:
    def case(bench: Bench) -> None:
        bench.archive("maps.zip", CONFIG, crc=1)
        bench("fetch")
        line = toml_in(bench.hint(bench("verify"), key), key)
        bench.change('id = "maps"', f'id = "maps"\n{line}')
        bench.fine(("verify",), ("prepare", "--out", bench.folder / "out"))

    return case


def held_back(bench: Bench) -> None:
    bench.archive("maps.zip", CONFIG, crc=1)
    bench.archive("list.zip", b"list\n")
    bench.items('id = "maps"\nsources = ["maps.zip"]', 'id = "list"\nsources = ["list.zip"]\nneeds = ["maps"]')
    bench("fetch")
    ran = bench("plan")
    bench.hint(ran, "Mend maps first")
    bench.change('id = "maps"', f'id = "maps"\n{toml_in(bench.hint(ran, "leave = "), "leave")}')
    assert "held back" not in bench("plan").err and "damaged" not in bench("plan").err


def packed_edit(bench: Bench) -> None:
    bench.change('id = "maps"', 'id = "maps"\nplace = "burn"\nform = "packed"')
    bench.path.write_text(bench.path.read_text() + '[[item.edit]]\nfile = "LINE.CFG"\nfind = "rate"\nreplace = "r"\n')
    line = toml_in(bench.hint(bench("check"), "form"), "form")
    bench.change('form = "packed"', line)
    bench.fine(("check",), ("prepare", "--out", bench.folder / "out"))


def near(table: str) -> Callable[[Bench], None]:
    def case(bench: Bench) -> None:
        if table.startswith("rename"):
            bench.change('id = "maps"', f'id = "maps"\n{table}')
        else:
            bench.path.write_text(f"{bench.path.read_text()}{table}")
        bench("fetch")
        meant = re.search(r"Did you mean '(.*?)'", bench.hint(bench("build", "--out", bench.folder / "out"), "Did you"))
        assert meant
        bench.change("LINE.CGF", meant[1])
        bench.fine(("build", "--out", bench.folder / "out"))

    return case


def settings_disagree(bench: Bench) -> None:
    expect = '[[expect]]\nitem = "maps"\nfile = "LINE.CFG"\npattern = "rate=([0-9]+)"\nequals = "19200"\n'
    bench.path.write_text(bench.path.read_text() + expect)
    bench("fetch")
    bench.hint(bench("build", "--out", bench.folder / "out"), "Change one of the two, with an [[item.edit]]")
    edit = '[[item.edit]]\nfile = "LINE.CFG"\nfind = "rate=9600"\nreplace = "rate=19200"\n'
    bench.change("[[expect]]", f"{edit}[[expect]]")
    bench.fine(("build", "--out", bench.folder / "out"))


def a_secret(bench: Bench) -> None:
    edit = '[[item.edit]]\nfile = "LINE.CFG"\nfind = "rate"\nreplace = "{secrets.key}"\n'
    bench.path.write_text(f'{bench.path.read_text()}{edit}[secrets.key]\nenv = "HINTS_KEY"\n')
    bench.fine(("fetch",))
    build = ("build", "--out", bench.folder / "out")
    flag = re.findall(r"--secrets-on-disc", bench.hint(bench(*build), "Allow it with"))
    name = re.findall(r"variable (\w+)", bench.hint(bench(*build, *flag), "Set the environment variable"))[0]
    with pytest.MonkeyPatch.context() as patched:
        patched.setenv(name, "word")
        bench.fine((*build, *flag))


def another_cache(bench: Bench) -> None:
    bench.cache.write_text("no folder")
    bench.hint(bench("fetch"), "--cache DIR")
    bench.cache = bench.folder / "another"
    bench.fine(("fetch",))


def renew_with_edits(bench: Bench) -> None:
    edit = '[[item.edit]]\nfile = "LINE.CFG"\nfind = "rate=9600"\nreplace = "rate=1"\n'
    bench.path.write_text(bench.path.read_text() + edit)
    bench.fine(("fetch",))
    bench.archive("maps.zip", b"speed=9600\n")
    bench.hint(bench("fetch", "--renew", "maps"), "Change the item's edits to fit the new one, then renew again")
    bench.change('find = "rate=9600"', 'find = "speed=9600"')
    bench.fine(("fetch", "--renew", "maps"), ("verify",))


def pin_and_manifest(bench: Bench) -> None:
    from hashlib import sha256

    bench.fine(("fetch",))
    new = bench.archive("maps.zip", b"rate=300\n")
    bench.change('id = "maps"', f'id = "maps"\nsha256 = "{sha256(new).hexdigest()}"')
    hint = bench.hint(bench("fetch"), "--renew")
    bench.fine(("fetch", *re.findall(r"--renew \w+", hint)[0].split()), ("verify",))


def by_hand(bench: Bench) -> None:
    """From the page, then --look-in; then the line that tells which file it is."""
    bench.items('id = "maps"\npage = "http://files.example/"')
    bench.hint(bench("fetch"), "run it again with --look-in FOLDER")
    downloads = bench.folder / "downloads"
    downloads.mkdir()
    assert f"into {downloads}, where" in bench.hint(bench("fetch", "--look-in", downloads), "Get it by hand")
    (bench.folder / "maps.zip").rename(downloads / "maps.zip")
    looked = bench("fetch", "--look-in", downloads)
    line = toml_in(bench.hint(looked, "sha256 = "), "sha256")
    assert "do what the remark on that file says" in bench.hint(looked, "could be it") and "--look-in" not in looked.err
    bench.change('id = "maps"', f'id = "maps"\n{line}')
    bench.fine(("fetch", "--look-in", downloads), ("verify",))


def no_such_downloads(bench: Bench) -> None:
    bench.items('id = "maps"\npage = "http://files.example/"')
    hint = bench.hint(bench("fetch", "--look-in", bench.folder / "nowhere"), "Name the folder of your downloads")
    assert hint and "no folder" not in bench("fetch", "--look-in", bench.folder).err


def unpacked_by_a_browser(bench: Bench) -> None:
    import gzip

    bench.items('id = "notes"\nsources = ["notes.txt.gz"]')
    downloads = bench.folder / "downloads"
    downloads.mkdir()
    (downloads / "notes.txt").write_text("notes\n")
    bench.hint(bench("fetch", "--look-in", downloads), "Save it again")
    (downloads / "notes.txt").unlink()
    (downloads / "notes.txt.gz").write_bytes(gzip.compress(b"notes\n"))
    ran = bench("fetch", "--look-in", downloads)
    bench.change('id = "notes"', f'id = "notes"\n{toml_in(bench.hint(ran, "sha256 = "), "sha256")}')
    bench.fine(("fetch", "--look-in", downloads), ("verify",))


def changed_at_its_source(bench: Bench) -> None:
    bench.fine(("fetch",))
    bench.archive("maps.zip", b"rate=1200\n")
    for file in bench.cache.rglob("objects/*/*"):
        file.unlink()
    hint = bench.hint(bench("fetch"), "accept it with --renew")
    bench.fine(("fetch", *re.findall(r"--renew \w+", hint)[0].split()), ("verify",))


def wrong_hash(bench: Bench) -> None:
    from hashlib import sha256

    bench.change('id = "maps"', f'id = "maps"\nsha256 = "{"0" * 64}"')
    hint = bench.hint(bench("fetch"), "correct the manifest")
    assert run(*re.findall(r"discprep (inspect \S+);", hint)[0].split()).code == 0
    bench.change("0" * 64, sha256((bench.folder / "maps.zip").read_bytes()).hexdigest())
    bench.fine(("fetch",), ("verify",))


def damaged_pins(bench: Bench) -> None:
    bench.fine(("fetch",))
    pins = bench.folder / "first.pins.toml"
    whole = pins.read_bytes()
    pins.write_bytes(whole.replace(b"size = ", b"size = 1"))
    bench.hint(bench("fetch"), "Put the file back as it was")
    pins.write_bytes(whole)
    bench.fine(("fetch",), ("verify",))


def add_by_id(bench: Bench) -> None:
    (bench.folder / "new.zip").write_bytes(archive(Put(b"NEW", b"new\n")))
    bench.hint(bench("add", bench.folder / "new.zip", "--id", "maps"), "Choose another --id")
    bench.fine(("add", bench.folder / "new.zip", "--id", "plans"), ("fetch",), ("verify",))


def add_once_for_each(bench: Bench) -> None:
    files = [bench.folder / f"{name}.zip" for name in "ab"]
    for file in files:
        file.write_bytes(archive(Put(file.name.encode(), file.name.encode())))
    bench.hint(bench("add", *files, "--title", "Two"), "Call `add` once for each")
    bench.fine(*(("add", file, "--title", file.stem) for file in files))


def add_a_mirror(bench: Bench) -> None:
    bench.fine(("fetch",))
    (bench.folder / "same.zip").write_bytes((bench.folder / "maps.zip").read_bytes())
    bench.hint(bench("add", bench.folder / "same.zip"), "add it to the sources of maps")
    bench.change('["maps.zip"]', '["gone.zip", "same.zip"]')
    for file in bench.cache.rglob("objects/*/*"):
        file.unlink()
    bench.fine(("fetch",))


def add_damaged(bench: Bench) -> None:
    bench.archive("hurt.zip", CONFIG, crc=1)
    hint = bench.hint(bench("add", bench.folder / "hurt.zip"), "--take-damaged")
    said = re.findall(r"--take-damaged", hint)
    bench.fine(("add", bench.folder / "hurt.zip", *said, "--to", "HURT"), ("fetch",), ("verify",))


def fetch_first(bench: Bench) -> None:
    bench.hint(bench("verify"), "Run `discprep fetch` first")
    bench.fine(("fetch",), ("verify",))


def size_for_a_plan(bench: Bench) -> None:
    bench.items('id = "maps"\nsources = ["gone.zip"]')
    bench.hint(bench("plan"), "Or give the item its `size`")
    bench.change('id = "maps"', 'id = "maps"\nsize = 600')
    bench.fine(("plan",))


def fetch_then_plan(bench: Bench) -> None:
    bench.change('id = "maps"', 'id = "maps"\nsize = 600')
    bench.hint(bench("plan"), "Run `discprep fetch`, then plan again")
    bench.change("\nsize = 600", "")
    bench.fine(("fetch",))
    assert "estimated" not in bench("plan").err


def packed_names(bench: Bench) -> None:
    (bench.folder / "desk.toml").write_text('format = 1\nname = "d"\n[[volume]]\npath = "C:"\nname_max = 5\n')
    bench.change('id = "maps"', 'id = "maps"\nform = "packed"')
    bench("fetch")
    line = toml_in(bench.hint(bench("plan"), "a name of its own"), "form")
    bench.change('form = "packed"', line)
    assert "do not fit the machine" not in bench("plan").err


def build_again(bench: Bench) -> None:
    bench.fine(("prepare", "--out", bench.folder / "out"))
    bench.change("rate = 9600", "rate = 19200")
    bench.hint(bench("status"), "Build again")
    bench.fine(("build", "--out", bench.folder / "out"))
    assert "other inputs" not in bench("status").err


def drop_by_its_id(bench: Bench) -> None:
    bench.archive("list.zip", b"list\n")
    bench.items('id = "maps"\nsources = ["maps.zip"]', 'id = "list"\nsources = ["list.zip"]\nneeds = ["maps"]')
    meant = re.search(r"Did you mean (\w+)\?", bench.hint(bench("drop", "mapps"), "Did you mean"))
    assert meant
    bench.hint(bench("drop", meant[1]), "Change that first, then drop maps")
    bench.change('needs = ["maps"]', "")
    bench.fine(("drop", meant[1]), ("check",))


def drop_in_its_own_file(bench: Bench) -> None:
    shared = bench.folder / "shared.toml"
    shared.write_text('format = 1\n[[item]]\nid = "list"\nsources = ["maps.zip"]\n')
    bench.change("bring_up", 'include = ["shared.toml"]\nbring_up')
    bench.hint(bench("drop", "list"), "Call `drop` with the file that it stands in")


def renew_by_its_id(bench: Bench) -> None:
    meant = re.search(r"Did you mean (\w+)\?", bench.hint(bench("fetch", "--renew", "mapps"), "Did you mean"))
    assert meant
    bench.fine(("fetch", "--renew", meant[1]))


def not_utf8(bench: Bench) -> None:
    text = bench.path.read_text() + 'title = "Fahrpläne"\n'
    bench.path.write_bytes(text.encode("latin-1"))
    bench.hint(bench("check"), "Save it as UTF-8")
    bench.path.write_text(text, encoding="utf-8")
    bench.fine(("check",))


def fetch_to_estimate(bench: Bench) -> None:
    bench.hint(bench("estimate"), "Fetch first, or declare `size`")
    bench.fine(("fetch",))
    assert "no known size" not in bench("estimate").err


def fetch_to_hand_over(bench: Bench) -> None:
    bench.hint(bench("hand-over", bench.folder / "recipe", cache=False), "Run `discprep fetch` first")
    bench.fine(("fetch",))
    assert bench("hand-over", bench.folder / "recipe", cache=False).code == 0


def new_beside(bench: Bench) -> None:
    bench.hint(bench("new"), "Choose another name")
    bench.path = bench.folder / "second.toml"
    bench.fine(("new",), ("check",))


def new_and_add(bench: Bench) -> None:
    files = bench.folder / "files"
    files.mkdir()
    (files / "words.txt").write_text("words")
    bench.path = bench.folder / "second.toml"
    bench.hint(bench("new", "--from", files), "`add` takes it as a single file")
    bench.fine(("add", files / "words.txt"), ("verify",))


CASES: dict[str, Callable[[Bench], None]] = {
    "leave": damaged("leave"), "take_damaged": damaged("take_damaged"), "held_back": held_back,
    "packed_edit": packed_edit, "rename": near('rename = { "LINE.CGF" = "L.CFG" }'),
    "edit": near('[[item.edit]]\nfile = "LINE.CGF"\nfind = "rate"\nreplace = "r"\n'),
    "expect": near('[[expect]]\nitem = "maps"\nfile = "LINE.CGF"\npattern = "(rate)"\nequals = "rate"\n'),
    **{case.__name__: case for case in (
        settings_disagree, a_secret, another_cache, renew_with_edits, pin_and_manifest, by_hand, no_such_downloads,
        unpacked_by_a_browser, changed_at_its_source, wrong_hash, damaged_pins, add_by_id, add_once_for_each,
        add_a_mirror, add_damaged, fetch_first, size_for_a_plan, fetch_then_plan, packed_names, build_again,
        drop_by_its_id, drop_in_its_own_file, renew_by_its_id, new_beside, new_and_add, not_utf8, fetch_to_estimate,
        fetch_to_hand_over,
    )},
}  # fmt: skip

_PASSED_ON = "passed on from another fault, whose hint has its own entry"
TOLD: dict[str, str] = {
    "mending(": "leave",
    "_near(old": "rename", "_near(edit.file": "edit",
    "disc/stage.py: hint": "a_secret",
    "Name another folder with --cache": "another_cache", "error.hint": _PASSED_ON, "first.hint": _PASSED_ON,
    "errors[0].hint": _PASSED_ON, "Change the item's edits": "renew_with_edits",
    "Set the clock": "not here: a test does not set this computer's clock",
    "--renew {} moves the pin": "pin_and_manifest", "fetch/files.py: step": "not here: a full or failing disk",
    "Name a cache folder on a local disk": "not here: a file system without locks",
    "fetch/look.py: hint": "no_such_downloads", "If it is, give the item sha256": "by_hand",
    "Save it again": "unpacked_by_a_browser", "If the new one is meant": "changed_at_its_source",
    "fetch/outcome.py: hint": "by_hand", "fetch/pins.py: _HINT": "damaged_pins",
    "job/add.py: hint": "not here: a word of the command line, which --help lists",
    "Open it and copy the address": "not here: `tests/job/test_by_hand.py` has a server for it",
    "Call `add` once": "add_once_for_each", "Choose another --id": "add_by_id",
    "Compare its SHA-256": "not here: asks a person", "To keep it as a mirror": "add_a_mirror",
    "job/at_hand.py: hint": "pin_and_manifest", "how_to_get(item)": "fetch_first",
    "What is told here follows": "build_again",
    "Its disc is passed over here.": "not here: says what was done, not what to do",
    "job/drop.py: hint": "drop_by_its_id", "job/fetch.py: hint": "renew_by_its_id",
    "Or give the item its `size`": "size_for_a_plan", "Run `discprep fetch`, then": "fetch_then_plan",
    'form = "unpacked" gives every file': "packed_names", "Mend {} first.": "held_back",
    "Name a smaller folder.": "not here: thousands of files", "Choose another name, or use": "new_beside",
    "`add` takes it": "new_and_add",
    "Make them on the machine by hand": "not here: test_links_that_do_not_cross_are_told of the plan does it",
    "Write accm, field_compression": "not here: test_what_ppp_agrees_on_is_not_taken_for_known of serve does it",
}  # fmt: skip
"""A part of each hint, as found in its module, to the case that follows it, or to why none does."""


def hints() -> list[str]:
    """`module: hint` of every `hint=` in the package; `{}` for what is filled in, code where it is no text."""
    root, found = Path(discprep.__file__).parent, []
    for file in sorted(root.rglob("*.py")):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call):
                where = file.relative_to(root).as_posix()
                found += [f"{where}: {_words(key.value)}" for key in node.keywords if key.arg == "hint"]
    return [hint for hint in found if not hint.endswith(": ")]


def _words(node: ast.expr) -> str:
    if isinstance(node, ast.Constant):
        return str(node.value or "")
    if isinstance(node, ast.JoinedStr):
        return "".join(str(part.value) if isinstance(part, ast.Constant) else "{}" for part in node.values)
    return ast.unparse(node)


def test_every_hint_has_an_entry() -> None:
    found, told = hints(), {**TOLD, **TOLD_THERE}
    assert len(found) > 200
    assert [hint for hint in found if not any(part in hint for part in told)] == []
    assert [part for part in told if not any(part in hint for hint in found)] == []
    walks = {*CASES, *WALKS, *BUILT, *CALLS}
    assert [to for to in told.values() if to not in walks and not to.startswith(("not here: ", "passed on"))] == []


@pytest.mark.parametrize("name", CASES)
def test_who_does_what_the_hint_says_is_rid_of_the_fault(name: str, tmp_path: Path) -> None:
    CASES[name](Bench(tmp_path))


@pytest.fixture
def stocked(tmp_path: Path) -> Bench:
    """With all that walks name."""
    bench = Bench(tmp_path)
    bench.archive("latin.zip", "rate=9600 über\n".encode("latin-1"))
    bench.archive("zeros.zip", b"rate=9600\naaa\n\0\0\0\n")
    bench.archive("told.zip", CONFIG, b"see the file LINE.CFG\n")
    for name in ("big", "bigger"):
        (tmp_path / f"{name}.zip").write_bytes(archive(Put(b"DATA", name.encode() * 90_000)))
    (tmp_path / "more.toml").write_text("format = 1\n")
    (tmp_path / "there").mkdir()
    (tmp_path / "there" / "READ.ME").write_text("another")
    (tmp_path / "burner.py").write_text(
        "import shutil, sys\nshutil.copyfile(sys.argv[1], sys.argv[2].removeprefix('stdio:'))\n"
    )
    with (tmp_path / "boot.img").open("wb") as file:
        file.truncate(1_228_800)
    return bench


@pytest.mark.parametrize("name", WALKS)
def test_what_a_manifests_hint_says(name: str, stocked: Bench) -> None:
    way = WALKS[name]
    walk(stocked, way, way.call, ("fetch",) if way.call != ("check",) else ())


@pytest.mark.parametrize("name", BUILT)
def test_what_a_builds_hint_says(name: str, stocked: Bench) -> None:
    walk(stocked, BUILT[name], ("build", "--out", stocked.folder / "out"), ("fetch",))


def test_what_a_calls_hint_says(stocked: Bench) -> None:
    """One folder and one build for all: they change nothing that others need."""
    assert stocked("prepare", "--out", stocked.folder / "out").code == 0
    (image,) = (stocked.folder / "out").glob("*.iso")
    for name, (wrong, says, right) in CALLS.items():
        with pytest.MonkeyPatch.context() as patched:
            if name == "date":
                patched.setenv("SOURCE_DATE_EPOCH", "yesterday")
            ran = typed(stocked, image, wrong)
        said = re.search(rf"next: .*{says}", ran.err)
        assert said, (name, ran.err)
        ran = typed(stocked, image, [filled(word, said) for word in right])
        assert ran.code == 0, (name, ran.err)


def typed(bench: Bench, image: Path, words: Sequence[str]) -> Ran:
    meant = {"M": str(bench.path), "F": str(bench.folder), "IMAGE": str(image)}
    words = [word.replace("PY ", f"{sys.executable} ") for word in words]
    call = [meant.get(word, re.sub("(^|[: ])F/", rf"\1{bench.folder}/", word)) for word in words]
    cached = call[0] in ("plan", "prepare") and call[1:2] == [str(bench.path)]
    return run(*call, *(("--cache", str(bench.cache)) if cached else ()))

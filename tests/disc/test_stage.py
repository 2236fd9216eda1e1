"""The stage: which members, where, edited how. The expected trees are worked out by hand from the manifest."""

from dataclasses import replace

import pytest
from support.staging import manifest_of, opened_of

from discprep.disc.contents import read_content
from discprep.disc.stage import mentions, selected, stage
from discprep.errors import ArchiveError, EditError, ManifestError, MissingError
from discprep.manifest.substitute import RATE_MARKER, secret_marker
from discprep.model import Edit, Expect, Item, Named, Profile, Secret, Shell, Step, Volume

SHELL = Shell(
    "P{part}",
    ("new {path}",),
    ("copy {source} {target}",),
    ("say {text}",),
    ("halt",),
    ("when", "{then}"),
    ("lacks", "{then}"),
)
COMPANIONS = Profile(
    "lamp", volumes=(Volume("HD:"),), companion_file="{name}.inf", companion_folder="{name}.inf", shell=SHELL
)


def run(tmp_path, item, files, form="unpacked", *, profile=None, manifest=None, **options):
    extra = options.pop("extra", {})
    manifest = manifest or manifest_of([item], profile)
    opened = {item.id: opened_of(files, tmp_path, **extra)}
    return stage(manifest, opened, {item.id: form}, options.pop("secrets", None), tmp_path / "work", **options)


def tree(result):
    """Wanted path to bytes; folders are None."""
    assert result.errors == ()
    return {"/".join(s.name): s.content and read_content(s.content) for s in result.staged}


FILES = {"net/dial": b"D", "net/dial.inf": b"i", "net/readme": b"r", "docs": None, "docs/guide": b"g", "docs.inf": b"f"}


@pytest.mark.parametrize(
    ("fields", "expected"),
    [
        pytest.param({}, list(FILES), id="everything"),
        pytest.param({"only": ("net/*",)}, ["net/dial", "net/dial.inf", "net/readme"], id="only"),
        pytest.param({"only": ("DIAL",)}, ["net/dial", "net/dial.inf"], id="last part, capitals alike"),
        pytest.param({"leave": ("dial",)}, ["net/readme", "docs", "docs/guide", "docs.inf"], id="leave"),
        pytest.param({"only": ("guide",)}, ["docs", "docs/guide", "docs.inf"], id="a folder's companion"),
        pytest.param({"leave": ("*.inf",)}, ["net/dial", "net/readme", "docs", "docs/guide"], id="companions left"),
        pytest.param({"only": ("*.inf",)}, [], id="a companion alone follows its file"),
    ],
)
def test_members_chosen(tmp_path, fields, expected):
    """`only` and `leave`, with companions following their file or folder."""
    chosen = selected(Item("x", **fields), opened_of(FILES, tmp_path).members, COMPANIONS)
    assert [entry.member.name for entry in chosen] == expected


@pytest.mark.parametrize(
    ("rename", "expected"),
    [
        pytest.param((("net/dial", "net/call"),), {"T/net/call": b"D", "T/net/call.inf": b"i"}, id="companion too"),
        pytest.param(
            (("net", "line"),), {"T/line/dial": b"D", "T/line/dial.inf": b"i", "T/line/readme": b"r"}, id="folder"
        ),
        pytest.param((("net/readme", "READ.ME"),), {"T/READ.ME": b"r", "T/net/dial": b"D"}, id="to the top"),
        pytest.param(
            (("docs", "texts"),), {"T/texts": None, "T/texts/guide": b"g", "T/texts.inf": b"f"}, id="folder pair"
        ),
    ],
)
def test_renames(tmp_path, rename, expected):
    """A user's rename of a file or a folder; its companion goes with it."""
    got = tree(run(tmp_path, Item("x", to="T", rename=rename), FILES, profile=COMPANIONS))
    assert got.items() >= expected.items()
    assert len(got) == len(FILES)


def test_a_rename_of_nothing_is_a_fault(tmp_path):
    """With the nearest name."""
    result = run(tmp_path, Item("x", rename=(("net/Dial", "c"),), where="first.toml:3"), FILES)
    (error,) = result.errors
    assert isinstance(error, ManifestError)
    assert (error.where, error.item, error.hint) == ("first.toml:3", "x", "Did you mean 'net/dial'?")


@pytest.mark.parametrize(
    ("form", "expected"),
    [("unpacked", ["T/a"]), ("packed", ["T/tools 1.lha"]), ("both", ["T/tools 1.lha", "T/a"])],
)
def test_forms(tmp_path, form, expected):
    """An item stands unpacked, packed under its source's name, or both."""
    item = Item("x", to="T", sources=("http://files.example/a/tools%201.lha",))
    assert list(tree(run(tmp_path, item, {"a": b"1"}, form))) == expected


def test_what_travels_with_a_member(tmp_path):
    """Attribute bits, comment and time go along; `use` says whether it is copied."""
    extra = {
        "attributes": {"a": 0x42},
        "comment": {"a": "starts it"},
        "time_s": {"a": 86_400},
        "attribute_system": {"a": "68k"},
    }
    (staged,) = run(tmp_path, Item("x", use="disc"), {"a": b"1"}, extra=extra).staged
    assert (staged.attributes, staged.attribute_system, staged.comment, staged.time_s) == (
        0x42,
        "68k",
        "starts it",
        86_400,
    )
    assert not staged.copied


def test_edit_then_text_form(tmp_path):
    """Edits see the file before its conversion; only files that `text` names are converted."""
    item = Item("x", text=("*.cfg",), edits=(Edit("a.cfg", "ä", "ü", 1, "m:1"),))
    got = tree(run(tmp_path, item, {"a.cfg": "ä\n".encode(), "b.txt": b"b\n"}))
    assert got == {"a.cfg": b"\x81\r\n", "b.txt": b"b\n"}  # code page 437 has ü at 0x81


def test_faults_of_edits(tmp_path):
    """A file that is not there, a text that is not: named with file, line and item; all at once."""
    item = Item("x", edits=(Edit("A.CFG", "1", "2", 1, "m:1"), Edit("a.cfg", "7", "8", 1, "m:5")))
    errors = run(tmp_path, item, {"a.cfg": b"1"}).errors
    assert [(type(e), e.where, e.item) for e in errors] == [(EditError, "m:1", "x"), (EditError, "m:5: a.cfg", "x")]
    assert errors[0].hint == "Did you mean 'a.cfg'?"


SECRET = Item("x", edits=(Edit("k", "KEY", secret_marker("wifi"), 1, "m:1", secret=True),))


@pytest.mark.parametrize(
    ("options", "message"),
    [
        pytest.param(
            {"secrets": {"wifi": "pass-phrase"}}, "the secret 'wifi' would stand on the disc in k", id="not allowed"
        ),
        pytest.param({"secrets": {}, "allow_secrets": True}, "the secret 'wifi' has no value", id="no value"),
        pytest.param({"secrets": None, "allow_secrets": True}, "the secret 'wifi' has no value", id="none at all"),
    ],
)
def test_a_secret_needs_leave(tmp_path, options, message):
    """Without the flag or without a value it is a fault, which names the secret and never shows it."""
    manifest = manifest_of([SECRET], secrets=(Secret("wifi", "WIFI_KEY"),))
    (error,) = run(tmp_path, SECRET, {"k": b"KEY"}, manifest=manifest, **options).errors
    assert message in error.message
    assert "pass-phrase" not in f"{error} {error.hint}"


def test_a_secret_on_the_disc_and_in_a_preview(tmp_path):
    """With the flag the bytes have it; a preview has its mask."""
    real = run(tmp_path, SECRET, {"k": b"KEY"}, secrets={"wifi": "pass-phrase"}, allow_secrets=True)
    assert tree(real) == {"k": b"pass-phrase"}
    assert "pass-phrase" not in repr(real)
    assert tree(run(tmp_path, SECRET, {"k": b"KEY"}, secrets={"wifi": "pass-phrase"}, preview=True)) == {
        "k": b"********"
    }


@pytest.mark.parametrize(
    ("equals", "message"),
    [
        ("57600", None),
        ("19200", r"settings disagree: line.cfg, line 2, says '57600'; expected '19200'"),
    ],
)
def test_expectations_read_the_finished_stage(tmp_path, equals, message):
    """What an edit wrote is what is compared; both values are shown with their places."""
    item = Item("x", edits=(Edit("line.cfg", "9600", "57600", 1, "m:1"),))
    manifest = manifest_of([item], expects=(Expect("x", "line.cfg", "^rate=([0-9]+)", equals, "m:9"),))
    errors = run(tmp_path, item, {"line.cfg": b"[l]\r\nrate=9600\r\n"}, manifest=manifest).errors
    assert [(e.message, e.where) for e in errors] == ([(message, "m:9")] if message else [])


@pytest.mark.parametrize(
    ("expect", "message"),
    [
        pytest.param(Expect("x", "lin.cfg", "(a)", "a", "m:9"), "there is no file 'lin.cfg'", id="no file"),
        pytest.param(Expect("x", "line.cfg", "zz(a)", "a", "m:9"), "is nowhere in line.cfg", id="no match"),
    ],
)
def test_expectations_without_an_answer(tmp_path, expect, message):
    """A file or a setting that is not there is a fault too."""
    item = Item("x")
    (error,) = run(tmp_path, item, {"line.cfg": b"a"}, manifest=manifest_of([item], expects=(expect,))).errors
    assert message in error.message


def test_broken_members(tmp_path):
    """A member with a problem is a fault unless it is left out; a link is left out with a remark."""
    extra = {"problem": {"bad": "expected crc16 1234, got crc16 4321"}, "kind": {"l": "link"}}
    files = {"bad": b"x", "ok": b"y", "l": b""}
    result = run(tmp_path, Item("x"), files, extra=extra)
    assert [type(error) for error in result.errors] == [ArchiveError]
    assert "expected crc16 1234" in result.errors[0].message
    assert list(tree(run(tmp_path, Item("x", leave=("bad",)), files, extra=extra))) == ["ok"]


def test_not_fetched(tmp_path):
    """An item of the disc that was not unpacked is missing."""
    result = stage(manifest_of([Item("x")]), {}, {"x": "unpacked"}, None, tmp_path)
    assert isinstance(result.errors[0], MissingError)


def test_order_and_importance(tmp_path):
    """Needs first, bring-up first; a hand step's items before the rest. What others need is important."""
    items = [
        Item("game"),
        Item("late", needs=("lib",)),
        Item("lib"),
        Item("ip", gives=("ip-stack",), needs=("tool",)),
        Item("tool"),
    ]
    manifest = manifest_of(items, steps=(Step("machine", "restart", after=("late",)),))
    opened = {item.id: opened_of({item.id: b"1"}, tmp_path) for item in items}
    result = stage(manifest, opened, {item.id: "unpacked" for item in items}, None, tmp_path)
    assert [s.item for s in result.staged] == ["lib", "late", "tool", "ip", "game"]
    assert {s.item for s in result.staged if s.important} == {"lib", "ip", "tool"}


def test_a_variant_for_each_rate(tmp_path):
    """A file whose edit follows the line rate gets one for each rate, in the setup's folder, not copied by itself."""
    one = Edit("line.cfg", "9600", "57600", 1, "m:1", template=RATE_MARKER)
    item = Item("x", to="NET", edits=(one,))
    result = run(tmp_path, item, {"line.cfg": b"rate=9600"}, profile=replace(COMPANIONS), rates=(19200, 57600))
    assert tree(result) == {
        "NET/line.cfg": b"rate=57600",
        "SETUP/19200/line.cfg": b"rate=19200",
        "SETUP/57600/line.cfg": b"rate=57600",
    }
    assert [(s.rate_bit_s, s.stands_for, s.copied) for s in result.staged[1:]] == [
        (19200, ("NET", "line.cfg"), False),
        (57600, ("NET", "line.cfg"), False),
    ]


def test_mentions_of_files_that_are_called_otherwise(tmp_path):
    """Only files that the manifest edits are looked through."""
    item = Item("x", edits=(Edit("start", "9600", "57600", 1, "m:1"),))
    files = {"start": b"9600\nrun dial-up.script\n", "other": b"dial-up.script", "dial-up.script": b"1"}
    staged = run(tmp_path, item, files).staged
    named = [Named(s, (s.name[-1].upper()[:8],), target=(s.name[-1][:8],)) for s in staged]
    (notice,) = mentions(named, COMPANIONS)
    assert (notice.where, notice.message) == (
        "start",
        "line 2 may mean the file 'dial-up.script', which will be called 'dial-up.'".replace("dial-up.'", "dial-up'"),
    )


def test_the_same_run_again_writes_the_same(tmp_path):
    """Changed files stand under their hash; a second run finds them and stages the same."""
    item = Item("x", edits=(Edit("k", "1", "2", 1, "m:1"),))
    first, second = (run(tmp_path, item, {"k": b"1"}) for _ in range(2))
    assert first == second
    assert [p.name for p in (tmp_path / "work").iterdir()] == ["changed-" + first.staged[0].content.sha256]


def test_an_archive_that_begins_with_its_own_root(tmp_path):
    """`./`, as `tar -C FOLDER .` writes it first (GNU tar manual, "directory"): it stands for no folder of the disc."""
    opened = {"docs": opened_of({".": None, "a.txt": b"a", "b": None}, tmp_path)}
    result = stage(manifest_of([Item("docs", to="DOCS")]), opened, {"docs": "unpacked"}, None, tmp_path / "work")
    assert not result.errors
    assert [entry.name for entry in result.staged] == [("DOCS", "a.txt"), ("DOCS", "b")]

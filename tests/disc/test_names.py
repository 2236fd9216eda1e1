"""Names on the disc and on the volume. Rule R's vectors: reference values, two writers measured beside it."""

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from discprep.disc import folder_names
from discprep.disc.folder_names import Entry, name_folder
from discprep.disc.name_rules import D_CHARACTERS, DEVICES, IsoRule, LongRule, VolumeRule, joliet_rule, rock_ridge_rule
from discprep.disc.names import folder_companions, map_names, with_second_copies
from discprep.errors import NameRuleError
from discprep.model import Content, NameRule, Profile, Staged, Volume

CONTENT_SHA = "0" * 64


def files(*names: str) -> list[Entry]:
    return [Entry(name, False) for name in names]


def chosen(entries: list[Entry], level: int, pattern: str = "") -> dict[str, str]:
    return {wanted: c.name for wanted, c in name_folder(entries, IsoRule(level), pattern).items()}


LONG = "A" * 40
VECTORS = [
    # (number in the table of the proposal, originals, level 1, level 2)
    (1, files("Read Me First.txt"), ["READ_ME_.TXT"], ["READ_ME_FIRST.TXT"]),
    (2, files("archive.tar.gz"), ["ARCHIVE.TGZ"], ["ARCHIVE_TAR.GZ"]),
    (3, files(".hidden"), ["_HIDDEN."], ["_HIDDEN."]),
    (4, files("no_ext"), ["NO_EXT."], ["NO_EXT."]),
    (5, files("README", "readme"), ["README.", "README1."], ["README.", "README1."]),
    (6, files("Program-1.2.lha"), ["PROGRAM2.LHA"], ["PROGRAM_1_2.LHA"]),
    (
        8,
        files("averylongname_one.text", "averylongname_three.text", "averylongname_two.text"),
        ["AVERYLON.TEX", "AVERYLO1.TEX", "AVERYLO2.TEX"],
        ["AVERYLONGNAME_ONE.TEXT", "AVERYLONGNAME_THREE.TEXT", "AVERYLONGNAME_TWO.TEXT"],
    ),
    (9, files("UPPER.TXT"), ["UPPER.TXT"], ["UPPER.TXT"]),
    (10, files("a.b.c.d"), ["A_B_C.D"], ["A_B_C.D"]),
    (11, files("trailing."), ["TRAILING."], ["TRAILING."]),
    (12, files("con.txt"), ["CON_.TXT"], ["CON_.TXT"]),
    (13, files("nul"), ["NUL_."], ["NUL_."]),
    (14, files("COM.TXT", "com.txt"), ["COM.TXT", "COM10.TXT"], ["COM.TXT", "COM10.TXT"]),
    (15, files("x+y=z.c++"), ["X_Y_Z.C__"], ["X_Y_Z.C__"]),
    (16, files("Ünïcode.txt"), ["UNICODE.TXT"], ["UNICODE.TXT"]),
    (17, files("日本.txt"), ["__.TXT"], ["__.TXT"]),
    (
        18,
        files("file.info", "file.information-long-ext"),
        ["FILE.INF", "FILE1.INF"],
        ["FILE.INFO", "FILE.INFORMATION_LON"],
    ),
    (
        19,
        files(f"{LONG}.txt", f"{LONG}b.txt"),
        ["AAAAAAAA.TXT", "AAAAAAA1.TXT"],
        [f"{'A' * 27}.TXT", f"{'A' * 26}1.TXT"],
    ),
    (20, [Entry("tools.dir", True)], ["TOOLS_DI"], ["TOOLS_DIR"]),
    (21, [Entry("Docs", True), Entry("docs", False)], ["DOCS", "DOCS1."], ["DOCS", "DOCS1."]),
]


@pytest.mark.parametrize(("entries", "level_1", "level_2"), [v[1:] for v in VECTORS], ids=[str(v[0]) for v in VECTORS])
def test_the_vectors_of_rule_r(entries: list[Entry], level_1: list[str], level_2: list[str]) -> None:
    """Each vector of the table, at both levels; level 3 names as level 2 does (ECMA-119 §10)."""
    originals = [entry.name for entry in entries]
    for level, wanted in ((1, level_1), (2, level_2), (3, level_2)):
        names = chosen(entries, level)
        assert [names[original] for original in originals] == wanted


def test_a_hundred_and_twenty_clashing_names_stay_apart() -> None:
    """Vector 22: AVERYLO0, AVERYLO1, … and the last is AVERY119: each with its own number."""
    names = chosen(files(*(f"averylongname_{n}.text" for n in range(120))), 1)
    assert len(set(names.values())) == 120
    assert {"AVERYLO0.TEX", "AVERYLO1.TEX", "AVERYL99.TEX", "AVERY119.TEX"} <= set(names.values())
    level_2 = chosen(files(*(f"averylongname_{n}.text" for n in range(120))), 2)
    assert all(level_2[wanted] == wanted.upper() for wanted in level_2)


@pytest.mark.parametrize("pattern", ["", "{name}.info"])
def test_a_users_rename_chooses_first(pattern: str) -> None:
    """`README` would come first in byte order; the user's own `readme` keeps the name."""
    names = chosen([Entry("README", False), Entry("readme", False, fixed=True)], 1, pattern)
    assert names == {"readme": "README.", "README": "README1."}


@pytest.mark.parametrize("level", [1, 2])
def test_a_companion_keeps_its_files_stem(level: int) -> None:
    """Both files of a pair share the stem after collisions, also when one of the pair's names is taken alone."""
    names = chosen(files("Tool", "tool", "Tool.info", "tool.info", "TOOL1.INF", "TOOL1.info"), level, "{name}.info")
    stems = {wanted: name.partition(".")[0] for wanted, name in names.items()}
    assert stems["Tool"] == stems["Tool.info"] != stems["tool"] == stems["tool.info"]
    assert len(set(names.values())) == 6


def test_a_companion_on_a_volume_of_long_names_is_exactly_the_pattern() -> None:
    """On the machine the link between the two is the whole name, so a long file is shortened to leave room for it."""
    rule = VolumeRule(Volume("W:", name_max=30), "latin-1")
    long = "a name that is rather longer than thirty"
    names = {w: c.name for w, c in name_folder(files(long, f"{long}.info"), rule, "{name}.info").items()}
    assert names[f"{long}.info"] == f"{names[long]}.info"
    assert len(names[f"{long}.info"]) == 30


@pytest.mark.parametrize("rule", [joliet_rule(), rock_ridge_rule("latin-1")], ids=lambda rule: rule.label)
def test_a_legal_companion_keeps_its_whole_name(rule: LongRule) -> None:
    """Nothing in Joliet or RRIP §4.1.4 asks for a change of these names, so the machine finds the pair by them."""
    pair = ["Read.me", "Read.me.info"]
    assert [chosen.name for chosen in name_folder(files(*pair), rule, "{name}.info").values()] == pair


THIRTY = VolumeRule(Volume("W:", name_max=30), "latin-1")


@pytest.mark.parametrize(
    ("rule", "wanted", "name"),
    [
        (joliet_rule(), "x" * 80 + ".text", "x" * 59 + ".text"),  # 64 characters in all: Joliet specification
        (joliet_rule(), "x" * 80, "x" * 64),
        (rock_ridge_rule("latin-1"), "x" * 120 + ".text", "x" * 95 + ".text"),  # 100 bytes: more stop one reader
        (rock_ridge_rule("utf-8"), "é" * 80 + ".txt", "é" * 48 + ".txt"),
        (rock_ridge_rule("utf-8"), "é" * 80 + ".c", "é" * 49 + ".c"),
        (joliet_rule(), "a\x7fb", "a_b"),
        (joliet_rule(), "\U0001f4be\U0001d49c.txt", "_A.txt"),  # UCS-2 ends at FFFF; the letter has a plain form
        (joliet_rule(), "\uffe5" * 70, "\uffe5" * 64),
        (IsoRule(2), "\u0301", "_."),  # nothing is left of it, and a file's name has a character (ECMA-119 §7.5.1)
        (IsoRule(2), "\u0301.txt", "_.TXT"),
        (THIRTY, "x.y.text", "x.y.text"),
        (THIRTY, "x" * 40 + ".text", "x" * 25 + ".text"),
        (THIRTY, "x" * 20 + "." + "y" * 15, "x" * 14 + "." + "y" * 15),
        (THIRTY, "x." + "y" * 40, "x." + "y" * 28),  # so long an extension is a part of the name
    ],
)
def test_a_name_at_its_limit(rule: LongRule | IsoRule | VolumeRule, wanted: str, name: str) -> None:
    """As long as the tree's limit allows, and no longer."""
    assert name_folder(files(wanted), rule)[wanted].name == name


@pytest.mark.parametrize(
    ("rule", "letter", "ending", "rooms"),
    [
        (joliet_rule(), "p", ".data", (59, 58, 57)),  # 64 characters of two bytes in all (Joliet specification)
        (joliet_rule(), "p", "", (64, 63, 62)),
        (rock_ridge_rule("utf-8"), "\u00e9", ".data", (47, 47, 46)),  # 100 bytes, two of them a letter
    ],
    ids=["Joliet with an extension", "Joliet without", "Rock Ridge"],
)
def test_numbered_names_keep_to_the_limit(
    rule: LongRule, letter: str, ending: str, rooms: tuple[int, int, int]
) -> None:
    """Names that are one when they are cut: the number counts as the dot and the letters do, whatever its length."""
    wanted = files(*(f"{letter * 100}{chr(97 + n)}{ending}" for n in range(12)))
    cut = [letter * room for room in rooms]
    names = [cut[0], *(f"{cut[1]}{n}" for n in range(1, 10)), *(f"{cut[2]}{n}" for n in range(10, 12))]
    assert [chosen.name for chosen in name_folder(wanted, rule).values()] == [name + ending for name in names]


def test_a_numbered_pair_keeps_to_the_limit() -> None:
    """The number, the pattern and the name share the 64 characters."""
    wanted = [name for n in "ab" for name in (f"{'p' * 59}{n}.data", f"{'p' * 59}{n}.data.info")]
    names = {w: c.name for w, c in name_folder(files(*wanted), joliet_rule(), "{name}.info").items()}
    assert [names[name] for name in wanted] == [f"{'p' * 54}.data", f"{'p' * 54}.data.info",
                                                f"{'p' * 53}1.data", f"{'p' * 53}1.data.info"]  # fmt: skip


def test_a_folder_is_no_companion() -> None:
    """A folder whose name fits the pattern is named as folders are: without a dot (ECMA-119 §7.6.1)."""
    names = chosen([Entry("tool", False), Entry("tool.info", True)], 1, "{name}.info")
    assert names == {"tool": "TOOL.", "tool.info": "TOOL_INF"}


def test_why_a_name_is_another() -> None:
    """In words, for the lists on the disc; none where only capitals differ."""
    wanted = files("a b.c", "averylongname.c", "x.html", "con.c", "plain.c", "PLAIN.C", "tool", "tool.info", "Tool.x")
    whys = {w: c.why for w, c in name_folder(wanted, IsoRule(1), "{name}.info").items()}
    assert whys == {
        "a b.c": "characters it cannot hold replaced",
        "averylongname.c": "shortened",
        "x.html": "shortened",
        "con.c": "a device has this name",
        "PLAIN.C": "",
        "plain.c": "the name without 1 is taken",
        "tool": "",
        "tool.info": "named after tool",
        "Tool.x": "",
    }


def test_a_companion_of_a_companion_is_no_lost_file() -> None:
    """Every wanted name gets one, whatever chains the pattern makes."""
    names = chosen(files("a", "a.info", "a.info.info", "a.info.info.info"), 2, "{name}.info")
    assert len(names) == len(set(names.values())) == 4


NAMES = st.text(st.characters(blacklist_categories=("Cs",), blacklist_characters="/\0"), min_size=1, max_size=60)
ENDS = st.text("12.d\u00e9\U0001f4be", max_size=6)
CUT = st.builds(lambda length, end: "p" * length + end, st.integers(50, 70), ENDS)


@settings(max_examples=150, deadline=None, derandomize=True)
@given(st.lists(st.tuples(NAMES | CUT, st.booleans()), max_size=25, unique_by=lambda pair: pair[0]))
def test_every_rule_is_one_to_one_and_legal(wanted: list[tuple[str, bool]]) -> None:
    """Whatever the names: distinct for the tree's reader, within the limits of ECMA-119 §7.5, §7.6, Joliet and RRIP."""
    entries = [Entry(name, folder) for name, folder in wanted]
    volume = VolumeRule(Volume("C:", stem_max=8, extension_max=3, forbidden=' "+,;<=>[]|', reserved=("CON",)), "cp437")
    for rule in (IsoRule(1), IsoRule(2), joliet_rule(), rock_ridge_rule("utf-8"), rock_ridge_rule("latin-1"), volume):
        names = name_folder(entries, rule, "{name}.inf", "{name}.inf")
        assert set(names) == {entry.name for entry in entries}
        assert len({rule.key(c.name) for c in names.values()}) == len(entries)
        for name, folder in wanted:
            check_legal(rule, names[name].name, folder)


SHORT = st.text(st.sampled_from("AB1_.ab \u00e9\u00df\u0131+"), min_size=1, max_size=14)


@settings(max_examples=150, deadline=None, derandomize=True)
@given(st.lists(st.tuples(SHORT, st.booleans()), max_size=12, unique_by=lambda pair: pair[0]))
def test_what_is_kept_is_what_would_be_chosen(wanted: list[tuple[str, bool]]) -> None:
    """The short way for names that are legal already, and the whole way, give the same names for the same reasons."""
    entries = [Entry(name, folder) for name, folder in wanted]
    volume = VolumeRule(Volume("C:", stem_max=8, extension_max=3, reserved=("AB",)), "cp437")
    for rule in (IsoRule(1), IsoRule(2), joliet_rule(), rock_ridge_rule("latin-1"), volume):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(folder_names._Folder, "keep", lambda folder, entry: None)
            whole_way = name_folder(entries, rule)
        assert name_folder(entries, rule) == whole_way


def check_legal(rule: object, name: str, folder: bool) -> None:
    assert name not in ("", ".", "..")
    if isinstance(rule, IsoRule):
        stem, dot, extension = name.partition(".")
        assert set(stem + extension) <= D_CHARACTERS and stem not in DEVICES and bool(dot) != folder
        most = (8, 3) if rule.level == 1 else (31, 0) if folder else (30 - len(extension), 30)
        assert len(stem) <= most[0] and len(extension) <= most[1]
    elif isinstance(rule, VolumeRule):
        stem, _, extension = name.partition(".")
        assert len(stem) <= 8 and len(extension) <= 3 and not set(name) & set(' "+,;<=>[]|') and stem.upper() != "CON"
    elif rule.label == "Joliet":  # type: ignore[attr-defined]
        assert not set(name) & set("*/:;?\\") and len(name) <= 64
        assert min(name) >= " " and max(name) <= "\uffff"
    else:
        assert len(name.encode(rule.charset)) <= 100 and "/" not in name  # type: ignore[attr-defined]


# ------------------------------------------------------------------------------------------------ whole trees


def staged(*paths: str, item: str = "i") -> list[Staged]:
    return [file(path, item) for path in paths]


def file(path: str, item: str = "i", member: str = "", fixed: bool = False) -> Staged:
    content = Content(__file__, 0, 1, CONTENT_SHA)  # type: ignore[arg-type]
    return Staged(tuple(path.split("/")), item, content, member=member, fixed_name=fixed)


def profile(*rules: NameRule, **more: object) -> Profile:
    return Profile("test", name_rules=rules or ("iso-level-1",), **more)  # type: ignore[arg-type]


def test_each_asked_tree_is_named_and_no_other() -> None:
    """The primary tree always stands; Joliet and Rock Ridge only on request, with the names they can hold."""
    named, errors = map_names(staged("Docs/Read Me: First.txt"), profile("iso-level-2", "joliet", "rock-ridge"))
    assert not errors
    assert named[0].iso == ("DOCS", "READ_ME__FIRST.TXT")
    assert named[0].joliet == ("Docs", "Read Me_ First.txt")
    assert named[0].rock_ridge == ("Docs", "Read Me: First.txt")
    plain, _ = map_names(staged("Docs/Read Me: First.txt"), profile())
    assert (plain[0].joliet, plain[0].rock_ridge) == ((), ())


def test_the_primary_tree_is_for_every_reader() -> None:
    """Where no level is asked for it is 1, the one that every receiving system takes (ECMA-119 §10.1)."""
    named, _ = map_names(staged("A long name.text"), profile("joliet"))
    assert named[0].iso == ("A_LONG_N.TEX",)


def test_capitals_alone_tell_no_joliet_names_apart() -> None:
    """Its readers take such names for one (common practice, no source); in Rock Ridge they differ (POSIX)."""
    named, _ = map_names(staged("README", "readme"), profile("joliet", "rock-ridge"))
    assert [n.joliet for n in named] == [("README",), ("readme1",)]
    assert [n.rock_ridge for n in named] == [("README",), ("readme",)]


def test_the_machines_volume_is_named_at_the_same_time() -> None:
    """Names for the disc and for the volume are chosen apart: a machine that holds the original gets it."""
    volume = Volume("C:", stem_max=8, extension_max=3, forbidden=" +", reserved=("AUX",))
    named, errors = map_names(staged("long name+one.text", "aux.c", "Plain.txt"), profile(volumes=(volume,)))
    assert not errors
    assert [n.target for n in named] == [("long_nam.tex",), ("aux_.c",), ("Plain.txt",)]
    assert named[0].why == ("disc: characters it cannot hold replaced, shortened; machine: characters it cannot hold "
                            "replaced, shortened")  # fmt: skip
    assert named[2].why == ""


def test_a_case_sensitive_volume_keeps_both_names() -> None:
    """Where capitals differ no name gives way; where they do not, one does."""
    both = staged("README", "readme")
    apart, _ = map_names(both, profile(volumes=(Volume("W:", case_sensitive=True),)))
    assert [n.target for n in apart] == [("README",), ("readme",)]
    same, _ = map_names(both, profile(volumes=(Volume("W:"),)))
    assert [n.target for n in same] == [("README",), ("readme1",)]


def test_items_on_two_volumes_do_not_disturb_each_other() -> None:
    """Names clash only within one volume."""
    entries = [file("README", "a"), file("readme", "b")]
    first, second = Volume("C:"), Volume("D:")
    named, _ = map_names(entries, profile(volumes=(first, second)), {"b": second})
    assert [n.target for n in named] == [("README",), ("readme",)]


@pytest.mark.parametrize(
    ("path", "message"),
    [
        ("a/b/c/d/e/f/g/h.txt", "8 levels deep"),
        ("/".join(["d" * 31] * 6) + "/" + "h" * 80, "240"),
    ],
)
def test_what_the_standard_has_no_room_for_is_refused_with_a_hint(path: str, message: str) -> None:
    """Depth and path sums of ECMA-119 §6.8.2.1 and of Joliet; each fault says what to do."""
    named, errors = map_names(staged(path), profile("iso-level-2", "joliet"))
    assert not named
    assert any(message in error.message and "`to`" in error.hint for error in errors)


def test_seven_parts_are_the_deepest() -> None:
    """The root and six folders above a file: as deep as every writer and reader goes."""
    named, errors = map_names(staged("a/b/c/d/e/f/g.txt"), profile())
    assert not errors and len(named[0].iso) == 7


def test_two_files_at_one_place_are_refused() -> None:
    """Equal wanted paths, and a file where another item needs a folder."""
    named, errors = map_names([file("A/X", "one"), file("A/X", "two"), file("A", "three")], profile())
    assert [n.staged.item for n in named] == ["one"]
    assert [(e.item, type(e)) for e in errors] == [("two", NameRuleError), ("three", NameRuleError)]
    assert "a file of one" in errors[0].message and "a folder" in errors[1].message


def test_two_items_may_bring_one_folder() -> None:
    """A folder that is listed twice is one folder; nothing of it is lost."""
    twice = [Staged(("D",), "one", None), Staged(("D",), "two", None), file("D/X", "two")]
    named, errors = map_names(twice, profile())
    assert not errors and [n.iso for n in named] == [("D",), ("D", "X.")]


@pytest.mark.parametrize("parts", [(), ("a", ""), (".", "a"), ("a", "..", "b")])
def test_a_path_that_leads_elsewhere_is_refused(parts: tuple[str, ...]) -> None:
    """`.` and `..` are the directory's own records (ECMA-119 §6.8.2.2) and no names."""
    named, errors = map_names([Staged(parts, "i", None)], profile())
    assert not named and "no path on a disc" in errors[0].message


@pytest.mark.parametrize(("last", "faults"), [(39, 0), (40, 1)])
def test_a_joliet_path_has_240_bytes(last: int, faults: int) -> None:
    """The lengths of its identifiers, and one for each folder (ECMA-119 §6.8.2.1, with Joliet's 240)."""
    _, errors = map_names(staged(f"{'a' * 40}/{'b' * 40}/{'c' * last}"), profile("joliet"))
    assert len(errors) == faults


def test_too_small_a_volume_is_a_fault_not_a_hang() -> None:
    """Forty files on a volume of one-letter names cannot be told apart."""
    volume = Volume("C:", name_max=1)
    _, errors = map_names(staged(*(f"file{n}" for n in range(40))), profile(volumes=(volume,)))
    assert errors and "leave no room" in errors[0].message


def test_a_path_too_long_for_the_machine_is_named() -> None:
    """The volume's own path limit counts the path from its root."""
    _, errors = map_names(staged("folder/" + "x" * 30), profile("rock-ridge", volumes=(Volume("C:/", path_max=20),)))
    assert "40 characters, the volume allows 20" in errors[0].message


def test_second_copies_get_a_folder_nobody_has() -> None:
    """The folder's name is free in every tree; files without bytes need no copy."""
    named, _ = map_names(staged("second", "x.text"), profile("joliet"))
    both = with_second_copies(named, lambda n: True)
    assert [n.second for n in both] == [("SECOND1", "00000001."), ("SECOND1", "00000002.TEX")]
    long, _ = map_names(staged("x.text"), profile("iso-level-2"))
    assert with_second_copies(long, lambda n: True)[0].second == ("SECOND", "00000001.TEX")


def test_folders_that_the_tool_makes_get_a_companion() -> None:
    """The parts of an item's `to` are the tool's; folders an archive brings are the archive's."""
    content = Content(__file__, 0, 1, CONTENT_SHA)  # type: ignore[arg-type]
    entries = [file("NET/STACK/src/a.c", member="src/a.c"), file("NET/NET2", member="NET2"), file("stack.info")]
    made = folder_companions([*entries, file("net.INFO")], profile(companion_folder="{name}.info"), content)
    assert [m.name for m in made] == [("NET", "STACK.info")]
    assert folder_companions(entries, profile(), content) == ()


def test_a_folder_of_several_items_is_nobodys() -> None:
    """The companion goes with its folder's item; in an archive's own folders, and where one has it, none is made."""
    content = Content(__file__, 0, 1, CONTENT_SHA)  # type: ignore[arg-type]
    entries = [
        file("ALL/ONE/a", "one", member="a"),
        file("ALL/TWO/src/b", "two", member="src/b"),
        file("ALL/TWO/src/c", "two", member="c"),
    ]
    made = folder_companions(entries, profile(companion_folder="{name}.info"), content)
    assert [("/".join(m.name), m.item) for m in made] == [
        ("ALL.info", ""), ("ALL/ONE.info", "one"), ("ALL/TWO.info", "two"),
    ]  # fmt: skip


def test_ten_thousand_clashing_names_take_no_long_time() -> None:
    """The next free number is remembered, so the work grows with the names and not with their square."""
    names = chosen(files(*(f"averylongname_{random.Random(n).random()}.text" for n in range(10_000))), 1)
    assert len(set(names.values())) == 10_000

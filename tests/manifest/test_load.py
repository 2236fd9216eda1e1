"""The manifest's loader. The format is the project's own; what TOML itself means is tomllib's word (TOML 1.0)."""

from collections.abc import Callable
from pathlib import Path

import pytest

from discprep.errors import DiscprepError, Faults, flatten
from discprep.manifest import load_manifest, load_profile
from discprep.manifest.rules import remarks

HEAD = 'format = 1\n[machine]\nprofile = "machine.toml"\n'
ITEM = '[[item]]\nid = "a"\nsources = ["http://files.example/a.lha"]\n'

Write = Callable[[str], Path]


@pytest.fixture
def write(tmp_path: Path) -> Write:
    """Writes a manifest beside a small profile."""
    (tmp_path / "machine.toml").write_text('name = "Reading-room machine"\n[[volume]]\npath = "C:"\n')

    def put(text: str, name: str = "first.toml") -> Path:
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
        return path

    return put


def faults(path: Path, **settings: str) -> list[str]:
    """What is wrong with a manifest, as the user reads it."""
    with pytest.raises(DiscprepError) as caught:
        load_manifest(path, settings=settings)
    assert caught.value.exit_code == 2
    return [str(error).removeprefix(str(path.parent) + "/") + f" | {error.hint}" for error in flatten([caught.value])]


def test_a_whole_manifest(write: Write) -> None:
    """Every section arrives in the record with its units."""
    manifest = load_manifest(
        write(
            'format = 1\ntitle = "Room"\nbring_up = ["a"]\n[machine]\nprofile = "machine.toml"\n'
            '[medium]\nsectors = 900\nvolume = "ONE"\n[link]\nrate = 38400\nround_trip_ms = 80\n'
            "[bridge]\nrate = 38400\n[plan]\nlink_budget = \"1 h 30 min\"\n[values]\nresolver = '192.0.2.53'\n"
            + ITEM
            + 'size = 12\nsha256 = "' + "AB" * 32 + '"\n'
            '[[item.edit]]\nfile = "x"\nfind = "y"\nreplace = "{link.rate} {values.resolver} {{}}"\n'
            '[[expect]]\nitem = "a"\nfile = "x"\npattern = "r=([0-9]+)"\nequals = "{bridge.rate}"\n'
            '[[step]]\nwhere = "machine"\nafter = ["a"]\ntext = "Restart {machine.name}."\n'
        )
    )  # fmt: skip
    assert manifest.link and manifest.link.round_trip_s == 0.08
    assert manifest.plan.link_budget_s == 5400
    assert manifest.items[0].edits[0].replace == "38400 192.0.2.53 {}"
    assert manifest.items[0].hashes.sha256 == "ab" * 32
    assert manifest.expects[0].equals == "38400"
    assert manifest.steps[0].text == "Restart Reading-room machine."
    assert manifest.medium.sectors == 900 and manifest.title == "Room"
    assert manifest.pins_path.name == "first.pins.toml"


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("format = 1\nformat = 2\n", "first.toml:2: TOML syntax"),
        (HEAD + "x = [\n", "TOML syntax"),
        ("format = 2\n" + HEAD[11:], "first.toml:1: format: expected one of 1"),
        (HEAD.replace("profile", "profil"), "first.toml:3: unknown key 'machine.profil' | Did you mean 'profile'?"),
        ("format = 1\n", "the key 'machine' is missing"),
        (HEAD + "[link]\nrate = '57600'\n", "first.toml:5: link.rate: expected a whole number, got '57600'"),
        (HEAD + "[link]\nrate = 0\n", "first.toml:5: link.rate: expected greater than or equal to 50, got 0"),
        (HEAD + ITEM + "sizes = 1\n", "first.toml:7: [a] unknown key 'item[1].sizes' | Did you mean 'size'?"),
        (HEAD + "[values]\nint = []\n", "first.toml:5: values.int: expected"),
        ("int = 1\n" + HEAD, "first.toml:1: unknown key 'int'"),
        (HEAD + ITEM + "'a[b' = 1\n", "first.toml:7: [a] unknown key 'item[1].a[b'"),
        (HEAD + ITEM + "size = '1,5 MB'\n", "[a] item[1].size: '1,5 MB' is not a number"),
        (HEAD + ITEM + "size = '12 XB'\n", "first.toml:7: [a] item[1].size: '12 XB' is not a number with one of"),
        (HEAD + ITEM + "sha256 = 'ab'\n", "item[1].sha256: expected 64 hexadecimal digits, got 'ab' (2 characters)"),
        (HEAD + ITEM + "needs = ['b']\n", "first.toml:4: [a] needs 'b', which is neither an item nor a role"),
        (HEAD + ITEM + "needs = ['editor']\n", "needs the role 'editor', which neither an item nor the profile gives"),
        (HEAD + ITEM + "needs = ['a']\n", "needs go in a circle: a needs a"),
        (HEAD + ITEM + ITEM, "first.toml:7: [a] the id 'a' is taken"),
        (HEAD + ITEM + "to = '../x'\n", "to '../x' must not climb"),
        (HEAD + ITEM + "to = 'C:/x'\n", "to 'C:/x' must be relative"),
        (HEAD + ITEM + "charset = 'klingon'\n", "no charset is called 'klingon'"),
        (HEAD + ITEM + "charset = 'base64'\n", "no charset is called 'base64'"),
        (HEAD + ITEM + "volume = 'D:'\n", "volume 'D:' is not in the profile, which has 'C:'"),
        (HEAD + "[[item]]\nid = 'a'\nsources = ['gopher://h/a']\n", "the scheme 'gopher' is not supported"),
        (HEAD + "[[item]]\nid = 'a'\nsources = ['file:///etc/passwd']\n", "the scheme 'file' is not supported"),
        (HEAD + "[[item]]\nid = 'a'\nsources = ['/etc/hostname']\n", "a local file outside the manifest's folder"),
        (HEAD + "[[item]]\nid = 'a'\nsources = ['../secret']\n", "a local file outside the manifest's folder"),
        (HEAD + "[[item]]\nid = 'a'\n", "has no source, no page and no hash"),
        (HEAD + "[medium]\nkind = 'cd-75'\n", "medium.kind: no medium is called 'cd-75'"),
        (HEAD + "[medium]\nkind = 'cd-74'\nsectors = 900\n", "give either kind or sectors"),
        (HEAD + "[medium]\nkind = 'cd-74'\nvolume = 'lower'\n", "medium.volume: expected a text of the form"),
        (HEAD + "[medium]\nkind = 'cd-74'\ndiscs = 'fewest'\n", 'medium.discs = "fewest" needs plan.link_budget'),
        (HEAD + "[medium]\nkind = 'cd-74'\nboot_image = '/etc/passwd'\n", "boot_image '/etc/passwd' must be relative"),
        (HEAD + "[link]\nrate = 9600\nframing = '7E1'\n", "carries 7 bits a character; SLIP and PPP need 8"),
        (HEAD + "[link]\nrate = 9600\n[bridge]\nrate = 19200\n", "link.rate is 9,600, bridge.rate is 19,200 baud"),
        (HEAD + ITEM + "[[item.edit]]\nfile='f'\nfind='x'\nreplace='{link.rate}'\n", "nothing is called {link.rate}"),
        (HEAD + ITEM + "[[item.edit]]\nfile='f'\nfind='x'\nreplace='{0.__class__}'\n", "called {0.__class__}"),
        (HEAD + ITEM + "[[item.edit]]\nfile='f'\nfind=''\nreplace=''\n", "item[1].edit[1].find"),
        (HEAD + "[[expect]]\nitem='a'\nfile='f'\npattern='x'\nequals='1'\n", "pattern needs exactly one group"),
        (HEAD + "[[expect]]\nitem='z'\nfile='f'\npattern='(x)'\nequals='1'\n", "expect names 'z', which is no item"),
        (HEAD + "[[step]]\nwhere='desk'\nafter=['z']\ntext='t'\n", "after names 'z', which is no item"),
        ("format = 1\nbring_up = ['editor']\n" + HEAD[11:], "bring_up asks for the role 'editor'"),
        ("format = 1\nbring_up = ['edtor']\n" + HEAD[11:], "Did you mean 'editor'?"),
        ("format = 1\ninclude = ['no.toml']\n" + HEAD[11:], "first.toml:2: include 'no.toml'"),
        ("format = 1\ninclude = ['first.toml']\n" + HEAD[11:], "leads back to a file that includes it"),
        (HEAD.replace("machine.toml", "no.toml"), "first.toml:3: machine profile"),
    ],
)  # fmt: skip
def test_a_fault_names_line_item_and_remedy(write: Write, text: str, expected: str) -> None:
    """One fault, one message in the user's terms."""
    found = faults(write(text))
    assert any(expected in message for message in found), found


NEEDS_LHA = '[[item]]\nid = "b"\npage = "p"\nneeds = ["unpack-lha"]\n'
EDIT = "[[item.edit]]\nfile = 'f'\nfind = 'x'\nreplace = '{%s}'\n"


@pytest.mark.parametrize(
    ("text", "only"),
    [
        (HEAD + ITEM + "gives = 'unpack-lha'\n" + NEEDS_LHA, "item[1].gives: expected a list"),
        (HEAD + ITEM + "given = ['unpack-lha']\n" + NEEDS_LHA, "unknown key 'item[1].given'"),
        (HEAD + ITEM + "gives = ['unpack-lah']\n" + NEEDS_LHA, "item[1].gives[1]: expected one of"),
        (HEAD + ITEM.replace('"a"', '"A"') + "gives = ['unpack-lha']\n" + NEEDS_LHA, "item[1].id: expected a text"),
        ("format = 1\nbring_up = ['editor']\n" + HEAD[11:] + ITEM + "gives = 'editor'\n", "item[1].gives: expected"),
        (HEAD + ITEM.replace('"a"', '"Hut"') + ITEM + "needs = ['hut', 'Hut']\n", "item[1].id"),
        (HEAD + ITEM.replace("id", "name") + ITEM.replace('"a"', '"b"') + "needs = ['a']\n", "item[1]"),
        ("format = 1\ninclude = ['no.toml']\n" + HEAD[11:] + NEEDS_LHA + "[[step]]\nwhere = 'desk'\nafter = ['x']\n"
         "text = 't'\n", "include 'no.toml'"),
        ("format = 1\nbring_up = ['editor', 'x']\nitem = [1]\n" + HEAD[11:], "items are written as [[item]]"),
        (HEAD + ITEM.replace("sources", "source"), "unknown key 'item[1].source'"),
        (HEAD + "[[item]]\nid = 'a'\nsources = 'http://files.example/a'\n", "item[1].sources: expected a list"),
        (HEAD + "[link]\nrate = '9600'\n" + ITEM + EDIT % "link.rate", "link.rate: expected a whole number"),
        (HEAD + "[brigde]\nrate = 9600\n" + ITEM + EDIT % "bridge.rate", "unknown key 'brigde'"),
        (HEAD + "[values]\nx = []\ny = 1\n" + ITEM + EDIT % "values.y", "values.x: expected"),
        (HEAD + "[secrets]\nx = 1\n" + ITEM + EDIT % "secrets.x", "secrets.x: expected a table"),
        (HEAD + "[medium]\nkind = 'cd-74'\ndiscs = 'fewest'\n[plan]\nlink_budget = '2 w'\n", "plan.link_budget"),
        (HEAD.replace("machine.toml", "no.toml") + ITEM + "volume = 'C:'\nneeds = ['editor']\n"
         + EDIT % "machine.volume" + ITEM.replace('"a"', '"b"') + "for = ['x']\n"
         + ITEM.replace('"a"', '"c"') + "needs = ['b']\n", "machine profile: "),
    ],
)  # fmt: skip
def test_what_follows_from_a_fault_is_no_second_one(write: Write, text: str, only: str) -> None:
    """What is faulty is said where it stands; that others refer to it is not said again."""
    found = faults(write(text))
    assert all(only in message for message in found) and found, found


def test_what_follows_from_a_faulty_profile_is_no_second_one(write: Write) -> None:
    write('name = "X"\nprovides = "editor"\n[[volume]]\npath = ""\n', "machine.toml")
    found = faults(write(HEAD + ITEM + "volume = 'C:'\nneeds = ['editor']\n" + EDIT % "machine.volume"))
    assert len(found) == 2 and all("machine.toml:" in message.partition("expected")[0] for message in found), found


def test_what_does_not_follow_from_a_fault_is_told_beside_it(write: Write) -> None:
    """Another item's fault hides neither a role that nobody can give nor a name that is near no broken one."""
    found = faults(write(HEAD + ITEM + "sizes = 1\n" + ITEM.replace('"a"', '"b"') + "needs = ['editor', 'zzz']\n"))
    assert ["unknown key" in found[0], "role 'editor'" in found[1], "needs 'zzz'" in found[2]] == [True] * 3


def test_pinned_items_are_asked_once(write: Write) -> None:
    """Pins that can be gone through but once do for all items: they are not looked through for each."""
    text = HEAD + "".join(f'[[item]]\nid = "{name}"\npage = "p"\n' for name in "abc")
    told = remarks(load_manifest(write(text)), iter(["c", "a"]))
    assert [notice.item for notice in told if "no hash" in notice.message] == ["b"]


def test_ends_that_disagree_are_both_placed(write: Write) -> None:
    """The line of each key; of a key that is left out, its table's."""
    path = write(HEAD + "[link]\nframing = '8E1'\nrate = 9600\n[bridge]\nrate = 19200\n")
    framing, rate = faults(path)
    assert framing.startswith("first.toml:5: the ends disagree") and f"8N1 ({path}:7)" in framing
    assert rate.startswith("first.toml:6: the ends disagree") and f"baud ({path}:8)" in rate


def test_what_the_whole_manifest_asks_for_has_its_line(write: Write) -> None:
    text = "format = 1\nbring_up = ['zz', 'editor']\n" + HEAD[11:] + "has = ['yy']\n[medium]\nsectors = 99\n"
    found = faults(write(text + "discs = 'fewest'\n[link]\nrate = 9600\nframing = '7E1'\n"))
    assert [message.split(":")[1] for message in found] == ["2", "2", "5", "8", "11"], found


@pytest.mark.parametrize(
    ("text", "hint"),
    [
        ("format = 1\nformat = 2\n", "stands there twice"),
        (HEAD + "[machine]\n", "put its keys together"),
        (HEAD + "x = { a = 1, a = 2 }\n", "stands there twice"),
        (HEAD + "x = [1,\n", "ends in the middle"),
        (HEAD + "x = [1\ny = 2\n", "opened there and never closed"),
        (HEAD + 'title = "a\n', "ends with the quote"),
        (HEAD + "title = '''a\n", "ends in the middle"),
        (HEAD + 'title = "C:\\NET"\n', "Write \\\\ for a backslash"),
        (HEAD + "title = Signal hut\n", "stands in quotes"),
        (HEAD + "title\n", "`key = value`"),
        (HEAD + "title", "`key = value`"),
        (HEAD + "[medium\n", "`key = value`"),
        (HEAD + '[[step]]\nwhere = "desk"\ntext = "t"\nwipes = ["Z:/A"]\n', "Begin the path as the profile does: C:"),
        (HEAD + ITEM + "volume = 'D:'\n", "Leave `volume` out"),
        (HEAD.replace("machine.toml", "no.toml"), "`manifests/machines/` has ready ones"),
        ("format = 1\ninclude = ['no.toml']\n" + HEAD[11:], "the file that includes it"),
    ],
)
def test_a_fault_says_what_to_do(write: Write, text: str, hint: str) -> None:
    """The words of a syntax fault are tomllib's; what to do about it is TOML 1.0's."""
    (found,) = faults(write(text))
    assert hint in found.partition(" | ")[2], found


WANTED = ITEM + "importance = 'wanted'\nneeds = ['b']\n" + ITEM.replace('"a"', '"b"') + "importance = 'wanted'\n"
USER = ITEM.replace('"a"', '"u"') + "importance = 'needed'\nneeds = ['a']\n"


GIVER = WANTED.replace("importance = 'wanted'\nneeds", "gives = ['ip-stack']\nneeds", 1)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (HEAD + WANTED + USER, ["first.toml:4: [a]", "first.toml:9: [b]"]),
        ("format = 1\nbring_up = ['a']\n" + HEAD[11:] + WANTED, ["first.toml:5: [a]", "first.toml:10: [b]"]),
        (HEAD + GIVER, ["first.toml:9: [b]"]),
    ],
)
def test_what_is_needed_cannot_be_only_wanted(write: Write, text: str, told: list[str]) -> None:
    """All of it at once, with file and line; who does what each hint says, either way, has a manifest that holds."""
    found = faults(write(text))
    assert [message.partition(" importance")[0] for message in found] == told
    assert all('| Give it importance = "needed", or leave `importance` out.' in message for message in found)
    for instead in ("importance = 'needed'\n", ""):
        load_manifest(write(text.replace("importance = 'wanted'\n", instead)))


def test_a_missing_machine_of_the_call_is_no_missing_manifest(write: Write) -> None:
    """`--machine PROFILE`: the hint is about profiles, and no line of the manifest is named."""
    with pytest.raises(DiscprepError) as caught:
        load_manifest(write(HEAD + ITEM), machine=Path("no.toml"))
    (error,) = flatten([caught.value])
    assert (error.where, error.exit_code) == ("no.toml", 3)
    assert "profile" in error.hint and "discprep new" not in error.hint


def test_all_faults_at_once(write: Write) -> None:
    """Faults of the head, of several items and between items come in one go, in the order of the lines."""
    path = write(
        'format = 1\nextra = 1\n[machine]\nprofile = "machine.toml"\n[link]\nrate = true\n'
        + ITEM + "sizee = 1\nneeds = ['b']\n"
        + '[[item]]\nid = "b"\nsources = ["gopher://h/x"]\nneeds = ["a", "zz"]\nworth = 9\n'
    )  # fmt: skip
    found = faults(path)
    assert len(found) == 7, found
    lines = [int(message.split(":")[1]) for message in found]
    assert lines == sorted(lines)


def test_includes_bring_items_and_their_pins(write: Write) -> None:
    """An included file's items come along, with the pins beside it and paths relative to it."""
    write(
        'format = 1\n[values]\nx = "inner"\ny = 2\n'
        + ITEM.replace('"a"', '"b"').replace("http://files.example/a", "b"),
        "common/items.toml",
    )
    path = write('format = 1\ninclude = ["common/items.toml"]\n' + HEAD[11:] + '[values]\nx = "outer"\n' + ITEM)
    manifest = load_manifest(path)
    inner = manifest.item("b")
    assert inner.pins_file == path.parent / "common/items.pins.toml"
    assert inner.sources == (str((path.parent / "common/b.lha").resolve()),)
    assert dict(manifest.values) == {"x": "outer", "y": "2"}


def test_items_for_another_machine_stay_away(write: Write) -> None:
    """`for` keeps an item from a machine; needing it there is a fault in words."""
    other = ITEM.replace('"a"', '"b"') + "for = ['Another machine']\n"
    assert [item.id for item in load_manifest(write(HEAD + ITEM + other)).items] == ["a"]
    assert (
        "which is not for the machine 'Reading-room machine'" in faults(write(HEAD + ITEM + "needs=['b']\n" + other))[0]
    )


def test_settings_for_a_what_if(write: Write) -> None:
    """Dotted keys are set before checking; a new rate is one of both ends."""
    path = write(HEAD + "[link]\nrate = 9600\n[bridge]\nrate = 9600\n" + ITEM)
    manifest = load_manifest(path, settings={"link.rate": "38400", "item.a.place": "burn", "plan.link_budget": "2 h"})
    assert manifest.bridge and manifest.link and manifest.link.rate_bit_s == manifest.bridge.rate_bit_s == 38400
    assert manifest.items[0].place == "burn" and manifest.plan.link_budget_s == 7200
    assert "no item is called 'q'" in faults(path, **{"item.q.place": "burn"})[0]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("x = " + "[" * 5000 + "]" * 5000, "nested too deeply"),
        ("x = " + "[" * 20 + "]" * 20, "nested more than 12 deep"),
        ("x = " + "9" * 6000, "cannot be read"),
        (HEAD + "".join(f'[[item]]\nid = "i{n}"\npage = "p"\n' for n in range(20_001)), "a manifest may have 20,000"),
        (HEAD + '[[item]]\nid = "' + "x" * 5000 + '"\npage = "p"\n', "item[1].id: expected"),
        (HEAD + '[[item]]\nid = "a"\npage = "p"\ntitle = "\\u0007"\n', "has control characters"),
        (HEAD + f'[[item]]\nid = "a"\npage = "p"\nsize = {10**30}\n', "item[1].size"),
        (HEAD + '[[item]]\nid = "a"\npage = "p"\nrename = { x = "..\\\\y" }\n', "backslash"),
    ],
    ids=["deep", "deeper-than-ours", "long-number", "many-items", "long-id", "control", "huge", "backslash"],
)
def test_hostile_manifests_are_refused_in_words(write: Write, text: str, expected: str) -> None:
    """Absurd input gets a fault, not a crash."""
    assert any(expected in message for message in faults(write(text)))


def test_text_that_is_not_utf8(write: Write, tmp_path: Path) -> None:
    """The line of the first bad byte is named."""
    path = write("")
    path.write_bytes(b'format = 1\ntitle = "\xff"\n')
    assert "first.toml:2: the file is not UTF-8" in faults(path)[0]


def test_a_missing_file_is_the_hosts_fault(tmp_path: Path) -> None:
    """Exit 3: nothing is wrong with a manifest that is not there."""
    with pytest.raises(DiscprepError) as caught:
        load_manifest(tmp_path / "no.toml")
    assert caught.value.exit_code == 3


def test_profile_faults_come_with_the_manifests(write: Write) -> None:
    """Profile and manifest are judged together."""
    write('name = "X"\n[disk]\n[text]\ncharset = "nope"\n[[volume]]\npath="C:"\nblock="0.5 B"\n', "machine.toml")
    found = faults(write(HEAD + "q = 1\n"))
    assert len(found) == 4 and any("Did you mean 'disc'?" in message for message in found)


def test_a_profile_alone(write: Write, tmp_path: Path) -> None:
    """`load_profile` raises what is wrong by itself."""
    profile = load_profile(tmp_path / "machine.toml") if write("").exists() else None
    assert profile and profile.volumes[0].path == "C:"
    write("naem = 'X'\n", "bad.toml")
    with pytest.raises(Faults):
        load_profile(tmp_path / "bad.toml")


# ------------------------------------------------------------------------ what a later step could not carry out

BOOT = HEAD + '[medium]\nkind = "cd-74"\nboot_image = "boot.img"\nboot_media = "{}"\n' + ITEM
WIPES = HEAD + ITEM + '[[step]]\nwhere = "{}"\ntext = "Run it."\nwipes = ["{}"]\n'
SHELL = (
    '[shell]\nscript_name = "P{part}"\nmake_folder = "mk {path}"\ncopy = "cp {source} {target}"\n'
    'message = "echo {text}"\nstop = "quit"\n'
    'if_exists = ["if {path}", "{then}", "end"]\nif_missing = ["un {path}", "{then}", "end"]\n'
)


@pytest.mark.parametrize("size_bytes", [0, 1_474_559, 1_474_561, 1_228_800, 2_949_120])
def test_a_boot_image_that_is_no_whole_floppy(write: Write, tmp_path: Path, size_bytes: int) -> None:
    """80 tracks of 2 heads of 18 sectors of 512 bytes: both sizes are told, at the key's line."""
    (tmp_path / "boot.img").write_bytes(bytes(size_bytes))
    (fault,) = faults(write(BOOT.format("1.44M")))
    assert fault.startswith("first.toml:6: boot_image 'boot.img' ")
    if size_bytes:
        assert f"has {size_bytes:,} bytes, and a floppy of 1.44M has {80 * 2 * 18 * 512:,}" in fault


@pytest.mark.parametrize(
    ("size_bytes", "media"), [(80 * 2 * 15 * 512, "1.2M"), (80 * 2 * 36 * 512, "2.88M"), (9, "none")]
)
def test_the_boot_medium_that_the_hint_names(write: Write, tmp_path: Path, size_bytes: int, media: str) -> None:
    """Who does what the hint says has no fault left."""
    (tmp_path / "boot.img").write_bytes(bytes(size_bytes))
    (fault,) = faults(write(BOOT.format("1.44M")))
    assert f'set boot_media = "{media}"' in fault
    assert load_manifest(write(BOOT.format(media))).medium.boot_media == media


def test_a_system_area_that_is_too_long(write: Write, tmp_path: Path) -> None:
    """Sectors 0 to 15 are the system area (ECMA-119 §6.2.1)."""
    text = HEAD + '[medium]\nkind = "cd-74"\nsystem_area = "area.bin"\n' + ITEM
    (tmp_path / "area.bin").write_bytes(bytes(16 * 2048 + 1))
    (fault,) = faults(write(text))
    assert fault.startswith("first.toml:6: system_area 'area.bin' has 32,769 bytes, and a disc has room for 32,768")
    (tmp_path / "area.bin").write_bytes(bytes(16 * 2048))
    assert load_manifest(write(text)).medium.system_area


@pytest.mark.parametrize("second", ["C:", "c:", "C:/"])
def test_two_volumes_of_one_path(write: Write, second: str) -> None:
    """No item could say which it means; each is named with its line."""
    write(f'name = "M"\n[[volume]]\npath = "C:"\n[[volume]]\npath = "{second}"\n', "machine.toml")
    (fault,) = faults(write(HEAD + ITEM))
    assert fault.startswith(f"machine.toml:4: two volumes have the path '{second}': ") and "machine.toml:2 has" in fault


def test_volumes_that_only_capitals_tell_apart(write: Write) -> None:
    """On a system that tells them apart they are two."""
    volumes = "".join(f'[[volume]]\npath = "{path}"\ncase_sensitive = true\n' for path in ("/room", "/ROOM"))
    write(f'name = "M"\n{volumes}', "machine.toml")
    assert len(load_manifest(write(HEAD + ITEM)).profile.volumes) == 2


@pytest.mark.parametrize("charset", ["idna", "utf-16", "utf-8-sig", "punycode"])
def test_a_charset_that_carries_no_scripts(write: Write, charset: str) -> None:
    """Python knows them as text encodings, but a line in them is not the bytes of its signs; the hint's names are."""
    profile = 'name = "M"\n[text]\ncharset = "{}"\n'
    write(profile.format(charset), "machine.toml")
    (fault,) = faults(write(HEAD + ITEM))
    assert fault.startswith(f"machine.toml:3: the charset '{charset}' carries no scripts")
    for named in ("latin-1", "cp437", "cp850", "utf-8"):
        assert named in fault
        write(profile.format(named), "machine.toml")
        assert load_manifest(write(HEAD + ITEM)).profile.charset == named


def test_an_end_mark_that_the_charset_lacks(write: Write) -> None:
    write('name = "M"\n[text]\ncharset = "ascii"\nend_mark = "\u00a7"\n', "machine.toml")
    (fault,) = faults(write(HEAD + ITEM))
    assert fault.startswith("machine.toml:4: the charset 'ascii' lacks a character of the end mark")


@pytest.mark.parametrize(
    ("where", "path", "word"),
    [
        ("machine", "S/NET/", "has no command that copies one (copy_folder)"),
        ("machine", "C:/", "is a whole volume"),
        ("machine", "C:/SAVED/A", "where the saved copies themselves stand"),
        ("machine", "D:/A", "names a volume that is not in the profile, which has 'C:'"),
        ("bridge", "S/NET", "is told of a step at the bridge, where no script runs"),
    ],
)
def test_what_no_script_can_save_first(write: Write, where: str, path: str, word: str) -> None:
    """`wipes` promises a copy: what cannot be copied is told at the step, before a disc is built that wipes it."""
    write('name = "M"\n[[volume]]\npath = "C:"\n' + SHELL, "machine.toml")
    (fault,) = faults(write(WIPES.format(where, path)))
    assert fault.startswith(f"first.toml:7: wipes '{path}' ") and word in fault


def test_what_a_script_can_save_first(write: Write) -> None:
    """As the hints say: the files of the folder; or a language that copies folders."""
    profile = 'name = "M"\n[[volume]]\npath = "C:"\n' + SHELL
    write(profile, "machine.toml")
    assert load_manifest(write(WIPES.format("machine", "S/NET/LINE")))
    write(profile + 'copy_folder = "cp all {source} {target}"\n', "machine.toml")
    assert load_manifest(write(WIPES.format("machine", "S/NET/")))


# --------------------------------------------------------------------------------------------- archives nobody opens


@pytest.mark.parametrize(
    ("keys", "told"),
    [
        ('place = "burn"\nform = "unpacked"', False),
        ('place = "burn"', False),  # the plan packs nothing that nobody opens
        ('place = "burn"\nform = "packed"', True),
        ('place = "burn"\nform = "both"', True),
        ('place = "later"\nform = "unpacked"', True),
        ('place = "either"\nform = "unpacked"', True),
        ('place = "either"', True),
        ('place = "later"\ngives = ["unpack-lha"]', True),  # it does not open itself
    ],
)
def test_archives_that_nobody_opens(write: Write, keys: str, told: bool) -> None:
    """A remark where an archive is asked to stand packed, and where it may wait; none where it stands unpacked."""
    manifest = load_manifest(write(HEAD + "[link]\nrate = 9600\n" + ITEM + keys + "\n"))
    assert any("nothing opens LHA" in notice.message for notice in remarks(manifest)) == told


def test_without_a_link_all_stands_unpacked_on_the_disc(write: Write) -> None:
    """Nothing can come later then, so that nothing reaches the machine packed that nobody opens there."""
    assert not any("nothing opens" in notice.message for notice in remarks(load_manifest(write(HEAD + ITEM))))


def test_somebody_opens_them(write: Write) -> None:
    """As the hint says: with another item that gives the role, nothing is remarked."""
    text = HEAD + "[link]\nrate = 9600\n" + ITEM
    text += '[[item]]\nid = "b"\nsources = ["http://files.example/b"]\ngives = ["unpack-lha"]\n'
    assert not any("nothing opens" in notice.message for notice in remarks(load_manifest(write(text))))
